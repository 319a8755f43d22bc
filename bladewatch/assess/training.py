"""Ended grind cycles to a fit: what counts as an end, on which scale, and whether it is enough.

The scale is the best that the blade type supports: micrometres where the bench has measured, else the edge index
where a limit is set and energy is known, else the life to a blade that was declared dull. A cycle that was taken off by
plan only says "at least": the shop's habit of changing early is not learnt as life. A cycle whose record a row
contradicts is not learnt from until somebody has settled it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import log
from statistics import median
from typing import Any, Final, NamedTuple

import msgspec

from bladewatch.assess.cycles import CycleReader
from bladewatch.assess.gauges import Gauges
from bladewatch.assess.memory import Memory
from bladewatch.config.tables import BladeType, Config
from bladewatch.format import some_text
from bladewatch.ledger.fleet import KEEPS_CYCLE, Cycle, Fleet
from bladewatch.stores.protocols import DAMAGED, Store
from bladewatch.units import CMM2_PER_M2, m2_of
from models.cycle import CycleState
from models.evidence import BY_ALLOY, CycleEvidence, Reading, Work, design_of, names_of
from models.fitting import fit_joint
from models.joint import JointFit
from models.ratios import stated_ratio
from models.scatter import scatter
from models.usage import choose

FIT_VERSION: Final = 10
"""Raised with every change of what the same cycles are fitted to: stored fits of another version are not used."""
MIN_CYCLES: Final = 3
MIN_ALLOY_CYCLES: Final = 9
"""From so many ended cycles on the alloys' rates are their own; before, they are held close to the stated ratios."""
STATED_SPREAD: Final = 0.15
DECLARED_DULL: Final = frozenset({"worn-burr", "worn-load", "worn-length"})
LEAST_WEAR: Final = 0.15
"""Where less than this share of the limit is left of the stock removed, its allowance says more than the wear."""
STOCK_BLUR: Final = 0.05
GUESSED_AT_MOST: Final = 0.3
"""Cycles with more area than this that nothing told are not learnt from."""
SAME: Final = 0.02
"""Where the scale is the edge index itself, the parameters that would make it another one are held so close."""


@dataclass(frozen=True, slots=True)
class Training:
    """What a blade type's ended cycles allow: the scale, its limit, the fit, and how many cycles there were.

    ``fit`` is None where there is too little; ``lack`` then says what would fix it. ``key`` names the fit by all that
    it was made from, ``evidence`` is what its cycles told, ``counted`` how many of them tell their end.
    """

    scale: str
    limit: float | None
    fit: JointFit | None
    ended: int
    lack: str | None = None
    key: str | None = None
    counted: int = 0
    evidence: tuple[CycleEvidence, ...] = ()


class Fitted(NamedTuple):
    """A fit with its key and all that it was asked for with."""

    asked: tuple[Any, ...]
    key: str
    fit: JointFit


def train(
    config: Config,
    store: Store,
    reader: CycleReader,
    gauges: Gauges,
    fleet: Fleet,
    blade: BladeType,
    now_us: int,
    keep: bool,
    fitted: dict[str, Fitted] | None = None,
    memory: Memory | None = None,
) -> Training:
    """The training of a blade type from the cycles that had ended and become known by now.

    ``fitted`` holds the last fit of each blade type, and takes the new one.
    """
    ended = [
        cycle
        for plate in sorted(fleet.plates)
        if fleet.plates[plate].blade_type == blade.id
        for cycle in fleet.plates[plate].cycles
        if not cycle.open and cycle.reason not in KEEPS_CYCLE
    ]
    doubted = doubted_of(fleet)
    states = [(cycle, reader.at(cycle, blade.id, cycle.ended_us or 0)) for cycle in ended]
    whole = [(cycle, state) for cycle, state in states if is_known(state) and not in_doubt(cycle, doubted)]
    measured = [(cycle, state) for cycle, state in whole if _worn(cycle) is not None]
    fitting = _Fitting(config, store, blade, len(ended), now_us, keep, {} if fitted is None else fitted)
    if blade.wear_limit_um is not None and len(measured) >= MIN_CYCLES:
        limit = blade.wear_limit_um
        stock = _stock_of([cycle for cycle, _ in whole])
        evidence = [_recalled(reader, gauges, cycle, state, blade.id, limit, stock, memory) for cycle, state in whole]
        told = sum(any(r.kind in ("measured", "stock") for r in one.readings) for one in evidence)
        return fitting.of("wear_um", limit, evidence, told)
    whole = [(cycle, state) for cycle, state in whole if cycle.used_share == 0]
    loaded = [(cycle, state) for cycle, state in whole if state.index.now is not None]
    if blade.edge_index_limit is not None and len(loaded) >= MIN_CYCLES:
        limit = blade.edge_index_limit - 1
        return fitting.of("edge_index", limit, [evidence_of(c, s, gauges) for c, s in loaded], len(loaded))
    dull = [cycle for cycle, _ in whole if cycle.reason in DECLARED_DULL]
    if len(dull) >= MIN_CYCLES:
        kinds = {True: "dull", False: "removed"}
        evidence = [
            evidence_of(cycle, state, gauges, [Reading(1.0, kinds[cycle.reason in DECLARED_DULL])])
            for cycle, state in whole
        ]
        return fitting.of("area", 1.0, evidence, len(dull))
    bench = sum(_worn(cycle) is not None for cycle in ended)
    return Training("none", None, None, len(ended), _lack(blade, len(ended), bench))


def evidence_of(
    cycle: Cycle, state: CycleState, gauges: Gauges, readings: Sequence[Reading] = (), start: float = 0.0
) -> CycleEvidence:
    """What a cycle tells the model, from its stints. ``start`` is wear that was there before [limits]."""
    works = []
    for stint in state.stints.rows():
        spot = state.spots[stint.spot] if state.spots else ""
        read = gauges.at(spot, (stint.from_us + stint.to_us) // 2)
        travel = stint.travel * stint.area_cmm2 / stint.fed_cmm2 if stint.fed_cmm2 else None
        works.append(
            Work(
                alloy=stint.alloy,
                area_m2=m2_of(stint.area_cmm2),
                saw=spot,
                part=stint.part,
                lot=stint.lot,
                travel=None if travel is None else travel / CMM2_PER_M2,
                loaded=stint.loaded,
                log_u=stint.log_u - read.log_scale if stint.loaded else 0.0,
                log_fz=stint.log_fz,
                cuts=stint.cuts,
                slip=read.slip,
            )
        )
    return CycleEvidence(cycle.plate, cycle.number, tuple(works), tuple(readings), start, cycle.ended_us or 0)


def readings_of(cycle: Cycle, reader: CycleReader, blade_type: str | None, limit_um: float) -> list[Reading]:
    """The bench readings of a cycle, each where it stood in what the cycle cut."""
    end_wear_um = cycle.end_wear_um
    found = [Reading(end_wear_um / limit_um)] if end_wear_um is not None else []
    for reading in cycle.readings:
        if (cycle.ended_us is None or reading.at_us < cycle.ended_us) and reading.wear_um > 0:
            area = m2_of(reader.at(cycle, blade_type, reading.at_us).total_cmm2)
            found.append(Reading(reading.wear_um / limit_um, area_m2=area))
    return found


def is_known(state: CycleState) -> bool:
    """Whether a cycle has cut anything, and little of it is a guess."""
    total = state.total_cmm2
    return total > 0 and state.guessed_cmm2 <= GUESSED_AT_MOST * total


def doubted_of(fleet: Fleet) -> list[tuple[str | None, int]]:
    """The plates and instants at which rows contradict each other, and nobody has settled it."""
    return [(problem.plate, problem.at_us) for problem in fleet.problems if problem.asks]


def in_doubt(cycle: Cycle, doubted: Sequence[tuple[str | None, int]]) -> bool:
    """Whether a row contradicts the record of a cycle: what it cut may be another blade's work."""
    return any(
        plate == cycle.plate and cycle.opened_us <= at_us <= (cycle.ended_us or at_us) for plate, at_us in doubted
    )


def _worn(cycle: Cycle) -> float | None:
    """The largest bench reading of a cycle."""
    return max((r.wear_um for r in cycle.readings if r.wear_um > 0), default=None)


class Stock(NamedTuple):
    """What the grinder takes off beside the wear, and how much that scatters [µm]."""

    allowance_um: float
    scatter_um: float


def _stock_of(cycles: Sequence[Cycle]) -> Stock | None:
    """By cycles with both a bench reading and the stock removed; None where fewer than three have both."""
    beside = [
        cycle.stock_removed_um - worn
        for cycle in cycles
        if cycle.stock_removed_um is not None and (worn := _worn(cycle)) is not None
    ]
    if len(beside) < MIN_CYCLES:
        return None
    middle = median(beside)
    return Stock(middle, scatter(beside, middle))


def _recalled(
    reader: CycleReader, gauges: Gauges, cycle: Cycle, state: CycleState, blade_type: str, limit: float,
    stock: Stock | None, memory: Memory | None,
) -> CycleEvidence:  # fmt: skip
    """A cycle on the scale of micrometres, or what a run remembers while all that it was made from is the same."""
    if memory is None:
        return _measured(reader, gauges, cycle, state, blade_type, limit, stock)
    changes = tuple(gauges.changes(name) for name in state.spots)
    record = tuple(cycle.readings), cycle.stock_removed_um, cycle.used_share, cycle.ended_us
    made_from = (*record, limit, stock, changes)
    known = memory.kept.get((cycle.plate, cycle.number))
    if known is None or known[0] is not state or known[1] != made_from:
        found = _measured(reader, gauges, cycle, state, blade_type, limit, stock)
        known = memory.kept[cycle.plate, cycle.number] = state, made_from, found
    return known[2]


def _measured(
    reader: CycleReader, gauges: Gauges, cycle: Cycle, state: CycleState, blade_type: str, limit: float,
    stock: Stock | None,
) -> CycleEvidence:  # fmt: skip
    """A cycle on the scale of micrometres.

    One that nobody measured tells its wear by the stock that the grinder removed, where it is known what that holds
    beside; else it says by its removal that the limit was not met.
    """
    readings = readings_of(cycle, reader, blade_type, limit)
    if not readings and stock is not None and cycle.stock_removed_um is not None:
        wear_um = cycle.stock_removed_um - stock.allowance_um
        if wear_um > LEAST_WEAR * limit:
            readings = [Reading(wear_um / limit, "stock", blur=max(stock.scatter_um / wear_um, STOCK_BLUR))]
    if not readings:
        readings = [Reading(1.0, "removed")]
    return evidence_of(cycle, state, gauges, readings, cycle.used_share)


@dataclass(frozen=True, slots=True)
class _Fitting:
    """What all scales have in common."""

    config: Config
    store: Store
    blade: BladeType
    ended: int
    now_us: int
    keep: bool
    fitted: dict[str, Fitted]

    def of(
        self,
        scale: str,
        limit: float,
        evidence: Sequence[CycleEvidence],
        counted: int,
    ) -> Training:
        """The fit of exactly these cycles: the last one, the stored one or a new one."""
        alloys = {work.alloy for cycle in evidence for work in cycle.works}
        ratios = ratios_of(self.config, alloys, self.now_us)
        asked = scale, limit, tuple(evidence), ratios, counted
        last = self.fitted.get(self.blade.id)
        if last is None or last.asked != asked:
            key = _key(*asked)
            last = Fitted(asked, key, self._fit(key, *asked))
            self.fitted[self.blade.id] = last
        return Training(scale, limit, last.fit, self.ended, None, last.key, counted, tuple(evidence))

    def _fit(
        self, key: str, scale: str, limit: float, evidence: Sequence[CycleEvidence], ratios: Mapping[str, float],
        counted: int,
    ) -> JointFit:  # fmt: skip
        """The stored fit of a key, else a new one."""
        kept = _read(self.store.books.fit(key))
        if kept is not None:
            return kept
        stored = msgspec.json.encode(refit(evidence, ratios, scale, limit, counted).to_json())
        if self.keep:
            self.store.books.put_fit(key, self.blade.id, stored.decode(), self.now_us)
        return JointFit.from_json(msgspec.json.decode(stored))


def _read(stored: str | None) -> JointFit | None:
    """A fit as it was kept for speed; None where there is none, or where it was damaged since."""
    if stored is None:
        return None
    try:
        return JointFit.from_json(msgspec.json.decode(stored))
    except DAMAGED:
        return None


def refit(
    evidence: Sequence[CycleEvidence], ratios: Mapping[str, float], scale: str, limit: float, counted: int
) -> JointFit:
    """A fit to cycles of one scale, by what their wear goes with best."""
    usage = choose(evidence, ratios).usage if scale == "wear_um" else BY_ALLOY
    names = names_of(evidence, ratios, usage)
    return fit_joint(design_of(evidence, names), names, _priors(scale, limit, counted, names.plain))


def ratios_of(config: Config, alloys: Iterable[str], now_us: int) -> dict[str, float]:
    """The stated wear ratios of alloys, by the configuration, else by their designation."""
    found = {}
    for alloy in sorted(set(alloys)):
        row = config.alloys.ever(alloy, now_us)
        stated = None if row is None else row.wear_ratio
        found[alloy] = stated_ratio(alloy, None if row is None else row.group) if stated is None else stated
    return found


def _priors(scale: str, limit: float, counted: int, plain: bool = False) -> dict[str, tuple[float | None, float]]:
    """What the scale and the number of cycles say beforehand."""
    found: dict[str, tuple[float | None, float]] = {}
    if counted < MIN_ALLOY_CYCLES and not plain:
        found["ratio"] = (None, STATED_SPREAD)
    if scale == "edge_index":  # the index is the quantity itself there, not a sign of it
        found |= {"kappa": (log(limit), SAME), "bend": (0.0, SAME), "skew": (0.0, SAME), "share": (None, SAME)}
    return found


def _key(scale: str, limit: float, evidence: Sequence[CycleEvidence], ratios: Mapping[str, float], counted: int) -> str:
    rows = sorted(
        [
            c.blade,
            c.cycle,
            [list(work) for work in c.works],
            [(r.wear, r.kind, r.area_m2, r.blur) for r in c.readings],
            c.start,
            c.ended,
        ]
        for c in evidence
    )
    content = msgspec.json.encode([FIT_VERSION, scale, limit, rows, sorted(ratios.items()), counted])
    return hashlib.sha256(content).hexdigest()[:32]


def _lack(blade: BladeType, ended: int, bench: int) -> str:
    more = MIN_CYCLES - ended
    if more > 0:
        return (
            f"{some_text(ended, 'ended cycle')} of blade type {blade.id} with a removal reason, "
            f"a forecast needs {MIN_CYCLES}: {more} more with a reason, best with a bench reading of wear"
        )
    if blade.wear_limit_um is None:
        return f"blade type {blade.id} has no wear_limit_um, and too few of its cycles ended declared dull"
    return (
        f"{bench} of {ended} ended cycles of blade type {blade.id} have a bench reading of wear, a forecast needs "
        f"{MIN_CYCLES}; removals by plan only say 'at least'"
    )
