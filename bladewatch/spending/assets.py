"""What plates are worth, movement by movement: what the books begin with, purchases, consumption, write-offs.

A plate is worth what was paid for it, freight left out. Each grind cycle that ends consumes what is left, divided by
the cycles that are left: ``regrinds_expected`` + 1 for a set of tips, less those that it has behind it. A new set of
tips adds what it cost and begins the count anew. A plate that is scrapped or lost takes what is left with it; one that
is found again brings that back. Without ``regrinds_expected`` a plate keeps its value until it goes.

So over every span of time, to the cent and to the piece: what was there + opened + purchases + retips + found -
consumption - write-offs = what is there.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from operator import itemgetter
from typing import Final, NamedTuple

from bladewatch.config.tables import Config
from bladewatch.ledger.events import Event
from bladewatch.ledger.fleet import GONE, Cycle, Fleet, Plate, Stay
from bladewatch.money import ZERO, places_of, rounded
from bladewatch.spending.documents import NEW, Line, rate_of
from bladewatch.spending.grinding import COMES_BACK, RETIP
from bladewatch.spending.periods import booked_of, ended_us
from collectors.instants import DAY_US

OPENED: Final = "opened"
PURCHASES: Final = "purchases"
RETIPS: Final = "retips"
FOUND: Final = "found"
CONSUMPTION: Final = "consumption"
WRITE_OFFS: Final = "write_offs"
ADDS: Final = (OPENED, PURCHASES, RETIPS, FOUND)
TAKES: Final = (CONSUMPTION, WRITE_OFFS)
FLOWS: Final = (*ADDS, *TAKES)


class Movement(NamedTuple):
    """What a flow adds or takes: an amount, and how many plates come or go by it."""

    at_us: int
    flow: str
    plate: str | None
    amount: Decimal
    plates: int
    row: str
    text: str = ""

    @property
    def change(self) -> Decimal:
        """By how much it changes what plates are worth."""
        return sign_of(self.flow) * self.amount

    @property
    def plates_change(self) -> int:
        """By how much it changes how many there are."""
        return sign_of(self.flow) * self.plates


def sign_of(flow: str) -> int:
    """Whether a flow adds (1) or takes (-1)."""
    return -1 if flow in TAKES else 1


class Snapshot(NamedTuple):
    """How many plates are in each state, what all are worth, and how many owned ones have what regrinds behind them.

    The last by blade type and regrinds of this set of tips.
    """

    states: Counter[str]
    value: Decimal
    regrinds: Counter[tuple[str | None, int]]


class Valued(NamedTuple):
    """All movements in order of time, and what there was at some instants."""

    movements: tuple[Movement, ...]
    snapshots: dict[int, Snapshot]


class _Step(NamedTuple):
    """What may change a plate's worth.

    Of a row, ``before`` and ``after`` are where it was and is.
    """

    at_us: int
    place: int
    what: Cycle | Event | Line
    before: Stay | None = None
    after: Stay | None = None


def valued(
    config: Config, rows: Iterable[Event], lines: Iterable[Line], fleet: Fleet, instants: Sequence[int]
) -> Valued:
    """Go through the record of each plate once.

    ``rows`` are those that hold, ``lines`` their money, ``fleet`` what they lead to; snapshots are taken just before
    each of the ``instants``, in order.
    """
    by_id = {row.id: row for row in rows}
    paid: dict[str | None, list[Line]] = {name: [] for name in fleet.plates}
    for line in lines:
        if line.kind in (NEW, RETIP):
            paid.setdefault(line.plate, []).append(line)
    movements = [move for line in paid.pop(None, ()) for move in _of_no_plate(line)]
    snapshots = {instant: Snapshot(Counter(), ZERO, Counter()) for instant in instants}
    for name, mine in paid.items():
        plate = fleet.plates.get(name or "") or Plate(name or "")
        valuer = _Valuer(config, plate)
        waiting = list(instants)
        for step in _steps(config, plate, by_id, mine):
            while waiting and waiting[0] <= step.at_us:
                valuer.add_to(snapshots, waiting.pop(0), by_id)
            movements.extend(valuer.take(step))
        for instant in waiting:
            valuer.add_to(snapshots, instant, by_id)
    movements.sort(key=lambda move: move.at_us)
    return Valued(tuple(movements), snapshots)


def _steps(config: Config, plate: Plate, rows: Mapping[str, Event], lines: Iterable[Line]) -> list[_Step]:
    """What happened to a plate, in order of time, at one instant money last.

    Rows and ends of cycles keep their order among each other, also where one is dated by the day alone.
    """
    steps = [*_record(config, plate, rows), *(_Step(line.at_us, 1, line) for line in lines)]
    steps.sort(key=itemgetter(0, 1))
    return steps


def _record(config: Config, plate: Plate, rows: Mapping[str, Event]) -> Iterator[_Step]:
    """The ends of a plate's grind cycles, and the rows that bear on its worth: it came or went, or has other tips."""
    ended = sorted((cycle for cycle in plate.cycles if cycle.ended_us is not None), key=lambda one: one.ended_us or 0)
    before: Stay | None = None
    last_us = 0
    for place, stay in enumerate(plate.stays, 1):
        while ended and (ended[0].ended_us or 0) <= stay.at_us:
            cycle = ended.pop(0)
            last_us = max(last_us, ended_us(config, cycle) or 0)
            yield _Step(last_us, 0, cycle)
        if place < len(plate.stays) and plate.stays[place].row == stay.row:
            continue
        row = rows[stay.row]
        last_us = max(last_us, booked_of(config, row))
        bears = before is None or (before.state in GONE) is not (stay.state in GONE)
        if bears or row.event in ("opened", "retipped") or _came_back(before, stay, row):
            yield _Step(last_us, 0, row, before, stay)
        before = stay
    for cycle in ended:
        last_us = max(last_us, ended_us(config, cycle) or 0)
        yield _Step(last_us, 0, cycle)


def _came_back(before: Stay | None, after: Stay, row: Event) -> bool:
    """Whether a row brings a plate home with a new set of tips."""
    return (
        before is not None and before.state == "out" and after.work == RETIP and row.event in COMES_BACK
    )  # fmt: skip


def _stay_before(config: Config, plate: Plate, rows: Mapping[str, Event], instant: int) -> Stay | None:
    """Where a plate was when an instant came; rows keep their order, also where one is dated by the day alone."""
    first, last = (bisect_left(plate.stays, us, key=lambda stay: stay.at_us) for us in (instant - DAY_US, instant))
    for place in range(first, last):
        if booked_of(config, rows[plate.stays[place].row]) >= instant:
            last = place
            break
    return plate.stays[last - 1] if last else None


def _of_no_plate(line: Line) -> Iterator[Movement]:
    yield Movement(line.at_us, PURCHASES if line.kind == NEW else RETIPS, None, line.amount, 0, line.row)
    yield Movement(line.at_us, CONSUMPTION, None, line.amount, 0, line.row, "the row names no plate")


class _Valuer:
    """The worth of a plate as its record goes on.

    ``value`` is what is left of it, ``left`` the cycles that its tips have (None: nobody says), ``taken`` what went
    with it when it left, ``gone`` whether it has.
    """

    def __init__(self, config: Config, plate: Plate) -> None:
        self._config = config
        self._places = places_of(config.site.currency)
        self._plate = plate
        self._value = ZERO
        self._left: int | None = None
        self._taken = ZERO
        self._gone = False

    def add_to(self, snapshots: dict[int, Snapshot], instant: int, rows: Mapping[str, Event]) -> None:
        """Count the plate as it was when an instant came, all before it being taken."""
        told = snapshots[instant]
        snapshots[instant] = told._replace(value=told.value + self._value)
        stay = _stay_before(self._config, self._plate, rows, instant)
        if stay is not None:
            told.states[stay.state] += 1
            if stay.state not in GONE:
                told.regrinds[self._plate.blade_type, stay.regrinds] += 1

    def take(self, step: _Step) -> Iterable[Movement]:
        """What a step adds or takes."""
        if isinstance(step.what, Cycle):
            return self._worn(step.at_us, step.what)
        if isinstance(step.what, Line):
            return self._paid(step.what)
        return () if step.after is None else self._told(step.at_us, step.what, step.before, step.after)

    def _told(self, at_us: int, event: Event, before: Stay | None, after: Stay) -> Iterator[Movement]:
        """What a row says of its being here, and of its set of tips."""
        was_here, is_here = before is not None and before.state not in GONE, after.state not in GONE
        self._gone = not is_here
        name = self._plate.id
        if event.event == "opened":
            count = self._cycles(event.at_us)
            self._left = None if count is None else max(count - (event.regrinds or 0), 1)
            told = self._value
            if event.cost is not None:  # a plate that is opened again is worth what the later row says
                told = rounded(event.cost * (rate_of(self._config, event) or ZERO), self._places)
            value = told - self._value
            self._value = told
            yield Movement(at_us, OPENED, name, value, int(is_here and not was_here), event.id)
        elif is_here and not was_here:
            if before is None:
                self._left = self._cycles(event.at_us)
            flow = PURCHASES if before is None and event.event in ("bought", "received") else FOUND
            yield Movement(at_us, flow, name, self._taken, 1, event.id)
            self._value, self._taken = self._value + self._taken, ZERO
            yield from self._never_less_than_nought(at_us, event.id)
        elif was_here and not is_here:
            yield Movement(at_us, WRITE_OFFS, name, self._value, 1, event.id, after.state)
            self._value, self._taken = ZERO, self._value
        if event.event == "retipped" or _came_back(before, after, event) or self._left is None:
            self._left = self._cycles(event.at_us)

    def _paid(self, line: Line) -> Iterator[Movement]:
        """What was paid for it or its tips, or credited."""
        yield Movement(line.at_us, PURCHASES if line.kind == NEW else RETIPS, line.plate, line.amount, 0, line.row)
        self._value += line.amount
        if self._gone:
            yield Movement(line.at_us, WRITE_OFFS, line.plate, self._value, 0, line.row, "paid after it had gone")
            self._value, self._taken = ZERO, self._taken + self._value
        yield from self._never_less_than_nought(line.at_us, line.row)

    def _never_less_than_nought(self, at_us: int, row: str) -> Iterator[Movement]:
        """What was credited beyond what was left of it makes what was used up cheaper."""
        if self._value < 0:
            yield Movement(at_us, CONSUMPTION, self._plate.id, self._value, 0, row, "credited after it was used")
            self._value = ZERO

    def _worn(self, at_us: int, cycle: Cycle) -> Iterator[Movement]:
        """The end of a grind cycle: its share of what it was worth."""
        if self._left is None:
            return
        used = self._value if self._left <= 1 else rounded(self._value / self._left, self._places)
        self._value -= used
        self._left = max(self._left - 1, 0)
        if used:
            row = cycle.mounts[-1].off_row if cycle.mounts else ""
            yield Movement(at_us, CONSUMPTION, cycle.plate, used, 0, row, f"cycle {cycle.number}")

    def _cycles(self, at_us: int) -> int | None:
        """How many cycles a new set of tips has."""
        name = self._plate.blade_type
        blade = None if name is None else self._config.blade_types.ever(name, at_us)
        return None if blade is None or blade.regrinds_expected is None else blade.regrinds_expected + 1


@dataclass(frozen=True, slots=True)
class RollForward:
    """A span of time in money and in plates; ``states`` are the plates at its end.

    ``begins`` says that the record of plates begins in it: what was opened then is what was there.
    """

    opening: Decimal
    flows: dict[str, Decimal]
    closing: Decimal
    opening_plates: int
    plates: dict[str, int]
    closing_plates: int
    states: dict[str, int]
    begins: bool
    movements: tuple[Movement, ...]

    @property
    def off(self) -> tuple[Decimal, int]:
        """What does not tie, in money and in plates: nought, or the report is wrong."""
        money, pieces = self.opening - self.closing, self.opening_plates - self.closing_plates
        for flow in FLOWS:
            money += sign_of(flow) * self.flows[flow]
            pieces += sign_of(flow) * self.plates[flow]
        return money, pieces


def roll_forward(told: Valued, from_us: int, to_us: int) -> RollForward:
    """The movements of a span beside what there was at its end, plate by plate.

    Where the record of plates begins in the span, what was opened in it first of each plate counts as what was there.
    """
    before = [one for one in told.movements if one.at_us < from_us]
    inside = [one for one in told.movements if from_us <= one.at_us < to_us]
    begins = not before and any(one.flow == OPENED for one in inside)
    if begins:
        first: dict[str | None, Movement] = {}
        for one in inside:
            if one.flow == OPENED:
                first.setdefault(one.plate, one)
        before = list(first.values())
        inside = [one for one in inside if first.get(one.plate) is not one]
    flows, plates = dict.fromkeys(FLOWS, ZERO), dict.fromkeys(FLOWS, 0)
    for one in inside:
        flows[one.flow] += one.amount
        plates[one.flow] += one.plates
    opening = sum((one.change for one in before), ZERO)
    last = told.snapshots[to_us]
    owned = {state: count for state, count in last.states.items() if state not in GONE}
    return RollForward(
        opening,
        flows,
        last.value,
        sum(one.plates_change for one in before),
        plates,
        sum(owned.values()),
        dict(sorted(owned.items())),
        begins,
        tuple(inside),
    )
