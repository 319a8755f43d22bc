"""Spares, sections and weights against published tables and reference libraries."""

from __future__ import annotations

import pytest
from scipy import stats

from bladewatch.config.sections import section_of
from models.sections import angle, box, channel, from_mass, hexagon, mitred, rectangle, round_bar, round_tube
from models.stock import pipeline, poisson_quantile

pytestmark = pytest.mark.outside


@pytest.mark.parametrize("mean", [0.0, 0.01, 0.3, 1.0, 1.5, 1.75, 3.5, 5.0, 10.0, 42.0, 99.5, 700.0])
@pytest.mark.parametrize("level", [0.5, 0.8, 0.9, 0.95, 0.99, 0.999])
def test_poisson_quantiles_are_scipys(mean: float, level: float) -> None:
    """scipy.stats.poisson.ppf, an implementation that shares nothing with ours."""
    assert poisson_quantile(mean, level) == int(stats.poisson.ppf(level, mean))


@pytest.mark.parametrize(
    ("per_day", "turnround", "spares"),
    [
        (0.25, 7, (4, 4, 5)),
        (0.30, 5, (3, 4, 5)),
        (0.25, 14, (6, 7, 8)),
        (0.50, 10, (8, 9, 11)),
        (1.0, 10, (14, 15, 18)),
    ],
)
def test_spares_of_a_pipeline_by_palms_theorem(per_day: float, turnround: float, spares: tuple[int, int, int]) -> None:
    """Spares at 90, 95 and 99 % for Poisson demand and any turn-round: Palm's theorem, as in Feeney and Sherbrooke,
    Management Science 12(5), 1966. The figures are Poisson quantiles, by arithmetic."""
    assert tuple(pipeline(per_day, turnround, level).spares for level in (0.90, 0.95, 0.99)) == spares


def test_a_queue_with_any_turnround_holds_as_many_as_the_theorem_says() -> None:
    """Palm's theorem by simulation: Poisson arrivals, turn-rounds of 3 to 17 days; the number away is Poisson."""
    import numpy as np

    rng = np.random.default_rng(7)
    arrivals = np.cumsum(rng.exponential(1 / 0.5, 200_000))
    back = arrivals + rng.uniform(3, 17, arrivals.size)
    moments = rng.uniform(1000, arrivals[-1] - 1000, 4000)
    away = np.searchsorted(arrivals, moments) - np.searchsorted(np.sort(back), moments)
    flow = pipeline(0.5, 10.0, 0.95)
    assert away.mean() == pytest.approx(flow.mean, rel=0.03)
    assert 0.93 <= (away <= flow.spares).mean() <= 0.985


SHAPES = [
    ("CS 2 x 0.577", 0.577, 0.491),
    ("CS 3 x 1.135", 1.135, 0.965),
    ("CS 4 x 1.738", 1.738, 1.478),
    ("CS 5 x 2.212", 2.212, 1.881),
    ("CS 6 x 2.834", 2.834, 2.410),
    ("I 3 x 1.637", 1.637, 1.392),
    ("I 4 x 2.311", 2.311, 1.965),
    ("I 6 x 4.030", 4.030, 3.427),
]
"""Aluminum Association standard channels and I-beams, 6061-T6: weight [lb/ft], area [in²]. Weights as in public copies
of the tables, areas from memory; all eight fit a density of 0.098 lb/in³."""


@pytest.mark.parametrize(("name", "lb_ft", "in2"), SHAPES)
def test_areas_of_standard_shapes_follow_from_their_weight(name: str, lb_ft: float, in2: float) -> None:
    """A = m/ρ, and back; three figures of density are half a percent of area."""
    kg_m, density = lb_ft * 0.45359237 / 0.3048, 0.098 * 27.6799
    area_mm2 = from_mass(kg_m, density)
    assert area_mm2 / 645.16 == pytest.approx(in2, rel=1.5e-3), name
    assert area_mm2 * density / 1000 == pytest.approx(kg_m)


def test_a_table_with_wrong_rows_gives_itself_away() -> None:
    """A published table with misprints: 4.25 lb/ft over 3.38 in² is no aluminium, 0.098 lb/in³ is."""
    implied = [lb_ft / (12 * in2) for lb_ft, in2 in ((4.25, 3.38), (4.19, 4.33), (2.834, 2.410))]
    assert [abs(density / 0.098 - 1) < 0.01 for density in implied] == [False, False, True]


def test_section_formulas_against_arithmetic_of_their_own() -> None:
    """Each shape as a sum or difference of simpler ones; figures as in engineering handbooks for sharp corners."""
    import math

    assert round_bar(100.0) == pytest.approx(7853.98, abs=0.01)
    assert round_tube(50.0, 3.0) == pytest.approx(round_bar(50.0) - round_bar(44.0)) == pytest.approx(442.965, abs=1e-3)
    assert box(60.0, 40.0, 3.0) == rectangle(60.0, 40.0) - rectangle(54.0, 34.0) == 564.0
    assert angle(50.0, 50.0, 5.0) == rectangle(50.0, 5.0) + rectangle(45.0, 5.0) == 475.0
    assert channel(100.0, 50.0, 5.0) == rectangle(100.0, 5.0) + 2 * rectangle(45.0, 5.0) == 950.0
    assert hexagon(20.0) == pytest.approx(6 * 0.5 * (20 / math.sqrt(3)) * 10.0)
    assert mitred(100.0, 45.0) == pytest.approx(100.0 * math.sqrt(2))


@pytest.mark.parametrize(
    ("table", "area"),
    [
        ({"shape": "tube", "diameter_mm": "2 in", "wall_mm": "1/8 in"}, (50.8**2 - 44.45**2) * 3.141592653589793 / 4),
        ({"shape": "rectangle", "width_mm": "1 1/2 in", "height_mm": "3/4 in"}, 38.1 * 19.05),
        ({"shape": "round", "diameter_mm": "12-3/8 in"}, 314.325**2 * 3.141592653589793 / 4),
    ],
)
def test_inches_and_their_fractions_are_exact(table: dict[str, str], area: float) -> None:
    """One inch is 25.4 mm: the international inch, ISO 80000-3."""
    assert section_of(table).area_mm2 == pytest.approx(area, rel=1e-12)
