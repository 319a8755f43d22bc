"""One plate on a screen: what it is now, its grind cycles, its rows."""

from __future__ import annotations

from datetime import tzinfo
from typing import Any

from bladewatch.assess.history import CycleRow, History
from bladewatch.config.tables import Config
from bladewatch.format import near_text, time_text, year_text
from bladewatch.ledger.events import filled_row
from bladewatch.ledger.standing import SAME_EVENT_US
from bladewatch.screens.words import Line, wrapped
from bladewatch.units import area_text, percent, round_to

INDENT = " " * 6
_SHOWN = ("saw", "reason", "batch", "work", "wear_um", "stock_removed_um", "tips_replaced", "tips_chipped", "kerf_mm",
          "diameter_mm", "findings", "cost", "currency", "document", "place", "by", "note", "corrects")  # fmt: skip


def render(config: Config, history: History, at_us: int, width: int) -> list[Line]:
    """The plate as it was known."""
    p = history.plate
    place = f" in {p.place}" if p.place is not None and p.state != "mounted" else ""
    place = f" on saw {p.on[0].saw}" if p.on else place
    since = near_text(p.since_us, at_us, config.zone)
    head = f"{p.id}   {p.blade_type or 'no type on record'}   {p.state}{place} since {since}"
    lines = [Line(text, "bold") for text in wrapped(head, width, "")]
    if p.cracked:
        lines.append(Line("      CRACKED: tag it apart; a cracked body is scrapped, not ground", "bold red"))
    facts = [f"tip set {p.tip_set}, {p.regrinds} regrinds" + (" (estimated)" if p.estimated else "")]
    facts.extend(
        f"{name} {value:.2f} mm" for name, value in (("kerf", p.kerf_mm), ("diameter", p.diameter_mm)) if value
    )
    if p.state == "out":
        facts.append(f"batch {p.batch or '-'} at {p.supplier or 'the grinder'}" + (f", due {p.due}" if p.due else ""))
    lines.extend(Line(text) for text in wrapped("; ".join(facts), width, INDENT))
    if history.cycles:
        lines.extend((Line(""), Line("Grind cycles", "bold")))
        for row in history.cycles:
            lines.extend(Line(text) for text in wrapped(_cycle(config, row, at_us), width, "  "))
    lines.extend((Line(""), Line("Rows, as they happened", "bold")))
    for event in history.rows:
        cells = filled_row(event, config.zone)
        told = ", ".join(f"{name} {cells[name]}" for name in _SHOWN if name in cells)
        at_once = event.known_us - event.at_us < SAME_EVENT_US
        late = "" if at_once else f", entered {year_text(event.known_us, config.zone)}"
        text = f"{year_text(event.at_us, config.zone)}  {event.event}{': ' + told if told else ''}{late} ({event.id})"
        lines.extend(Line(part) for part in wrapped(text, width, "  "))
    if history.problems:
        lines.extend((Line(""), Line("What does not fit", "bold")))
        for problem in history.problems:
            when = year_text(problem.at_us, config.zone)
            lines.extend(Line(t) for t in wrapped(f"{when}  {problem.where}: {problem.message}", width, "  "))
    return lines


def _cycle(config: Config, row: CycleRow, at_us: int) -> str:
    c = row.cycle
    saws = ", ".join(dict.fromkeys(mount.saw for mount in c.mounts))
    ended = "runs" if c.open or c.ended_us is None else f"to {near_text(c.ended_us, at_us, config.zone)}, {c.reason}"
    opened = near_text(c.opened_us, at_us, config.zone)
    told = [f"{c.number}  tip set {c.tip_set}, regrind {c.regrinds}: from {opened} {ended}"]
    told.append(f"on {saws}")
    if row.cuts is not None:
        told.append(f"{row.cuts} cuts" + (" by the counters" if row.strokes is None else ""))
    if row.area_m2 is not None:
        told.append(area_text(row.area_m2, config.site.units))
    if row.coverage is not None and row.strokes and row.coverage < 0.995:
        told.append(f"{percent(row.coverage)} of strokes seen")
    if row.coarse:
        told.append("coarse: no stroke of it is stored")
    if c.readings:
        told.append(f"bench {max(r.wear_um for r in c.readings):.0f} µm")
    if c.stock_removed_um is not None:
        told.append(f"{c.stock_removed_um:.0f} µm removed")
    if c.tips_chipped:
        told.append(f"{c.tips_chipped} tips chipped")
    if c.used_share:
        told.append(f"began {round_to(100 * c.used_share)} % used")
    return ", ".join(told)


def as_json(history: History, zone: tzinfo) -> dict[str, Any]:
    """The plate as JSON."""
    p = history.plate
    return {
        "plate": p.id,
        "blade_type": p.blade_type,
        "state": p.state,
        "since": time_text(p.since_us, zone),
        "place": p.place,
        "tip_set": p.tip_set,
        "regrinds": p.regrinds,
        "kerf_mm": p.kerf_mm,
        "diameter_mm": p.diameter_mm,
        "cracked": p.cracked,
        "estimated": p.estimated,
        "cycles": [_cycle_json(row, zone) for row in history.cycles],
        "rows": [filled_row(event, zone) for event in history.rows],
        "problems": [f"{problem.where}: {problem.message}" for problem in history.problems],
    }


def _cycle_json(row: CycleRow, zone: tzinfo) -> dict[str, Any]:
    c = row.cycle
    return {
        "cycle": c.number,
        "tip_set": c.tip_set,
        "regrinds": c.regrinds,
        "opened_at": time_text(c.opened_us, zone),
        "ended_at": time_text(c.ended_us, zone),
        "reason": c.reason,
        "saws": list(dict.fromkeys(mount.saw for mount in c.mounts)),
        "strokes": row.strokes,
        "cuts": row.cuts,
        "area_m2": row.area_m2,
        "coverage": row.coverage,
        "coarse": row.coarse,
        "wear_um": max((r.wear_um for r in c.readings), default=None),
        "stock_removed_um": c.stock_removed_um,
    }
