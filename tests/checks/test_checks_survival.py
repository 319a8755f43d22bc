"""Lives and their costs against published examples and reference libraries."""

from __future__ import annotations

import math

import numpy as np
import pytest

from models.survival import (
    Cause,
    age_replacement,
    compare,
    incidence,
    kaplan_meier,
    median_life,
    weibull,
)

BEARINGS = [
    17.88, 28.92, 33.00, 41.52, 42.12, 45.60, 48.40, 51.84, 51.96, 54.12, 55.56, 67.80, 68.64, 68.64, 68.88, 84.12,
    93.12, 98.64, 105.12, 105.84, 127.92, 128.04, 173.40,
]  # fmt: skip
"""Lieblein & Zelen 1956, 23 deep-groove ball bearings, millions of revolutions."""

ABSORBERS = [
    (6700, 1), (6950, 0), (7820, 0), (8790, 0), (9120, 1), (9660, 0), (9820, 0), (11310, 0), (11690, 0), (11850, 0),
    (11880, 0), (12140, 0), (12200, 1), (12870, 0), (13150, 1), (13330, 0), (13470, 0), (14040, 0), (14300, 1),
    (17520, 1), (17540, 0), (17890, 0), (18450, 0), (18960, 0), (18980, 0), (19410, 0), (20100, 1), (20100, 0),
    (20150, 0), (20320, 0), (20900, 1), (22700, 1), (23490, 0), (26510, 1), (27410, 0), (27490, 1), (27890, 0),
    (28100, 0),
]  # fmt: skip
"""O'Connor 1985; Meeker & Escobar, Statistical Methods for Reliability Data, 1998, table C.2: 38 absorbers [km]."""

FANS = [
    (450, 1), (460, 0), (1150, 1), (1150, 1), (1560, 0), (1600, 1), (1660, 0), (1850, 0), (1850, 0), (1850, 0),
    (1850, 0), (1850, 0), (2030, 0), (2030, 0), (2030, 0), (2070, 1), (2070, 1), (2080, 1), (2200, 0), (3000, 0),
    (3000, 0), (3000, 0), (3000, 0), (3100, 1), (3200, 0), (3450, 1), (3750, 0), (3750, 0), (4150, 0), (4150, 0),
    (4150, 0), (4150, 0), (4300, 0), (4300, 0), (4300, 0), (4300, 0), (4600, 1), (4850, 0), (4850, 0), (4850, 0),
    (4850, 0), (5000, 0), (5000, 0), (5000, 0), (6100, 1), (6100, 0), (6100, 0), (6100, 0), (6300, 0), (6450, 0),
    (6450, 0), (6700, 0), (7450, 0), (7800, 0), (7800, 0), (8100, 0), (8100, 0), (8200, 0), (8500, 0), (8500, 0),
    (8500, 0), (8750, 1), (8750, 0), (8750, 0), (9400, 0), (9900, 0), (10100, 0), (10100, 0), (10100, 0), (11500, 0),
]  # fmt: skip
"""Nelson, Applied Life Data Analysis, 1982: 70 diesel generator fans [h], 12 of them failed."""

SIX_MP = [
    (6, 1), (6, 1), (6, 1), (6, 0), (7, 1), (9, 0), (10, 1), (10, 0), (11, 0), (13, 1), (16, 1), (17, 0), (19, 0),
    (20, 0), (22, 1), (23, 1), (25, 0), (32, 0), (32, 0), (34, 0), (35, 0),
]  # fmt: skip
"""Freireich et al. 1963, Gehan 1965: weeks of remission of 21 patients."""


def test_weibull_of_the_ball_bearings() -> None:
    """Lieblein & Zelen 1956; shape 2.102, scale 81.88 as Lawless, Statistical Models and Methods, prints them."""
    fit = weibull(BEARINGS, np.ones(23))
    assert fit.shape == pytest.approx(2.1018, abs=2e-4)
    assert fit.scale == pytest.approx(81.8745, abs=2e-3)
    assert fit.log_likelihood == pytest.approx(-113.691, abs=2e-3)
    assert fit.quantile(0.1) == pytest.approx(28.065, abs=5e-3)
    assert float(fit.survival(50.0)) == pytest.approx(0.70140, abs=2e-5)
    assert fit.covariance[0, 0] ** 0.5 * fit.scale == pytest.approx(8.601, abs=5e-3)
    assert fit.covariance[1, 1] ** 0.5 * fit.shape == pytest.approx(0.3287, abs=5e-4)


def test_weibull_of_the_censored_shock_absorbers() -> None:
    """Meeker & Escobar 1998, example 8.1: μ 10.23, σ 0.3164, eleven of 38 failed (from memory, reproduced)."""
    fit = weibull(*zip(*ABSORBERS, strict=True))
    assert (fit.lives, fit.ends) == (38, 11)
    assert fit.location[0] == pytest.approx(10.230, abs=5e-4)
    assert fit.spread == pytest.approx(0.3164, abs=2e-4)
    assert fit.log_likelihood == pytest.approx(-123.995, abs=5e-3)
    assert fit.quantile(0.1) == pytest.approx(13_600, rel=1e-3)


def test_weibull_of_the_fans_is_close_to_no_ageing() -> None:
    """Nelson 1982: Weibull shape 1.058, scale 26 297 h; hours a failure 344 440 / 12 = 28 703."""
    hours, failed = zip(*FANS, strict=True)
    fit = weibull(hours, failed)
    assert (fit.lives, fit.ends, sum(hours)) == (70, 12, 344_440)
    assert fit.shape == pytest.approx(1.0584, abs=2e-4)
    assert fit.scale == pytest.approx(26_296.8, rel=1e-4)


def test_kaplan_meier_of_the_remissions() -> None:
    """Freireich et al. 1963: .857, .807, .753, .690, .628, .538, .448 at 6, 7, 10, 13, 16, 22, 23 weeks; median 23."""
    steps = kaplan_meier(*zip(*SIX_MP, strict=True))
    assert [step.life for step in steps] == [6, 7, 10, 13, 16, 22, 23]
    printed = [0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482]
    assert [step.survival for step in steps] == pytest.approx(printed, abs=5e-5)
    assert median_life(steps) == 23


def test_kaplan_meier_is_the_reference_librarys() -> None:
    """statsmodels' product-limit estimate and Greenwood's errors."""
    from statsmodels.duration.survfunc import SurvfuncRight

    weeks, ended = (np.array(column) for column in zip(*SIX_MP, strict=True))
    reference = SurvfuncRight(weeks, ended)
    steps = kaplan_meier(weeks, ended)
    assert [step.survival for step in steps] == pytest.approx(list(reference.surv_prob))
    assert [step.error for step in steps] == pytest.approx(list(reference.surv_prob_se))


NELSON = {
    0.87: [1.67, 2.2, 2.51, 3.0, 3.9, 4.7, 7.53, 14.7, 27.76, 37.4],
    0.99: [0.8, 1.0, 1.37, 2.25, 2.95, 3.7, 6.07, 6.65, 7.05, 7.37],
    1.09: [0.18, 0.2, 0.24, 0.26, 0.32, 0.32, 0.42, 0.44, 0.88],
    1.18: [0.073, 0.098, 0.117, 0.135, 0.175, 0.262, 0.27, 0.35, 0.386, 0.456],
}  # fmt: skip
"""Nelson, Accelerated Testing, 1990, page 305: load and lives [millions of revolutions] of rolling bearings."""


def test_life_against_load_of_nelsons_bearings() -> None:
    """Nelson, Accelerated Testing, 1990, page 305: log life = 0.8323 - 13.853 ln(load), extreme value scale 0.8043."""
    load = np.array([load for load, lives in NELSON.items() for _ in lives])
    life = np.concatenate([np.array(lives) for lives in NELSON.values()])
    ended = np.ones(len(life))
    fit = weibull(life, ended, np.column_stack([np.ones(len(load)), np.log(load)]))
    assert fit.location == pytest.approx([0.8323, -13.8529], abs=2e-3)
    assert fit.spread == pytest.approx(0.8043, abs=2e-4)
    assert fit.log_likelihood == pytest.approx(-54.139, abs=5e-3)
    assert np.sqrt(np.diag(fit.covariance))[:2] == pytest.approx([0.1410, 1.2333], abs=2e-3)


@pytest.mark.parametrize(
    ("scale", "shape", "planned", "failed", "age", "rate"),
    [
        (1000, 2.5, 1, 5, 493.0470, 0.003462043),
        (1000, 2, 1, 10, 336.4512, 0.006056121),
        (1000, 2, 1, 5, 510.6552, 0.004085242),
        (1000, 3, 1, 10, 382.4555, 0.003949350),
        (1, 2, 1, 2, 1.0907970, 2.1815939),
    ],
)
def test_age_replacement_against_libraries(
    scale: float, shape: float, planned: float, failed: float, age: float, rate: float
) -> None:
    """The packages relife 3.0.0 and reliability 0.9.0 give T* 493.047 and 493.19, C* 0.0034620 for the first.

    The optimality condition h(T)·∫R - F(T) = planned/(failed - planned) of Barlow & Proschan 1965 gives the others.
    """
    best = age_replacement(planned, [Cause(shape, scale, failed)])
    assert best.age == pytest.approx(age, rel=2e-6)
    assert best.rate == pytest.approx(rate, rel=2e-7)
    assert best.flat is not None
    assert best.flat[0] < age < best.flat[1]
    for edge in (edge for edge in best.flat if math.isfinite(edge)):
        grid = np.linspace(0, edge, 20_001)
        lasting = np.exp(-((grid / scale) ** shape))
        total = float(np.sum((lasting[1:] + lasting[:-1]) / 2) * grid[1])
        assert (planned * lasting[-1] + failed * (1 - lasting[-1])) / total == pytest.approx(1.05 * rate, rel=1e-5)


def test_run_to_failure_costs_failed_over_mean_life() -> None:
    """Weibull mean η·Γ(1 + 1/β); without ageing waiting always pays."""
    best = age_replacement(1.0, [Cause(2.5, 1000.0, 5.0)])
    assert best.run_out == pytest.approx(0.005635302, rel=1e-6)
    assert best.run_out == pytest.approx(5 / (1000 * math.gamma(1.4)), rel=1e-6)
    assert age_replacement(1.0, [Cause(1.0, 1000.0, 5.0)]).age is None


def test_causes_that_compete_share_their_hazard() -> None:
    """Two causes of one shape are one of the summed hazard: η (1/η₁^β + 1/η₂^β)^(-1/β)."""
    both = age_replacement(1.0, [Cause(2.5, 1500.0, 5.0), Cause(2.5, 1200.0, 5.0)])
    one = age_replacement(1.0, [Cause(2.5, (1500**-2.5 + 1200**-2.5) ** (-1 / 2.5), 5.0)])
    assert (both.age, both.rate) == pytest.approx((one.age, one.rate), rel=1e-5)


def test_incidence_of_competing_ends_adds_up_with_survival() -> None:
    """Aalen-Johansen: shares by cause and the Kaplan-Meier share that lasts make one; by hand for four lives."""
    lives, causes = [1.0, 2.0, 3.0, 4.0], ["wear", "chipped", None, "wear"]
    assert incidence(lives, causes) == {"chipped": 0.25, "wear": 0.75}
    rng = np.random.default_rng(3)
    lives = list(rng.weibull(2, 60))
    drawn = [str(c) if c != "none" else None for c in rng.choice(["wear", "chipped", "none"], 60)]
    lasting = kaplan_meier(lives, [c is not None for c in drawn])[-1].survival
    assert sum(incidence(lives, drawn).values()) + lasting == pytest.approx(1.0)


def test_a_comparison_covers_the_truth_as_often_as_it_says_and_stays_undecided() -> None:
    """300 trials of two groups of eight whose lives are alike: the 90 % interval holds 1 in 85 to 95 %."""
    rng, held = np.random.default_rng(5), 0
    for _ in range(300):
        lives, ended = rng.weibull(3, 16), rng.random(16) < 0.8
        second = np.arange(16) % 2 == 1
        if min((ended & second).sum(), (ended & ~second).sum()) < 3:
            held += 1
            continue
        held += not compare(lives, ended, second).decided
    assert 0.85 <= held / 300 <= 0.95
    told = compare(np.append(rng.weibull(3, 15), 2 * rng.weibull(3, 15)), np.ones(30), np.arange(30) >= 15)
    assert told.decided
    assert told.low < 2 < told.high


def test_lives_that_cannot_be_are_refused() -> None:
    """With what was found and expected."""
    with pytest.raises(ValueError, match="above nought"):
        weibull([1.0, 0.0, 2.0], [1, 1, 1])
    with pytest.raises(ValueError, match="2 of 3 lives have ended; expected 3"):
        weibull([1.0, 2.0, 3.0], [1, 1, 0])
    with pytest.raises(ValueError, match="3 and 2 lives"):
        compare([1.0, 2.0, 3.0, 4.0, 5.0], np.ones(5), [0, 0, 0, 1, 1])
