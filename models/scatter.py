"""How far values scatter and where their middle is, in a way that odd ones do not bend."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from math import sqrt
from statistics import median, median_low
from typing import Final

MAD_TO_SPREAD: Final = 1.4826
"""From the median absolute deviation of normal values to their standard deviation: 1/Φ⁻¹(3/4)."""
REACH: Final = 4.685
"""Standard deviations from the middle at which a value stops counting: Tukey's biweight, 95 % as sharp as a mean."""
ROUNDS: Final = 5


def scatter(values: Iterable[float], middle: float) -> float:
    """The standard deviation about ``middle``, by the median of the absolute deviations; of any unit.

    Raises ``statistics.StatisticsError`` on no values.

    >>> round(scatter([9.0, 10.0, 11.0, 80.0], 10.0), 4)
    1.4826
    """
    return MAD_TO_SPREAD * median(abs(value - middle) for value in values)


def middle(values: Sequence[float], least_spread: float = 0.0) -> float:
    """The biweight middle of values in the order in which they came; of any unit.

    How far they scatter is told by the steps from one to the next, so that a spell of odd ones widens nothing; it
    counts as ``least_spread`` at least. Source: Beaton and Tukey, Technometrics 16, 1974; the steps, von Neumann 1941.
    Raises ``statistics.StatisticsError`` on no values.

    >>> round(middle([9.0, 10.1, 9.9, 11.0, 30.0, 31.0, 30.5, 10.0]), 2)
    10.0
    """
    found = median_low(values)
    steps = [abs(later - value) for value, later in pairwise(values)]
    reach = REACH * max(MAD_TO_SPREAD * median(steps) / sqrt(2) if steps else 0.0, least_spread)
    for _ in range(ROUNDS if reach > 0 else 0):
        weights = [max(1 - ((value - found) / reach) ** 2, 0.0) ** 2 for value in values]
        total = sum(weights)
        if total == 0:
            break
        found = sum(weight * value for weight, value in zip(weights, values, strict=True)) / total
    return found
