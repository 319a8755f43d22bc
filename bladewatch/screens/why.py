"""From the answer back to its inputs, on paper or on a terminal: steps, numbers, where each comes from."""

from __future__ import annotations

from dataclasses import asdict, replace
from datetime import tzinfo
from typing import Any

import msgspec

from bladewatch.assess.assessment import as_json as assessment_json
from bladewatch.assess.reckoning import Entry, Reckoning, Step
from bladewatch.config.tables import Config
from bladewatch.format import near_text, year_text
from bladewatch.screens.condition import condition_text
from bladewatch.screens.words import (
    Line,
    caution,
    left_text,
    name_text,
    seen_text,
    style_of,
    told_reasons,
    verdict_text,
    wrapped,
)
from bladewatch.units import IN2_PER_M2, round_to
from collectors.instants import parse_text, to_datetime
from models.forecast import Quantity

NAME_WIDTH = 32
VALUE_WIDTH = 24
LEAST_ORIGIN = 30
"""Where the last column would be narrower than this, the origin stands under its number."""


def render(config: Config, reckoning: Reckoning, at_us: int, width: int) -> list[Line]:
    """The reckoning as lines of at most ``width`` characters, unless a word is longer."""
    a = reckoning.assessment
    head = f"{name_text(a):<5} {a.plate or '-':<9} {verdict_text(a, at_us, config)}"
    lines = [Line(text, style_of(a)) for text in wrapped(head, width, "")]
    left = left_text(a, config)
    known = f"As known {year_text(at_us, config.zone)}"
    beside = [condition_text(c, at_us, config.zone) for c in a.conditions if c.level in ("alert", "act")]
    told = [part for part in (known, seen_text(a, at_us, config), left, *beside, *told_reasons(a)) if part]
    lines.extend(Line(text) for text in wrapped("; ".join(told), width, "      "))
    for place, step in enumerate(reckoning.steps, 1):
        lines.extend(_step(place, step, width, config.site.units))
    if reckoning.surer:
        lines.extend((Line(""), Line("What would make it surer", "bold")))
        lines.extend(Line(text) for item in reckoning.surer for text in _item(item, width))
    if reckoning.said:
        lines.extend((Line(""), Line("What was said before", "bold")))
        said = (text for row in _said(reckoning, at_us, config) for text in _hanging(row, width))
        lines.extend(Line(text) for text in said)
    lines.extend((Line(""), Line("Versions", "bold")))
    lines.extend(Line(text) for entry in reckoning.versions for text in _entry(entry, width))
    return [*lines, Line(""), *caution(width)]


def _step(place: int, step: Step, width: int, units: str) -> list[Line]:
    lines = [Line(""), Line(f"{place}  {step.title}", "bold")]
    lines.extend(Line(text) for entry in step.entries for text in _entry(_in_units(entry, units), width))
    for name, text in (("formula", step.formula), ("source", step.source)):
        if text:
            lines.extend(Line(part, "dim") for part in _hanging(f"   {name}: {text}", width))
    return lines


def _in_units(entry: Entry, units: str) -> Entry:
    """The entry in the shop's unit of area."""
    if units != "inch" or "m²" not in entry.unit or not isinstance(entry.value, float | Quantity):
        return entry
    factor = IN2_PER_M2 if entry.unit == "m²" else 1 / IN2_PER_M2
    unit = entry.unit.replace("m²", "in²")
    if isinstance(entry.value, float):
        return replace(entry, value=entry.value * factor, unit=unit)
    q = entry.value
    scaled = Quantity(q.estimate * factor, q.low * factor, q.high * factor, q.at_least * factor, q.level)
    return replace(entry, value=scaled, unit=unit)


def _entry(entry: Entry, width: int) -> list[str]:
    """Name, value with unit, and where it comes from, in columns; the last one wraps under itself."""
    value = value_text(entry.value) if entry.value is None else f"{value_text(entry.value)} {entry.unit}".strip()
    head = f"   {entry.name:<{NAME_WIDTH}} {value:<{VALUE_WIDTH}}"
    if len(entry.name) > NAME_WIDTH or len(value) > VALUE_WIDTH or width < 3 + NAME_WIDTH + VALUE_WIDTH + 20:
        told = f"{entry.name}: {value}" + (f" ({entry.origin})" if entry.origin else "")
        return _hanging(f"   {told}", width)
    if not entry.origin:
        return [head.rstrip()] if len(head.rstrip()) <= width else _hanging(head, width)
    column = len(head) + 1
    if width - column < LEAST_ORIGIN:
        return [head.rstrip(), *wrapped(entry.origin, width, " " * 6)]
    return _hanging(f"{head} {entry.origin}", width, column)


def _hanging(text: str, width: int, indent: int = 6) -> list[str]:
    import textwrap

    return textwrap.wrap(text, max(width, indent + 12), subsequent_indent=" " * indent)


def _item(text: str, width: int) -> list[str]:
    import textwrap

    return textwrap.wrap(text, max(width, 20), initial_indent="   - ", subsequent_indent=" " * 5)


def value_text(value: float | str | Quantity | None) -> str:
    """A value as people read it.

    >>> value_text(Quantity(226.4, 167.1, 312.0, 178.0)), value_text(0.2512), value_text(None)
    ('226 (167 to 312)', '0.251', 'not known')
    """
    if value is None:
        return "not known"
    if isinstance(value, Quantity):
        return f"{round_to(value.estimate, 3)} ({round_to(value.low, 3)} to {round_to(value.high, 3)})"
    if isinstance(value, float):
        return round_to(value, 3)
    return str(value)


def _said(reckoning: Reckoning, at_us: int, config: Config) -> list[str]:
    """The forecasts as they were issued, oldest first."""
    lines = []
    for issued in reversed(reckoning.said):
        told: dict[str, Any] = msgspec.json.decode(issued.assessment)
        used, due = told.get("used_share"), told.get("due_at")
        parts = [str(told["verdict"])]
        if used is not None:
            parts.append(f"{100 * used['estimate']:.0f} % used ({100 * used['low']:.0f} to {100 * used['high']:.0f})")
        if due is not None:
            when, earliest = (
                near_text(parse_text(due[n]), issued.at_us, config.zone) for n in ("estimate", "at_least")
            )
            parts.append(f"due {when}, from {earliest}")
        lines.append(f"   {near_text(issued.at_us, at_us, config.zone)}  {', '.join(parts)}")
    return lines


def as_json(reckoning: Reckoning, at_us: int, site: str, zone: tzinfo) -> dict[str, Any]:
    """The reckoning as JSON; numbers are not rounded."""
    return {
        "at": to_datetime(at_us, zone).isoformat(),
        "site": site,
        "assessment": assessment_json(reckoning.assessment, zone),
        "steps": [asdict(step) for step in reckoning.steps],
        "surer": list(reckoning.surer),
        "said": [
            {"at": to_datetime(row.at_us, zone).isoformat(), "assessment": msgspec.json.decode(row.assessment)}
            for row in reckoning.said
        ],
        "versions": [asdict(entry) for entry in reckoning.versions],
    }
