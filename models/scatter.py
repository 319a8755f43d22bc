"""How far values scatter, in a way that odd ones do not bend."""

from __future__ import annotations

from collections.abc import Iterable
from statistics import median
from typing import Final

MAD_TO_SPREAD: Final = 1.4826
"""From the median absolute deviation of normal values to their standard deviation: 1/Φ⁻¹(3/4)."""


def scatter(values: Iterable[float], middle: float) -> float:
    """The standard deviation about ``middle``, by the median of the absolute deviations; of any unit.

    Raises ``statistics.StatisticsError`` on no values.

    >>> round(scatter([9.0, 10.0, 11.0, 80.0], 10.0), 4)
    1.4826
    """
    return MAD_TO_SPREAD * median(abs(value - middle) for value in values)
