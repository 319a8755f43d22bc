"""What a run over moments of the past remembers from one to the next.

It is read from all that is stored, whenever that became known, and serves a moment only if the newest of it was known
by then: the moment would read the same itself. So a memory saves time and changes no answer. It is no use for a screen
that looks at the present, where what comes in late may be stored after it was made.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Hashable, Iterator, Sequence
from functools import partial
from itertools import accumulate
from operator import attrgetter
from typing import Any, Final, Generic, NamedTuple, TypeVar, cast

from bladewatch.stores.protocols import Checkpoint, CounterHour, Idle, Signals, Spot, Store, WorkHour

EVERYTHING_US: Final = 2**60
"""Later than any fact: a reader at this moment knows all that is stored."""
MOST_CHECKPOINTS: Final = 12
ALL_HOURS: Final = (-(2**31), 2**31)
BLOCK_H: Final = 28 * 24
_hour: Final = attrgetter("hour")
Found = TypeVar("Found")


class Settled(NamedTuple, Generic[Found]):
    """Something that was read, and the newest instant that it rests on."""

    found: Found
    newest_us: int


class Memory:
    """What was read by what it was read of, and the last checkpoints of each running cycle.

    ``kept`` holds what was worked out with all that it was worked out from, for whoever finds that unchanged.
    """

    def __init__(self) -> None:
        self.kept: dict[Hashable, Any] = {}
        self._settled: dict[Hashable, Settled[Any]] = {}
        self._checkpoints: dict[tuple[str, int], list[Checkpoint]] = {}

    def settled(self, key: Hashable, now_us: int, read: Callable[[], Settled[Found]]) -> Settled[Found] | None:
        """What ``read`` finds, or found; None where a moment cannot have known all of it."""
        known = self._settled.get(key)
        if known is None:
            known = self._settled[key] = read()
        return known if known.newest_us <= now_us else None

    def over(self, store: Store) -> Store:
        """The store with its idle power and its roll-ups by hour remembered.

        These tell themselves up to when they were known; what is stored after it was read is news to no past moment.
        """
        signals = store.signals
        past = _Past(
            signals,
            idle_hours=partial(self._idle, signals),
            stroke_hours=partial(self._stroke_hours, signals),
            counter_hours=partial(self._counter_hours, signals),
            work_hours=partial(self._work_hours, signals),
        )
        return cast("Store", _Past(store, signals=past))

    def _idle(self, signals: Signals, spot: Spot, signal: str, first: int, last: int, known_us: int) -> list[Idle]:
        """Power outside strokes of the hours ``first`` to ``last``, as it was known; see ``Signals.idle_hours``."""
        key = ("idle", spot, signal)
        if key not in self.kept:
            read = signals.idle_hours(spot, signal, *ALL_HOURS, EVERYTHING_US)
            self.kept[key] = read, list(accumulate((row.known_us for row in read), max))
        rows, newest = cast("tuple[list[Idle], list[int]]", self.kept[key])
        start, end = bisect_left(rows, first, key=_hour), bisect_right(rows, last, key=_hour)
        early = max(bisect_right(newest, known_us, start, end), start)
        found = rows[start:early]
        for row in rows[early:end]:
            late = row.known_us > known_us
            found += signals.idle_hours(spot, signal, row.hour, row.hour, known_us) if late else [row]
        return found

    def _stroke_hours(self, signals: Signals, spot: Spot, first: int, last: int) -> list[int]:
        """The hours that hold strokes; see ``Signals.stroke_hours``."""
        blocks = self._blocks("stroke hours", signals.stroke_hours, spot, first, last)
        return [hour for block in blocks for hour in block if first <= hour <= last]

    def _counter_hours(self, signals: Signals, spot: Spot, first: int, last: int) -> list[CounterHour]:
        """Counters by hour; see ``Signals.counter_hours``."""
        blocks = self._blocks("counter hours", signals.counter_hours, spot, first, last)
        return [row for block in blocks for row in block if first <= row.hour <= last]

    def _work_hours(self, signals: Signals, spot: Spot, first: int, last: int) -> dict[int, list[WorkHour]]:
        """Work by hour; see ``Signals.work_hours``."""
        blocks = self._blocks("work hours", signals.work_hours, spot, first, last)
        return {hour: rows for block in blocks for hour, rows in block.items() if first <= hour <= last}

    def _blocks(
        self, name: str, read: Callable[[Spot, int, int], Found], spot: Spot, first: int, last: int
    ) -> Iterator[Found]:
        """What was read of the weeks around some hours."""
        for block in range(first // BLOCK_H, last // BLOCK_H + 1):
            key = (name, spot, block)
            if key not in self.kept:
                self.kept[key] = read(spot, block * BLOCK_H, (block + 1) * BLOCK_H - 1)
            yield self.kept[key]

    def checkpoints(self, plate: str, cycle: int, known_us: int) -> list[Checkpoint]:
        """The checkpoints of a cycle that serve a moment, the newest first."""
        return [row for row in self._checkpoints.get((plate, cycle), ()) if row.known_us <= known_us]

    def put_checkpoints(self, rows: Sequence[Checkpoint]) -> None:
        """Remember checkpoints, given in order."""
        for row in rows:
            standing = self._checkpoints.setdefault((row.plate, row.cycle), [])
            standing.insert(0, row)
            del standing[MOST_CHECKPOINTS:]


class _Past:
    """Something with a few of its attributes replaced."""

    def __init__(self, present: object, **replaced: object) -> None:
        self.__dict__.update(replaced)
        self._present = present

    def __getattr__(self, name: str) -> Any:
        return getattr(self._present, name)
