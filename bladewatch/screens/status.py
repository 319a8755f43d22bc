"""The status of all saws: the one that needs somebody first, its action in the first line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from bladewatch.alerts import Alert
from bladewatch.assess.assessment import Assessment
from bladewatch.config.tables import Config
from bladewatch.format import band_text, near_text, some_text, year_text
from bladewatch.screens.condition import condition_text
from bladewatch.screens.ruler import ruler
from bladewatch.screens.words import (
    Line,
    age_note,
    caution,
    coverage_marks,
    in_order,
    left_text,
    name_text,
    needs_text,
    seen_text,
    spare_text,
    style_of,
    told_reasons,
    verdict_text,
    wrapped,
)
from bladewatch.units import area_text, m2_of

WIDE: Final = 58 + 44 + 34
"""From this width on words, numbers and ruler stand on one line."""


def render(
    config: Config,
    assessments: Sequence[Assessment],
    alerts: Sequence[Alert],
    at_us: int,
    width: int,
    plain: bool = False,
) -> list[Line]:
    """The screen as lines of at most ``width`` characters, unless a word is longer."""
    when = year_text(at_us, config.zone)
    head = wrapped(f"{when}   {config.site.name}   {needs_text(assessments)}", width, "")
    lines = [*(Line(text, "bold") for text in head), Line("")]
    for assessment in in_order(assessments):
        lines.extend(_saw(config, assessment, at_us, width, plain))
    if alerts:
        lines.append(Line("Alerts", "bold"))
        for alert in alerts:
            lines.extend(Line(text) for text in wrapped(f"{alert.level}: {alert.text}", width, "  "))
        lines.append(Line(""))
    waiting = len({question.id for a in assessments for question in a.asks})
    if waiting:
        text = f"{some_text(waiting, 'question')} about the record: bladewatch questions"
        lines.extend((*(Line(part) for part in wrapped(text, width, "")), Line("")))
    return [*lines, *age_note(assessments, at_us, config, width), *caution(width)]


def _saw(config: Config, a: Assessment, at_us: int, width: int, plain: bool) -> list[Line]:
    head = f"{name_text(a):<5} {a.plate or '-':<10} {verdict_text(a, at_us, config)}"
    left = left_text(a, config)
    style = style_of(a)
    drawn = ruler(a.used_share if a.seen != "blind" else None, 34, plain) if a.plate is not None else ""
    if width >= WIDE:
        first = f"{head:<58}{left:<44}{drawn}"
        lines = [Line(first.rstrip(), style)]
    else:
        lines = [Line(text, style) for text in wrapped(head, width, "")]
        if drawn and 6 + len(drawn) + 2 + len(left) <= width:
            lines.append(Line(f"      {drawn}  {left}".rstrip()))
        elif drawn:
            lines.extend(Line(f"      {text}") for text in (drawn, left) if text)
    odd = [condition_text(c, at_us, config.zone) for c in a.conditions if c.level in ("alert", "act")]
    body = "; ".join(
        part for part in (seen_text(a, at_us, config), *odd, *_facts(config, a, at_us), *told_reasons(a)) if part
    )
    lines.extend(Line(text) for text in wrapped(body, width, "      "))
    lines.append(Line(""))
    return lines


def _facts(config: Config, a: Assessment, at_us: int) -> list[str]:
    if a.plate is None:
        return []
    facts = [f"{area_text(m2_of(a.area_cmm2), config.site.units)} in {a.cuts} cuts since sharp"]
    if a.wear_um is not None and a.wear_limit_um is not None:
        facts.append(f"wear {band_text(a.wear_um, 'µm')} of {a.wear_limit_um:g}")
    if a.due is not None and a.due.at_least_us < a.due.estimate_us and a.seen != "blind":
        when = near_text(a.due.estimate_us, at_us, config.zone)
        facts.append(f"due {when}, at the earliest {near_text(a.due.at_least_us, at_us, config.zone)}")
    if a.edge_index is not None:
        facts.append(f"edge index {a.edge_index.estimate:.2f} (1 is sharp)")
    return [*facts, *spare_text(a), *coverage_marks(a)]
