"""Power outside strokes over an hour: what the saw takes when the blade turns in air."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable
from typing import Final

from bladewatch.contact import gross_kj, start_of
from bladewatch.stores.blocks import Reading
from bladewatch.stores.protocols import Idle, Signals, Spot
from collectors.facts import Stroke
from collectors.instants import HOUR_US

UNKNOWN: Final = -1
"""In place of a count: not worked out since the hour was touched."""


def millionths(value: float) -> int:
    """A reading as a whole number, so that sums do not depend on their order."""
    return round(value * 1_000_000)


class Occupied:
    """The times in which the blade was in metal; ``newest`` is when the last of it happened or became known."""

    def __init__(self, strokes: Iterable[Stroke]) -> None:
        self._starts: list[int] = []
        self._ends: list[int] = []
        self._untold: list[bool] = []
        self.newest = 0
        before: int | None = None
        for stroke in strokes:
            self._starts.append(start_of(stroke, before))
            self._ends.append(stroke.ts_us)
            self._untold.append(stroke.duration_s is not None and gross_kj(stroke) is None)
            self.newest = max(self.newest, stroke.known_us, stroke.ts_us)
            before = stroke.ts_us

    def needs(self, ts_us: int) -> bool:
        """Whether an instant lies in a stroke whose energy only readings tell."""
        place = bisect_left(self._ends, ts_us)
        return self.holds(ts_us) and self._untold[place]

    def holds(self, ts_us: int) -> bool:
        """Whether an instant lies in a stroke, its start and end included."""
        place = bisect_left(self._ends, ts_us)
        return place < len(self._ends) and self._starts[place] <= ts_us


def occupied_hour(signals: Signals, spot: Spot, hour: int, known_us: int) -> Occupied:
    """The times in metal around an hour; only strokes that had ended by ``known_us`` are known of."""
    start, end = hour * HOUR_US - 1, (hour + 1) * HOUR_US - 1
    before = signals.strokes_before(spot, start, known_us, 1)
    inside = signals.strokes(spot, start, min(end, known_us), known_us)
    following = next(signals.strokes(spot, end, min(end + HOUR_US, known_us), known_us), None)
    return Occupied([*before, *inside, *([] if following is None else [following])])


def outside_hour(hour: int, readings: Iterable[Reading], occupied: Occupied) -> Idle:
    """Count and sum of the readings outside strokes."""
    n = total = 0
    newest = occupied.newest
    for reading in readings:
        newest = max(newest, reading.known_us)
        if not occupied.holds(reading.ts_us):
            n += 1
            total += millionths(reading.value)
    return Idle(hour, n, total, newest)
