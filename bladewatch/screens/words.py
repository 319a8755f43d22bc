"""What every screen says in the same words: the call of a saw, what is left, what is not known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from bladewatch.assess.assessment import URGENCY, Assessment
from bladewatch.config.tables import Config
from bladewatch.format import area_left_text, count_text, near_text

STYLES: Final = {
    "act": "bold red",
    "change": "bold red",
    "prepare": "bold dark_orange",
    "cannot-tell": "bold",
    "good": "green",
}
LOW_COVERAGE: Final = 0.9
HOUR_US: Final = 3_600_000_000
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
    needing = sum(a.verdict in ("act", "change", "prepare") for a in assessments)
    untold = sum(a.verdict == "cannot-tell" for a in assessments)
    nobody = "nobody is called" + (f", {untold} cannot be told" if untold else "")
    need = nobody if not needing else f"{needing} need{'s' if needing == 1 else ''} you"
    return f"{len(assessments)} spindle{'s' if len(assessments) != 1 else ''}, {need}"


def name_text(a: Assessment) -> str:
    """The saw, and its spindle where it has more than one."""
    return a.saw if a.spindle == "1" else f"{a.saw}/{a.spindle}"


def verdict_text(a: Assessment, at_us: int, config: Config) -> str:
    """What the saw calls for, in words; the subject is always named."""
    zone = config.zone
    if a.urgent and not a.dangers:
        return f"{a.urgent[0].name}: {_URGENT[a.urgent[0].name]}"
    if a.plate is None:
        return "no blade on record"
    if a.dangers:
        return "blade: look at it now"
    if a.verdict == "change":
        if a.due is None or a.due.at_least_us <= at_us + HOUR_US:
            return "blade: change at the next natural stop"
        return f"blade: change before {near_text(a.due.at_least_us, at_us, zone)}"
    if a.verdict == "prepare":
        return "blade: prepare a change"
    if a.verdict == "cannot-tell":
        return "saw: not seen, blade: cannot tell" if a.seen == "blind" else "blade: cannot tell"
    return "blade: good by the site's rule" if a.basis == "site-rule" else "blade: good"


def left_text(a: Assessment, config: Config) -> str:
    """What the blade can still cut: cuts, else area; nothing where neither is told."""
    left = count_text(a.remaining_cuts, "cuts left")
    if not left and a.remaining_area_m2 is not None:
        return area_left_text(a.remaining_area_m2, config.site.units)
    return left


def seen_text(a: Assessment, at_us: int, config: Config) -> str:
    """Since when nothing was heard; nothing while messages come."""
    if a.last_message_us is None:
        return "no message yet"
    when = near_text(a.last_message_us, at_us, config.zone)
    return {"live": "", "quiet": f"quiet since {when}", "blind": f"NOT SEEN since {when}"}.get(a.seen, "")


def coverage_marks(a: Assessment) -> list[str]:
    """What is known for less than nine tenths, marked."""
    shares = (
        ("strokes seen", a.coverage.strokes),
        ("alloy known for", a.coverage.alloy),
        ("blade known for", a.coverage.blade),
    )
    return [f"~ {what} {share:.0%}" for what, share in shares if share is not None and share < LOW_COVERAGE]


def wrapped(text: str, width: int, indent: str) -> list[str]:
    """Lines of at most ``width``, unless a word is longer."""
    import textwrap

    return textwrap.wrap(text, max(width, 40), initial_indent=indent, subsequent_indent=indent, break_long_words=False)


def caution(width: int) -> list[Line]:
    """What stands under every screen."""
    text = (
        "Data may be late or wrong. bladewatch watches and commands nothing; the site's procedure governs all work at "
        "the saw."
    )
    return [Line(line, "dim") for line in wrapped(text, width, "")]
