"""Conversions at the edges. Inside everything is SI with the unit in the name; blade sizes are never converted."""

from __future__ import annotations

from typing import Final

MM2_PER_IN2: Final = 645.16
"""Exact: (25.4 mm)². ISO 80000-3."""
IN2_PER_M2: Final = 1_000_000 / MM2_PER_IN2
KG_PER_LB: Final = 0.45359237
"""Exact: NIST SP 811 (2008), appendix B.8."""
NO_BREAK: Final = "\u00a0"
CMM2_PER_M2: Final = 100_000_000
"""Hundredths of a square millimetre in a square metre: areas are summed as these whole numbers."""


def m2_of(area_cmm2: int) -> float:
    """Square metres of a sum of hundredths of a square millimetre.

    >>> m2_of(56_420)
    0.0005642
    """
    return area_cmm2 / CMM2_PER_M2


def area_text(area_m2: float, units: str, digits: int = 2) -> str:
    """An area in the shop's unit, rounded to what is known.

    >>> area_text(31.24, "metric"), area_text(31.24, "inch").replace(NO_BREAK, "_")
    ('31 m²', '48_000 in²')
    """
    if units == "inch":
        return f"{round_to(area_m2 * IN2_PER_M2, digits)} in²"
    return f"{round_to(area_m2, digits)} m²"


def round_to(value: float, digits: int = 2) -> str:
    """A number rounded to ``digits`` significant figures, thousands apart by a space that no line breaks at.

    >>> round_to(1934.0).replace(NO_BREAK, "_"), round_to(0.0456), round_to(0)
    ('1_900', '0.046', '0')
    """
    if value == 0:
        return "0"
    from math import floor, log10

    places = digits - 1 - floor(log10(abs(value)))
    rounded = round(value, places)
    return f"{rounded:,.{max(places, 0)}f}".replace(",", NO_BREAK)


def percent(share: float, digits: int = 0) -> str:
    """A share as percent, as it is written everywhere.

    >>> percent(0.93).replace(NO_BREAK, "_"), percent(0.0312, 1).replace(NO_BREAK, "_")
    ('93_%', '3.1_%')
    """
    return f"{100 * share:.{digits}f}{NO_BREAK}%"
