"""Assessments to the few lines that need a person. Pure: delivery and time of day are not its business.

An alert says, action first: which saw, which plate, what to do, by when, why, how sure, and where a spare is.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any, Final, NamedTuple

from bladewatch.assess.assessment import Assessment
from bladewatch.assess.condition import Condition
from bladewatch.assess.question import Question
from bladewatch.format import count_text, near_text, time_text
from collectors.instants import DAY_US, to_datetime

LONGEST: Final = 300
LEVELS: Final = {"act": 0, "change": 1, "prepare": 2, "data": 3}
"""The levels of alerts, the most pressing first."""
BLADE_CAUSES: Final = frozenset({"wear", "record"})
"""Causes that lie in the blade itself; the others stand beside it."""


@dataclass(frozen=True, slots=True)
class Alert:
    """One cause on one saw. ``key`` stays the same while the cause lasts; ``level`` may rise.

    A condition beside the blade, or a saw that is not seen, calls once a day at most: its key names the day on which it
    began, so that a flicker, or messages that trickle in late, call nobody again. A saw that was never heard calls a
    day after its blade came on: one that is just being set up has yet to make its first stroke.
    """

    key: str
    level: str
    cause: str
    saw: str
    plate: str | None
    raised_us: int
    text: str


@dataclass(slots=True)
class Raised:
    """An alert that was raised, and when its cause had gone; None while it stands."""

    alert: Alert
    returned_us: int | None = None


class Score(NamedTuple):
    """How the calls for a change would have turned out, by what became of the blades.

    ``called`` grind cycles called; the bench measured ``measured`` of them afterwards, ``right`` of these at
    ``share`` of the limit or more. Of ``ended`` cycles that came off worn, past the limit or declared dull,
    ``missed`` had not called before.
    """

    called: int
    measured: int
    right: int
    share: float
    ended: int
    missed: int


def judge(assessments: Iterable[Assessment], now_us: int, zone: tzinfo) -> list[Alert]:
    """The alerts at a moment, the most pressing first."""
    found = [alert for assessment in assessments for alert in _of(assessment, now_us, zone)]
    return sorted(found, key=lambda alert: (LEVELS[alert.level], alert.raised_us, alert.key))


def at_least(level: str, other: str) -> bool:
    """Whether a level is as pressing as another.

    >>> at_least("change", "prepare"), at_least("prepare", "change")
    (True, False)
    """
    return LEVELS[level] <= LEVELS[other]


class OfBlade(NamedTuple):
    """What the key of a blade's call names."""

    saw: str
    spindle: str
    plate: str
    cycle: str


def blade_of(key: str) -> OfBlade:
    """What a ``blade_key`` was made of; a plate's number may hold a slash.

    >>> blade_of(blade_key("S1", "1", "A/7", 3, "wear"))
    OfBlade(saw='S1', spindle='1', plate='A/7', cycle='3')
    """
    saw, spindle, rest = key.split("/", 2)
    plate, cycle, _cause = rest.rsplit("/", 2)
    return OfBlade(saw, spindle, plate, cycle)


def blade_key(saw: str, spindle: str, plate: str | None, cycle: int | None, cause: str) -> str:
    """The key of what a blade calls for: it stays the same through its grind cycle."""
    return f"{saw}/{spindle}/{plate}/{cycle}/{cause}"


def _of(a: Assessment, now_us: int, zone: tzinfo) -> Iterable[Alert]:
    place = f"saw {a.saw}" if a.spindle == "1" else f"saw {a.saw} spindle {a.spindle}"
    if a.dangers:
        text = _cut(f"{place}: look at blade {a.plate} now. {_why(a)}")
        key = blade_key(a.saw, a.spindle, a.plate, a.cycle, "record")
        yield Alert(key, "act", "record", a.saw, a.plate, a.mounted_us or now_us, text)
    elif a.wear_verdict in ("prepare", "change"):
        old = a.last_message_us is not None and now_us - a.last_message_us > DAY_US
        heard = f" Last heard {near_text(a.last_message_us, now_us, zone)}." if old and a.last_message_us else ""
        unless = f"unless it was changed at {near_text(a.asks[-1].from_us, now_us, zone)}, " if a.asks else ""
        text = _cut(f"{place}: {unless}{_action(a, now_us, zone)}.{heard} {_why(a)}")
        key = blade_key(a.saw, a.spindle, a.plate, a.cycle, "wear")
        yield Alert(key, a.wear_verdict, "wear", a.saw, a.plate, _since(a, now_us), text)
    for condition in a.urgent:
        since_us = min(condition.since_us or now_us, now_us)
        day = to_datetime(since_us, zone).date().isoformat()
        text = _cut(f"{place}: {urgent_action(condition)}. {_urgent_why(condition, now_us, zone)}")
        key = "/".join(part for part in (a.saw, a.spindle, condition.name, condition.point, day) if part)
        yield Alert(key, "act", condition.name, a.saw, a.plate, since_us, text)
    if a.seen == "blind" and a.last_message_us is not None:
        when = near_text(a.last_message_us, now_us, zone)
        text = f"{place}: look after its messages; last heard {when} while it was running. The blade is not watched."
        since_us = min(a.unseen_us or now_us, now_us)
        day = to_datetime(since_us, zone).date().isoformat()
        yield Alert(f"{a.saw}/{a.spindle}/unseen/{day}", "data", "unseen", a.saw, a.plate, since_us, text)
    if a.seen == "never" and a.mounted_us is not None and now_us - a.mounted_us >= DAY_US:
        text = f"{place}: look after its messages; none has come yet. Blade {a.plate} is not watched."
        since_us = a.mounted_us + DAY_US
        yield Alert(f"{a.saw}/{a.spindle}/unseen/never", "data", "unseen", a.saw, a.plate, since_us, text)
    for question in a.asks if a.plate is not None else ():
        text = _cut(f"{place}: {_small(question.text)} {'; '.join(question.evidence[:2])}. {answer_with(question)}")
        key = f"{a.saw}/{a.spindle}/question/{question.to_us}"
        yield Alert(key, "data", "question", a.saw, a.plate, min(question.raised_us, now_us), text)
    if a.plate is None and a.coverage.blade == 0.0:
        text = _cut(f"{place}: record which blade is on. {a.reasons[0]}.")
        since_us = _since(a, now_us)
        yield Alert(f"{a.saw}/{a.spindle}/no-blade/{a.bare_us or 0}", "data", "no-blade", a.saw, None, since_us, text)


def answer_with(question: Question) -> str:
    """The command that settles a question."""
    return f"bladewatch questions answer {question.id} yes --plate NUMBER, or no"


def _small(text: str) -> str:
    return text[0].lower() + text[1:]


def _since(a: Assessment, now_us: int) -> int:
    if a.since_us is not None:
        return a.since_us
    return a.last_message_us if a.last_message_us is not None else now_us


def urgent_action(condition: Condition) -> str:
    """What a condition at its act level asks of somebody."""
    return {
        "mist": "check the mist before it cuts on",
        "vibration": "look at blade, collars and bearing now",
        "idle": "look at bearing, belt and brake now",
    }[condition.name]


def _urgent_why(c: Condition, now_us: int, zone: tzinfo) -> str:
    when = near_text(min(c.since_us or now_us, now_us), now_us, zone)
    if c.name == "mist":
        failed = f"Mist failed at {when}, {c.strokes} strokes since"
        return f"{failed}: a dry blade galls. Cleaning and mist first, not a regrind."
    past = "" if c.own is None else f", its own is {c.own:.2g}"
    if c.name == "vibration":
        return f"Vibration at {c.point} is {c.value:.2g} mm/s since {when}, limit {c.limit:.2g}{past}."
    return f"Warm idle power is {c.value:.3g} kW since {when}, limit {c.limit:.3g}{past}. It is not the blade's wear."


def _action(a: Assessment, now_us: int, zone: tzinfo) -> str:
    if a.wear_verdict == "prepare":
        if a.due is None:
            return f"get a spare ready for blade {a.plate}"
        due = " now" if a.due.soon(now_us) else f", due from {near_text(a.due.at_least_us, now_us, zone)}"
        return f"get a spare ready for blade {a.plate}{due}"
    if a.due is None or a.due.soon(now_us):
        return f"change blade {a.plate} at the next natural stop"
    return f"change blade {a.plate} by {near_text(a.due.at_least_us, now_us, zone)}"


def _why(a: Assessment) -> str:
    """How much is left, where a spare is, and the first reasons, short."""
    parts = []
    if a.remaining_cuts is not None and not a.dangers:
        bounded = a.remaining_cuts.at_least < a.remaining_cuts.estimate
        sure = " (90\u00a0% sure)" if a.basis != "site-rule" and bounded else ""
        parts.append(count_text(a.remaining_cuts, "cuts left") + sure)
    reasons = [reason.partition(";")[0] for reason in a.reasons[:2]]
    parts.extend(reasons[:1])
    parts.append(f"spare: {a.spare}" if a.spare is not None else "no sharp spare on record")
    parts.extend(reasons[1:])
    return ". ".join(part[0].upper() + part[1:] for part in parts) + "."


def _cut(text: str) -> str:
    return text if len(text) <= LONGEST else text[: LONGEST - 1].rstrip() + "…"


def as_json(alert: Alert, zone: tzinfo) -> dict[str, Any]:
    """The alert as the contract's JSON object."""
    return {
        "key": alert.key,
        "level": alert.level,
        "cause": alert.cause,
        "saw": alert.saw,
        "plate": alert.plate,
        "raised_at": time_text(alert.raised_us, zone),
        "text": alert.text,
    }


def raised_json(raised: Raised, zone: tzinfo) -> dict[str, Any]:
    """The alert as ``alert list`` and ``alert try`` give it."""
    told = as_json(raised.alert, zone)
    text = told.pop("text")
    return told | {"returned_at": time_text(raised.returned_us, zone), "text": text}
