"""How well the model foretells: cycles whose end is known, forecast as if it were not, by fits that never saw them.

A cycle is scored against what was measured at its end, never against an extrapolation: at shares of the area that it
cut, what is left is the area until the wear that the bench then found; ranges hold the bench's own error, too. Three
ways to keep a cycle out of the fit:

- ``cycle``    all other cycles; past ``MOST_FOLDS`` cycles in so many parts, each left out at once
- ``blade``    all cycles of other blades
- ``forward``  the cycles that had ended before it began

Beside the model stand two plain rules that know nothing of alloys or load: the mean area, and the mean cuts, of the
cycles that the fit saw and that came off worn.

A share of a cycle's end looks into the future: of two edges with the same past, the one that then wore slowly is asked
earlier. Hold a bias beside that of the plain rules, not beside nought.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import inf, sqrt
from statistics import fmean, stdev
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.conformal import widening
from models.evidence import CycleEvidence, up_to
from models.forecast import Quantity, quantity
from models.jobs import Job, run_down
from models.joint import JointFit, Layout
from models.running import DRAWS, Standing, standing
from models.usage import end_of
from models.wearlaw import course, exposure_of

Floats = NDArray[np.float64]
Fitting = Callable[[Sequence[CycleEvidence]], JointFit | None]

SHARES: Final = (0.25, 0.5, 0.75, 0.9)
WAYS: Final = ("cycle", "blade", "forward")
RULES: Final = ("mean_area", "mean_cuts")
MOST_FOLDS: Final = 20
WORN: Final = 0.8
"""Cycles that came off with less of the limit used tell no end that a plain rule could know: they are not scored."""
LEAST_ENDS: Final = 3
PLANNED_AT: Final = 0.75
"""Decisions are taken at this one of the shares."""
TAIL: Final = 0.1
CONE: Final = 0.2


@dataclass(frozen=True, slots=True)
class Ended:
    """An ended cycle: what it told, and when it began and ended, in any unit of time."""

    evidence: CycleEvidence
    began: int
    ended: int

    @property
    def worn(self) -> float | None:
        """The wear that was measured at its end [limits]."""
        return end_of(self.evidence)

    @property
    def area_m2(self) -> float:
        """What it cut."""
        return sum(work.area_m2 for work in self.evidence.works)

    @property
    def cuts(self) -> int:
        """How many cuts it made."""
        return sum(work.cuts for work in self.evidence.works)


class Forecast(NamedTuple):
    """What was said at a share of a cycle's way, beside what came. Areas in m², wear in limits."""

    cycle: tuple[str, int]
    share: float
    left_m2: float
    said_m2: Quantity
    wear: float
    said_wear: Quantity
    rules_m2: Mapping[str, Quantity]


class Plan(NamedTuple):
    """A change planned at ``PLANNED_AT``: the area at which each would take the blade off; its life to the limit."""

    cycle: tuple[str, int]
    life_m2: float
    cuts_per_m2: float
    at_m2: Mapping[str, float]


class Trial(NamedTuple):
    """All that one way of keeping cycles out of the fit has told; ``asked`` counts the cycles with a known end."""

    way: str
    asked: int
    forecasts: tuple[Forecast, ...]
    plans: tuple[Plan, ...]


def trial(
    way: str,
    cycles: Sequence[Ended],
    fit: Fitting,
    ratios: Mapping[str, float],
    progress: Callable[[int, int], None] = lambda _done, _of: None,
) -> Trial:
    """Forecast every cycle whose end is known, by fits that never saw it; ``fit`` gives None where too few are left."""
    forecasts: list[Forecast] = []
    plans: list[Plan] = []
    parts = list(_parts(way, cycles))
    for number, (seen, left_out) in enumerate(parts, 1):
        model = fit([cycle.evidence for cycle in seen]) if left_out else None
        ends = [cycle for cycle in seen if (cycle.worn or 0.0) >= WORN]
        for cycle in left_out if model is not None and len(ends) >= LEAST_ENDS else ():
            assert model is not None  # noqa: S101
            said, plan = _asked(cycle, model, ends, ratios)
            forecasts.extend(said)
            plans.append(plan)
        progress(number, len(parts))
    return Trial(way, sum(_is_scored(cycle) for cycle in cycles), tuple(forecasts), tuple(plans))


def _parts(way: str, cycles: Sequence[Ended]) -> Iterator[tuple[list[Ended], list[Ended]]]:
    """What a fit sees, and the cycles that it is asked of."""
    scored = [cycle for cycle in cycles if _is_scored(cycle)]
    if way == "forward":
        for cycle in scored:
            yield [other for other in cycles if other.ended <= cycle.began], [cycle]
        return
    if way == "blade":
        folds = [[c for c in scored if c.evidence.blade == blade] for blade in {c.evidence.blade: 0 for c in scored}]
    else:
        count = min(len(scored), MOST_FOLDS)
        folds = [scored[start::count] for start in range(count)]
    for fold in folds:
        keys = {cycle.evidence.key for cycle in fold}
        blades = {cycle.evidence.blade for cycle in fold} if way == "blade" else set()
        yield [c for c in cycles if c.evidence.key not in keys and c.evidence.blade not in blades], fold


def _is_scored(cycle: Ended) -> bool:
    return (cycle.worn or 0.0) >= WORN and cycle.evidence.start == 0 and cycle.area_m2 > 0


def _asked(
    cycle: Ended, model: JointFit, ends: Sequence[Ended], ratios: Mapping[str, float]
) -> tuple[list[Forecast], Plan]:
    """What is said of a cycle at each share of its way, and the change that is planned."""
    saw = cycle.evidence.works[-1].saw
    at = {share: standing(model, up_to(cycle.evidence, share * cycle.area_m2), ratios, saw) for share in SHARES}
    forecasts = [_forecast(cycle, model, ends, share, now) for share, now in at.items()]
    return forecasts, _plan(cycle, model, ends, at[PLANNED_AT])


def _forecast(cycle: Ended, model: JointFit, ends: Sequence[Ended], share: float, now: Standing) -> Forecast:
    end, cut_m2 = _exposure(model, cycle.worn or 0.0), share * cycle.area_m2
    off = np.exp(model.spreads.bench * np.random.default_rng(2).standard_normal(DRAWS))
    said = _left(cycle, now.rate, np.maximum(end * off - now.exposure, 0.0), cut_m2)
    rules = {name: quantity(np.maximum(draws - cut_m2, 0.0)) for name, draws in _rules(cycle, share, ends).items()}
    wear = _wear_at(cycle, model, cut_m2, end)
    return Forecast(
        cycle.evidence.key, share, cycle.area_m2 - cut_m2, quantity(said), wear, quantity(now.wear * off), rules
    )


def _plan(cycle: Ended, model: JointFit, ends: Sequence[Ended], now: Standing) -> Plan:
    """Where the model and the rules would take a blade off so that nine in ten come off before the limit."""
    cut_m2 = PLANNED_AT * cycle.area_m2
    left = _left(cycle, now.rate, np.maximum(1 - now.exposure, 0.0), cut_m2)
    at_m2 = {"model": cut_m2 + float(np.quantile(left, TAIL))}
    for name, draws in _rules(cycle, PLANNED_AT, ends).items():
        at_m2[name] = max(float(np.quantile(draws, TAIL)), cut_m2)
    life_m2 = cycle.area_m2 / max(_exposure(model, cycle.worn or 0.0), 1e-9)
    return Plan(cycle.evidence.key, life_m2, cycle.cuts / cycle.area_m2, at_m2)


def _left(cycle: Ended, rate: Callable[[str], Floats], budgets: Floats, cut_m2: float) -> Floats:
    """The area until budgets are used up, along the work that came, and the cycle's own mix after it."""
    jobs = [Job(work.alloy, max(work.cuts, 1), work.area_m2) for work in cycle.evidence.works if work.area_m2 > 0]
    coming, passed = [], 0.0
    for job in jobs:
        passed += job.area_m2
        if passed > cut_m2:
            coming.append(job._replace(area_m2=min(passed - cut_m2, job.area_m2)))
    ahead = run_down(budgets, rate, jobs, None, coming)
    return np.zeros(len(budgets)) if ahead is None else ahead.area_m2


def _rules(cycle: Ended, share: float, ends: Sequence[Ended]) -> dict[str, Floats]:
    """The area at the end by each plain rule: a mean, its spread, and Student's t for how few there are."""
    cut_m2, cuts = share * cycle.area_m2, max(_cuts_at(cycle, share), 1)
    spread = np.quantile(np.random.default_rng(1).standard_t(len(ends) - 1, 4000), (np.arange(DRAWS) + 0.5) / DRAWS)
    found = {}
    for name, values in (
        ("mean_area", [end.area_m2 for end in ends]),
        ("mean_cuts", [end.cuts * cut_m2 / cuts for end in ends]),
    ):
        reach = float(np.std(values, ddof=1)) * (1 + 1 / len(ends)) ** 0.5
        found[name] = float(np.mean(values)) + reach * spread
    return found


def _cuts_at(cycle: Ended, share: float) -> int:
    return sum(work.cuts for work in up_to(cycle.evidence, share * cycle.area_m2).works)


def _wear_at(cycle: Ended, model: JointFit, cut_m2: float, end: float) -> float:
    """The wear at an area of a cycle whose end was measured: its exposure in step with the rates of what it cut."""
    rate = {alloy: model.rate(alloy)[0] if alloy in model.names.alloys else 1.0 for alloy in _alloys(cycle.evidence)}
    whole = sum(work.area_m2 * rate[work.alloy] for work in cycle.evidence.works)
    part = sum(work.area_m2 * rate[work.alloy] for work in up_to(cycle.evidence, cut_m2).works)
    return float(course(np.array([end * part / whole]), *_bends(model)).wear[0])


def _alloys(evidence: CycleEvidence) -> set[str]:
    return {work.alloy for work in evidence.works}


def _exposure(model: JointFit, wear: float) -> float:
    return exposure_of(wear, *_bends(model))


def _bends(model: JointFit) -> tuple[float, float]:
    at = Layout(model.names).place
    return model.shared[at["break_in"].start], model.shared[at["last_stage"].start]


class Figures(NamedTuple):
    """Of forecasts of one quantity: mean size of the error and mean error, also as shares of the truth; the band.

    ``near`` is the share that lies within ``CONE`` of the truth (alpha-lambda accuracy, Saxena et al. 2008);
    ``widening`` is how many times as wide the ranges would have to be to hold the next one, None where too few tell.
    """

    number: int
    error: float
    bias: float
    error_share: float
    bias_share: float
    covered: float
    width: float
    near: float
    widening: float | None


def figures(pairs: Sequence[tuple[Quantity, float]]) -> Figures | None:
    """Figures of forecasts, each beside what came; None where there is none."""
    if not pairs:
        return None
    off = np.array([said.estimate - true for said, true in pairs])
    true = np.array([max(true, 1e-12) for _, true in pairs])
    return Figures(
        number=len(pairs),
        error=float(np.mean(np.abs(off))),
        bias=float(np.mean(off)),
        error_share=float(np.mean(np.abs(off)) / np.mean(true)),
        bias_share=float(np.mean(off) / np.mean(true)),
        covered=float(np.mean([said.low <= came <= said.high for said, came in pairs])),
        width=float(np.mean([said.high - said.low for said, _ in pairs])),
        near=float(np.mean(np.abs(off) <= CONE * true)),
        widening=widening(pairs),
    )


class Decision(NamedTuple):
    """Changes planned so that one in ten is late: how many were past the limit, and cuts left unused by the others."""

    number: int
    late: int
    wasted_cuts: float


def decision(plans: Sequence[Plan], name: str) -> Decision | None:
    """How the plans of the model or of a rule would have turned out."""
    if not plans:
        return None
    late = [plan.at_m2[name] > plan.life_m2 for plan in plans]
    wasted = [
        (plan.life_m2 - plan.at_m2[name]) * plan.cuts_per_m2 for plan, past in zip(plans, late, strict=True) if not past
    ]
    return Decision(len(plans), sum(late), float(np.mean(wasted)) if wasted else 0.0)


class Further(NamedTuple):
    """How much further off a plain rule is than the model, the mean of cycles and its standard error [m²]."""

    mean_m2: float
    error_m2: float


def further(told: Trial, rule: str) -> Further:
    """A rule beside the model over all shares of each cycle; below nought the rule comes nearer."""
    by_cycle: dict[tuple[str, int], list[float]] = {}
    for one in told.forecasts:
        off = abs(one.rules_m2[rule].estimate - one.left_m2) - abs(one.said_m2.estimate - one.left_m2)
        by_cycle.setdefault(one.cycle, []).append(off)
    means = [fmean(offs) for offs in by_cycle.values()]
    spread = stdev(means) if len(means) > 1 else inf
    return Further(fmean(means), spread / sqrt(len(means)))
