"""The status of all saws: the one that needs somebody first, its action in the first line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from bladewatch.alerts import Alert
from bladewatch.assess.assessment import URGENCY, Assessment
from bladewatch.config.tables import Config
from bladewatch.format import area_left_text, band_text, count_text, day_text, near_text
from bladewatch.screens.condition import condition_text
from bladewatch.screens.ruler import ruler
from bladewatch.units import area_text, m2_of

STYLES: Final = {
    "act": "bold red",
    "change": "bold red",
    "prepare": "bold dark_orange",
    "cannot-tell": "bold",
    "good": "green",
}
LOW_COVERAGE: Final = 0.9
WIDE: Final = 58 + 40 + 34
"""From this width on words, numbers and ruler stand on one line."""


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


def render(
    config: Config,
    assessments: Sequence[Assessment],
    alerts: Sequence[Alert],
    at_us: int,
    width: int,
    plain: bool = False,
) -> list[Line]:
    """The screen as lines of at most ``width`` characters, unless a word is longer."""
    zone = config.zone
    needing = sum(a.verdict in ("act", "change", "prepare") for a in assessments)
    untold = sum(a.verdict == "cannot-tell" for a in assessments)
    nobody = "nobody is called" + (f", {untold} cannot be told" if untold else "")
    need = nobody if not needing else f"{needing} need{'s' if needing == 1 else ''} you"
    count = f"{len(assessments)} spindle{'s' if len(assessments) != 1 else ''}"
    lines = [Line(f"{day_text(at_us, zone)}   {config.site.name}   {count}, {need}", "bold"), Line("")]
    for assessment in in_order(assessments):
        lines.extend(_saw(config, assessment, at_us, width, plain))
    if alerts:
        lines.append(Line("Alerts", "bold"))
        for alert in alerts:
            lines.extend(Line(text) for text in _wrap(f"{alert.level}: {alert.text}", width, "  "))
        lines.append(Line(""))
    lines.extend(
        Line(text, "dim")
        for text in _wrap(
            "Data may be late or wrong. bladewatch watches and commands nothing; the site's procedure governs all "
            "work at the saw.",
            width,
            "",
        )
    )
    return lines


_URGENT: Final = {"mist": "failed, check it now", "vibration": "look now", "idle": "too high, look now"}


def verdict_text(a: Assessment, at_us: int, config: Config) -> str:
    """The verdict in words; the subject is always named."""
    zone = config.zone
    if a.urgent and not a.dangers:
        return f"{a.urgent[0].name}: {_URGENT[a.urgent[0].name]}"
    if a.plate is None:
        return "no blade on record"
    if a.dangers:
        return "blade: look at it now"
    if a.verdict == "change":
        if a.due is None or a.due.at_least_us <= at_us + 3_600_000_000:
            return "blade: change at the next natural stop"
        return f"blade: change before {near_text(a.due.at_least_us, at_us, zone)}"
    if a.verdict == "prepare":
        return "blade: prepare a change"
    if a.verdict == "cannot-tell":
        return "blade: cannot tell"
    return "blade: good by the site's rule" if a.basis == "site-rule" else "blade: good"


def _saw(config: Config, a: Assessment, at_us: int, width: int, plain: bool) -> list[Line]:
    name = a.saw if a.spindle == "1" else f"{a.saw}/{a.spindle}"
    head = f"{name:<5} {a.plate or '-':<10} {verdict_text(a, at_us, config)}"
    left = count_text(a.remaining_cuts, "cuts left")
    if not left and a.remaining_area_m2 is not None:
        left = area_left_text(a.remaining_area_m2, config.site.units)
    seen = _seen_text(a, at_us, config)
    style = STYLES[a.verdict]
    drawn = ruler(a.used_share, 34, plain) if a.plate is not None else ""
    if width >= WIDE:
        first = f"{head:<58}{left:<40}{drawn}"
        lines = [Line(first.rstrip(), style)]
    else:
        lines = [Line(head, style)]
        if drawn and 6 + len(drawn) + 2 + len(left) <= width:
            lines.append(Line(f"      {drawn}  {left}".rstrip()))
        elif drawn:
            lines.extend(Line(f"      {text}") for text in (drawn, left) if text)
    facts = _facts(config, a, at_us)
    odd = [condition_text(c, at_us, config.zone) for c in a.conditions if c.level in ("alert", "act")]
    body = "; ".join(part for part in (*odd, *facts, *a.reasons) if part)
    if seen:
        body = f"{seen}; {body}" if body else seen
    lines.extend(Line(text) for text in _wrap(body, width, "      "))
    lines.append(Line(""))
    return lines


def _facts(config: Config, a: Assessment, at_us: int) -> list[str]:
    if a.plate is None:
        return []
    facts = [f"{area_text(m2_of(a.area_cmm2), config.site.units)} in {a.cuts} cuts since sharp"]
    if a.wear_um is not None and a.wear_limit_um is not None:
        facts.append(f"wear {band_text(a.wear_um, 'µm')} of {a.wear_limit_um:g}")
    if a.due is not None and a.due.low_us < a.due.high_us:
        when = near_text(a.due.estimate_us, at_us, config.zone)
        facts.append(f"due {when}, at the earliest {near_text(a.due.at_least_us, at_us, config.zone)}")
    if a.edge_index is not None:
        facts.append(f"edge index {a.edge_index.estimate:.2f} (1 is sharp)")
    if a.verdict in ("prepare", "change", "act"):
        facts.append(f"spare {a.spare}" if a.spare is not None else "no sharp spare on record")
    shares = (
        ("strokes seen", a.coverage.strokes),
        ("alloy known for", a.coverage.alloy),
        ("blade known for", a.coverage.blade),
    )
    facts.extend(f"~ {what} {share:.0%}" for what, share in shares if share is not None and share < LOW_COVERAGE)
    return facts


def _seen_text(a: Assessment, at_us: int, config: Config) -> str:
    if a.last_message_us is None:
        return "no message yet"
    when = near_text(a.last_message_us, at_us, config.zone)
    return {"live": "", "quiet": f"quiet since {when}", "blind": f"NOT SEEN since {when}"}.get(a.seen, "")


def _wrap(text: str, width: int, indent: str) -> list[str]:
    import textwrap

    return textwrap.wrap(text, max(width, 40), initial_indent=indent, subsequent_indent=indent, break_long_words=False)
