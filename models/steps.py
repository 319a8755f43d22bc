"""A step down of cutting load at a stop: the trace that a change of blade leaves when nobody writes it down.

The load of a stroke is y = log(u/(1 + f*/f_z)), its specific energy freed of the feed (``energy.metal_term``). Each
part has a base, the median of its first strokes, so that parts of any section lie on one scale: r = y - base. Wear is
not undone by anything but grinding, so under one blade r may rise, stay, or come back down to where it was before
something else had raised it (galling that was cleaned off, a hard lot that ended). Lower than it was for hours, on two
parts at least, right after the saw stood still: that is another blade.

What r is held against is the lowest of three medians, over some fifty, a hundred and fifty and three hundred strokes
before the stop: what had raised the load for less than half of that does not count. The strokes after the stop are
averaged by part, each clipped, so that a few odd ones prove nothing.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from math import log, sqrt
from statistics import median
from typing import Any, Final, NamedTuple

from models.scatter import scatter

STOP_US: Final = 5 * 60 * 1_000_000
"""A pause between strokes from which on a blade can have been changed (common practice, no source)."""
BASE_CUTS: Final = 10
BLOCK_CUTS: Final = 12
HORIZONS: Final = (4, 12, 24)
"""Blocks that the three medians reach back."""
PART_CUTS: Final = 6
"""Strokes of a part after the stop, for the part to count."""
LEAST_BLOCKS: Final = 20
LEAST_CUTS: Final = 12
LEAST_DROP: Final = 0.06
"""A drop of mean load below five percent proves nothing, however many strokes say it."""
SURE: Final = 4.0
"""Standard errors that the drop must have."""
SHARE_OF_RISE: Final = 0.6
"""Another blade takes away at least so much of the rise that the load has had since the first one was sharp."""
CLIP: Final = 0.35
MAX_STOPS: Final = 10
PART_BLOCKS: Final = 16
LOT_BLOCKS: Final = 10
TRAVEL_STEP: Final = 0.15
UNDECIDED_STOPS: Final = 1
KEPT_PARTS: Final = 40
"""The parts cut last keep their base; one that comes back after so many others learns it anew."""
WATCHED_CUTS: Final = 300
ONE_PART_CUTS: Final = 15
PLAIN_DROP: Final = 0.25
"""A fall of load that speaks for itself, on one part too (common practice, no source)."""
LOT_DROP: Final = 0.20
"""What a lot of bars hardly explains: asked for where every lot has changed too, and where there is little past."""
SAME_CUTS: Final = 2
MUCH_BETTER: Final = 1.5


class PartStep(NamedTuple):
    """A part across a stop: strokes after it, and the drop of its log load, below zero where the load fell."""

    part: str
    cuts: int
    drop: float


@dataclass(slots=True)
class Found:
    """A step down at a stop. ``from_us`` is the last stroke before it, ``to_us`` the first one after.

    ``at_us`` and ``known_us`` are the instant of the stroke that made it sure, and when it had become known;
    ``pair_us`` and ``pair_known_us`` those of the stroke that made it sure on two parts, None before.
    """

    from_us: int
    to_us: int
    at_us: int
    known_us: int
    drop: float
    parts: list[PartStep]
    score: float = 0.0
    pair_us: int | None = None
    pair_known_us: int = 0
    stops: list[tuple[int, int]] = field(default_factory=list)
    """Stops around it that tell the load apart just as well: no stroke between them says which."""


@dataclass(slots=True)
class _Part:
    """A part before any stop: its base, where it stood over its last blocks, and their lot."""

    name: str
    base: float
    lot: str | None = None
    lot_blocks: int = 0
    last: list[float] = field(default_factory=list)
    open: list[float] = field(default_factory=list)
    blocks: list[float] = field(default_factory=list)

    def add(self, residual: float, lot: str | None) -> None:
        """Take a stroke under the blade that is on."""
        if lot != self.lot:
            self.lot, self.lot_blocks = lot, 0
            self.open.clear()
            self.last.clear()
        self.last.append(residual)
        del self.last[:-BLOCK_CUTS]
        self.open.append(residual)
        if len(self.open) == BLOCK_CUTS:
            self.blocks.append(median(self.open))
            self.lot_blocks += 1
            del self.blocks[:-PART_BLOCKS]
            self.open.clear()

    def just_before(self, of_all: float) -> float:
        """Where the part stood at its last strokes of its lot, whatever had raised it."""
        return median(self.last) if len(self.last) >= PART_CUTS else of_all

    def level(self, of_all: float) -> float:
        """Where the part stood before a stop: by its own strokes where its lot was cut enough, else by all parts."""
        if self.lot_blocks >= LOT_BLOCKS:
            return median(self.blocks[-min(self.lot_blocks, PART_BLOCKS) :])
        return of_all


@dataclass(slots=True)
class _After:
    """The strokes of a part after a stop: count, and sums of clipped differences.

    ``total`` is held against ``level``, what nothing but wear had raised; ``plain`` against where it was just before.
    """

    name: str
    level: float
    before: float
    alloy: str = ""
    same_lot: bool = False
    cuts: int = 0
    total: float = 0.0
    plain: float = 0.0

    @property
    def drop(self) -> float:
        """Mean difference, below zero where the load fell."""
        return self.total / self.cuts


@dataclass(slots=True)
class _Stop:
    """A stop that is being watched: where the load stood before it, and what it is since."""

    from_us: int
    to_us: int
    level: float
    latest: float
    noise: float
    young: bool
    cuts: int = 0
    total: float = 0.0
    parts: dict[str, _After] = field(default_factory=dict)
    known: list[str] = field(default_factory=list)
    """The parts that had a base before: only these tell anything."""


class StepWatch:
    """Watches one mount stroke by stroke, in constant time. ``found`` is what it has found so far.

    Call ``stop`` at each pause of ``STOP_US`` or longer, ``update`` with each stroke whose load is comparable: energy
    and feed known, spindle warm. ``state`` and ``restore`` carry it without loss.
    """

    def __init__(self) -> None:
        self.found: list[Found] = []
        self._clear()

    def _clear(self) -> None:
        self._learning: dict[str, list[float]] = {}
        self._parts: dict[str, _Part] = {}
        self._open: list[float] = []
        self._blocks: list[tuple[float, float]] = []
        self._stops: list[_Stop] = []

    def remount(self) -> None:
        """A new mount begins: another saw, or the same one after somebody had the blade off."""
        self._clear()

    def stop(self, from_us: int, to_us: int) -> None:
        """The saw stood still between two strokes."""
        self._close_block()
        self._learning.clear()  # a base is of one blade
        if len(self._blocks) >= HORIZONS[0]:
            levels = [median(level for level, _ in self._blocks[-count:]) for count in HORIZONS]
            young = len(self._blocks) < LEAST_BLOCKS
            if young:
                levels.append(0.0)  # young, or mounted worn: only what lies below its first strokes is another blade
            noise = median(spread for _, spread in self._blocks)
            self._stops.append(
                _Stop(from_us, to_us, min(levels), levels[0], max(noise, 0.01), young, known=list(self._parts))
            )
            del self._stops[:-MAX_STOPS]

    def update(
        self, ts_us: int, known_us: int, part: str, alloy: str, lot: str | None, load: float, travel_mm: float | None
    ) -> None:
        """Take one comparable stroke; ``load`` is y, the log of its load, ``travel_mm`` feed times time in metal.

        Strokes of a part whose travel differs were not all fed as they say: each travel has a base of its own.
        """
        key = part if not travel_mm else f"{part} {round(log(travel_mm) / TRAVEL_STEP)}"
        known = self._parts.pop(key, None)
        if known is None:
            self._learn(key, part, load)
            return
        self._parts[key] = known
        residual = load - known.base
        if self._watch(ts_us, known_us, key, alloy, lot, residual):
            return
        known.add(residual, lot)
        self._open.append(residual)
        if len(self._open) == BLOCK_CUTS:
            self._close_block()

    def _learn(self, key: str, name: str, load: float) -> None:
        """The base of a part: its first strokes, set to where the load of the others stands by then."""
        values = self._learning.setdefault(key, [])
        values.append(load)
        if len(self._learning) > KEPT_PARTS:
            del self._learning[next(iter(self._learning))]
        if len(values) < BASE_CUTS or any(stop.cuts for stop in self._stops[-UNDECIDED_STOPS:]):
            del values[:-BASE_CUTS]
            return
        level = median(level for level, _ in self._blocks[-HORIZONS[0] :]) if self._blocks else 0.0
        self._parts[key] = _Part(name, median(values) - level)
        del self._learning[key]
        if len(self._parts) > KEPT_PARTS:
            del self._parts[next(iter(self._parts))]

    def _close_block(self) -> None:
        if len(self._open) * 2 >= BLOCK_CUTS:
            middle = median(self._open)
            self._blocks.append((middle, scatter(self._open, middle)))
            del self._blocks[: -HORIZONS[-1]]
            self._open.clear()

    def _watch(self, ts_us: int, known_us: int, key: str, alloy: str, lot: str | None, residual: float) -> bool:
        """Hold a stroke against every stop that is watched; whether it made sure that another blade is on."""
        sure: list[tuple[float, _Stop, Found]] = []
        for stop in self._stops:
            if key not in stop.known:
                continue
            after = stop.parts.get(key)
            if after is None:
                known = self._parts[key]
                level, before = known.level(stop.level), known.just_before(stop.latest)
                after = stop.parts[key] = _After(known.name, level, before, alloy, known.lot == lot)
            change = min(max(residual - after.level, -CLIP), CLIP)
            after.cuts += 1
            after.total += change
            after.plain += min(max(residual - after.before, -CLIP), CLIP)
            stop.cuts += 1
            stop.total += change
            found = _judge(stop, ts_us, known_us)
            if found is not None:
                score = sum(-a.total - a.cuts * LEAST_DROP / 2 for a in stop.parts.values())
                sure.append((score, stop, found))
        self._stops = [stop for stop in self._stops if stop.cuts < WATCHED_CUTS]
        if not sure:
            return False
        best, stop, found = max(sure, key=lambda one: one[0])
        found.stops = [
            (s.from_us, s.to_us) for _, s, _ in sure if abs(s.cuts - stop.cuts) <= SAME_CUTS and s is not stop
        ]
        found.score = best
        if len(found.parts) > 1:
            found.pair_us, found.pair_known_us = ts_us, known_us
        self._take(found)
        if len(found.parts) < 2:
            return False
        self._clear()
        return True

    def _take(self, found: Found) -> None:
        """Keep what was found; of two stops that are still watched the one that tells the load apart much better."""
        watched = {stop.to_us for stop in self._stops}
        for other in self.found:
            if other.to_us == found.to_us:  # it was sure before, and is surer now
                found.at_us, found.known_us, found.stops = other.at_us, other.known_us, other.stops
            elif len(other.parts) < 2 and other.to_us in watched and found.score < MUCH_BETTER * other.score:
                return
        self.found = [
            other
            for other in self.found
            if other.to_us != found.to_us and (len(other.parts) > 1 or other.to_us not in watched)
        ]
        self.found.append(found)

    def state(self) -> dict[str, Any]:
        """Everything, as plain JSON values."""
        return {
            "found": [asdict(found) for found in self.found],
            "learning": {key: list(values) for key, values in self._learning.items()},
            "parts": {name: asdict(part) for name, part in self._parts.items()},
            "open": list(self._open),
            "blocks": [list(block) for block in self._blocks],
            "stops": [asdict(stop) for stop in self._stops],
        }

    @classmethod
    def restore(cls, state: dict[str, Any]) -> StepWatch:
        """The watch as it was."""
        watch = cls()
        watch.found = [
            Found(
                **{
                    **found,
                    "parts": [PartStep(*part) for part in found["parts"]],
                    "stops": [(start, end) for start, end in found["stops"]],
                }
            )
            for found in state["found"]
        ]
        watch._learning = {key: list(values) for key, values in state["learning"].items()}
        watch._parts = {name: _Part(**part) for name, part in state["parts"].items()}
        watch._open = list(state["open"])
        watch._blocks = [(level, spread) for level, spread in state["blocks"]]
        watch._stops = [
            _Stop(**{**stop, "parts": {part: _After(**after) for part, after in stop["parts"].items()}})
            for stop in state["stops"]
        ]
        return watch


def _judge(stop: _Stop, ts_us: int, known_us: int) -> Found | None:
    """Whether the strokes since a stop are another blade's: two parts down at least, by more than chance, none not.

    A part whose lot has changed speaks only beside one of another alloy: a hard lot that ends is no new blade. One part
    alone is kept where it is very plain; it then takes another sign to ask.
    """
    if stop.cuts < LEAST_CUTS or stop.total > -LEAST_DROP / 2 * stop.cuts:
        return None
    told = {part: after for part, after in stop.parts.items() if after.cuts >= PART_CUTS}
    if any(after.same_lot and after.plain > -LEAST_DROP / 2 * after.cuts for after in told.values()):
        return None
    down = {part: after for part, after in told.items() if after.drop <= -LEAST_DROP}
    cuts = sum(after.cuts for after in down.values())
    if not down:
        return None
    drop = sum(after.total for after in down.values()) / cuts
    risen = sum(after.level * after.cuts for after in down.values()) / cuts
    least = max(LEAST_DROP, SURE * stop.noise / sqrt(cuts), SHARE_OF_RISE * risen)
    same_lot = any(after.same_lot for after in down.values())
    if len({after.name for after in down.values()}) == 1:
        least = max(least, PLAIN_DROP)
        if cuts < ONE_PART_CUTS:
            return None
    elif not same_lot and len({after.alloy for after in down.values()}) < 2:
        return None
    if stop.young or not same_lot:
        least = max(least, LOT_DROP)
    if drop > -least:
        return None
    parts = [PartStep(after.name, after.cuts, after.drop) for _, after in sorted(down.items())]
    return Found(stop.from_us, stop.to_us, ts_us, known_us, drop, parts)
