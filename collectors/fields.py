"""One value of a message against what it may be. A checker returns the value or raises ``Misfit``."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from collectors.signals import CATALOGUE, SENTINELS, STROKE_RANGES, Signal

MAX_COUNTER: Final = 2**63 - 1
MAX_TEXT: Final = 200
STROKE_KINDS: Final = ("piece", "trim", "remnant", "air", "aborted", "test")
DISMOUNT_REASONS: Final = (
    "worn-plan", "worn-burr", "worn-load", "worn-length", "chipped", "cracked", "galled",
    "job-swap", "trial", "unknown",
)  # fmt: skip
CHECKS: Final = ("burr_mm", "length_mm", "square_mm", "noise", "note")
WAVEFORM_UNITS: Final = ("m/s2", "g", "mm/s")


class Misfit(ValueError):
    """A value that does not fit; the text says found and expected."""


def shown(value: object) -> str:
    """The value as it stands in an error, cut to a readable length."""
    try:
        text = repr(value)
    except RecursionError:
        text = "something nested too deeply"
    return text if len(text) <= 80 else text[:77] + "..."


@dataclass(frozen=True, slots=True)
class Site:
    """What a receiver must know of the shop: its name, its saws, and what its sensors can plausibly read.

    ``saws`` maps a saw to its spindles; ``aliases`` maps another name to the saws that bore it, each from an instant
    up to another [µs].
    """

    name: str
    saws: Mapping[str, frozenset[str]]
    aliases: Mapping[str, Sequence[tuple[int, int, str]]] = field(default_factory=dict)
    plausible: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    sentinels: frozenset[float] = SENTINELS

    def saw(self, name: str, us: int | None = None) -> str:
        """The id of a saw by id or by its alias at an instant; without one, by any it ever had. Raises ``Misfit``."""
        if name in self.saws:
            return name
        spans = self.aliases.get(name, ())
        for since_us, until_us, saw in spans:
            if us is None or since_us <= us < until_us:
                return saw
        if spans:
            raise Misfit(f"unknown-saw: {shown(name)} was no saw's name then; look at aliases and valid_from")
        raise Misfit(f"unknown-saw: {shown(name)} is not in the configuration, which has {', '.join(self.saws)}")

    def range_of(self, name: str) -> tuple[float, float]:
        """The plausible range of a signal or stroke field."""
        found = self.plausible.get(name) or STROKE_RANGES.get(name)
        if found is not None:
            return found
        signal = CATALOGUE[name]
        return signal.low, signal.high


def number(value: object, low: float, high: float, sentinels: frozenset[float]) -> float:
    """A finite number within ``[low, high]`` that is no sentinel."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise Misfit(f"wrong-type: found {shown(value)}, expected a number")
    try:
        result = float(value)
    except OverflowError:
        result = math.inf
    if not math.isfinite(result):
        raise Misfit(f"not-a-number: found {shown(value)}, expected a finite number")
    if result in sentinels:
        raise Misfit(f"sentinel: found {shown(value)}, which controllers send for 'no value'")
    if not low <= result <= high:
        raise Misfit(f"out-of-range: found {shown(value)}, expected {low:g} to {high:g}")
    return result + 0.0  # no negative zero: a database does not keep it


def whole(value: object, low: int, high: int) -> int:
    """A whole number within ``[low, high]``; 7.0 is 7, 7.5 and true are refused."""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    if isinstance(value, bool) or not isinstance(value, int):
        raise Misfit(f"wrong-type: found {shown(value)}, expected a whole number")
    if not low <= value <= high:
        raise Misfit(f"out-of-range: found {shown(value)}, expected a whole number from {low} to {high}")
    return value


def text(value: object) -> str | None:
    """Text without control characters; blank text is an absent value."""
    if not isinstance(value, str):
        raise Misfit(f"wrong-type: found {shown(value)}, expected text")
    if len(value) > MAX_TEXT:
        raise Misfit(f"too-long: found {len(value)} characters, expected at most {MAX_TEXT}")
    stripped = value.strip()
    if not stripped.isprintable():
        raise Misfit(f"wrong-type: found {shown(value)}, expected text without control characters")
    return stripped or None


def choice(value: object, allowed: Iterable[str]) -> str:
    """One of the allowed words."""
    if not isinstance(value, str) or value not in allowed:
        raise Misfit(f"wrong-value: found {shown(value)}, expected one of {', '.join(allowed)}")
    return value


def reading(signal: Signal, value: object, site: Site) -> float:
    """The stored number of a signal: words and truth values become their place in the catalogue."""
    if signal.words:
        if isinstance(value, bool):
            value = "true" if value else "false"
        elif isinstance(value, int | float) and value in (0, 1) and signal.words == ("false", "true"):
            return float(value)
        return float(signal.words.index(choice(value, signal.words)))
    low, high = site.range_of(signal.name)
    return number(value, low, high, site.sentinels)


Checker = Callable[[object, Site], Any]


def _number(name: str) -> Checker:
    def check(value: object, site: Site) -> float:
        low, high = site.range_of(name)
        return number(value, low, high, site.sentinels)

    return check


def _whole(name: str) -> Checker:
    def check(value: object, site: Site) -> int:
        low, high = site.range_of(name)
        return whole(value, int(low), int(high))

    return check


def _text(value: object, _site: Site) -> str | None:
    return text(value)


def _choice(allowed: tuple[str, ...]) -> Checker:
    return lambda value, _site: choice(value, allowed)


def _area_cmm2(value: object, site: Site) -> int:
    low, high = site.range_of("area_mm2")
    return round(number(value, low, high, site.sentinels) * 100)


CUT_FIELDS: Final[Mapping[str, tuple[str, Checker]]] = {
    "seq": ("seq", lambda value, _site: whole(value, 0, MAX_COUNTER)),
    "part": ("part", _text),
    "alloy": ("alloy", _text),
    "area_mm2": ("area_cmm2", _area_cmm2),
    "order": ("order", _text),
    "lot": ("lot", _text),
    "kind": ("kind", _choice(STROKE_KINDS)),
    **{name: (name, _whole(name)) for name in ("bars", "pieces")},
    **{
        name: (name, _number(name))
        for name in (
            "height_mm", "length_mm", "measured_mm", "mitre_deg", "feed_mm_s", "feed_override_pct", "feed_load_pct",
            "spindle_rpm", "duration_s", "energy_kj", "mean_power_kw", "peak_power_kw",
        )
    },
}  # fmt: skip
"""Optional fields of a ``cut`` message: the field of ``Stroke`` and its checker."""

BLADE_FIELDS: Final[Mapping[str, Checker]] = {
    "reason": _choice(DISMOUNT_REASONS),
    "by": _text,
    "counter": lambda value, _site: whole(value, 0, MAX_COUNTER),
    "kerf_mm": _number("kerf_mm"),
}

CHECK_FIELDS: Final[Mapping[str, Checker]] = {
    "value": lambda value, site: number(value, -100_000.0, 100_000.0, site.sentinels),
    "side": _text,
    "part": _text,
    "text": _text,
    "by": _text,
}
