"""The shop as questions need it: what is on record, what the signals told, and the traces that a stop left."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import log
from statistics import median
from typing import Final

from bladewatch.assess.cycles import Accepted, CycleReader
from bladewatch.config.tables import BladeType, Config
from bladewatch.format import near_text
from bladewatch.ledger.book import Book
from bladewatch.ledger.fleet import Cycle, Fleet, Plate
from bladewatch.stores.blocks import Reading
from bladewatch.stores.protocols import Signals, Spot
from collectors.facts import Stroke
from collectors.instants import DAY_US, HOUR_US, MINUTE_US
from collectors.signals import STATES
from models.cycle import CycleState
from models.steps import STOP_US, Found

KERF_STEP_MM: Final = 0.005
GUARD_TOLD_US: Final = 7 * DAY_US


@dataclass(frozen=True, slots=True)
class Known:
    """The shop as questions need it: what is on record, what the signals told, all as known at ``now_us``.

    ``accepted`` are counter values by spindle that look set by hand, and of which a person said that they are strokes.
    """

    config: Config
    signals: Signals
    book: Book
    reader: CycleReader
    spots: tuple[Spot, ...]
    now_us: int
    accepted: Accepted

    @property
    def fleet(self) -> Fleet:
        """The state of the ledger."""
        return self.book.fleet

    def blade_of(self, plate: Plate) -> BladeType | None:
        """The type of a plate as it is configured."""
        return None if plate.blade_type is None else self.config.blade_types.ever(plate.blade_type, self.now_us)

    def state_of(self, cycle: Cycle) -> CycleState:
        """What a cycle has cut up to its end, or up to now."""
        until_us = self.now_us if cycle.ended_us is None else min(cycle.ended_us, self.now_us)
        return self.reader.at(cycle, self.fleet.plates[cycle.plate].blade_type, until_us)

    def said(self, us: int) -> str:
        """An instant in words."""
        return near_text(us, self.now_us, self.config.zone)

    def first_stroke(self, spot: Spot, after_us: int, until_us: int) -> Stroke | None:
        """The first stroke in a window."""
        return next(iter(self.signals.strokes(spot, after_us, min(until_us, self.now_us), self.now_us)), None)

    def last_stroke(self, spot: Spot, until_us: int) -> Stroke | None:
        """The last stroke up to an instant."""
        return next(iter(self.signals.strokes_before(spot, until_us, self.now_us, 1)), None)

    def strokes(self, spot: Spot, after_us: int, until_us: int) -> int:
        """How many strokes a window holds."""
        return self.signals.count(spot, after_us, min(until_us, self.now_us), self.now_us)

    def known_us(self, row_id: str) -> int:
        """When a ledger row became known."""
        row = self.book.rows.get(row_id)
        return 0 if row is None else row.known_us


def traces(known: Known, spot: Spot, from_us: int, to_us: int) -> Iterator[str]:
    """What was told of a stop: how long, what the saw said it did, its guard, its kerf."""
    if to_us - from_us >= STOP_US:
        minutes = (to_us - from_us) // MINUTE_US
        yield f"no stroke for {minutes} min, {known.said(from_us)} to {known.said(to_us)}"
    states = readings(known, spot, "state", from_us, to_us)
    words = [STATES[int(reading.value)] for reading in states if STATES[int(reading.value)] != "running"]
    if words:
        yield f"the saw reported {words[0]} at {known.said(states[0].ts_us)}"
    opened = [reading for reading in readings(known, spot, "guard_open", from_us, to_us) if reading.value]
    if opened:
        yield f"guard last reported open {known.said(opened[-1].ts_us)}"
    kerfs = known.signals.readings(spot, "kerf_mm_set", "", from_us - 7 * DAY_US, to_us + MINUTE_US, known.now_us)
    before = [reading.value for reading in kerfs if reading.ts_us <= from_us]
    inside = [reading.value for reading in kerfs if reading.ts_us > from_us]
    if before and inside and abs(inside[-1] - before[-1]) >= KERF_STEP_MM:
        yield f"kerf set from {before[-1]:g} to {inside[-1]:g} mm"


def readings(known: Known, spot: Spot, signal: str, from_us: int, to_us: int) -> list[Reading]:
    """Readings in a window and a minute around it."""
    return known.signals.readings(spot, signal, "", from_us - MINUTE_US, to_us + MINUTE_US, known.now_us)


def guard_in(known: Known, spot: Spot, from_us: int, to_us: int) -> bool | None:
    """Whether the guard was open in a stop; None where nothing tells, because the saw does not, or was not heard."""
    inside = readings(known, spot, "guard_open", from_us, to_us)
    if any(reading.value for reading in inside):
        return True
    told = known.signals.readings(spot, "guard_open", "", from_us - GUARD_TOLD_US, from_us, known.now_us)
    if not told or not readings(known, spot, "state", from_us, to_us):
        return None
    return bool(told[-1].value)


def idle_scale(known: Known, spot: Spot, step: Found) -> float | None:
    """The log of idle power after a stop beside that before it, over the hours around; None where it is not known."""
    first, last = step.from_us // HOUR_US, step.at_us // HOUR_US
    hours = known.signals.idle_hours(spot, "power_kw", first - 48, last + 8, known.now_us)
    before = [hour.total / hour.n for hour in hours if hour.n >= 2 and hour.hour < first]
    after = [hour.total / hour.n for hour in hours if hour.n >= 2 and hour.hour > step.to_us // HOUR_US]
    if len(before) < 3 or len(after) < 2:
        return None
    return log(median(after) / median(before))
