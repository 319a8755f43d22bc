"""What a grind cycle tells of wear: its stints in order, and its end. From lists of cycles to arrays."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

UNKNOWN: Final = "unknown"
MOST_PARTS: Final = 60
"""Parts with a level of their own, those with the most loaded stints; the others stand at their alloy's."""
LEAST_PART_ROWS: Final = 3
SMALL: Final = 1e-6
BY_ALLOY: Final = "alloys"
USAGES: Final = (BY_ALLOY, "travel", "area", "cuts")
"""What wear may go with: area by alloy, the teeth's way in metal, and two plain rules to which all alloys are alike."""
PLAIN: Final = ("area", "cuts")
PLACES: Final = 3
"""Saws of one cycle by each of which its load has a level of its own; any more share the last one's."""
EFFECTS: Final = 1 + PLACES + 3
"""What a cycle has of its own: log factor, levels by its saws, bend and skew of the course of its load, its rise."""


class Work(NamedTuple):
    """A stint: ``area_m2`` cut, its sum over the feed per tooth ``travel`` [m²/mm] or None where no feed is known.

    It is the work of ``cuts``, of which ``loaded`` comparable ones had the mean log specific energy ``log_u``
    [log N/mm²] at the log feed per tooth ``log_fz`` [log mm], while the spindle lay ``slip`` [share] behind its own
    pace: a belt that slips.
    """

    alloy: str
    area_m2: float
    saw: str
    part: str | None = None
    lot: str | None = None
    travel: float | None = None
    loaded: int = 0
    log_u: float = 0.0
    log_fz: float = 0.0
    cuts: int = 0
    slip: float = 0.0


@dataclass(frozen=True, slots=True)
class Reading:
    """Wear in shares of the limit when the cycle had cut ``area_m2``; None: at its end.

    ``kind`` is ``measured`` (at the bench), ``stock`` (by what the grinder took off), ``dull`` (declared so: the limit
    is met, with a margin), or ``removed`` (the wear was at most the limit: a bound and no more). ``blur`` is its error
    beside that of the bench [log].
    """

    wear: float
    kind: str = "measured"
    area_m2: float | None = None
    blur: float = 0.0


@dataclass(frozen=True, slots=True)
class CycleEvidence:
    """A grind cycle of a blade. ``start`` is wear that was there before its first stint [limits].

    ``ended`` orders the cycles in time, in any unit.
    """

    blade: str
    cycle: int
    works: tuple[Work, ...]
    readings: tuple[Reading, ...] = ()
    start: float = 0.0
    ended: int = 0

    @property
    def saws(self) -> list[str]:
        """The saws that it cut on, in order."""
        return list(dict.fromkeys(work.saw for work in self.works))

    @property
    def key(self) -> tuple[str, int]:
        """What names the cycle."""
        return self.blade, self.cycle


@dataclass(frozen=True, slots=True)
class Names:
    """The alloys, parts and saws that a fit knows, in order; ``log_feed`` is each alloy's own feed per tooth.

    ``log_ratio`` are the stated wear ratios of the alloys beside a base alloy, as logs. ``usage`` is what wear goes
    with; ``cut_m2`` the mean area of a cut, which turns cuts into area.
    """

    alloys: tuple[str, ...]
    parts: tuple[str, ...]
    saws: tuple[str, ...]
    log_feed: tuple[float, ...]
    log_ratio: tuple[float, ...]
    usage: str = BY_ALLOY
    cut_m2: float = 0.0

    @property
    def plain(self) -> bool:
        """Whether all alloys wear alike, by a plain rule."""
        return self.usage in PLAIN


def names_of(cycles: Sequence[CycleEvidence], ratios: Mapping[str, float], usage: str = BY_ALLOY) -> Names:
    """The names in the evidence; ``usage`` is one of ``USAGES``."""
    alloys = sorted({work.alloy for cycle in cycles for work in cycle.works})
    saws = sorted({work.saw for cycle in cycles for work in cycle.works})
    feeds: dict[str, list[float]] = {alloy: [] for alloy in alloys}
    rows: dict[str, int] = {}
    for cycle in cycles:
        for work in cycle.works:
            if work.loaded:
                feeds[work.alloy].append(work.log_fz)
                if work.part is not None:
                    rows[work.part] = rows.get(work.part, 0) + 1
    parts = sorted(
        sorted((part for part, count in rows.items() if count >= LEAST_PART_ROWS), key=lambda p: (-rows[p], p))[
            :MOST_PARTS
        ]
    )
    every = [feed for found in feeds.values() for feed in found]
    middle = float(np.median(every)) if every else float(np.log(0.01))
    own = tuple(float(np.median(feeds[alloy])) if feeds[alloy] else middle for alloy in alloys)
    areas = dict.fromkeys(alloys, 0.0)
    for cycle in cycles:
        for work in cycle.works:
            areas[work.alloy] += work.area_m2
    known = {alloy: area for alloy, area in areas.items() if alloy != UNKNOWN}
    ratio = {alloy: ratios.get(alloy, 1.0) for alloy in alloys}
    if UNKNOWN in ratio and sum(known.values()) > 0:
        ratio[UNKNOWN] = sum(area * ratio[alloy] for alloy, area in known.items()) / sum(known.values())
    stated = tuple(0.0 if usage in PLAIN else float(np.log(ratio[alloy])) for alloy in alloys)
    cuts = sum(work.cuts for cycle in cycles for work in cycle.works)
    cut_m2 = sum(areas.values()) / cuts if cuts else 0.0
    return Names(tuple(alloys), tuple(parts), tuple(saws), own, stated, usage, cut_m2)


def usage_of(work: Work, names: Names) -> float:
    """What wear goes with, of a stint [m²].

    At another feed than the alloy's own, ``travel`` counts the area that would be the same way of the teeth; ``cuts``
    count as so many mean ones.
    """
    if names.usage == "travel" and work.travel is not None:
        own = names.log_feed[names.alloys.index(work.alloy)] if work.alloy in names.alloys else np.mean(names.log_feed)
        return work.travel * float(np.exp(own))
    if names.usage == "cuts" and names.cut_m2 > 0:
        return work.cuts * names.cut_m2
    return work.area_m2


@dataclass(frozen=True, slots=True)
class Design:
    """The evidence as arrays; every row is a stint or, with ``x`` nought, a reading. Rows of a cycle are neighbours.

    ``x`` is the usage of a stint [m², or at another feed than the alloy's own, the area that would be the same way of
    the teeth]; ``half`` is one half for a stint, whose energy speaks of its middle, and nought for a reading.
    ``place`` numbers the saws of a cycle, ``batch`` the lots of one alloy within a cycle, and ``lot`` does so for
    stints that tell a load; ``hard`` is how much more energy the lot of a stint is taken to cost [log]. ``log_slow``
    is the alloy's own feed over the stint's [log], ``slip`` how far its spindle lay behind [share]. ``energy`` and
    ``reading`` mark what a row tells; ``y`` is its log specific energy or log wear, ``cuts`` how many it rests on,
    ``bound`` that it is an upper bound, ``dull`` that it was declared. ``blur`` is how far off a reading is beside
    the bench. ``first`` are the first rows of the cycles. Cycles and blades are in the order of ``cycles``.
    """

    cycles: tuple[tuple[str, int], ...]
    blades: tuple[str, ...]
    x: Floats
    half: Floats
    alloy: Ints
    part: Ints
    saw: Ints
    place: Ints
    cycle: Ints
    lot: Ints
    batch: Ints
    hard: Floats
    blade_of_cycle: Ints
    log_slow: Floats
    slip: Floats
    energy: NDArray[np.bool_]
    reading: NDArray[np.bool_]
    bound: NDArray[np.bool_]
    dull: NDArray[np.bool_]
    blur: Floats
    y: Floats
    cuts: Floats
    start: Floats
    ended: Ints
    first: Ints

    @property
    def benched(self) -> NDArray[np.bool_]:
        """Which rows are readings of a wear, and neither a bound nor a word that the blade was dull."""
        return self.reading & ~self.bound & ~self.dull

    @property
    def blade(self) -> Ints:
        """The blade of each row."""
        return np.asarray(self.blade_of_cycle[self.cycle], np.int64)


OF_ROWS: Final = (
    "x", "half", "alloy", "part", "saw", "place", "hard", "log_slow", "slip", "energy", "reading", "bound", "dull",
    "blur", "y", "cuts",
)  # fmt: skip
"""The arrays of a design that have an entry a row and number nothing."""


def copies_of(design: Design, count: int) -> Design:
    """The design of one cycle as that of so many of its blade, to try other effects in each; lots are left out."""
    rows = len(design.x)
    tiled: dict[str, Any] = {name: np.tile(getattr(design, name), count) for name in OF_ROWS}
    return replace(
        design,
        **tiled,
        cycles=design.cycles * count,
        cycle=np.repeat(np.arange(count), rows),
        lot=np.full(count * rows, -1),
        batch=np.full(count * rows, -1),
        blade_of_cycle=np.repeat(design.blade_of_cycle, count),
        start=np.repeat(design.start, count),
        ended=np.repeat(design.ended, count),
        first=rows * np.arange(count),
    )


@dataclass(slots=True)
class _Columns:
    x: list[float] = field(default_factory=list)
    half: list[float] = field(default_factory=list)
    alloy: list[int] = field(default_factory=list)
    part: list[int] = field(default_factory=list)
    saw: list[int] = field(default_factory=list)
    place: list[int] = field(default_factory=list)
    cycle: list[int] = field(default_factory=list)
    lot: list[int] = field(default_factory=list)
    batch: list[int] = field(default_factory=list)
    log_slow: list[float] = field(default_factory=list)
    slip: list[float] = field(default_factory=list)
    kind: list[str] = field(default_factory=list)
    blur: list[float] = field(default_factory=list)
    y: list[float] = field(default_factory=list)
    cuts: list[float] = field(default_factory=list)


def design_of(cycles: Sequence[CycleEvidence], names: Names) -> Design:
    """Arrays of the evidence, cycles sorted by blade and number. Raises ``ValueError`` on what cannot be."""
    alloys = {name: place for place, name in enumerate(names.alloys)}
    parts = {name: place for place, name in enumerate(names.parts)}
    saws = {name: place for place, name in enumerate(names.saws)}
    columns, lots = _Columns(), dict[tuple[int, str | None, str], int]()
    ordered = sorted(cycles, key=lambda cycle: cycle.key)
    for number, cycle in enumerate(ordered):
        places = cycle.saws
        for item in _in_order(cycle):
            if isinstance(item, Reading):
                _add_reading(columns, item, number)
            else:
                _add_work(columns, item, number, alloys, parts, saws, names, lots)
                columns.place.append(min(places.index(item.saw), PLACES - 1))
    blades = sorted({cycle.blade for cycle in ordered})
    place_of = {name: place for place, name in enumerate(blades)}
    blade_of_cycle = np.array([place_of[cycle.blade] for cycle in ordered], np.int64)
    cycle_of = np.array(columns.cycle, np.int64)
    kinds = np.array(columns.kind)
    found = Design(
        cycles=tuple(cycle.key for cycle in ordered),
        blades=tuple(blades),
        x=np.array(columns.x, float),
        half=np.array(columns.half, float),
        alloy=np.array(columns.alloy, np.int64),
        part=np.array(columns.part, np.int64),
        saw=np.array(columns.saw, np.int64),
        place=np.array(columns.place, np.int64),
        cycle=cycle_of,
        lot=np.array(columns.lot, np.int64),
        batch=np.array(columns.batch, np.int64),
        hard=np.zeros(len(columns.x)),
        blade_of_cycle=blade_of_cycle,
        log_slow=np.array(columns.log_slow, float),
        slip=np.array(columns.slip, float),
        energy=kinds == "energy",
        reading=np.isin(kinds, ("measured", "stock", "dull", "removed")),
        bound=kinds == "removed",
        dull=kinds == "dull",
        blur=np.array(columns.blur, float),
        y=np.array(columns.y, float),
        cuts=np.array(columns.cuts, float),
        start=np.array([cycle.start for cycle in ordered], float),
        ended=np.array([cycle.ended for cycle in ordered], np.int64),
        first=np.searchsorted(cycle_of, np.arange(len(ordered))),
    )
    if not (np.isfinite(found.x).all() and (found.x >= 0).all() and np.isfinite(found.y).all()):
        raise ValueError("areas must be finite and not below zero, energies and wear finite and above zero")
    return found


def _in_order(cycle: CycleEvidence) -> Iterator[Work | Reading]:
    """Stints and readings of a cycle; a stint in the middle of which somebody measured is two."""
    waiting = sorted((r for r in cycle.readings if r.area_m2 is not None), key=lambda r: (r.area_m2 or 0.0, r.wear))
    total = 0.0
    for work in cycle.works:
        rest = work
        while waiting and (waiting[0].area_m2 or 0.0) < total + rest.area_m2:
            reading = waiting.pop(0)
            share = max((reading.area_m2 or 0.0) - total, 0.0) / rest.area_m2
            if share > SMALL:
                first, rest = _split(rest, share)
                total += first.area_m2
                yield first
            yield reading
        total += rest.area_m2
        yield rest
    yield from waiting
    yield from sorted((r for r in cycle.readings if r.area_m2 is None), key=lambda r: (r.wear, r.kind))


def up_to(cycle: CycleEvidence, area_m2: float) -> CycleEvidence:
    """What a cycle had told when it had cut an area: its stints so far, and what was measured by then."""
    works: list[Work] = []
    total = 0.0
    for work in cycle.works:
        if total + work.area_m2 > area_m2 * (1 + 1e-12):
            share = (area_m2 - total) / work.area_m2
            if share > SMALL:
                works.append(_split(work, share)[0])
            break
        works.append(work)
        total += work.area_m2
    told = tuple(r for r in cycle.readings if r.area_m2 is not None and r.area_m2 <= area_m2)
    return replace(cycle, works=tuple(works), readings=told)


def after(cycle: CycleEvidence, area_m2: float) -> CycleEvidence:
    """What a cycle has told since it had cut an area, as if that had been all."""
    works: list[Work] = []
    total = 0.0
    for work in cycle.works:
        rest = total + work.area_m2 - area_m2
        total += work.area_m2
        if rest > SMALL * work.area_m2:
            works.append(work if rest >= work.area_m2 else _split(work, 1 - rest / work.area_m2)[1])
    told = (r for r in cycle.readings if r.area_m2 is None or r.area_m2 > area_m2)
    moved = tuple(r if r.area_m2 is None else replace(r, area_m2=r.area_m2 - area_m2) for r in told)
    return replace(cycle, works=tuple(works), readings=moved, start=0.0)


def _split(work: Work, share: float) -> tuple[Work, Work]:
    """A stint in two; its energy stays with the larger part."""
    larger = share >= 0.5
    travel = (None, None) if work.travel is None else (share * work.travel, (1 - share) * work.travel)
    cuts = round(share * work.cuts)
    first = work._replace(
        area_m2=share * work.area_m2, travel=travel[0], loaded=work.loaded if larger else 0, cuts=cuts
    )
    return first, work._replace(
        area_m2=(1 - share) * work.area_m2,
        travel=travel[1],
        loaded=0 if larger else work.loaded,
        cuts=work.cuts - cuts,
    )


def _add_work(
    columns: _Columns, work: Work, number: int,
    alloys: Mapping[str, int], parts: Mapping[str, int], saws: Mapping[str, int],
    names: Names, lots: dict[tuple[int, str | None, str], int],
) -> None:  # fmt: skip
    alloy = alloys.get(work.alloy, -1)
    own = names.log_feed[alloy] if alloy >= 0 else float(np.mean(names.log_feed))
    columns.x.append(usage_of(work, names))
    columns.half.append(0.5)
    columns.alloy.append(alloy)
    columns.part.append(-1 if work.part is None else parts.get(work.part, -1))
    columns.saw.append(saws.get(work.saw, -1))
    columns.cycle.append(number)
    same = (number, work.lot, work.alloy)
    told = work.loaded > 0 and alloy >= 0
    columns.log_slow.append(own - work.log_fz if told else 0.0)
    columns.slip.append(work.slip)
    columns.kind.append("energy" if told else "")
    columns.batch.append(lots.setdefault(same, len(lots)))
    columns.lot.append(columns.batch[-1] if told else -1)
    columns.y.append(work.log_u if told else 0.0)
    columns.cuts.append(float(work.loaded))
    columns.blur.append(0.0)


def _add_reading(columns: _Columns, reading: Reading, number: int) -> None:
    if not reading.wear > 0:
        raise ValueError(f"wear at a reading: found {reading.wear}, expected above zero")
    columns.x.append(0.0)
    columns.half.append(0.0)
    for column in (columns.alloy, columns.part, columns.saw, columns.lot, columns.batch):
        column.append(-1)
    columns.cycle.append(number)
    columns.log_slow.append(0.0)
    columns.slip.append(0.0)
    columns.kind.append(reading.kind)
    columns.blur.append(reading.blur)
    columns.y.append(float(np.log(reading.wear)))
    columns.cuts.append(1.0)
    columns.place.append(0)
