"""The facts that collectors hand on.

Each fact has an instant ``ts_us`` (when it happened at the source) and ``known_us`` (when it became
known here), both in microseconds of UTC since 1970. Its identity is that of the fact, not of the message:
two messages that tell the same thing are one fact.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Final

import msgspec

DEFAULT_SPINDLE: Final = "1"


class Sample(msgspec.Struct, frozen=True, gc=False):
    """One reading of one signal. Identity: saw, spindle, signal, point, instant."""

    saw: str
    spindle: str
    signal: str
    point: str
    ts_us: int
    value: float
    known_us: int


class Stroke(msgspec.Struct, frozen=True, gc=False, omit_defaults=True):
    """One stroke of a saw, as its message tells it. Identity: saw, spindle, instant, counter value.

    Areas are kept as whole hundredths of a square millimetre, so that sums do not depend on their order.
    ``seq`` is the publisher's running number and no part of the content.
    """

    saw: str
    spindle: str
    ts_us: int
    stroke: int
    known_us: int
    seq: int | None = None
    part: str | None = None
    alloy: str | None = None
    area_cmm2: int | None = None
    height_mm: float | None = None
    bars: int | None = None
    pieces: int | None = None
    length_mm: float | None = None
    measured_mm: float | None = None
    mitre_deg: float | None = None
    feed_mm_s: float | None = None
    feed_override_pct: float | None = None
    feed_load_pct: float | None = None
    spindle_rpm: float | None = None
    duration_s: float | None = None
    energy_kj: float | None = None
    mean_power_kw: float | None = None
    peak_power_kw: float | None = None
    order: str | None = None
    lot: str | None = None
    kind: str | None = None
    clock_from_receipt: int | None = None


STROKE_CONTENT: Final = tuple(
    name for name in Stroke.__struct_fields__ if name not in ("saw", "spindle", "ts_us", "stroke", "known_us", "seq")
)
"""The fields that make two reports of one stroke equal or different, in the order of the store's columns."""


class BladeNote(msgspec.Struct, frozen=True, gc=False, omit_defaults=True):
    """A saw's own word about a change of blade. Identity: saw, spindle, instant, event, plate."""

    saw: str
    spindle: str
    ts_us: int
    event: str
    plate: str
    known_us: int
    reason: str | None = None
    by: str | None = None
    counter: int | None = None
    kerf_mm: float | None = None


class Check(msgspec.Struct, frozen=True, gc=False, omit_defaults=True):
    """What a person measured or saw. Identity: saw, spindle, instant, what, side."""

    saw: str
    spindle: str
    ts_us: int
    what: str
    known_us: int
    side: str = ""
    value: float | None = None
    part: str | None = None
    text: str | None = None
    by: str | None = None


class Waveform(msgspec.Struct, frozen=True, gc=False):
    """A short record of fast vibration. Identity: saw, spindle, point, instant."""

    saw: str
    spindle: str
    point: str
    ts_us: int
    fs_hz: float
    unit: str
    samples: tuple[float, ...]
    known_us: int


Fact = Sample | Stroke | BladeNote | Check | Waveform


class Rejected(msgspec.Struct, frozen=True):
    """A message, or a part of one, that was not taken: where it came from, its bytes, and why.

    ``source`` is ``broker`` (every delivery counts; alike ones share a row) or ``file:DIGEST:LINE`` (one
    row for good). ``reason`` starts with a short code and tells what was found and what was expected.
    """

    source: str
    topic: str
    payload: bytes
    reason: str
    received_us: int


KEEP_WHOLE_BYTES: Final = 256 * 1024
"""Refused payloads up to this size are kept whole; longer ones as head, length and hash."""


@dataclass(slots=True)
class Batch:
    """What one commit stores.

    ``ack`` holds the transport's receipts, handed back after the commit. ``origin`` maps ``id(fact)`` to file and
    line where the facts come from a file, so that a conflict can name them.
    """

    samples: list[Sample] = field(default_factory=list)
    strokes: list[Stroke] = field(default_factory=list)
    blades: list[BladeNote] = field(default_factory=list)
    checks: list[Check] = field(default_factory=list)
    waveforms: list[Waveform] = field(default_factory=list)
    rejected: list[Rejected] = field(default_factory=list)
    ack: list[Any] = field(default_factory=list)
    origin: dict[int, str] = field(default_factory=dict)
    messages: int = 0
    size_bytes: int = 0

    def add(self, facts: Iterable[Fact], rejected: Iterable[Rejected] = ()) -> None:
        """Sort facts to their kind; keep the order of arrival within a kind."""
        for fact in facts:
            if isinstance(fact, Sample):
                self.samples.append(fact)
            elif isinstance(fact, Stroke):
                self.strokes.append(fact)
            elif isinstance(fact, BladeNote):
                self.blades.append(fact)
            elif isinstance(fact, Check):
                self.checks.append(fact)
            else:
                self.waveforms.append(fact)
        self.rejected.extend(rejected)

    def __len__(self) -> int:
        """How many facts and rejections wait for the commit."""
        return (
            len(self.samples)
            + len(self.strokes)
            + len(self.blades)
            + len(self.checks)
            + len(self.waveforms)
            + len(self.rejected)
        )


_ENCODER: Final = msgspec.json.Encoder(order="sorted")


def content_of(fact: Fact) -> dict[str, Any]:
    """What a fact says beyond its identity; absent fields are left out.

    >>> content_of(Check(saw="S1", spindle="1", ts_us=0, what="burr_mm", known_us=5, value=0.1))
    {'value': 0.1}
    """
    if isinstance(fact, Sample):
        return {"value": fact.value}
    if isinstance(fact, Waveform):
        return {"fs_hz": fact.fs_hz, "unit": fact.unit, "samples": fact.samples}
    if isinstance(fact, Stroke):
        names: tuple[str, ...] = STROKE_CONTENT
    elif isinstance(fact, BladeNote):
        names = ("reason", "by", "counter", "kerf_mm")
    else:
        names = ("value", "part", "text", "by")
    pairs = ((name, getattr(fact, name)) for name in names)
    return {name: value for name, value in pairs if value is not None}


def canonical_text(fact: Fact) -> bytes:
    """The content as sorted JSON: the tie-breaker between two reports known at the same instant."""
    return _ENCODER.encode(content_of(fact))
