"""Two wrong explanations that look like true ones: work that nobody recorded, and a blade that is unlike the others."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from test_joint import EDGE_SHARE, KAPPA, RATES, Made, cycles, fitted

from models.errors import usual
from models.evidence import CycleEvidence


def steeper(made: Made, rise: float) -> CycleEvidence:
    """The cycle on a blade whose edge force rises so many times as much."""
    works, wear = [], 0.0
    for work in made.evidence.works:
        step = made.factor * RATES[work.alloy] * work.area_m2
        share, middle = EDGE_SHARE[work.alloy], wear + step / 2
        more = math.log(1 - share + share * (1 + KAPPA * rise * middle)) - math.log(1 + share * KAPPA * middle)
        works.append(work._replace(log_u=work.log_u + more))
        wear += step
    return replace(made.evidence, works=tuple(works))


@pytest.mark.parametrize("seed", [0, 3, 4, 7])
def test_work_that_nobody_recorded_is_not_laid_to_the_blade(seed: int) -> None:
    """A quarter of a cycle is missing before its end: its reading is doubted, its blade rises like all others."""
    made = cycles(16, seed)
    works = made[14].evidence.works
    told = replace(made[14].evidence, blade="X", works=works[: len(works) * 7 // 10] + works[len(works) * 19 // 20 :])
    others = [one for number, one in enumerate(made) if number != 14]
    fit = fitted([*others, replace(made[14], evidence=told)])
    assert abs(fit.blades["X"].mean[1]) < 0.05
    assert fit.spreads.edge < 0.045


@pytest.mark.parametrize("seed", [1, 3])
def test_a_blade_unlike_the_others_is_not_taken_for_a_wrong_reading(seed: int) -> None:
    """Blades differ by a quarter; one whose load rises 1.65 times as much is known by its first cycle."""
    rises = np.exp(np.random.default_rng(seed + 50).normal(0, 0.25, 12))
    made = [replace(one, evidence=steeper(one, rises[n % 12])) for n, one in enumerate(cycles(16, seed))]
    odd = steeper(cycles(16, seed)[15], 1.65)
    fit = fitted([*made[:15], replace(made[15], evidence=replace(odd, blade="Y"))])
    assert fit.blades["Y"].mean[1] == pytest.approx(math.log(1.65), abs=0.12)


def test_the_spread_of_blades_is_that_of_most_of_them() -> None:
    """Two hundred known effects of spread 0.1: within 10 %; one twenty times as far moves it by less than 3 %."""
    effects = np.random.default_rng(3).normal(0, 0.1, (200, 1))
    odd = np.vstack([effects, [[2.0]]])
    found = []
    for rows in (effects, odd):
        spread = np.array([0.3])
        for _ in range(60):
            squares, counts = usual(rows, np.full(rows.shape, 1e-8), spread)
            spread = np.sqrt(np.sum(squares, axis=0) / np.sum(counts, axis=0))
        found.append(spread[0])
    assert found[0] == pytest.approx(0.1, rel=0.1)
    assert found[1] == pytest.approx(found[0], rel=0.03)


def test_effects_of_which_nothing_is_known_do_not_widen_their_spread() -> None:
    """Means of nought, as uncertain as the spread itself: it stays what it was."""
    spread = np.array([0.07])
    squares, counts = usual(np.zeros((5, 1)), np.full((5, 1), 0.07**2), spread)
    assert np.sqrt(np.sum(squares) / np.sum(counts)) == pytest.approx(0.07, rel=1e-3)
