"""Outside checks of the regression code: published data with published results."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.datasets import longley

from models.regression import least_squares

pytestmark = pytest.mark.outside

# Montgomery, Peck & Vining, Introduction to Linear Regression Analysis, Example 8.1 "The Tool Life Data":
# twenty lathe tools of two types, life in hours, speed in rpm.
TOOL_LIFE = """
18.73 610 A, 14.52 950 A, 17.43 720 A, 14.54 840 A, 13.44 980 A, 24.39 530 A, 13.34 680 A, 22.71 540 A, 12.68 890 A,
19.32 730 A, 30.16 670 B, 27.09 770 B, 25.40 880 B, 26.05 1000 B, 33.49 760 B, 35.62 590 B, 26.07 910 B, 36.78 650 B,
34.95 810 B, 43.67 500 B
"""


def tool_life() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rows = [row.split() for row in TOOL_LIFE.replace("\n", " ").split(",")]
    hours, rpm = (np.array([float(row[column]) for row in rows]) for column in (0, 1))
    return hours, rpm, np.array([row[2] == "B" for row in rows], float)


def test_the_tool_life_regression_of_the_textbook_is_reproduced() -> None:
    """The book prints life = 36.986 - 0.027·rpm + 15.004·type; SE, t, R², MS and F as in its table."""
    hours, rpm, kind = tool_life()
    fit = least_squares(np.column_stack([np.ones(20), rpm, kind]), hours)
    assert fit.coefficients == pytest.approx([36.985601, -0.0266072, 15.0042506], rel=2e-6)
    assert fit.errors == pytest.approx([3.51038, 0.0045197, 1.3596697], rel=1e-4)
    assert fit.t_values == pytest.approx([10.536, -5.887, 11.035], abs=1e-3)
    assert fit.r_squared == pytest.approx(0.90029, abs=1e-5)
    assert fit.residual_variance == pytest.approx(9.23850, abs=1e-4)
    assert fit.f_statistic == pytest.approx(76.746, abs=1e-2)


def test_the_model_with_separate_slopes_is_reproduced() -> None:
    """Same example: 32.7748 - 0.02097·rpm + 23.9706·type - 0.01194·rpm·type, R² 0.91050."""
    hours, rpm, kind = tool_life()
    fit = least_squares(np.column_stack([np.ones(20), rpm, kind, rpm * kind]), hours)
    assert fit.coefficients == pytest.approx([32.7748, -0.0209702, 23.9706, -0.0119440], rel=1e-5)
    assert fit.r_squared == pytest.approx(0.91050, abs=1e-5)


def test_effects_of_a_replicated_factorial_on_tool_life() -> None:
    """Montgomery, Design and Analysis of Experiments, chapter 6, first problem: 2³ with three replicates."""
    runs = {
        (-1, -1, -1): (22, 31, 25), (1, -1, -1): (32, 43, 29), (-1, 1, -1): (35, 34, 50), (1, 1, -1): (55, 47, 46),
        (-1, -1, 1): (44, 45, 38), (1, -1, 1): (40, 37, 36), (-1, 1, 1): (60, 50, 54), (1, 1, 1): (39, 41, 47),
    }  # fmt: skip
    rows = [(levels, life) for levels, lives in runs.items() for life in lives]
    design = np.array([[1, a, b, c, a * b, a * c, b * c, a * b * c] for (a, b, c), _ in rows], float)
    fit = least_squares(design, [life for _, life in rows])
    effects = 2 * fit.coefficients[1:]
    assert effects == pytest.approx([0.3333, 11.3333, 6.8333, -1.6667, -8.8333, -2.8333, -2.1667], abs=1e-4)
    assert fit.coefficients[0] == pytest.approx(40.8333, abs=1e-4)
    assert fit.residual_variance == pytest.approx(30.167, abs=1e-3)


NORRIS = """
0.1 0.2, 338.8 337.4, 118.1 118.2, 888.0 884.6, 9.2 10.1, 228.1 226.5, 668.5 666.3, 998.5 996.3,
449.1 448.6, 778.9 777.0, 559.2 558.2, 0.3 0.4, 0.1 0.6, 778.1 775.5, 668.8 666.9, 339.3 338.0,
448.9 447.5, 10.8 11.6, 557.7 556.0, 228.3 228.1, 998.0 995.8, 888.8 887.6, 119.6 120.2, 0.3 0.3,
0.6 0.3, 557.6 556.8, 339.3 339.1, 888.0 887.2, 998.5 999.0, 778.9 779.0, 10.2 11.1, 117.6 118.3,
228.9 229.2, 668.4 669.1, 449.2 448.9, 0.2 0.5
"""


def test_the_norris_calibration_line_is_certified() -> None:
    """NIST Statistical Reference Datasets, Norris: 36 readings of ozone monitors beside the customer's."""
    rows = [row.split() for row in NORRIS.replace("\n", " ").split(",")]
    y, x = (np.array([float(row[column]) for row in rows]) for column in (0, 1))
    fit = least_squares(np.column_stack([np.ones(36), x]), y)
    assert fit.coefficients == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-9)
    assert fit.errors == pytest.approx([0.232818234301152, 0.429796848199937e-03], rel=1e-9)
    assert fit.residual_variance**0.5 == pytest.approx(0.884796396144373, rel=1e-9)
    assert fit.r_squared == pytest.approx(0.999993745883712, rel=1e-12)


def test_the_ill_conditioned_longley_data_are_certified() -> None:
    """NIST StRD Longley, certified values; data by statsmodels."""
    data = longley.load()
    design = np.column_stack([np.ones(16), np.asarray(data.exog)])
    fit = least_squares(design, np.asarray(data.endog))
    certified = [
        -3482258.63459582, 15.0618722713733, -0.0358191792925910, -2.02022980381683, -1.03322686717359,
        -0.0511041056535807, 1829.15146461355,
    ]  # fmt: skip
    assert fit.coefficients == pytest.approx(certified, rel=1e-6)
    assert fit.r_squared == pytest.approx(0.995479004577296, rel=1e-9)


def test_weights_and_errors_agree_with_a_reference_library() -> None:
    """Weighted least squares of statsmodels on the tool-life data."""
    hours, rpm, kind = tool_life()
    design = np.column_stack([np.ones(20), rpm, kind])
    weights = np.linspace(0.5, 2.0, 20)
    reference = sm.WLS(hours, design, weights=weights).fit()
    fit = least_squares(design, hours, weights=weights)
    assert fit.coefficients == pytest.approx(reference.params, rel=1e-9)
    assert fit.errors == pytest.approx(reference.bse, rel=1e-9)
    assert fit.r_squared == pytest.approx(reference.rsquared, rel=1e-9)


def test_nan_and_shapes_are_refused() -> None:
    """No silent nonsense."""
    with pytest.raises(ValueError, match="finite"):
        least_squares([[1.0], [np.nan]], [1.0, 2.0])
    with pytest.raises(ValueError, match="expected"):
        least_squares([[1.0], [2.0]], [1.0])
    with pytest.raises(ValueError, match="cannot tell"):
        least_squares([[1.0, 2.0]], [1.0])
