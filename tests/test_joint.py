"""The joint fit of wear and load, and where a running edge stands by it, on cycles whose truth is made here."""

from __future__ import annotations

import json
import math
import random
from dataclasses import dataclass, replace

import numpy as np
import pytest

from models.errors import collect, weigh
from models.evidence import BY_ALLOY, EFFECTS, USAGES, CycleEvidence, Reading, Work, design_of, names_of
from models.fitting import fit_joint
from models.forecast import quantity
from models.joint import Effects, JointFit, Layout, marks_of, run, slopes_of
from models.nested import Blocks, Nest, eliminate
from models.running import Standing, standing
from models.wearlaw import force_of

RATES = {"6063": 0.14, "6082": 0.20, "Cu": 0.44}
"""Exposure per m² at a mean cycle [limits]."""
LEVELS = {"6063": 7.5, "6082": 7.8, "Cu": 8.7}
EDGE_SHARE = {"6063": 0.65, "6082": 0.70, "Cu": 0.80}
STATED = {"6063": 1.0, "6082": 1.25, "Cu": 2.2}
KAPPA = 1.05
JOB_M2 = 0.16


@dataclass
class Made:
    """A cycle as told, its factor, and the true wear at its end [limits]."""

    evidence: CycleEvidence
    factor: float
    wear: float


def cycle(
    number: int, rng: np.random.Generator, until: float = 0.93, load: bool = True, spread: float = 0.22,
    factor: float | None = None, bench: float | None = 0.03, saws: tuple[str, ...] = ("S1",), blade: str | None = None,
    slow: float = 0.0, level: dict[str, float] | None = None, lag: float = 0.0, jobs_a_lot: int = 10**6,
) -> Made:  # fmt: skip
    """A cycle of jobs of one alloy each until a wear is reached; energies scatter by half a per cent a job.

    ``lag`` is the wear over which edge force follows it late.
    """
    c = math.exp(rng.normal(0, spread)) if factor is None else factor
    wear, works = 0.0, []
    while wear < until:
        alloy = str(rng.choice(list(RATES), p=[0.58, 0.29, 0.13]))
        area = JOB_M2 * rng.uniform(0.4, 1.6)
        more = c * RATES[alloy] * area
        saw = saws[min(int(len(saws) * wear / until), len(saws) - 1)]
        middle = wear + more / 2
        share = EDGE_SHARE[alloy]
        shown = late(middle, lag)
        log_u = (
            LEVELS[alloy] + math.log(1 - share + share * math.exp(slow) * (1 + KAPPA * shown)) + rng.normal(0, 0.005)
        )
        log_u += (level or {}).get(saw, 0.0)
        fz = -4.6 - slow
        travel = area * math.exp(4.6 + slow)
        lot = f"L{len(works) // jobs_a_lot}"
        works.append(Work(alloy, area, saw, f"P-{alloy}", lot, travel, 60 if load else 0, log_u, fz))
        wear += more
    readings = () if bench is None else (Reading(wear * math.exp(rng.normal(0, bench))),)
    return Made(CycleEvidence(blade or f"A-{number % 12}", number, tuple(works), readings), c, wear)


def late(wear: float, lag: float) -> float:
    """The wear that edge force shows where it follows late: y' = (x - y)/lag, y(0) = 0."""
    return wear - lag * (1 - math.exp(-wear / lag)) if lag else wear


def cycles(count: int, seed: int, **how: object) -> list[Made]:
    """Cycles of a shop that takes its blades off between 75 and 105 % of the limit."""
    rng = np.random.default_rng(seed)
    return [cycle(number, rng, until=rng.uniform(0.75, 1.05), **how) for number in range(count)]  # type: ignore[arg-type]


def fitted(made: list[Made], usage: str = BY_ALLOY) -> JointFit:
    """The fit of cycles."""
    evidence = [one.evidence for one in made]
    names = names_of(evidence, STATED, usage)
    return fit_joint(design_of(evidence, names), names)


def half(made: Made, share: float = 0.5) -> tuple[CycleEvidence, float]:
    """A cycle as it was told by a share of its stints, and its true wear then."""
    count = max(int(share * len(made.evidence.works)), 1)
    works = made.evidence.works[:count]
    return replace(made.evidence, blade="new", works=works, readings=()), made.factor * sum(
        RATES[work.alloy] * work.area_m2 for work in works
    )


def bare(evidence: CycleEvidence) -> CycleEvidence:
    """The evidence without its energies."""
    return replace(evidence, works=tuple(work._replace(loaded=0) for work in evidence.works))


def now(fit: JointFit, evidence: CycleEvidence) -> Standing:
    """Where it stands."""
    return standing(fit, evidence, STATED)


@pytest.mark.parametrize("bend", [0.0, -0.5])
def test_edge_force_that_follows_late_is_found_from_either_start(bend: float) -> None:
    """Break-in and last stage are nought here, at their bound; the search must not end in steps beyond it.

    It did: lots of bars then took the misfit upon themselves, and a quarter of a life was told a seventh too low.
    """
    lag = 0.22
    evidence = [made.evidence for made in cycles(30, 5, lag=lag, jobs_a_lot=4)]
    names = names_of(evidence, STATED)
    fit = fit_joint(design_of(evidence, names), names, {"bend": (bend, 0.3)})
    at = Layout(names).place
    bends = [fit.shared[at[name].start] for name in ("bend", "skew")]
    assert fit.shared[at["break_in"].start] == pytest.approx(0.0, abs=1e-6)
    for wear in (0.25, 0.5, 0.75):
        assert force_of(np.array([wear]), *bends).value[0] == pytest.approx(late(wear, lag) / late(1.0, lag), abs=0.02)
    assert fit.spreads.lot < 0.005


@pytest.mark.parametrize("load", [True, False])
def test_the_rates_of_a_known_shop_are_found(load: bool) -> None:
    """Sixty cycles: each rate within its 99 % interval, and their pattern within 12 %; not bent by the stopping."""
    errors = []
    for seed in range(3):
        fit = fitted(cycles(60, seed, load=load))
        for alloy, true in RATES.items():
            rate, error = fit.rate(alloy)
            assert abs(math.log(rate / true)) < 2.6 * error + 0.03
        errors.append([math.log(fit.rate(a)[0] / fit.rate("6063")[0] / RATES[a] * RATES["6063"]) for a in RATES])
    assert np.abs(np.mean(errors, axis=0)).max() < 0.12


@pytest.mark.parametrize(("count", "load"), [(5, True), (12, True), (12, False), (30, False)])
def test_nine_tenths_of_new_cycles_lie_in_the_band(count: int, load: bool) -> None:
    """Wear at half the way of cycles that the fit has not seen: at least the 99 % limit of a binomial count of 90 %."""
    inside = total = 0
    for seed in range(12):
        fit = fitted(cycles(count, seed, load=load))
        for made in cycles(6, 1000 + seed, load=load):
            evidence, truth = half(made)
            told = quantity(now(fit, evidence).wear)
            inside += told.low <= truth <= told.high
            total += 1
    assert inside >= 57, (inside, total)


def test_the_load_of_the_running_cycle_narrows_the_band_and_moves_it_to_the_truth() -> None:
    """A cycle that wears half as much again as a mean one: by area alone it looks like one, its load tells."""
    fit = fitted(cycles(30, 1))
    made = cycle(99, np.random.default_rng(5), factor=1.5)
    evidence, truth = half(made)
    plain, told = quantity(now(fit, bare(evidence)).wear), quantity(now(fit, evidence).wear)
    assert abs(told.estimate - truth) < 0.3 * abs(plain.estimate - truth)
    assert told.high - told.low < 0.5 * (plain.high - plain.low)
    assert told.low <= truth <= told.high


def test_a_slow_feed_is_not_taken_for_wear() -> None:
    """All cuts of a cycle at seven tenths of the feed: more energy, the same wear."""
    rng = np.random.default_rng(8)
    made = cycles(24, 3) + [cycle(number, rng, slow=0.36) for number in range(24, 30)]
    fit = fitted(made)
    evidence, truth = half(cycle(99, np.random.default_rng(6), factor=1.0, slow=0.36))
    told = quantity(now(fit, evidence).wear)
    assert told.estimate == pytest.approx(truth, abs=0.03)


def test_galling_and_a_hard_lot_are_not_taken_for_wear() -> None:
    """A quarter of the stints far too high, and a lot of bars that takes a fifth more: the estimate stays."""
    fit = fitted(cycles(30, 1))
    evidence, truth = half(cycle(99, np.random.default_rng(7), factor=1.0), 0.7)
    troubled = []
    for place, work in enumerate(evidence.works):
        more = 0.25 if place % 4 == 3 else 0.18 if place >= 15 and work.alloy == "6063" else 0.0
        lot = "hard" if place >= 15 and work.alloy == "6063" else work.lot
        troubled.append(work._replace(log_u=work.log_u + more, lot=lot))
    told = quantity(now(fit, replace(evidence, works=tuple(troubled))).wear)
    assert told.estimate == pytest.approx(truth, abs=0.04)
    assert told.low <= truth <= told.high


def test_each_saw_has_a_level_of_its_own_within_a_cycle() -> None:
    """A blade goes on to a saw whose meter reads a tenth more: that is no wear."""
    fit = fitted(cycles(30, 1))
    made = cycle(99, np.random.default_rng(9), factor=1.0, saws=("S1", "S2"), level={"S2": 0.10})
    evidence, truth = half(made, 0.9)
    told = quantity(now(fit, evidence).wear)
    assert told.estimate == pytest.approx(truth, abs=0.04)


def test_a_reading_of_another_cycle_bends_nothing() -> None:
    """Two of thirty bench readings are a third of what they should be: the rates stay within three per cent."""
    made = cycles(30, 4)
    wrong = [
        replace(m, evidence=replace(m.evidence, readings=(Reading(m.wear / 3),))) if number in (7, 19) else m
        for number, m in enumerate(made)
    ]
    right, bent = fitted(made), fitted(wrong)
    for alloy in RATES:
        assert bent.rate(alloy)[0] == pytest.approx(right.rate(alloy)[0], rel=0.03)


def test_cycles_that_were_merely_removed_are_not_taken_for_worn() -> None:
    """Life without a bench: removals by plan at two thirds of it say "at least", and do not shorten it."""
    told, wrong = [], []
    for seed in range(3, 9):
        rng = random.Random(seed)
        made = cycles(40, seed, load=False, bench=None)
        dull = Reading(1.0, "dull")
        whole, habit, naive = [], [], []
        for one in made:
            early = rng.random() < 0.5
            cut = replace(one.evidence, works=one.evidence.works[: int(0.66 * len(one.evidence.works))])
            whole.append(replace(one, evidence=replace(one.evidence, readings=(dull,))))
            early_end = replace(cut, readings=(Reading(1.0, "removed"),))
            habit.append(replace(one, evidence=early_end) if early else whole[-1])
            naive.append(replace(one, evidence=replace(cut, readings=(dull,))) if early else whole[-1])
        truth = fitted(whole).rate("6063")[0]
        told.append(math.log(fitted(habit).rate("6063")[0] / truth))
        wrong.append(math.log(fitted(naive).rate("6063")[0] / truth))
    assert abs(np.mean(told)) < 0.06
    assert np.mean(wrong) > 0.2


def test_the_order_of_cycles_does_not_matter_and_the_same_data_give_the_same_fit() -> None:
    """Shuffled and repeated, bit for bit; and through JSON and back."""
    made = cycles(15, 5)
    fit = fitted(made)
    random.Random(1).shuffle(made)
    assert fitted(made) == fit
    assert JointFit.from_json(json.loads(json.dumps(fit.to_json()))) == fit


def test_by_travel_a_slower_feed_wears_more() -> None:
    """The same area at seven tenths of the feed is ten sevenths of the way."""
    rng = np.random.default_rng(8)
    made = cycles(24, 3) + [cycle(number, rng, slow=0.36) for number in range(24, 30)]
    evidence = bare(half(cycle(99, np.random.default_rng(6), factor=1.0, slow=0.36))[0])
    by_area, by_travel = (quantity(now(fitted(made, usage), evidence).exposure).estimate for usage in USAGES[:2])
    assert by_travel / by_area == pytest.approx(math.exp(0.36), rel=0.12)


def test_an_alloy_that_no_cycle_has_cut_takes_its_stated_ratio_and_widens_the_band() -> None:
    """Unknown is not free of wear, and not sure."""
    fit = fitted(cycles(20, 7))
    known = standing(fit, CycleEvidence("new", 1, (Work("6063", 3.0, "S1"),)), STATED)
    unseen = standing(fit, CycleEvidence("new", 1, (Work("bronze", 0.6, "S1"),)), STATED | {"bronze": 5.0})
    one, other = quantity(known.exposure), quantity(unseen.exposure)
    assert other.estimate == pytest.approx(one.estimate, rel=0.35)
    assert other.high / other.low > 2 * one.high / one.low


def test_a_bench_reading_of_the_running_cycle_is_where_wear_starts_from() -> None:
    """Measured 0.6, and a little cut since: the wear is 0.6 and what a cycle of that factor adds."""
    fit = fitted(cycles(30, 1, load=False))
    works = (Work("6063", 3.0, "S1"), Work("6063", 0.3, "S1"))
    reading = Reading(0.6, area_m2=3.0)
    told = quantity(standing(fit, CycleEvidence("new", 1, works, (reading,)), STATED).wear)
    assert told.estimate == pytest.approx(0.66, rel=0.05)
    plain = quantity(standing(fit, CycleEvidence("new", 1, works), STATED).wear)
    assert told.high - told.low < 0.6 * (plain.high - plain.low)


def test_a_reading_in_the_middle_of_a_stint_splits_it() -> None:
    """The rows before and after it add up to the stint."""
    evidence = CycleEvidence("A", 1, (Work("6063", 3.0, "S1", loaded=9, log_u=7.0),), (Reading(0.2, area_m2=1.0),))
    design = design_of([evidence], names_of([evidence], STATED))
    assert list(design.x) == pytest.approx([1.0, 0.0, 2.0])
    assert list(design.reading) == [False, True, False]
    assert list(design.energy) == [False, False, True]


@pytest.mark.parametrize(
    ("works", "readings", "words"),
    [
        ((Work("6063", math.nan, "S1"),), (Reading(0.5),), "finite"),
        ((Work("6063", -1.0, "S1"),), (Reading(0.5),), "finite"),
        ((Work("6063", 1.0, "S1", loaded=5, log_u=math.inf),), (Reading(0.5),), "finite"),
        ((Work("6063", 1.0, "S1"),), (Reading(0.0),), "above zero"),
    ],
)
def test_broken_data_are_refused_with_words(works: tuple[Work, ...], readings: tuple[Reading, ...], words: str) -> None:
    """NaN is no number, and no wear is no reading."""
    evidence = [CycleEvidence("A", 1, works, readings)]
    with pytest.raises(ValueError, match=words):
        design_of(evidence, names_of(evidence, STATED))


def test_a_fresh_blade_stands_at_nought() -> None:
    """No stints yet: no wear, and what is left is a life."""
    fit = fitted(cycles(12, 4))
    told = standing(fit, CycleEvidence("new", 1, ()), STATED)
    assert told.exposure.max() == 0.0
    assert quantity(1 / told.rate("6063")).estimate == pytest.approx(1 / RATES["6063"], rel=0.25)


def test_the_derivatives_are_those_of_the_model() -> None:
    """Against differences, for every shared parameter and every effect."""
    made = cycles(4, 11, saws=("S1", "S2"))
    evidence = [one.evidence for one in made]
    names = names_of(evidence, STATED)
    layout, rng = Layout(names), np.random.default_rng(2)
    design = design_of(evidence, names)
    design = replace(design, hard=np.where(design.half > 0, rng.uniform(0, 0.2, len(design.x)), 0.0))
    shared = layout.prior(names, 7.5)[0] + rng.normal(0, 0.05, layout.size)
    shared[layout.place["base"]] = math.log(0.09)
    shared[layout.place["break_in"]], shared[layout.place["last_stage"]] = 0.05, 0.1
    blades, own = rng.normal(0, 0.1, (len(design.blades), 3)), rng.normal(0, 0.1, (len(design.cycles), EFFECTS))
    start = np.full(len(design.cycles), 0.1)

    def value(s: np.ndarray, b: np.ndarray, c: np.ndarray) -> np.ndarray:
        return run(s, Effects(b, c), design, layout, start).value

    effects = Effects(blades, own)
    told = run(shared, effects, design, layout, start)
    slopes = slopes_of(told, effects, design, layout, marks_of(design, layout))
    used = design.energy | design.reading
    for place in range(layout.size):
        step = np.zeros(layout.size)
        step[place] = 1e-5
        by = (value(shared + step, blades, own) - value(shared - step, blades, own)) / 2e-5
        assert slopes[used, place] == pytest.approx(by[used], abs=1e-5)
    for place in range(EFFECTS):
        step = np.zeros_like(own)
        step[:, place] = 1e-5
        by = (value(shared, blades, own + step) - value(shared, blades, own - step)) / 2e-5
        assert slopes[used, layout.size + 3 + place] == pytest.approx(by[used], abs=1e-5)
    for place in (1, 2):
        step = np.zeros_like(blades)
        step[:, place] = 1e-5
        by = (value(shared, blades + step, own) - value(shared, blades - step, own)) / 2e-5
        assert slopes[used, layout.size + place] == pytest.approx(by[used], abs=1e-5)


def test_eliminating_block_by_block_solves_the_whole_system() -> None:
    """Step and covariances equal those of one dense solve."""
    rng = np.random.default_rng(3)
    cycle_of = np.repeat(np.arange(6), [4, 3, 5, 4, 6, 3])
    blade_of = np.array([0, 0, 1, 1, 1, 2])
    n, e, g = len(cycle_of), 4, 5
    by_cycle, by_blade, by_shared = (rng.normal(size=(n, size)) for size in (e, 3, g))
    off, weights = rng.normal(size=n), rng.uniform(0.5, 2, n)
    nest = Nest.of(cycle_of, blade_of, 3)
    tie, own = np.full((6, e), 2.0), rng.normal(size=(6, e))
    blade_precision, blade_off = np.array([3.0, 4.0, 5.0]), rng.normal(size=(3, 3))
    shared_precision, shared_off = np.full(g, 1.5), rng.normal(size=g)
    solved = eliminate(
        Blocks.of_rows(off, weights, np.hstack([by_shared, by_blade, by_cycle]), g, nest).with_priors(
            tie, own, blade_precision, blade_off, shared_precision, shared_off, nest
        ),
        nest,
    )
    size = 6 * e + 9 + g
    rows = np.zeros((n, size))
    for i in range(n):
        rows[i, cycle_of[i] * e : cycle_of[i] * e + e] = by_cycle[i]
        first = 6 * e + 3 * blade_of[cycle_of[i]]
        rows[i, first : first + 3] = by_blade[i]
        rows[i, 6 * e + 9 :] = by_shared[i]
    normal = rows.T @ (weights[:, None] * rows)
    gradient = rows.T @ (weights * off)
    for c in range(6):
        for k in range(e):
            towards = np.zeros(size)
            towards[c * e + k] = 1.0
            if k == 0:
                towards[6 * e + 3 * blade_of[c]] = -1.0
            normal += 2.0 * np.outer(towards, towards)
            gradient -= 2.0 * own[c, k] * towards
    for b in range(3):
        for k in range(3):
            normal[6 * e + 3 * b + k, 6 * e + 3 * b + k] += blade_precision[k]
            gradient[6 * e + 3 * b + k] -= blade_precision[k] * blade_off[b, k]
    for k in range(g):
        normal[6 * e + 9 + k, 6 * e + 9 + k] += 1.5
        gradient[6 * e + 9 + k] -= 1.5 * shared_off[k]
    inverse = np.linalg.inv(normal)
    step = inverse @ gradient
    assert solved.cycles.reshape(-1) == pytest.approx(step[: 6 * e])
    assert solved.blades.reshape(-1) == pytest.approx(step[6 * e : 6 * e + 9])
    assert solved.shared == pytest.approx(step[6 * e + 9 :])
    assert solved.shared_covariance == pytest.approx(inverse[6 * e + 9 :, 6 * e + 9 :])
    assert solved.blade_variance.reshape(-1) == pytest.approx(np.diag(inverse)[6 * e : 6 * e + 9])
    assert solved.cycle_variance.reshape(-1) == pytest.approx(np.diag(inverse)[: 6 * e])
    beside = np.zeros(size)
    beside[0], beside[6 * e] = 1.0, -1.0
    assert solved.own_variance[0] == pytest.approx(beside @ inverse @ beside)


def test_a_lot_offset_that_is_eliminated_is_the_one_that_would_be_fitted() -> None:
    """The weights of rows and lots give the same equations as an offset of its own for each lot."""
    made = cycles(2, 6)
    evidence = [one.evidence for one in made]
    names = names_of(evidence, STATED)
    design = design_of(evidence, names)
    lots = collect(design)
    off = np.random.default_rng(1).normal(0, 0.01, len(design.x))
    from models.errors import HARD_SPREAD, Spreads, lot_sureness, variances_of, with_lots

    spreads = Spreads()
    variances = variances_of(design, np.ones(len(design.cycles)), spreads)
    found = weigh(design, off, lots, np.zeros(lots.shape[0]), variances, spreads)
    slope = np.random.default_rng(2).normal(size=(len(design.x), 1))
    wide = with_lots(lots, found.rows, slope)
    both = np.concatenate([found.rows, found.lots])
    lean = float((wide.T @ (both[:, None] * wide))[0, 0])
    each = np.hstack([slope, np.eye(lots.shape[0])[design.lot] * (design.lot >= 0)[:, None]])
    full = each.T @ (found.rows[:, None] * each)
    plain, _ = lot_sureness(np.zeros(lots.shape[0]), spreads)
    full[1:, 1:] += np.diag(plain / spreads.lot**2 + (1 - plain) / HARD_SPREAD**2)
    assert lean == pytest.approx(full[0, 0] - full[0, 1:] @ np.linalg.solve(full[1:, 1:], full[1:, 0]))
