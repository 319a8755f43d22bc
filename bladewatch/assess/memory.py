"""What a run over moments of the past remembers from one to the next.

It is read from all that is stored, whenever that became known, and serves a moment only if the newest of it was known
by then: the moment would read the same itself. So a memory saves time and changes no answer. It is no use for a screen
that looks at the present, where what comes in late may be stored after it was made.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Hashable, Sequence
from functools import partial
from operator import attrgetter
from typing import Any, Final, Generic, NamedTuple, TypeVar, cast

from bladewatch.stores.protocols import Checkpoint, Idle, Signals, Spot, Store

EVERYTHING_US: Final = 2**60
"""Later than any fact: a reader at this moment knows all that is stored."""
MOST_CHECKPOINTS: Final = 12
ALL_HOURS: Final = (-(2**31), 2**31)
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
        """The store with its idle power remembered."""
        return cast("Store", _Past(store, signals=_Past(store.signals, idle_hours=partial(self._idle, store.signals))))

    def _idle(self, signals: Signals, spot: Spot, signal: str, first: int, last: int, known_us: int) -> list[Idle]:
        """Power outside strokes of the hours ``first`` to ``last``, as it was known; see ``Signals.idle_hours``."""
        key = ("idle", spot, signal)
        if key not in self.kept:
            self.kept[key] = signals.idle_hours(spot, signal, *ALL_HOURS, EVERYTHING_US)
        rows: list[Idle] = self.kept[key]
        start, end = bisect_left(rows, first, key=_hour), bisect_right(rows, last, key=_hour)
        found = rows[start:end]
        for place, row in enumerate(found):
            if row.known_us > known_us:
                found[place : place + 1] = signals.idle_hours(spot, signal, row.hour, row.hour, known_us)
        return found

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
