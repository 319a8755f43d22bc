"""What plates are worth, movement by movement: what the books begin with, purchases, consumption, write-offs.

A plate is worth what was paid for it, freight left out. Each grind cycle that ends consumes what is left, divided by
the cycles that are left: ``regrinds_expected`` + 1 for a set of tips, less those that it has behind it. A new set of
tips adds what it cost and begins the count anew. A plate that is scrapped or lost takes what is left with it; one that
is found again brings that back. Without ``regrinds_expected`` a plate keeps its value until it goes.

So over every span of time, to the cent and to the piece: what was there + opened + purchases + retips + found -
consumption - write-offs = what is there.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final, NamedTuple

from bladewatch.config.tables import Config
from bladewatch.ledger.fleet import GONE, KEEPS_CYCLE, Cycle, Fleet
from bladewatch.ledger.fold import Fold
from bladewatch.ledger.standing import Standing
from bladewatch.money import ZERO, places_of, rounded
from bladewatch.spending.documents import NEW, Line, rate_of
from bladewatch.spending.grinding import COMES_BACK, RETIP
from bladewatch.spending.periods import booked_of

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


class Wait(NamedTuple):
    """A spindle on which no blade was on while no sharp one of that type was on the rack; None: it still waits."""

    saw: str
    spindle: str
    blade_type: str
    from_us: int
    to_us: int | None


class Valued(NamedTuple):
    """All movements in order of time, what there was at some instants, and where a saw waited for a sharp blade."""

    movements: tuple[Movement, ...]
    snapshots: dict[int, Snapshot]
    waits: tuple[Wait, ...]


@dataclass(slots=True)
class _Worth:
    """A plate's value, the cycles that its tips have left (None: nobody says), and what went with it when it left."""

    value: Decimal = ZERO
    left: int | None = None
    taken: Decimal = ZERO


def valued(
    config: Config,
    rows: Sequence[Standing],
    known: Collection[str],
    lines: Iterable[Line],
    fleet: Fleet,
    instants: Sequence[int],
) -> Valued:
    """Go through the record once.

    ``rows`` are those of the ledger that take part, in order, ``known`` the ids of all, ``lines`` their money,
    ``fleet`` what they lead to; snapshots are taken just before each of the ``instants``, in order.
    """
    steps: list[tuple[int, int, int, Standing | Line | Cycle]] = []
    steps.extend((booked_of(config, row.event), 1, place, row) for place, row in enumerate(rows))
    paid = (line for line in lines if line.kind in (NEW, RETIP))
    steps.extend((line.at_us, 2, place, line) for place, line in enumerate(paid))
    ends = [
        cycle
        for plate in fleet.plates.values()
        for cycle in plate.cycles
        if cycle.ended_us is not None and cycle.reason not in KEEPS_CYCLE
    ]
    steps.extend((cycle.ended_us or 0, 0, place, cycle) for place, cycle in enumerate(ends))
    valuer = _Valuer(config, known)
    movements: list[Movement] = []
    waiting = list(instants)
    snapshots: dict[int, Snapshot] = {}
    for at_us, _, _, step in sorted(steps, key=lambda one: one[:3]):
        while waiting and waiting[0] <= at_us:
            snapshots[waiting.pop(0)] = valuer.snapshot()
        if isinstance(step, Standing):
            movements.extend(valuer.row(step, at_us))
        elif isinstance(step, Line):
            movements.extend(valuer.paid(step))
        else:
            movements.extend(valuer.worn(at_us, step))
    snapshots |= {instant: valuer.snapshot() for instant in waiting}
    return Valued(tuple(movements), snapshots, tuple(valuer.waits))


class _Valuer:
    """The worth of each plate as the record goes on."""

    def __init__(self, config: Config, known: Collection[str]) -> None:
        self._config = config
        self._places = places_of(config.site.currency)
        self._fold = Fold(known)
        self._worth: dict[str, _Worth] = {}
        self.waits: list[Wait] = []
        self._waiting: dict[tuple[str, str], int] = {}

    def snapshot(self) -> Snapshot:
        """What there is now."""
        plates = self._fold.fleet.plates.values()
        return Snapshot(
            Counter(plate.state for plate in plates),
            sum((one.value for one in self._worth.values()), ZERO),
            Counter((plate.blade_type, plate.regrinds) for plate in plates if plate.owned),
        )

    def row(self, row: Standing, at_us: int) -> Iterator[Movement]:
        """What a row says of a plate's being here, and of its set of tips."""
        event, plates = row.event, self._fold.fleet.plates
        name = event.plate
        was = plates.get(name) if name is not None else None
        was_here = was is not None and was.owned
        was_out = was is not None and was.state == "out"
        self._fold.apply(row, for_good=True)
        self._wait(row)
        if name is None or row.void is not None or name not in plates:
            return
        one = self._worth.setdefault(name, _Worth())
        is_here = plates[name].owned
        if event.event == "opened":
            count = self._cycles(name, event.at_us)
            one.left = None if count is None else max(count - (event.regrinds or 0), 1)
            told = rounded((event.cost or ZERO) * (rate_of(self._config, event) or ZERO), self._places)
            value = told - one.value  # a plate that is opened again is worth what the later row says
            one.value = told
            yield Movement(at_us, OPENED, name, value, int(is_here and not was_here), event.id)
        elif is_here and not was_here:
            if was is None:
                one.left = self._cycles(name, event.at_us)
            flow = PURCHASES if was is None and event.event in ("bought", "received") else FOUND
            yield Movement(at_us, flow, name, one.taken, 1, event.id)
            one.value, one.taken = one.value + one.taken, ZERO
        elif was_here and not is_here:
            yield Movement(at_us, WRITE_OFFS, name, one.value, 1, event.id, plates[name].state)
            one.value, one.taken = ZERO, one.value
        new_tips = event.event == "retipped" or (event.event in COMES_BACK and plates[name].work == "retip" and was_out)
        if new_tips or one.left is None:
            one.left = self._cycles(name, event.at_us)

    def _wait(self, row: Standing) -> None:
        """A blade that came off with no sharp one on the rack, and one that goes on again."""
        event = row.event
        if event.saw is None or row.void is not None or event.event not in ("mounted", "dismounted"):
            return
        if event.event == "mounted":
            waiting = self._waiting.pop(event.spot, None)
            if waiting is not None:
                self.waits[waiting] = self.waits[waiting]._replace(to_us=event.at_us)
            return
        plates = self._fold.fleet.plates
        blade_type = plates[event.plate].blade_type if event.plate in plates else None
        if blade_type is None or event.spot in self._waiting or self._fold.fleet.on(*event.spot) is not None:
            return
        if not any(p.state in ("sharp", "part-used") and p.blade_type == blade_type for p in plates.values()):
            self._waiting[event.spot] = len(self.waits)
            self.waits.append(Wait(*event.spot, blade_type, event.at_us, None))

    def paid(self, line: Line) -> Iterator[Movement]:
        """What was paid for a plate or its tips, or credited."""
        flow = PURCHASES if line.kind == NEW else RETIPS
        yield Movement(line.at_us, flow, line.plate, line.amount, 0, line.row)
        if line.plate is None:
            yield Movement(line.at_us, CONSUMPTION, None, line.amount, 0, line.row, "the row names no plate")
            return
        one = self._worth.setdefault(line.plate, _Worth())
        plate = self._fold.fleet.plates.get(line.plate)
        one.value += line.amount
        if plate is not None and plate.state in GONE:
            yield Movement(line.at_us, WRITE_OFFS, line.plate, one.value, 0, line.row, "paid after it had gone")
            one.value, one.taken = ZERO, one.taken + one.value
        elif one.value < 0:
            yield Movement(line.at_us, CONSUMPTION, line.plate, one.value, 0, line.row, "credited after it was used")
            one.value = ZERO

    def worn(self, at_us: int, cycle: Cycle) -> Iterator[Movement]:
        """The end of a grind cycle: its share of what the plate was worth."""
        one = self._worth.get(cycle.plate)
        if one is None or one.left is None:
            return
        used = one.value if one.left <= 1 else rounded(one.value / one.left, self._places)
        one.value -= used
        one.left = max(one.left - 1, 0)
        if used:
            row = cycle.mounts[-1].off_row if cycle.mounts else ""
            yield Movement(at_us, CONSUMPTION, cycle.plate, used, 0, row, f"cycle {cycle.number}")

    def _cycles(self, name: str, at_us: int) -> int | None:
        blade_type = self._fold.fleet.plates[name].blade_type
        blade = None if blade_type is None else self._config.blade_types.ever(blade_type, at_us)
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

    Where the record of plates begins in the span, what was opened in it counts as what was there.
    """
    before = [one for one in told.movements if one.at_us < from_us]
    inside = [one for one in told.movements if from_us <= one.at_us < to_us]
    begins = not before and any(one.flow == OPENED for one in inside)
    if begins:
        before = [one for one in inside if one.flow == OPENED]
        inside = [one for one in inside if one.flow != OPENED]
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
