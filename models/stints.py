"""A grind cycle as a list of stints: spells of the same work, each with what it cut and what energy it took.

The joint fit of wear and energy (``joint``) needs of a cycle no more than this: some hundred rows for thousands of
strokes. Taking a stroke is constant time, and the list never grows beyond ``MOST``: when it would, neighbours of the
same work are joined, first those of one part and lot, then of one part, then of one alloy.

Energies are biweight middles of blocks of up to 100 comparable cuts, so that odd strokes count for nothing, alone or in
a spell (galling). Where the time in metal says that the blade was fed at another pace than the one told (an override
that nobody logged, a feed in another unit), the block's feed is taken by the clock; cuts at another pace than the rest
of their block are left out.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import astuple, dataclass, field, replace
from math import exp
from statistics import median, median_low
from typing import Any, Final

from models.scatter import middle

MOST: Final = 160
"""Stints kept of a cycle; joining them brings the list down to three quarters of it."""
SPAN_CUTS: Final = 100
"""Cuts of one stint at first: a long job is several, so that wear within it shows."""
BLOCK_CUTS: Final = 100
LEAST_SPREAD: Final = 0.01
"""Energies of like cuts scatter by so much at least [log]."""
SAME_FEED: Final = 0.05
"""Feeds further apart than this [log] are different work."""
OFF_PACE: Final = 0.07
"""From here on [log] the time in metal is believed rather than the feed that was told."""

Key = tuple[str | int | None, ...]


@dataclass(slots=True)
class Stint:
    """A spell of one work. ``spot`` numbers the saw among those of the cycle.

    It went from ``from_us`` to ``to_us``, its first and its last cut. ``cuts`` and ``area_cmm2`` [hundredths of mm²]
    are exact. ``fed_cmm2`` is the area whose feed is known and ``travel`` its sum over the feed per tooth [hundredths
    of mm² per mm]. ``loaded`` comparable cuts give the mean log specific energy ``log_u`` [log N/mm²] at the mean log
    feed per tooth ``log_fz`` [log mm].
    """

    part: str | None
    alloy: str
    lot: str | None
    spot: int
    from_us: int
    to_us: int
    cuts: int = 0
    area_cmm2: int = 0
    fed_cmm2: int = 0
    travel: float = 0.0
    loaded: int = 0
    log_u: float = 0.0
    log_fz: float = 0.0

    def add_block(self, count: int, log_u: float, log_fz: float) -> None:
        """Take the middle of a block of comparable cuts."""
        share = count / (self.loaded + count)
        self.log_u += share * (log_u - self.log_u)
        self.log_fz += share * (log_fz - self.log_fz)
        self.loaded += count

    def join(self, other: Stint) -> None:
        """Take another stint of like work into this one; what the two differ in is forgotten."""
        self.part = self.part if self.part == other.part else None
        self.lot = self.lot if self.lot == other.lot else None
        self.from_us = min(self.from_us, other.from_us)
        self.to_us = max(self.to_us, other.to_us)
        self.cuts += other.cuts
        self.area_cmm2 += other.area_cmm2
        self.fed_cmm2 += other.fed_cmm2
        self.travel += other.travel
        if other.loaded:
            self.add_block(other.loaded, other.log_u, other.log_fz)

    def key(self, coarse: int = 0) -> Key:
        """What makes its work the same as another's, the less the coarser."""
        return (self.alloy, self.spot, self.part, self.lot)[: 4 - coarse]


@dataclass(slots=True)
class Stints:
    """The stints of a running cycle. ``update`` with its cuts in order; read ``rows``."""

    span_cuts: int = SPAN_CUTS
    closed: list[Stint] = field(default_factory=list)
    current: Stint | None = None
    feed: float | None = None
    block: list[tuple[float, float, float | None]] = field(default_factory=list)

    def update(
        self,
        ts_us: int,
        part: str | None,
        alloy: str,
        lot: str | None,
        spot: int,
        area_cmm2: int,
        log_fz: float | None,
        log_u: float | None,
        log_pace: float | None = None,
    ) -> None:
        """Take a cut. ``log_fz`` is by the feed that was told, ``log_pace`` the log of the clock's feed beside it.

        ``log_u`` None: the cut is not comparable, or its energy is not known.
        """
        stint = self.current
        if (
            stint is None
            or stint.cuts >= self.span_cuts
            or (stint.part, stint.alloy, stint.lot, stint.spot) != (part, alloy, lot, spot)
            or (log_fz is not None and self.feed is not None and abs(log_fz - self.feed) > SAME_FEED)
        ):
            self._close()
            stint = self.current = Stint(part, alloy, lot, spot, ts_us, ts_us)
            self.feed = None
        stint.to_us = max(stint.to_us, ts_us)
        stint.cuts += 1
        stint.area_cmm2 += area_cmm2
        if log_fz is not None:
            if self.feed is None:
                self.feed = log_fz
            true_fz = log_fz if log_pace is None or abs(log_pace) <= OFF_PACE else log_fz + log_pace
            stint.fed_cmm2 += area_cmm2
            stint.travel += area_cmm2 * exp(-true_fz)
            if log_u is not None:
                self.block.append((log_u, log_fz, log_pace))
                if len(self.block) == BLOCK_CUTS:
                    self._settle(stint, self.block)
                    self.block = []

    def rows(self) -> list[Stint]:
        """All stints so far, the running one as it stands. Not to be changed."""
        if self.current is None:
            return self.closed
        running = replace(self.current)
        self._settle(running, self.block)
        return [*self.closed, running]

    def _close(self) -> None:
        if self.current is None:
            return
        self._settle(self.current, self.block)
        self.block = []
        self.closed.append(self.current)
        self.current = None
        if len(self.closed) >= MOST:
            self.closed = joined(self.closed, MOST * 3 // 4)
            self.span_cuts *= 2

    @staticmethod
    def _settle(stint: Stint, block: list[tuple[float, float, float | None]]) -> None:
        """A block of cuts becomes its middle."""
        if not block:
            return
        paces = [pace for _, _, pace in block if pace is not None]
        off = median_low(paces) if 2 * len(paces) > len(block) else 0.0
        like = [cut for cut in block if cut[2] is None or abs(cut[2] - off) <= OFF_PACE]
        log_fz = median(fz for _, fz, _ in like) + (off if abs(off) > OFF_PACE else 0.0)
        stint.add_block(len(like), middle([u for u, _, _ in like], LEAST_SPREAD), log_fz)

    def state(self) -> dict[str, Any]:
        """Everything, as plain JSON values."""
        return {
            "span_cuts": self.span_cuts,
            "closed": [list(astuple(stint)) for stint in self.closed],
            "current": None if self.current is None else list(astuple(self.current)),
            "feed": self.feed,
            "block": [list(cut) for cut in self.block],
        }

    @classmethod
    def restore(cls, state: dict[str, Any]) -> Stints:
        """The stints as they were."""
        current = state["current"]
        return cls(
            span_cuts=state["span_cuts"],
            closed=[Stint(*row) for row in state["closed"]],
            current=None if current is None else Stint(*current),
            feed=state["feed"],
            block=[(u, fz, pace) for u, fz, pace in state["block"]],
        )


def joined(stints: Iterable[Stint], most: int) -> list[Stint]:
    """The same work in at most ``most`` stints, where alloys are fewer: neighbours of like work are joined."""
    rows = list(stints)
    window = 2
    while len(rows) > most and window < 2 * len(rows):
        for coarse in range(3):
            if len(rows) > most:
                rows = _joined_within(rows, window, coarse)
        window *= 2
    return rows if len(rows) <= most else _joined_within(rows, len(rows), 3)


def _joined_within(rows: list[Stint], window: int, coarse: int) -> list[Stint]:
    found: list[Stint] = []
    for start in range(0, len(rows), window):
        alike: dict[Key, Stint] = {}
        for stint in rows[start : start + window]:
            key = stint.key(coarse)
            if key in alike:
                alike[key].join(stint)
            else:
                alike[key] = replace(stint)
        found.extend(alike.values())
    return found
