"""The crib, batches and plates as people read and print them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from bladewatch.assess.batches import CAUTIONS, WORK_TEXT, PackLine, Return, Suggestion
from bladewatch.assess.crib import Crib, TypeStock
from bladewatch.config.tables import Config
from bladewatch.format import date_text, some_text, year_text
from bladewatch.screens.words import Line, wrapped
from bladewatch.units import percent, round_to
from collectors.instants import to_datetime

INDENT = " " * 6


def render(config: Config, crib: Crib, shares: dict[str, float], width: int) -> list[Line]:
    """The crib by type, what is away, what to do. ``shares`` is how much of their life part-used plates have used."""
    head = f"{year_text(crib.at_us, config.zone)}   {config.site.name}   crib"
    lines = [*(Line(text, "bold") for text in wrapped(head, width, "")), Line("")]
    for stock in crib.types:
        lines.extend((*_type(stock, width), Line("")))
    if shares:
        told = ", ".join(f"{plate} {percent(share)} used" for plate, share in sorted(shares.items()))
        lines.extend((*(Line(text) for text in wrapped(f"Part-used on the rack: {told}", width, "")), Line("")))
    if crib.batches:
        lines.append(Line("At the grinder", "bold"))
        for batch in crib.batches:
            late = f", {batch.overdue_days} days overdue" if batch.overdue_days else ""
            text = f"{batch.id}: {len(batch.away)} of {len(batch.plates)} away, due {date_text(batch.due)}{late}: "
            style = "bold" if batch.overdue_days else ""
            lines.extend(Line(part, style) for part in wrapped(text + ", ".join(batch.away), width, "  "))
        lines.append(Line(""))
    if crib.untyped:
        text = f"No blade type on record: {', '.join(crib.untyped)}"
        lines.extend((*(Line(part) for part in wrapped(text, width, "")), Line("")))
    if not crib.types:
        lines.append(Line("No plate with a blade type is on record: bladewatch blade opened NUMBER --type TYPE"))
    return lines


def _type(stock: TypeStock, width: int) -> list[Line]:
    minimum = "minimum cannot be told" if stock.minimum is None else f"minimum {stock.minimum}"
    call = _call(stock)
    head = f"{stock.blade_type}   {stock.sharp} sharp, {minimum}{f'   {call}' if call else ''}"
    style = "bold red" if call.startswith("short") else "bold"
    lines = [Line(text, style) for text in wrapped(head, width, "")]
    states = ", ".join(f"{count} {state}" for state, count in stock.states.items())
    body = [f"{stock.owned} plates owned: {states}"]
    if stock.due_back:
        body.append(f"due back {_counted(stock.due_back)}")
    body.append(_rate(stock))
    if stock.pipeline is not None:
        p = stock.pipeline
        body.append(
            f"away {round_to(p.mean)} on average ({p.away_days:.0f} days, {stock.turnround_from}), "
            f"{percent(p.level)} of the time at most {p.spares}; if the van is a week late at most {p.late_spares}"
        )
    if stock.by_hand is not None:
        body.append(f"minimum set by hand: {stock.by_hand}")
    if stock.ending:
        body.append(f"few regrinds left: {', '.join(stock.ending)}")
    if stock.buy or stock.lost >= 0.5:
        body.append(f"next quarter: about {round_to(stock.lost)} plates come to their end, buy {stock.buy}")
    lines.extend(Line(text) for item in body for text in wrapped(item, width, INDENT))
    return lines


def _call(stock: TypeStock) -> str:
    if stock.short:
        until = "the next return" if stock.next_return is None else date_text(stock.next_return)
        return f"short by {stock.short} before {until}"
    if stock.minimum is not None and stock.sharp < stock.minimum and not stock.due_back:
        return "below the minimum, nothing due back"
    return ""


def _rate(stock: TypeStock) -> str:
    if stock.pipeline is None:
        told = f"{some_text(stock.changes, 'change')} in {stock.days:.0f} days"
        return f"rate cannot be told from {told}: min_sharps in [[blade_type]] speaks until there are three"
    return f"{round_to(stock.per_day)} changes a day, from {stock.changes} in {stock.days:.0f} days"


def _counted(days: Sequence[date]) -> str:
    return ", ".join(f"{days.count(day)} on {date_text(day)}" for day in sorted(set(days)))


# Batches


def suggestion(config: Config, found: Sequence[Suggestion], width: int) -> list[Line]:
    """What could go to the grinder now."""
    lines: list[Line] = []
    for one in found:
        van = "" if one.van is None else f", next van {date_text(one.van)}"
        lines.append(Line(f"{one.supplier or 'no supplier configured'}{van}", "bold"))
        lines.extend(Line(text) for line in one.lines for text in _pack(line, width))
        if one.lines:
            cost = f"{one.cost:.2f} {config.site.currency}"
            charge = one.minimum_charge
            below = charge is not None and one.cost < charge
            tail = f", below the minimum charge of {charge:.2f}" if below else ""
            lines.append(Line(f"  {_plates(len(one.lines))}, about {cost}{tail}"))
            names = " ".join(line.plate for line in one.lines)
            lines.extend(Line(text) for text in wrapped(f"to send them: bladewatch batch send {names}", width, "  "))
        else:
            lines.append(Line("  nothing waits for the grinder"))
        if one.kept:
            told = f"kept apart as cracked, never to the grinder: {', '.join(one.kept)}"
            lines.extend(Line(text, "bold") for text in wrapped(told, width, "  "))
        lines.append(Line(""))
    return lines or [Line("Nothing waits for the grinder.")]


def packing_list(
    config: Config, batch: str, supplier: str | None, due: str | None, lines: Sequence[PackLine], at_us: int, width: int
) -> list[Line]:
    """The list that goes with a batch: to print, tick and sign."""
    when = to_datetime(at_us, config.zone)
    head = (
        f"Packing list {batch}   {config.site.name} to {supplier or '________'}   {date_text(when.date())} {when.year}"
    )
    found = [*(Line(text, "bold") for text in wrapped(head, width, "")), Line("")]
    found.extend(Line(text) for line in lines for text in _pack(line, width, "[ ] "))
    back = "" if due is None else f", back by {date_text(date.fromisoformat(due))}"
    found.extend((Line(""), Line(f"{_plates(len(lines))}{back}")))
    asked = (
        "Please write for each plate: stock removed from face and top, tips replaced, diameter and kerf as ground. "
        "A cracked body is not ground: send it back tagged."
    )
    found.extend(Line(text) for text in wrapped(asked, width, ""))
    found.append(Line(""))
    found.extend(Line(text) for caution in CAUTIONS for text in wrapped(f"· {caution}", width, ""))
    found.extend((Line(""), Line("Handed over ____________________   Taken ____________________"[:width])))
    return found


def _plates(count: int) -> str:
    return some_text(count, "plate")


def _pack(line: PackLine, width: int, mark: str = "") -> list[str]:
    chipped = f", {line.chipped} chipped" if line.chipped else ""
    text = f"{mark}{line.plate:<10} {line.blade_type or '-':<10} {WORK_TEXT[line.work]}{chipped}"
    hazards = f"; hazard {', '.join(line.hazards)}" if line.hazards else ""
    return wrapped(text + hazards, width, "  ")


def returned(found: Return, width: int) -> list[Line]:
    """What came back of a batch."""
    lines = [Line(f"Batch {found.batch}", "bold")]
    lines.extend(Line(f"  [x] {plate}") for plate in found.ticked)
    lines.extend(Line(f"  [x] {plate}   was ticked before: nothing written") for plate in found.again)
    lines.extend(Line(f"  [ ] {plate}   MISSING: ask the grinder", "bold") for plate in found.missing)
    for plate, near in found.foreign.items():
        hint = f"; near {' and '.join(near)}" if near else ""
        text = f"[?] {plate}   NOT OF THIS BATCH{hint}: look at its etched number; bladewatch questions"
        lines.extend(Line(part, "bold") for part in wrapped(text, width, "  "))
    told = f"{len(found.ticked)} ticked, {len(found.missing)} missing, {len(found.foreign)} not of this batch"
    return [*lines, Line(""), Line(told)]
