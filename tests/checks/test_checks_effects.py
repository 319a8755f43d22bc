"""Outside checks of effects within groups, of a running edge as a filter, and of the figures of forecasts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from mapie.regression import SplitConformalRegressor
from sklearn.linear_model import LinearRegression
from test_joint import cycle, cycles, fitted

from models.conformal import bound, widening
from models.errors import weigh, with_lots
from models.forecast import Quantity
from models.joint import slopes_of
from models.nested import Blocks, Nest, eliminate
from models.running import _Ground
from models.validation import figures

pytestmark = pytest.mark.outside

SLEEP = np.array([
    [249.5600, 258.7047, 250.8006, 321.4398, 356.8519, 414.6901, 382.2038, 290.1486, 430.5853, 466.3535],
    [222.7339, 205.2658, 202.9778, 204.7070, 207.7161, 215.9618, 213.6303, 217.7272, 224.2957, 237.3142],
    [199.0539, 194.3322, 234.3200, 232.8416, 229.3074, 220.4579, 235.4208, 255.7511, 261.0125, 247.5153],
    [321.5426, 300.4002, 283.8565, 285.1330, 285.7973, 297.5855, 280.2396, 318.2613, 305.3495, 354.0487],
    [287.6079, 285.0000, 301.8206, 320.1153, 316.2773, 293.3187, 290.0750, 334.8177, 293.7469, 371.5811],
    [234.8606, 242.8118, 272.9613, 309.7688, 317.4629, 309.9976, 454.1619, 346.8311, 330.3003, 253.8644],
    [283.8424, 289.5550, 276.7693, 299.8097, 297.1710, 338.1665, 332.0265, 348.8399, 333.3600, 362.0428],
    [265.4731, 276.2012, 243.3647, 254.6723, 279.0244, 284.1912, 305.5248, 331.5229, 335.7469, 377.2990],
    [241.6083, 273.9472, 254.4907, 270.8021, 251.4519, 254.6362, 245.4523, 235.3110, 235.7541, 237.2466],
    [312.3666, 313.8058, 291.6112, 346.1222, 365.7324, 391.8385, 404.2601, 416.6923, 455.8643, 458.9167],
    [236.1032, 230.3167, 238.9256, 254.9220, 250.7103, 269.7744, 281.5648, 308.1020, 336.2806, 351.6451],
    [256.2968, 243.4543, 256.2046, 255.5271, 268.9165, 329.7247, 379.4445, 362.9184, 394.4872, 389.0527],
    [250.5265, 300.0576, 269.8939, 280.5891, 271.8274, 304.6336, 287.7466, 266.5955, 321.5418, 347.5655],
    [221.6771, 298.1939, 326.8785, 346.8555, 348.7402, 352.8287, 354.4266, 360.4326, 375.6406, 388.5417],
    [271.9235, 268.4369, 257.2424, 277.6566, 314.8222, 317.2135, 298.1353, 348.1229, 340.2800, 366.5131],
    [225.2640, 234.5235, 238.9008, 240.4730, 267.5373, 344.1937, 281.1481, 347.5855, 365.1630, 372.2288],
    [269.8804, 272.4428, 277.8989, 281.7895, 279.1705, 284.5120, 259.2658, 304.6306, 350.7807, 369.4692],
    [269.4117, 273.4740, 297.5968, 310.6316, 287.1726, 329.6076, 334.4818, 343.2199, 369.1417, 364.1236],
])  # fmt: skip
"""Belenky et al. 2003, reaction times [ms] of eighteen people after nought to nine days of little sleep (lme4)."""


def test_random_slopes_of_the_sleep_study() -> None:
    """Bates et al. 2015, Fitting Linear Mixed-Effects Models Using lme4: 251.405 (6.825) and 10.467 (1.546) by REML.

    With the variances printed there (612.10, 35.07, covariance 9.605, residual 654.94) as known.
    """
    people, days = SLEEP.shape
    person, day = np.repeat(np.arange(people), days), np.tile(np.arange(days, dtype=float), people)
    fixed = np.column_stack([np.ones(len(day)), day])
    own = fixed @ np.linalg.cholesky(np.array([[612.10, 9.605], [9.605, 35.07]]))
    nest = Nest.of(person, np.arange(people), people)
    no_cycles = np.zeros((len(day), 1))
    slopes = np.column_stack([fixed, no_cycles, own, no_cycles])
    blocks = Blocks.of_rows(SLEEP.ravel(), np.full(len(day), 1 / 654.94), slopes, 2, nest).with_priors(
        cycle_precision=np.ones((people, 1)), cycle_off=np.zeros((people, 1)), blade_precision=np.ones(3),
        blade_off=np.zeros((people, 3)), shared_precision=np.full(2, 1e-12), shared_off=np.zeros(2), nest=nest,
    )  # fmt: skip
    solved = eliminate(blocks, nest)
    assert solved.shared == pytest.approx([251.4051, 10.46729], rel=1e-5)
    assert np.sqrt(np.diag(solved.shared_covariance)) == pytest.approx([6.8246, 1.5458], rel=1e-4)


def test_accuracy_within_a_cone_of_what_is_left() -> None:
    """Saxena et al. 2008, Metrics for Evaluating Performance of Prognostic Techniques: α 0.2, end at 100.

    Predictions 130, 112, 108, 103 at 0, 25, 50, 75: the first is outside the cone, the others inside.
    """
    told = [(Quantity(said - at, 0, 0, 0), 100.0 - at) for at, said in ((0, 130), (25, 112), (50, 108), (75, 103))]
    assert [found.near for pair in told if (found := figures([pair])) is not None] == [0, 1, 1, 1]
    whole = figures(told)
    assert whole is not None
    assert whole.near == 0.75


def filtered(x: np.ndarray, p: np.ndarray, rows: np.ndarray, y: np.ndarray, variance: np.ndarray) -> None:
    """Take measurements one after the other into a state that stands still (Q = 0); ``x`` and ``p`` are changed.

    Kalman 1960, A New Approach to Linear Filtering and Prediction Problems; in Joseph's form.
    """
    for h, value, r in zip(rows, y, variance, strict=True):
        gain = p @ h / (h @ p @ h + r)
        keep = np.eye(len(x)) - np.outer(gain, h)
        x += gain * (value - h @ x)
        p[:] = keep @ p @ keep.T + r * np.outer(gain, gain)


def test_a_filter_without_noise_of_state_is_least_squares() -> None:
    """Wear read forty times: slope 0.0019744, its error 6.8487e-05 = σ/√Sxx (textbook identity, worked by hand)."""
    n = np.arange(1, 41, dtype=float)
    z = np.random.default_rng(1).normal(0.05 + 0.002 * n, 0.005)
    rows, variance = np.column_stack([np.ones(40), n]), np.full(40, 2.5e-5)
    x, p = np.zeros(2), np.diag([1e4, 1e4])
    filtered(x, p, rows, z, variance)
    nest = Nest.of(np.zeros(40, int), np.zeros(1, int), 1)
    blocks = Blocks.of_rows(z, 1 / variance, np.hstack([rows, np.zeros((40, 4))]), 2, nest).with_priors(
        cycle_precision=np.ones((1, 1)), cycle_off=np.zeros((1, 1)), blade_precision=np.ones(3),
        blade_off=np.zeros((1, 3)), shared_precision=np.full(2, 1e-12), shared_off=np.zeros(2), nest=nest,
    )  # fmt: skip
    solved = eliminate(blocks, nest)
    assert solved.shared[1] == pytest.approx(0.0019744, abs=5e-8)
    assert np.sqrt(solved.shared_covariance[1, 1]) == pytest.approx(6.8487e-05, rel=1e-4)
    assert solved.shared == pytest.approx(x, rel=1e-6)
    assert solved.shared_covariance == pytest.approx(p, rel=1e-5)


def test_where_a_running_edge_stands_is_what_a_filter_says_that_takes_stint_after_stint() -> None:
    """Same prior, same weights, each lot an offset of its own: means and covariances of both agree."""
    fit = fitted(cycles(12, 8))
    made = cycle(99, np.random.default_rng(3), until=0.7, bench=None)
    works = tuple(work._replace(lot=f"L{number // 4}") for number, work in enumerate(made.evidence.works))
    search = _Ground.of(fit, fit.names).search(replace(made.evidence, blade="new", works=works))
    z = search.climb(search.centre).middle
    place = search.settled(z)
    normal, gradient = search.linearised(place)

    slopes = slopes_of(place.told, search._effects(z), search.design, search.layout, search.marks)
    off = search.design.y - place.told.value
    weighed = weigh(search.design, off, search.lots, place.offsets, search.variances, search.spreads)
    total = search.lots @ weighed.rows
    lots, size = len(total), len(z)
    assert lots > 3
    given = normal - slopes.T @ (weighed.rows[:, None] * slopes)  # without rows: priors, less the lots
    means = with_lots(search.lots, weighed.rows, slopes)[len(off) :]
    prior = given - means.T @ (weighed.lots[:, None] * means)
    all_off = with_lots(search.lots, weighed.rows, off)
    pull = gradient - np.vstack([slopes, means]).T @ (np.concatenate([weighed.rows, weighed.lots]) * all_off)
    p = np.zeros((size + lots, size + lots))
    p[:size, :size] = np.linalg.inv(prior)
    p[size:, size:] = np.diag(1 / (total**2 / -weighed.lots - total))  # the variance of a lot beforehand
    x = np.concatenate([p[:size, :size] @ pull, np.zeros(lots)])
    of_lot = search.lots @ np.eye(len(off)) > 0
    filtered(x, p, np.hstack([slopes, of_lot.T.astype(float)]), off, 1 / weighed.rows)
    assert x[:size] == pytest.approx(np.linalg.solve(normal, gradient), abs=1e-7)
    assert p[:size, :size] == pytest.approx(np.linalg.inv(normal), rel=1e-5, abs=1e-10)


def test_split_conformal_is_the_hand_result_and_that_of_mapie() -> None:
    """Lei et al. 2018: the ⌈100 · 0.9⌉ = 90th smallest of 99 residuals is MAPIE's half width; eight are too few."""
    rng = np.random.default_rng(0)
    area = rng.uniform(1, 8, 199)[:, None]
    wear = 0.03 * area[:, 0] + rng.normal(0, 0.008, 199)
    line = LinearRegression().fit(area[:100], wear[:100])
    scores = np.abs(wear[100:] - line.predict(area[100:]))
    mapie = SplitConformalRegressor(line, confidence_level=0.9, prefit=True).conformalize(area[100:], wear[100:])
    middle, ranges = mapie.predict_interval(area[:5])
    half = bound(list(scores))
    assert half == sorted(scores)[89]
    assert ranges[:, 1, 0] - middle == pytest.approx(np.full(5, half), rel=1e-12)
    assert bound(list(scores[:8])) is None
    assert bound(list(scores[:9])) == max(scores[:9])


def test_widened_ranges_hold_nine_in_ten_of_what_comes_next() -> None:
    """Ranges half as wide as they should be, thirty to learn from: the next is held in 0.9 to 0.95 of 4 000 trials."""
    rng, held = np.random.default_rng(5), 0
    for _ in range(4000):
        middle, came = rng.normal(0, 1, 31), rng.normal(0, 1, 31)
        pairs = [(Quantity(m, m - 1.2, m + 1.2, m), m + c) for m, c in zip(middle, came, strict=True)]
        factor = widening(pairs[:30])
        assert factor is not None
        held += abs(pairs[30][1] - middle[30]) <= 1.2 * factor
    assert 0.885 <= held / 4000 <= 0.95
