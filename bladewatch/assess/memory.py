"""What a run over moments of the past remembers from one to the next.

It is read from all that is stored, whenever that became known, and serves a moment only if the newest of it was known
by then: the moment would read the same itself. So a memory saves time and changes no answer. It is no use for a screen
that looks at the present, where what comes in late may be stored after it was made.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from typing import Any, Final, NamedTuple

from bladewatch.stores.protocols import Checkpoint

EVERYTHING_US: Final = 2**60
"""Later than any fact: a reader at this moment knows all that is stored."""
MOST_CHECKPOINTS: Final = 12


class Settled(NamedTuple):
    """Something that was read, and the newest instant that it rests on."""

    found: Any
    newest_us: int


class Memory:
    """What was read by what it was read of, and the last checkpoints of each running cycle.

    ``kept`` holds what was worked out with all that it was worked out from, for whoever finds that unchanged.
    """

    def __init__(self) -> None:
        self.kept: dict[Hashable, Any] = {}
        self._settled: dict[Hashable, Settled] = {}
        self._checkpoints: dict[tuple[str, int], list[Checkpoint]] = {}

    def settled(self, key: Hashable, now_us: int, read: Callable[[], Settled]) -> Settled | None:
        """What ``read`` finds, or found; None where a moment cannot have known all of it."""
        known = self._settled.get(key)
        if known is None:
            known = self._settled[key] = read()
        return known if known.newest_us <= now_us else None

    def checkpoints(self, plate: str, cycle: int, known_us: int) -> list[Checkpoint]:
        """The checkpoints of a cycle that serve a moment, the newest first."""
        return [row for row in self._checkpoints.get((plate, cycle), ()) if row.known_us <= known_us]

    def put_checkpoints(self, rows: Sequence[Checkpoint]) -> None:
        """Remember checkpoints, given in order."""
        for row in rows:
            standing = self._checkpoints.setdefault((row.plate, row.cycle), [])
            standing.insert(0, row)
            del standing[MOST_CHECKPOINTS:]
