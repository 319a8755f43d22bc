"""One plate with all that the record says of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from bladewatch.assess.doubts import unknown_plate
from bladewatch.assess.known import Known
from bladewatch.errors import UsageError
from bladewatch.ledger.events import Event
from bladewatch.ledger.fleet import Cycle, Plate, Problem
from bladewatch.units import m2_of
from models.cycle import CycleState


class CycleRow(NamedTuple):
    """A grind cycle and what it cut. ``coarse``: no stroke of it is stored, ``cuts`` are by the counter or None."""

    cycle: Cycle
    state: CycleState
    cuts: int | None
    strokes: int | None
    area_m2: float | None
    coverage: float | None
    coarse: bool


@dataclass(frozen=True, slots=True)
class History:
    """A plate, its cycles, its rows as they were written, and what does not fit."""

    plate: Plate
    cycles: tuple[CycleRow, ...]
    rows: tuple[Event, ...]
    problems: tuple[Problem, ...]


def history_of(known: Known, number: str) -> History:
    """The history of a plate. Raises ``UsageError`` on a number that no row knows."""
    plate = known.fleet.plates.get(number)
    if plate is None:
        raise UsageError(unknown_plate(number, known.fleet.plates))
    cycles = tuple(cycle_row(known, cycle) for cycle in plate.cycles)
    rows = sorted((row for row in known.book.rows.values() if row.plate == number), key=_happened)
    return History(plate, cycles, tuple(rows), tuple(p for p in known.fleet.problems if p.plate == number))


def _happened(row: Event) -> tuple[int, int, str]:
    return row.at_us, row.known_us, row.id


def cycle_row(known: Known, cycle: Cycle) -> CycleRow:
    """What a cycle cut: by its strokes, else by the counters that people wrote down."""
    state = known.state_of(cycle)
    if state.strokes:
        seen = state.seen / state.strokes
        return CycleRow(cycle, state, state.cuts, state.strokes, m2_of(state.total_cmm2), seen, coarse=False)
    return CycleRow(cycle, state, _by_counters(cycle), None, None, 0.0, coarse=not cycle.open)


def _by_counters(cycle: Cycle) -> int | None:
    """Strokes between the counters at mount and dismount, where both were written down and neither was reset."""
    total = 0
    for mount in cycle.mounts:
        if mount.counter_on is None or mount.counter_off is None or mount.counter_off < mount.counter_on:
            return None
        total += mount.counter_off - mount.counter_on
    return total
