"""A month's tooling spend at one moment: documents, values, work, and what they say together."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final, NamedTuple

from bladewatch.assess.known import Known
from bladewatch.assess.moment import Moment
from bladewatch.assess.training import ratios_of
from bladewatch.config.tables import Config
from bladewatch.ledger.events import Event
from bladewatch.ledger.fleet import Cycle
from bladewatch.money import ZERO, places_of, rounded
from bladewatch.spending.accruals import Accrual, Accrued, accruals_of, accrued
from bladewatch.spending.assets import (
    CONSUMPTION,
    PURCHASES,
    RETIPS,
    WRITE_OFFS,
    RollForward,
    Snapshot,
    Valued,
    roll_forward,
    valued,
)
from bladewatch.spending.baseline import Saving, saving_of, used_up
from bladewatch.spending.documents import Documents, Line, Remark, by_kind, documents_of, within
from bladewatch.spending.grinding import GRIND, TIPS, Jobs
from bladewatch.spending.happened import (
    Changes,
    Ended,
    Record,
    StateOf,
    Wait,
    changes_of,
    ended_of,
    kerf_of,
    record_of,
    waits_of,
)
from bladewatch.spending.orders import Told, told_of
from bladewatch.spending.periods import Period, before, booked_of, period_of
from bladewatch.spending.sharing import DIMENSIONS, CostOf, Shared, costs_by, each, per_km, share_out
from bladewatch.spending.suppliers import Supplier, sharpened_by, suppliers_of
from bladewatch.spending.variance import Bridge, Plan, Spent, bridge
from bladewatch.spending.work import Work, Worked, work_of
from bladewatch.stores.protocols import Spot
from collectors.instants import HOUR_US
from models.cycle import CycleState

LAST_MONTHS: Final = 12
BY: Final = (*DIMENSIONS, "order", "supplier")
"""By what a month's spend is told apart."""


class Books(NamedTuple):
    """All money of the record, as it was known: the rows that hold, documents, values, work not invoiced."""

    rows: Sequence[Event]
    documents: Documents
    valued: Valued
    accruals: tuple[Accrual, ...]
    jobs: Jobs


class Closed(NamedTuple):
    """A closed month: when and by whom, what its spend was then, and the lines that have come or gone since.

    ``reasons`` says of each of their rows why it came after the close.
    """

    at_us: int
    by: str | None
    total: Decimal
    come: tuple[Line, ...]
    gone: tuple[Line, ...]
    reasons: Mapping[str, str]


class InLine(NamedTuple):
    """A month in the line of months: its spend, and its strokes by the roll-ups.

    These are told by a message or by the counter within an hour; strokes in air that only their power shows count.
    """

    label: str
    total: Decimal
    strokes: int
    places: int

    @property
    def per_1000(self) -> Decimal | None:
        """What a thousand of the strokes cost; None without any."""
        return each(self.total, self.strokes, 1000, self.places)


@dataclass(frozen=True, slots=True)
class Month:
    """All of a month. ``lines`` are its documents', ``spend`` their sums by kind; ``books`` is what it is part of."""

    books: Books
    period: Period
    at_us: int
    currency: str
    lines: tuple[Line, ...]
    spend: Mapping[str, Decimal]
    tax: Decimal
    roll: RollForward
    accrued: Accrued
    bridge: Bridge
    work: Work
    shared: Shared
    told: Told
    ended: tuple[Ended, ...]
    changes: Changes
    suppliers: tuple[Supplier, ...]
    makers: Mapping[tuple[str, int], str]
    record: Record
    waits: tuple[Wait, ...]
    line: tuple[InLine, ...]
    regrinds_left: Mapping[int, int]
    kerf_kg: Mapping[str, float]
    kerf_value: Decimal | None
    saving: Saving | None
    actions: tuple[str, ...]
    closed: Closed | None
    remarks: tuple[Remark, ...]

    @property
    def total(self) -> Decimal:
        """All that was spent."""
        return sum(self.spend.values(), ZERO)

    @property
    def amortised(self) -> Decimal:
        """What the month cost where plates are paid for as they are used up."""
        roll = self.roll.flows
        bought = roll[PURCHASES] + roll[RETIPS]
        return self.total - bought + roll[CONSUMPTION] + roll[WRITE_OFFS]

    def per(self, count: float, unit: int = 1) -> Decimal | None:
        """The spend for each so many of something, to a hundredth of the smallest unit; None without any."""
        return each(self.total, count, unit, places_of(self.currency))

    @property
    def per_km(self) -> Decimal | None:
        """The spend for each kilometre that a tooth went through metal, of the cuts whose feed is known."""
        return per_km(self.total, self.told.travel_m, self.told.travel_known, places_of(self.currency))

    def by(self, what: str) -> Sequence[CostOf]:
        """The spend by one of ``BY``, the dearest first; by supplier it is that of whoever made the edges."""
        if what == "order":
            return self.told.orders
        return costs_by(self.shared, self.told.ways, self._maker if what == "supplier" else DIMENSIONS[what])

    def _maker(self, row: Worked) -> str | None:
        return None if row.plate is None or row.cycle is None else self.makers.get((row.plate, row.cycle))


def books_of(moment: Moment, instants: Sequence[int]) -> Books:
    """The money of the record, as the moment knows it; values are told at the instants."""
    known = moment.known()
    rows = known.book.held
    types = {plate.id: plate.blade_type for plate in known.fleet.plates.values()}
    jobs = Jobs(known.config, rows, types)
    documents = documents_of(known.config, rows, types, jobs)
    told = valued(known.config, rows, documents.lines, known.fleet, sorted(instants))
    return Books(rows, documents, told, tuple(accruals_of(known.config, rows, documents.lines, jobs, types)), jobs)


def month_of(
    moment: Moment, year: int, number: int, closed: Moment | None = None, closing: Event | None = None
) -> Month:
    """A month as the moment knows it. ``closed`` is the moment at which the row ``closing`` closed it."""
    known = moment.known()
    config = known.config
    period = period_of(config, year, number)
    books = books_of(moment, (period.from_us, period.to_us))
    lines = tuple(within(books.documents.lines, period.from_us, period.to_us))
    inside = [row for row in books.rows if period.holds(booked_of(config, row))]
    work = work_of(known, period.from_us, period.to_us)
    roll = roll_forward(books.valued, period.from_us, period.to_us)
    ratios = ratios_of(config, {row.alloy for row in work.worked}, period.from_us)
    costs = share_out(lines, work, ratios, places_of(config.site.currency))
    kerf_kg, kerf_value = kerf_of(known, work)
    currency = config.site.currency
    makers = sharpened_by(known, books.jobs, books.rows)
    counted = {line.row for line in lines}
    spend = by_kind(lines)
    state_of = _once(known)
    return Month(
        books=books,
        period=period,
        at_us=known.now_us,
        currency=currency,
        lines=lines,
        spend=spend,
        tax=sum((tax for row, tax in books.documents.taxes.items() if row in counted), ZERO),
        roll=roll,
        accrued=accrued(books.accruals, period.from_us, period.to_us),
        bridge=bridge(_plan(config), _spent(known, books, lines, spend, roll, work), places_of(currency)),
        work=work,
        shared=costs,
        told=told_of(known, costs, period.from_us, period.to_us),
        ended=tuple(ended_of(known, period, state_of)),
        changes=changes_of(inside),
        suppliers=tuple(suppliers_of(known, books.jobs, lines, inside, period, makers, state_of)),
        makers=makers,
        record=record_of(known, moment.answers, inside, work, period),
        waits=tuple(waits_of(known, period)),
        line=tuple(_line(known, books, year, number)),
        regrinds_left=_regrinds_left(config, books.valued.snapshots[period.to_us], period),
        kerf_kg=kerf_kg,
        kerf_value=kerf_value,
        saving=_saving(known, books, period, work),
        actions=_actions(books.rows, config, year, number),
        closed=None if closed is None or closing is None else _closed(closed, closing, period, lines, known),
        remarks=tuple(remark for remark in books.documents.remarks if period.holds(remark.at_us)),
    )


def _saving(known: Known, books: Books, period: Period, work: Work) -> Saving | None:
    """Against the baseline, where one is named that is over."""
    months = known.config.budget.baseline
    if months is None or period_of(known.config, *months.last).to_us > period.from_us:
        return None
    lines, movements = books.documents.lines, books.valued.movements
    cost = used_up(lines, movements, period.from_us, period.to_us)
    return saving_of(known, months, lines, movements, cost, work.total.area_cmm2)


def _actions(rows: Sequence[Event], config: Config, year: int, number: int) -> tuple[str, ...]:
    """What was to be done when the month before was closed, by whom: the lines of its row's note."""
    closing = closing_of(rows, config, *before(year, number)) if _has_next(config, *before(year, number)) else None
    note = "" if closing is None else closing.note or ""
    return tuple(line for part in note.split(";") if (line := part.strip()))


def _once(known: Known) -> StateOf:
    """What cycles have cut, each read once."""
    states: dict[tuple[str, int], CycleState] = {}

    def state_of(cycle: Cycle) -> CycleState:
        key = cycle.plate, cycle.number
        if key not in states:
            states[key] = known.state_of(cycle)
        return states[key]

    return state_of


def closing_of(rows: Sequence[Event], config: Config, year: int, number: int) -> Event | None:
    """The row that closed a month first: one that names it as its document, else one of the month that follows."""
    label = f"{year:04d}-{number:02d}"
    following = period_of(config, *before(year, number, -1)) if _has_next(config, year, number) else None
    found = [
        row
        for row in rows
        if row.event == "month-closed"
        and (row.document == label or (row.document is None and following is not None and following.holds(row.at_us)))
    ]
    return min(found, key=lambda row: (row.known_us, row.at_us, row.id), default=None)


def _has_next(config: Config, year: int, number: int) -> bool:
    return config.budget.months == "calendar" or number < 12 or year + 1 in config.budget.years


def _closed(then: Moment, closing: Event, period: Period, lines: Sequence[Line], known: Known) -> Closed:
    told = tuple(within(books_of(then, ()).documents.lines, period.from_us, period.to_us))
    come = tuple((Counter(lines) - Counter(told)).elements())
    gone = tuple((Counter(told) - Counter(lines)).elements())
    total = closing.cost if closing.cost is not None else sum((line.amount for line in told), ZERO)
    reasons = {line.row: _reason(known, line.row) for line in (*come, *gone)}
    return Closed(closing.at_us, closing.by, total, come, gone, reasons)


def _reason(known: Known, row_id: str) -> str:
    """Why a row came after a close, or went: its own note, or that of the row which corrects it."""
    row = known.book.rows.get(row_id)
    if row is not None and row.event == "bought" and known.book.stands(row_id):
        return "invoiced since"
    if row is None or not known.book.stands(row_id):
        others = [other for other in known.book.rows.values() if other.corrects == row_id]
        last = max(others, key=lambda other: other.known_us, default=None)
        return "corrected since" if last is None else f"corrected by row {last.id}{_noted(last)}"
    if row.corrects is not None:
        return f"corrects row {row.corrects}{_noted(row)}"
    return f"entered late{_noted(row)}"


def _noted(row: Event) -> str:
    return f": {row.note}" if row.note else ""


def _plan(config: Config) -> Plan:
    budget = config.budget
    cuts = None if budget.cuts is None else Decimal(budget.cuts)
    return Plan(budget.month, cuts, budget.per_1000_cuts, {row.alloy: row for row in budget.alloys})


def _spent(
    known: Known, books: Books, lines: Sequence[Line], spend: Mapping[str, Decimal], roll: RollForward, work: Work
) -> Spent:
    """The month's spend in the sums that the way from the plan needs."""
    bought = roll.flows[PURCHASES] + roll.flows[RETIPS]
    used, went = roll.flows[CONSUMPTION], roll.flows[WRITE_OFFS]
    unplanned = spend[TIPS] + went
    stock = bought - used - went
    planned = _grinds_planned(known, books, [line for line in lines if line.kind == GRIND])
    consumed = (one for one in roll.movements if one.flow == CONSUMPTION)
    planned += sum((_cycle_planned(known, one.plate, one.at_us, one.amount) for one in consumed), ZERO)
    cuts: dict[str, int] = {}
    for row in work.worked:
        cuts[row.alloy] = cuts.get(row.alloy, 0) + row.made.cuts
    total = sum(spend.values(), ZERO)
    return Spent(cuts, total - unplanned - stock, planned, unplanned, stock)


def _grinds_planned(known: Known, books: Books, lines: Sequence[Line]) -> Decimal:
    """What the grinds that lines pay should have cost, each job once, in the month of its first line.

    What no price tells counts as it was paid, and so does a credit of it.
    """
    first: dict[str, str] = {}
    for line in books.documents.lines:
        if line.job is not None and line.kind == GRIND and line.amount > 0:
            first.setdefault(line.job, line.row)
    total = ZERO
    for line in lines:
        job = None if line.plate is None or line.job is None else books.jobs.of(line.plate, line.batch, line.at_us)
        at_us = line.at_us if job is None or job.back_us is None else job.back_us
        blade = None if line.blade_type is None else known.config.blade_types.ever(line.blade_type, at_us)
        price = None if blade is None or job is None else blade.grind_price
        if price is None:
            total += line.amount
        elif line.amount > 0 and line.job is not None and first.get(line.job) == line.row:
            total += rounded(price, places_of(known.config.site.currency))
    return total


def _cycle_planned(known: Known, plate: str | None, at_us: int, amount: Decimal) -> Decimal:
    """What a grind cycle should take of a plate's price; what it took, where no price tells it."""
    blade_type = None if plate is None else known.fleet.plates[plate].blade_type
    blade = None if blade_type is None else known.config.blade_types.ever(blade_type, at_us)
    if blade is None or blade.price is None or blade.regrinds_expected is None:
        return amount
    return rounded(blade.price / (blade.regrinds_expected + 1), places_of(known.config.site.currency))


def _line(known: Known, books: Books, year: int, number: int) -> list[InLine]:
    """The month after the twelve before it, the oldest first, as far as the record goes back."""
    config, lines = known.config, books.documents.lines
    found: list[InLine] = []
    for back in range(LAST_MONTHS + 1):
        earlier = before(year, number, back)
        if config.budget.months != "calendar" and earlier[0] not in config.budget.years:
            break
        period = period_of(config, *earlier)
        if back and (not lines or period.to_us <= lines[0].at_us):
            break
        total = sum((line.amount for line in within(lines, period.from_us, period.to_us)), ZERO)
        strokes = sum(_strokes_made(known, spot, period) for spot in known.signals.spots())
        found.append(InLine(period.label, total, strokes, places_of(config.site.currency)))
    return found[::-1]


def _strokes_made(known: Known, spot: Spot, period: Period) -> int:
    """The strokes of a month; an hour that begins in it is all its own."""
    first, last = -(-period.from_us // HOUR_US), (period.to_us - 1) // HOUR_US
    return known.signals.strokes_made(spot, first, last, known.now_us)


def _regrinds_left(config: Config, told: Snapshot, period: Period) -> dict[int, int]:
    """How many plates have how many regrinds left at the end of a period."""
    found: dict[int, int] = {}
    for (blade_type, regrinds), count in told.regrinds.items():
        blade = None if blade_type is None else config.blade_types.ever(blade_type, period.to_us)
        if blade is not None and blade.regrinds_expected is not None:
            left = max(blade.regrinds_expected - regrinds, 0)
            found[left] = found.get(left, 0) + count
    return dict(sorted(found.items()))
