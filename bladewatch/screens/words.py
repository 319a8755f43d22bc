"""What every screen says in the same words: the call of a saw, what is left, what is not known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from bladewatch.assess.assessment import URGENCY, Assessment
from bladewatch.config.tables import Config
from bladewatch.format import area_left_text, count_text, near_text, some_text
from bladewatch.units import percent
from collectors.instants import DAY_US, to_datetime

STYLES: Final = {
    "act": "bold red",
    "change": "bold red",
    "prepare": "bold magenta",
    "cannot-tell": "bold",
    "good": "green",
}
"""Of the sixteen colours that every terminal has, those that can be read on white and on black."""
UNSEEN_STYLE: Final = "bold reverse"
CALLING: Final = ("act", "change", "prepare")
LOW_COVERAGE: Final = 0.9
_URGENT: Final = {"mist": "failed, check it now", "vibration": "look now", "idle": "too high, look now"}


@dataclass(frozen=True, slots=True)
class Line:
    """A line of a screen and the style that repeats what its words say."""

    text: str
    style: str = ""


def in_order(assessments: Sequence[Assessment]) -> list[Assessment]:
    """Who needs somebody first: by verdict, then unseen saws, then what is no longer normal, then by what is left."""

    def key(a: Assessment) -> tuple[int, int, int, float]:
        left = a.due.at_least_us if a.due is not None else float("inf")
        odd = any(condition.level == "alert" for condition in a.conditions)
        return URGENCY[a.verdict], 0 if a.seen == "blind" else 1, 0 if odd else 1, left

    return sorted(assessments, key=key)


def needs_text(assessments: Sequence[Assessment]) -> str:
    """How many spindles there are and how many call for somebody."""
    needing = sum(a.verdict in CALLING for a in assessments)
    unseen = sum(a.seen == "blind" for a in assessments)
    untold = sum(a.verdict == "cannot-tell" and a.seen != "blind" for a in assessments)
    count = len(assessments)
    told = [f"{needing} of {count} need{'s' if needing == 1 else ''} you"]
    if not needing:
        told = [f"{some_text(count, 'spindle')}, nobody is called"]
    told.extend(f"{number} {what}" for number, what in ((unseen, "not seen"), (untold, "cannot be told")) if number)
    return ", ".join(told)


def style_of(a: Assessment) -> str:
    """The style that repeats what the words say."""
    return UNSEEN_STYLE if a.seen == "blind" and a.verdict not in CALLING else STYLES[a.verdict]


def name_text(a: Assessment) -> str:
    """The saw, and its spindle where it has more than one."""
    return a.saw if a.spindle == "1" else f"{a.saw}/{a.spindle}"


def verdict_text(a: Assessment, at_us: int, config: Config) -> str:
    """What the saw calls for, in words; the subject is always named, and that it is not seen comes first."""
    words = _verdict(a, at_us, config)
    return f"not seen, {words}" if a.seen == "blind" else words


def _verdict(a: Assessment, at_us: int, config: Config) -> str:
    zone = config.zone
    if a.urgent and not a.dangers:
        return f"{a.urgent[0].name}: {_URGENT[a.urgent[0].name]}"
    if a.plate is None:
        return "no blade on record"
    if a.dangers:
        return "blade: look at it now"
    unless = f" unless changed {near_text(a.asks[-1].from_us, at_us, zone)}" if a.asks else ""
    if a.verdict == "change":
        if a.due is None or a.due.soon(at_us):
            return f"blade: change at the next stop{unless}"
        return f"blade: change before {near_text(a.due.at_least_us, at_us, zone)}{unless}"
    if a.verdict == "prepare":
        return f"blade: prepare a change{unless}"
    if a.verdict == "cannot-tell":
        return "blade: cannot tell"
    return "blade: good by the site's rule" if a.basis == "site-rule" else "blade: good"


def left_text(a: Assessment, config: Config) -> str:
    """What the blade can still cut: cuts, else area; nothing where neither is told. Of an unseen saw the last known."""
    left = count_text(a.remaining_cuts, "cuts left")
    if not left and a.remaining_area_m2 is not None:
        left = area_left_text(a.remaining_area_m2, config.site.units)
    return f"last known {left}" if left and a.seen == "blind" else left


def seen_text(a: Assessment, at_us: int, config: Config) -> str:
    """Since when nothing was heard; nothing while messages come."""
    if a.last_message_us is None:
        return "no message yet"
    when = near_text(a.last_message_us, at_us, config.zone)
    return {"live": "", "quiet": f"quiet since {when}", "blind": f"NOT SEEN since {when}"}.get(a.seen, "")


def spare_text(a: Assessment) -> list[str]:
    """Where a sharp blade is, of a saw that will want one."""
    if not a.needs_spare:
        return []
    return [f"spare {a.spare}" if a.spare is not None else "no sharp spare on record"]


def coverage_marks(a: Assessment) -> list[str]:
    """What is known for less than nine tenths, marked."""
    shares = (
        ("strokes seen", a.coverage.strokes),
        ("alloy known for", a.coverage.alloy),
        ("blade known for", a.coverage.blade),
    )
    return [f"~ {what} {percent(share)}" for what, share in shares if share is not None and share < LOW_COVERAGE]


def wrapped(text: str, width: int, indent: str) -> list[str]:
    """Lines of at most ``width``, unless a word is longer."""
    import textwrap

    least = len(indent) + 12
    return textwrap.wrap(text, max(width, least), initial_indent=indent, subsequent_indent=indent)


def told_reasons(a: Assessment) -> list[str]:
    """The reasons, without what the line about the last message says already."""
    return [reason for reason in a.reasons if not reason.startswith(("not seen:", "no message yet"))]


def age_note(assessments: Sequence[Assessment], at_us: int, config: Config, width: int) -> list[Line]:
    """Where nothing was heard for a day: how to look at the shop as it was."""
    heard = max((a.last_message_us for a in assessments if a.last_message_us is not None), default=None)
    if heard is None or at_us - heard < DAY_US:
        return []
    then = to_datetime(heard, config.zone).strftime("%Y-%m-%d %H:%M")
    text = f'The newest data are of {near_text(heard, at_us, config.zone)}. The shop as it was then: --at "{then}"'
    return [*(Line(line, "bold") for line in wrapped(text, width, "")), Line("")]


def caution(width: int, short: bool = False) -> list[Line]:
    """What stands under every screen; ``short`` where a terminal has a few lines only."""
    if short:
        return [Line("Data may be late or wrong; the site's procedure governs."[:width], "dim")]
    text = (
        "Data may be late or wrong. bladewatch watches and commands nothing; the site's procedure governs all work at "
        "the saw."
    )
    return [Line(line, "dim") for line in wrapped(text, width, "")]
