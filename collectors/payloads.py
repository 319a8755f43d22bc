"""A message to facts and rejections: pure, no socket, no file.

A payload that does not fit is a ``Rejected`` with the reason. A bad *optional* field is rejected alone: the
rest of the message is taken. In an array each object stands for itself.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from typing import Any, Final, NamedTuple

import msgspec

from collectors import fields, topics
from collectors.facts import (
    DEFAULT_SPINDLE,
    KEEP_WHOLE_BYTES,
    BladeNote,
    Check,
    Fact,
    Rejected,
    Sample,
    Stroke,
    Waveform,
)
from collectors.fields import Misfit, Site
from collectors.instants import DAY_US, YEAR_2000_US, parse_any, text_of
from collectors.sequence import Sequences
from collectors.signals import CATALOGUE, POWER_SIGNALS, STATE_SIGNALS

MAX_PAYLOAD_BYTES: Final = 4 * 1024 * 1024
MAX_FAST_SAMPLES: Final = 200_000


class Message(NamedTuple):
    """A message as it came: ``received_us`` is the receipt, or None where a file does not tell it."""

    topic: str
    payload: bytes
    received_us: int | None
    source: str
    ts_from_receipt: bool = False


class _Origin(NamedTuple):
    """Where an object stands: enough to build its facts."""

    saw: str
    spindle: str
    ts_us: int
    known_us: int
    from_receipt: bool


Reasons = list[str]


def decode(message: Message, site: Site, numbers: Sequences | None = None) -> tuple[list[Fact], list[Rejected]]:
    """The facts of a message and what was not taken of it; ``numbers`` watches the publisher's running numbers."""
    topic = topics.parse(message.topic)
    if isinstance(topic, str):
        return [], [rejection(message, topic)]
    if topic.site != site.name:
        return [], [rejection(message, f"unknown-site: {topic.site!r}, this shop is {site.name!r}")]
    try:
        items, in_array = objects_of(message, topic.saw, site)
    except Misfit as misfit:
        return [], [rejection(message, str(misfit))]
    facts: list[Fact] = []
    rejected: list[Rejected] = []
    for item in items:
        taken, reasons = decode_object(item, topic.kind, topic.saw, message, site)
        facts.extend(taken)
        if numbers is not None and isinstance(item, dict) and type(item.get("seq")) is int:
            numbers.observe(message.topic, item["seq"], message.received_us or 0)
        if reasons:
            payload = _dump(item) if in_array else message.payload
            rejected.append(rejection(message._replace(payload=payload), "; ".join(reasons)))
    return facts, rejected


def objects_of(message: Message, named: str, site: Site) -> tuple[list[Any], bool]:
    """The values of a message's payload, and whether they stood in an array. Raises ``Misfit``, also on the saw."""
    if len(message.payload) > MAX_PAYLOAD_BYTES:
        raise Misfit(f"too-large: {len(message.payload)} bytes, expected at most {MAX_PAYLOAD_BYTES}")
    site.saw(named)
    content = _parse_json(message.payload)
    if content == []:
        raise Misfit("no-objects: found an empty array, expected an object, or an array of some")
    return (content, True) if isinstance(content, list) else ([content], False)


def decode_object(item: Any, kind: str, named: str, message: Message, site: Site) -> tuple[list[Fact], Reasons]:
    """One object of a payload. Facts and reasons may both be there: then only a part was refused."""
    if not isinstance(item, dict):
        return [], [f"not-an-object: found {fields.shown(item)}, expected a JSON object"]
    try:
        origin = _origin(item, named, message, site)
    except Misfit as misfit:
        return [], [str(misfit)]
    return _KINDS[kind](item, origin, site)


def rejection(message: Message, reason: str) -> Rejected:
    """A refusal with its bytes; long payloads keep head, length and hash."""
    payload = message.payload
    if len(payload) > KEEP_WHOLE_BYTES:
        digest = hashlib.sha256(payload).hexdigest()
        reason = f"{reason} [kept: first 4096 of {len(payload)} bytes, sha256 {digest}]"
        payload = payload[:4096]
    topic = message.topic.encode("utf-8", "backslashreplace").decode()
    return Rejected(message.source, topic, payload, reason, message.received_us or 0)


def _parse_json(payload: bytes) -> Any:
    try:
        return msgspec.json.decode(payload)
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError) as error:
        first = str(error)
    try:  # bare NaN and Infinity are no JSON, yet many gateways write them: refuse the field, not the message
        return json.loads(payload)
    except (ValueError, RecursionError):
        raise Misfit(f"broken-json: {first}") from None


def _dump(item: Any) -> bytes:
    return json.dumps(item, separators=(",", ":")).encode()


def _origin(item: dict[str, Any], named: str, message: Message, site: Site) -> _Origin:
    if message.ts_from_receipt and message.received_us is not None:
        saw, spindle = _spot(item, named, message.received_us, site)
        return _Origin(saw, spindle, message.received_us, message.received_us, from_receipt=True)
    if item.get("ts") is None:
        raise Misfit("missing-field: ts, expected RFC 3339 text or epoch milliseconds")
    try:
        ts_us = parse_any(item["ts"])
    except ValueError as error:
        raise Misfit(f"bad-time: ts: {error}") from error
    received_us = ts_us if message.received_us is None else message.received_us
    if ts_us < YEAR_2000_US:
        raise Misfit(f"clock-past: ts is {_when(ts_us)}, before the year 2000: is the sender's clock set?")
    if ts_us > received_us + DAY_US:
        raise Misfit(f"clock-ahead: ts is {_when(ts_us)}, more than a day after it was received")
    saw, spindle = _spot(item, named, ts_us, site)
    return _Origin(saw, spindle, ts_us, received_us, from_receipt=False)


def _spot(item: dict[str, Any], named: str, ts_us: int, site: Site) -> tuple[str, str]:
    """Saw and spindle of an object, by the names in force when it happened."""
    saw, spindle = site.saw(named, ts_us), item.get("spindle")
    if spindle is None:
        spindle = DEFAULT_SPINDLE
    if not isinstance(spindle, str):
        raise Misfit(f"wrong-type: spindle: found {fields.shown(spindle)}, expected text")
    if spindle not in site.saws[saw]:
        known = ", ".join(sorted(site.saws[saw]))
        raise Misfit(f"unknown-spindle: {fields.shown(spindle)} of saw {saw}, the configuration has {known}")
    return saw, spindle


def _when(us: int) -> str:
    try:
        return text_of(us)
    except (OverflowError, ValueError):
        return f"{us} microseconds from 1970"


def _required_stroke(item: dict[str, Any]) -> int:
    if item.get("stroke") is None:
        raise Misfit("missing-field: stroke, expected the counter value after this stroke")
    try:
        return fields.whole(item["stroke"], 0, fields.MAX_COUNTER)
    except Misfit as misfit:
        raise Misfit(f"{_code(misfit)}: stroke: {_rest(misfit)}") from misfit


def _code(misfit: Misfit) -> str:
    return str(misfit).partition(":")[0]


def _rest(misfit: Misfit) -> str:
    return str(misfit).partition(": ")[2]


def _take(name: str, check: Callable[[], Any], reasons: Reasons) -> Any:
    """The checked value of an optional field, or None with its reason noted."""
    try:
        return check()
    except Misfit as misfit:
        reasons.append(f"{_code(misfit)}: {name}: {_rest(misfit)}")
        return None


def _cut(item: dict[str, Any], origin: _Origin, site: Site) -> tuple[list[Fact], Reasons]:
    try:
        counter = _required_stroke(item)
    except Misfit as misfit:
        return [], [str(misfit)]
    values: dict[str, Any] = {}
    reasons: Reasons = []
    for name, value in item.items():
        spec = fields.CUT_FIELDS.get(name)
        if spec is None or value is None:
            continue
        stored_as, checker = spec
        try:
            values[stored_as] = checker(value, site)
        except Misfit as misfit:
            reasons.append(f"{_code(misfit)}: {name}: {_rest(misfit)}")
    if origin.from_receipt:
        values["clock_from_receipt"] = 1
    return [Stroke(origin.saw, origin.spindle, origin.ts_us, counter, origin.known_us, **values)], reasons


def _samples(names: frozenset[str], item: dict[str, Any], origin: _Origin, site: Site) -> tuple[list[Fact], Reasons]:
    facts: list[Fact] = []
    reasons: Reasons = []
    for name in sorted(names & item.keys()):
        value = item[name]
        if value is None:
            continue
        if isinstance(value, list) and name in ("power_kw", "load_pct"):
            facts.extend(_fast(name, value, item, origin, site, reasons))
            continue
        checked = _take(name, lambda: fields.reading(CATALOGUE[name], value, site), reasons)  # noqa: B023
        if checked is not None:
            facts.append(Sample(origin.saw, origin.spindle, name, "", origin.ts_us, checked, origin.known_us))
    return facts, reasons


def _fast(
    name: str, values: list[Any], item: dict[str, Any], origin: _Origin, site: Site, reasons: Reasons
) -> Iterator[Sample]:
    """The fast form: sample i at ts + i·dt_ms."""
    step = _take("dt_ms", lambda: fields.number(item.get("dt_ms"), 0.001, 3_600_000.0, frozenset()), reasons)
    if step is None:
        return
    if not values:
        reasons.append(f"missing-field: {name}: found an empty list, expected samples")
    if len(values) > MAX_FAST_SAMPLES:
        reasons.append(f"too-large: {name}: found {len(values)} samples, expected at most {MAX_FAST_SAMPLES}")
        return
    last_us = origin.ts_us + round((len(values) - 1) * step * 1000) if values else origin.ts_us
    if last_us > origin.known_us + DAY_US:
        reasons.append(f"clock-ahead: {name}: the last sample lies more than a day after it was received")
        return
    signal = CATALOGUE[name]
    refused = 0
    first = ""
    for i, value in enumerate(values):
        try:
            checked = fields.reading(signal, value, site)
        except Misfit as misfit:
            refused += 1
            first = first or f"{_code(misfit)}: {name}[{i}]: {_rest(misfit)}"
            continue
        ts_us = origin.ts_us + round(i * step * 1000)
        yield Sample(origin.saw, origin.spindle, name, "", ts_us, checked, origin.known_us)
    if refused:
        reasons.append(first + (f" (and {refused - 1} more)" if refused > 1 else ""))


def _power(item: dict[str, Any], origin: _Origin, site: Site) -> tuple[list[Fact], Reasons]:
    if item.get("power_kw") is None and item.get("load_pct") is None:
        facts, reasons = _samples(POWER_SIGNALS, item, origin, site)
        return facts, ["missing-field: power_kw or load_pct", *reasons]
    return _samples(POWER_SIGNALS, item, origin, site)


def _state(item: dict[str, Any], origin: _Origin, site: Site) -> tuple[list[Fact], Reasons]:
    facts, reasons = _samples(STATE_SIGNALS, item, origin, site)
    if not facts and not reasons:
        reasons = [f"missing-field: expected at least one of {', '.join(sorted(STATE_SIGNALS))}"]
    return facts, reasons


def _vibration(item: dict[str, Any], origin: _Origin, site: Site) -> tuple[list[Fact], Reasons]:
    reasons: Reasons = []
    point = _take("point", lambda: fields.text(item.get("point")), reasons)
    if point is None:
        return [], reasons or ["missing-field: point, expected the place of the sensor"]
    facts: list[Fact] = []
    if item.get("velocity_mm_s") is not None:
        signal = CATALOGUE["velocity_mm_s"]
        value = _take(signal.name, lambda: fields.reading(signal, item[signal.name], site), reasons)
        if value is not None:
            facts.append(Sample(origin.saw, origin.spindle, signal.name, point, origin.ts_us, value, origin.known_us))
    if item.get("samples") is not None:
        wave = _take("samples", lambda: _waveform(item, point, origin), reasons)
        if wave is not None:
            facts.append(wave)
    if not facts and not reasons:
        reasons = ["missing-field: velocity_mm_s, or fs_hz, unit and samples"]
    return facts, reasons


def _waveform(item: dict[str, Any], point: str, origin: _Origin) -> Waveform:
    fs_hz = fields.number(item.get("fs_hz"), 0.1, 10_000_000.0, frozenset())
    unit = fields.choice(item.get("unit"), fields.WAVEFORM_UNITS)
    values = item["samples"]
    if not isinstance(values, list) or not values:
        raise Misfit(f"wrong-type: found {fields.shown(values)}, expected a list of numbers")
    samples = tuple(fields.number(value, -1e9, 1e9, frozenset()) for value in values)
    return Waveform(origin.saw, origin.spindle, point, origin.ts_us, fs_hz, unit, samples, origin.known_us)


def _check(item: dict[str, Any], origin: _Origin, site: Site) -> tuple[list[Fact], Reasons]:
    reasons: Reasons = []
    what = _take("what", lambda: fields.choice(item.get("what"), fields.CHECKS), reasons)
    if what is None:
        return [], reasons
    values = _optional(fields.CHECK_FIELDS, item, site, reasons)
    if "value" not in values and what not in ("note", "noise"):
        return [], reasons or [f"missing-field: value of {what}"]
    return [Check(origin.saw, origin.spindle, origin.ts_us, what, origin.known_us, **values)], reasons


def _blade(item: dict[str, Any], origin: _Origin, site: Site) -> tuple[list[Fact], Reasons]:
    reasons: Reasons = []
    event = _take("event", lambda: fields.choice(item.get("event"), ("mounted", "dismounted")), reasons)
    plate = _take("plate", lambda: fields.text(item.get("plate")), reasons)
    if event is None or plate is None:
        return [], reasons or ["missing-field: plate, expected the etched number"]
    values = _optional(fields.BLADE_FIELDS, item, site, reasons)
    return [BladeNote(origin.saw, origin.spindle, origin.ts_us, event, plate, origin.known_us, **values)], reasons


def _optional(specs: Any, item: dict[str, Any], site: Site, reasons: Reasons) -> dict[str, Any]:
    values: dict[str, Any] = {}
    for name, checker in specs.items():
        if item.get(name) is not None:
            value = _take(name, lambda: checker(item[name], site), reasons)  # noqa: B023
            if value is not None:
                values[name] = value
    return values


_KINDS: Final[dict[str, Callable[[dict[str, Any], _Origin, Site], tuple[list[Fact], Reasons]]]] = {
    "power": _power,
    "cut": _cut,
    "vibration": _vibration,
    "state": _state,
    "check": _check,
    "blade": _blade,
}
