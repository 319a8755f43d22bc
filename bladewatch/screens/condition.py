"""Conditions beside the blade as people read them: value, what it is held against, when it was last reported."""

from __future__ import annotations

from datetime import tzinfo

from bladewatch.assess.condition import Condition
from bladewatch.format import near_text
from bladewatch.units import NO_BREAK, round_to


def condition_text(condition: Condition, now_us: int, zone: tzinfo) -> str:
    """One condition in words, as long as it needs to be.

    >>> from datetime import UTC
    >>> condition_text(Condition("mist", "act", 0.0, at_us=0, since_us=0, strokes=14), 60_000_000, UTC)
    'mist failed 00:00, 14 strokes since'
    """
    c = condition
    when = "" if c.at_us is None else near_text(c.at_us, now_us, zone)
    if c.name == "mist":
        return _mist(c, now_us, zone, when)
    name = "idle" if c.name == "idle" else f"vibration {c.point}".rstrip()
    if c.value is None:
        return f"{name}: last reported {when}" if when else f"{name}: not reported"
    told = f"{name} {round_to(c.value, 3 if c.name == 'idle' else 2)} {c.unit}"
    if c.own is not None:
        told += f", {100 * (c.value / c.own - 1):+.0f}{NO_BREAK}% on its own"
    if c.level in ("alert", "act") and c.limit is not None:
        told += f" ({c.level} from {round_to(c.limit, 3 if c.name == 'idle' else 2)})"
    return told


def _mist(c: Condition, now_us: int, zone: tzinfo, when: str) -> str:
    if not when:
        return "mist: not reported"
    if c.level == "normal":
        return f"mist on, last reported {when}"
    since = near_text(c.since_us, now_us, zone) if c.since_us is not None else when
    after = f", {c.strokes} strokes since" if c.strokes else ""
    return f"mist failed {since}{after}"


def condition_cell(condition: Condition, now_us: int, zone: tzinfo) -> str:
    """One condition for a column: a mark where it is no longer normal, and a question mark where nothing is known.

    >>> from datetime import UTC
    >>> condition_cell(Condition("vibration", "alert", 4.61, 2.0, 3.0), 0, UTC)
    '! 4.6 mm/s'
    """
    c = condition
    mark = {"alert": "! ", "act": "!! "}.get(c.level, "")
    if c.name == "mist":
        if c.at_us is None:
            return "?"
        word = "on" if c.level == "normal" else "failed"
        when = near_text(c.since_us or c.at_us, now_us, zone)
        return f"{mark}{word} {when.rpartition(' ')[0].partition(' ')[2] or when}"
    if c.value is None:
        return "?"
    return f"{mark}{round_to(c.value, 2)} {c.unit}"
