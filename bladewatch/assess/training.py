"""Ended grind cycles to a wear fit: what counts as an end, on which scale, and whether it is enough.

The scale is the best that the blade type supports: micrometres where the bench has measured, else the edge index
where a limit is set and energy is known, else the area to a blade that was declared dull. A cycle that was taken
off by plan only says "at least": the shop's habit of changing early is not learnt as life.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import astuple, dataclass
from typing import Final

import msgspec

from bladewatch.assess.cycles import CycleReader
from bladewatch.config.tables import BladeType, Config
from bladewatch.ledger.fleet import KEEPS_CYCLE, Cycle, Fleet
from bladewatch.stores.protocols import Store
from bladewatch.units import m2_of
from models.cycle import CycleState
from models.ratios import stated_ratio
from models.wear import MIN_CYCLES, End, LoadReading, WearFit, fit_wear

FIT_VERSION: Final = 2
DECLARED_DULL: Final = frozenset({"worn-burr", "worn-load", "worn-length"})
GUESSED_AT_MOST: Final = 0.3
"""Cycles with more area than this that nothing told are not learnt from."""


@dataclass(frozen=True, slots=True)
class Training:
    """What a blade type's ended cycles allow: the scale, its limit, the fit, and how many cycles there were.

    ``fit`` is None where there is too little; ``lack`` then says what would fix it. ``key`` names the fit by all that
    it was made from, ``learnt`` are the cycles in it.
    """

    scale: str
    limit: float | None
    fit: WearFit | None
    ended: int
    lack: str | None = None
    key: str | None = None
    learnt: tuple[tuple[Cycle, End], ...] = ()


def train(
    config: Config, store: Store, reader: CycleReader, fleet: Fleet, blade: BladeType, now_us: int, keep: bool
) -> Training:
    """The training of a blade type from the cycles that had ended and become known by now."""
    ended = [cycle for cycle in _cycles(fleet, blade.id) if not cycle.open and cycle.reason not in KEEPS_CYCLE]
    bench = [cycle for cycle in ended if _reading(cycle) is not None]
    if blade.wear_limit_um is not None and len(bench) >= MIN_CYCLES:
        ends = [(cycle, _bench_end(cycle, reader, blade.id)) for cycle in bench]
        by_bench = _fitted(config, store, blade, "wear_um", blade.wear_limit_um, ends, len(ended), now_us, keep)
        if by_bench.fit is not None:
            return by_bench
    states = [(cycle, _end_state(cycle, reader, blade.id)) for cycle in ended]
    if blade.edge_index_limit is not None:
        ends = [(cycle, _index_end(state)) for cycle, state in states if cycle.used_share == 0]
        if sum(end is not None for _, end in ends) >= MIN_CYCLES:
            limit = blade.edge_index_limit - 1
            return _fitted(config, store, blade, "edge_index", limit, ends, len(ended), now_us, keep)
    ends = [(cycle, _area_end(cycle, state)) for cycle, state in states if cycle.used_share == 0]
    if sum(end is not None and not end.censored for _, end in ends) >= MIN_CYCLES:
        return _fitted(config, store, blade, "area", 1.0, ends, len(ended), now_us, keep)
    return Training("none", None, None, len(ended), _lack(blade, len(ended), len(bench)))


def _cycles(fleet: Fleet, blade_type: str) -> Iterable[Cycle]:
    for plate_id in sorted(fleet.plates):
        plate = fleet.plates[plate_id]
        if plate.blade_type == blade_type:
            yield from plate.cycles


def _reading(cycle: Cycle) -> tuple[int, float] | None:
    """The bench reading of an ended cycle, and the moment in it that it speaks of.

    Wear falls only by grinding, so of the readings after the end the largest is the edge's; else the last before it.
    """
    if not cycle.readings or cycle.ended_us is None or cycle.used_share > 0:
        return None
    after = [reading.wear_um for reading in cycle.readings if reading.at_us >= (cycle.ended_us or 0)]
    if after:
        return cycle.ended_us, max(after)
    last = max(cycle.readings)
    return last.at_us, last.wear_um


def _end_state(cycle: Cycle, reader: CycleReader, blade_type: str) -> CycleState:
    return reader.at(cycle, blade_type, cycle.ended_us or 0)


def _bench_end(cycle: Cycle, reader: CycleReader, blade_type: str) -> End | None:
    reading = _reading(cycle)
    if reading is None or not reading[1] > 0:
        return None
    state = reader.at(cycle, blade_type, reading[0])
    return _end(state, reading[1])


def _index_end(state: CycleState) -> End | None:
    """On the scale of the index itself: what it says beyond sharp at the very end."""
    load = load_of(state)
    wear = None if load is None or load.excess <= 0.02 else load.wear(1.0)
    return None if wear is None else _end(state, wear)


def load_of(state: CycleState) -> LoadReading | None:
    """The edge index of a cycle, placed within what it has cut."""
    index, total = state.index.now, state.total_cmm2
    if index is None or total == 0:
        return None
    return LoadReading(index.value - 1, index.error, index.at_cmm2 / total, index.sharp_cmm2 / total)


def _area_end(cycle: Cycle, state: CycleState) -> End | None:
    return _end(state, 1.0, censored=cycle.reason not in DECLARED_DULL)


def _end(state: CycleState, wear: float, censored: bool = False) -> End | None:
    total = state.total_cmm2
    if total == 0 or state.guessed_cmm2 > GUESSED_AT_MOST * total:
        return None
    areas_m2 = {alloy: m2_of(area) for alloy, area in sorted(state.area_cmm2.items())}
    return End(areas_m2, wear, censored, load_of(state))


def _fitted(
    config: Config,
    store: Store,
    blade: BladeType,
    scale: str,
    limit: float,
    ends: Iterable[tuple[Cycle, End | None]],
    ended: int,
    now_us: int,
    keep: bool,
) -> Training:
    """The stored fit of exactly these cycles, else a new one."""
    learnt = tuple((cycle, end) for cycle, end in ends if end is not None)
    usable = [end for _, end in learnt]
    if sum(not end.censored for end in usable) < MIN_CYCLES:
        return Training(scale, limit, None, ended, "too few ended cycles with known areas")
    alloys = sorted({alloy for end in usable for alloy in end.areas_m2} | {row.id for row in config.alloys.all_rows()})
    ratios = {alloy: _ratio(config, alloy, now_us) for alloy in alloys}
    key = _key(scale, usable, ratios)
    stored = store.books.fit(key)
    if stored is None:
        stored = msgspec.json.encode(fit_wear(usable, ratios).to_json()).decode()
        if keep:
            store.books.put_fit(key, blade.id, stored, now_us)
    return Training(scale, limit, WearFit.from_json(msgspec.json.decode(stored)), ended, key=key, learnt=learnt)


def _ratio(config: Config, alloy: str, now_us: int) -> float:
    row = config.alloys.ever(alloy, now_us)
    if row is not None and row.wear_ratio is not None:
        return row.wear_ratio
    return stated_ratio(alloy, row.group if row is not None else None)


def _key(scale: str, ends: list[End], ratios: dict[str, float]) -> str:
    rows = sorted(
        [sorted(end.areas_m2.items()), end.wear, end.censored, [] if end.load is None else list(astuple(end.load))]
        for end in ends
    )
    content = msgspec.json.encode([FIT_VERSION, scale, rows, sorted(ratios.items())])
    return hashlib.sha256(content).hexdigest()[:32]


def _lack(blade: BladeType, ended: int, bench: int) -> str:
    more = MIN_CYCLES - ended
    if more > 0:
        return (
            f"{ended} ended cycle{'s' if ended != 1 else ''} of blade type {blade.id} with a removal reason, "
            f"a forecast needs {MIN_CYCLES}: {more} more with a reason, best with a bench reading of wear"
        )
    if blade.wear_limit_um is None:
        return f"blade type {blade.id} has no wear_limit_um, and too few of its cycles ended declared dull"
    return (
        f"{bench} of {ended} ended cycles of blade type {blade.id} have a bench reading of wear, a forecast needs "
        f"{MIN_CYCLES}; removals by plan only say 'at least'"
    )
