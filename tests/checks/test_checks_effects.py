"""Outside checks of effects within groups, and of the figures of forecasts."""

from __future__ import annotations

import numpy as np
import pytest

from models.forecast import Quantity
from models.nested import Blocks, Nest, eliminate
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
