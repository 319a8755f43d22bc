"""Two wrong explanations that look like true ones: work that nobody recorded, and a blade that is unlike the others."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from test_joint import EDGE_SHARE, KAPPA, RATES, Made, cycles, fitted

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
