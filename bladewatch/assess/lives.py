"""How long blades last and by what they end, when a planned change costs least, and whether a trial decides.

A life is the area that a grind cycle cut until it came off. What ended it is the reason on record: declared dull,
galled, chipped or cracked are ends by themselves; a change by plan, and a running cycle, only say "at least".
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from math import inf
from statistics import median
from typing import Any, Final, NamedTuple

import numpy as np

from bladewatch.assess.known import Known
from bladewatch.assess.training import DECLARED_DULL, doubted_of, in_doubt, is_known, ratios_of
from bladewatch.config.tables import BladeType, Config
from bladewatch.ledger.fleet import KEEPS_CYCLE, Cycle, Fleet, Plate
from bladewatch.units import m2_of
from models.survival import (
    LEAST_ENDS,
    Cause,
    Compared,
    Optimum,
    Step,
    Weibull,
    age_replacement,
    best_age,
    compare,
    incidence,
    kaplan_meier,
    weibull,
)

WEAR: Final = "dull"
DAMAGE: Final = "damage"
DRAWS: Final = 300
SEED: Final = 20_310_503
DAMAGED: Final = frozenset({"chipped", "cracked", "galled"})
MOST_LIVES: Final = 3.0
"""No blade lasts so many times as long as the middle one of those that came off dull."""
WORN_AT: Final = 0.5
"""A cycle measured from such a share of the limit on tells how long it would have lasted; others are "at least"."""


class Lived(NamedTuple):
    """A grind cycle: the area that it cut, what ended it (None: at least so much), and the wear at its end [limits].

    ``base_m2`` counts each alloy by its stated wear ratio, as area of the alloy of ratio one.
    """

    plate: Plate
    cycle: Cycle
    area_m2: float
    base_m2: float
    cause: str | None
    worn: float | None


def lived(known: Known, blade: BladeType) -> list[Lived]:
    """The cycles of a blade type that have cut anything, whose area is known, and whose record is believed.

    One that a row contradicts is left out until somebody has settled it, and so is one that would have cut several
    lives: it is some other blade's work.
    """
    fleet = known.fleet
    doubted = doubted_of(fleet)
    found = []
    for name in sorted(fleet.plates):
        plate = fleet.plates[name]
        for cycle in plate.cycles if plate.blade_type == blade.id else ():
            state = known.state_of(cycle)
            if not is_known(state) or cycle.used_share or in_doubt(cycle, doubted):
                continue
            ratios = ratios_of(known.config, state.area_cmm2, known.now_us)
            base = sum(m2_of(area) * ratios[alloy] for alloy, area in sorted(state.area_cmm2.items()))
            end_um, limit_um = cycle.end_wear_um, blade.wear_limit_um
            worn = end_um / limit_um if end_um is not None and limit_um else None
            found.append(Lived(plate, cycle, m2_of(state.total_cmm2), base, _cause(cycle), worn))
    most = MOST_LIVES * median([one.base_m2 for one in found if one.cause == WEAR] or [inf])
    return [one for one in found if one.base_m2 <= most]


def _cause(cycle: Cycle) -> str | None:
    if cycle.open or cycle.reason is None or cycle.reason in KEEPS_CYCLE:
        return None
    return WEAR if cycle.reason in DECLARED_DULL else DAMAGE if cycle.reason in DAMAGED else None


class Costs(NamedTuple):
    """What an end costs: planned; declared dull or damaged, unplanned. Money of the site."""

    planned: Decimal
    dull: Decimal
    damage: Decimal


def costs_of(config: Config, blade: BladeType) -> Costs | str:
    """The costs by the configuration, else what is missing.

    Each end costs a grind and the carbide that it takes, a share of the plate's price; damage a tip besides.
    """
    names = {
        "[budget] planned_change": config.budget.planned_change,
        "[budget] unplanned_change": config.budget.unplanned_change,
        f"[[blade_type]] {blade.id} grind_price": blade.grind_price,
        f"[[blade_type]] {blade.id} price": blade.price,
    }
    missing = [name for name, value in names.items() if value is None]
    if missing:
        return f"what an end costs is not set: {', '.join(missing)}"
    planned, unplanned, grind, price = (value for value in names.values() if value is not None)
    each = grind + price / ((blade.regrinds_expected if blade.regrinds_expected is not None else 12) + 1)
    return Costs(planned + each, unplanned + each, unplanned + each + (blade.tip_price or Decimal(0)))


class Ageing(NamedTuple):
    """A Weibull of one cause, the other causes censored; ranges are 90 %."""

    cause: str
    fit: Weibull
    shape: tuple[float, float]
    scale_m2: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Lives:
    """A blade type: ``steps`` is Kaplan-Meier over all ends, ``shares`` how many ended by each cause.

    ``best`` is the change at least cost in money per m², ``band_m2`` the 90 % range of its age by the errors of the
    fits. ``lack`` says what is missing for it.
    """

    blade_type: str
    cycles: int
    ends: Mapping[str, int]
    steps: tuple[Step, ...]
    shares: Mapping[str, float]
    ageing: tuple[Ageing, ...]
    costs: Costs | None = None
    best: Optimum | None = None
    band_m2: tuple[float, float] | None = None
    lack: str | None = None


def lives_of(config: Config, blade: BladeType, cycles: Sequence[Lived]) -> Lives:
    """Lives and the change at least cost."""
    areas = [one.area_m2 for one in cycles]
    causes = [one.cause for one in cycles]
    ends = {cause: causes.count(cause) for cause in (WEAR, DAMAGE)}
    steps = tuple(kaplan_meier(areas, [cause is not None for cause in causes]))
    told = Lives(blade.id, len(cycles), ends, steps, incidence(areas, causes) if areas else {}, tuple(_ages(cycles)))
    costs = costs_of(config, blade)
    if not told.ageing:
        most = max(ends.values())
        lack = f"{most} cycles of {len(cycles)} ended by one cause, unplanned; {LEAST_ENDS} are needed"
        return replace(told, lack=lack)
    if isinstance(costs, str):
        return replace(told, lack=costs)
    best = age_replacement(float(costs.planned), [_hazard(age.cause, age.fit, costs) for age in told.ageing])
    return replace(told, costs=costs, best=best, band_m2=_band(told.ageing, costs))


def _hazard(cause: str, fit: Weibull, costs: Costs) -> Cause:
    return Cause(fit.shape, fit.scale, float(costs.dull if cause == WEAR else costs.damage))


def _ages(cycles: Sequence[Lived]) -> Iterator[Ageing]:
    for cause in (WEAR, DAMAGE):
        ended = [one.cause == cause for one in cycles]
        if sum(ended) >= LEAST_ENDS:
            fit = weibull([one.area_m2 for one in cycles], ended)
            by_scale, by_spread = 1.645 * np.sqrt(np.diag(fit.covariance))
            yield Ageing(
                cause, fit,
                (fit.shape * float(np.exp(-by_spread)), fit.shape * float(np.exp(by_spread))),
                (fit.scale * float(np.exp(-by_scale)), fit.scale * float(np.exp(by_scale))),
            )  # fmt: skip


def _band(ageing: Sequence[Ageing], costs: Costs) -> tuple[float, float] | None:
    """The 90 % range of the best age, by draws of the fits; None where many draws say that waiting always pays."""
    rng = np.random.default_rng(SEED)
    drawn = [
        rng.multivariate_normal([age.fit.location[0], np.log(age.fit.spread)], age.fit.covariance, DRAWS)
        for age in ageing
    ]
    found = []
    for rows in zip(*drawn, strict=True):
        causes = [
            Cause(float(np.exp(-row[1])), float(np.exp(row[0])), float(costs.dull if a.cause == WEAR else costs.damage))
            for a, row in zip(ageing, rows, strict=True)
        ]
        found.append(best_age(float(costs.planned), causes))
    told = [age for age in found if age is not None]
    if len(told) < 0.9 * len(found):
        return None
    return float(np.quantile(told, 0.05)), float(np.quantile(told, 0.95))


def as_json(told: Lives) -> dict[str, Any]:
    """Plain values; areas in m², money as text, cost rates in money per m²."""
    best = told.best
    return {
        "blade_type": told.blade_type,
        "cycles": told.cycles,
        "ends": dict(told.ends),
        "survival": [
            {"area_m2": s.life, "share": s.survival, "error": s.error, "at_risk": s.at_risk} for s in told.steps
        ],
        "ended_by": dict(told.shares),
        "weibull": [
            {
                "cause": age.cause,
                "shape": age.fit.shape,
                "shape_range": list(age.shape),
                "scale_m2": age.fit.scale,
                "scale_m2_range": list(age.scale_m2),
                "ends": age.fit.ends,
            }
            for age in told.ageing
        ],
        "costs": None
        if told.costs is None
        else {name: str(value.quantize(Decimal("0.01"))) for name, value in told.costs._asdict().items()},
        "change_m2": None if best is None else best.age,
        "change_m2_range": None if told.band_m2 is None else list(told.band_m2),
        "flat_m2": None if best is None or best.flat is None else [v if v < float("inf") else None for v in best.flat],
        "cost_per_m2": None if best is None else best.rate,
        "cost_per_m2_never": None if best is None else best.run_out,
        "lack": told.lack,
    }


def verdict_json(told: Verdict) -> dict[str, Any]:
    """Plain values: ``ratio`` is the life of the second group beside that of the first."""
    found = told.compared
    return {
        "first": told.first,
        "second": told.second,
        "cycles": list(told.cycles),
        "ratio": None if found is None else found.ratio,
        "ratio_range": None if found is None else [found.low, found.high],
        "verdict": "cannot-tell" if found is None else "decided" if found.decided else "undecided",
        "lack": told.lack,
    }


GROUPS: Final = ("blade-type", "grinder", "saw", "date")


@dataclass(frozen=True, slots=True)
class Verdict:
    """Two groups of cycles: which lasts longer, or that it is undecided; ``lack`` where nothing can be told."""

    first: str
    second: str
    cycles: tuple[int, int]
    compared: Compared | None
    lack: str | None = None


def group_of(fleet: Fleet, one: Lived, by: str, split_us: int | None) -> str | None:
    """The group of a cycle."""
    if by == "blade-type":
        return one.plate.blade_type
    if by == "saw":
        saws = {mount.saw for mount in one.cycle.mounts}
        return next(iter(saws)) if len(saws) == 1 else None
    if by == "date":
        opened = one.cycle.mounts[0].from_us if one.cycle.mounts else one.cycle.opened_us
        return None if split_us is None else "before" if opened < split_us else "since"
    trips = [trip for trip in fleet.trips if trip.plate == one.plate.id and trip.back_us <= one.cycle.opened_us]
    return max(trips, key=lambda trip: trip.back_us).supplier if trips else None


def judged(groups: Sequence[tuple[str, Lived]], first: str, second: str) -> Verdict:
    """Compare lives to the limit, alloys counted by their stated wear ratios.

    A cycle that was measured at its end is stretched to the limit; one that came off unmeasured says "at least".
    """
    chosen = [(name, one) for name, one in groups if name in (first, second)]
    counts = sum(name == first for name, _ in chosen), sum(name == second for name, _ in chosen)
    lives, ended = [], []
    for _, one in chosen:
        measured = one.worn is not None and one.worn >= WORN_AT
        lives.append(one.base_m2 / one.worn if measured and one.worn else one.base_m2)
        ended.append(measured or (one.worn is None and one.cause == WEAR))
    try:
        compared = compare(lives, ended, [name == second for name, _ in chosen])
    except ValueError as error:
        return Verdict(first, second, counts, None, str(error))
    return Verdict(first, second, counts, compared)


def pairs(known: Known, by: str, split_us: int | None) -> list[Verdict]:
    """The largest group beside each other one; before and since of a date in this order."""
    blades = (known.config.blade_types.ever(name, known.now_us) for name in known.config.blade_types)
    every = [one for blade in blades if blade is not None for one in lived(known, blade)]
    groups = [(name, one) for one in every if (name := group_of(known.fleet, one, by, split_us)) is not None]
    counts: dict[str, int] = {}
    for name, _ in groups:
        counts[name] = counts.get(name, 0) + 1
    names = sorted(counts, key=lambda name: (-counts[name], name)) if by != "date" else sorted(counts)
    return [judged(groups, names[0], other) for other in names[1:]]
