"""Metals and parts of the invented shop, as they truly are: wear per area and energy of cutting."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Metal:
    """True wear per area [µm/m²] of a mean edge, and specific energy of a sharp one: K_c [N/mm²], K_e [N/mm]."""

    id: str
    um_per_m2: float
    kc_n_mm2: float
    ke_n_mm: float
    feed_mm_s: float
    galls: float
    density: float


@dataclass(frozen=True, slots=True)
class Work:
    """A part: metal area of all bars in the stroke [mm²], height [mm], bars, and how often it is made."""

    id: str
    metal: str
    area_mm2: float
    height_mm: float
    bars: int
    share: float
    length_mm: float


METALS: Final = {
    metal.id: metal
    for metal in (
        Metal("6063", 36.0, 640.0, 12.0, 45.0, 1.0, 2.70),
        Metal("6082", 50.0, 760.0, 15.0, 38.0, 0.6, 2.70),
        Metal("CW614N", 43.0, 820.0, 13.0, 30.0, 0.2, 8.50),
        Metal("Cu-ETP", 110.0, 1150.0, 26.0, 24.0, 1.4, 8.94),
    )
}

WORKS: Final = (
    Work("P-110", "6063", 2_450.0, 70.0, 2, 5.0, 240.0),
    Work("P-125", "6063", 3_300.0, 90.0, 3, 4.0, 118.5),
    Work("P-240", "6082", 2_400.0, 60.0, 2, 3.0, 60.0),
    Work("P-275", "6082", 2_827.0, 60.0, 1, 1.5, 35.0),
    Work("P-310", "Cu-ETP", 1_600.0, 50.0, 2, 0.9, 82.0),
    Work("P-420", "CW614N", 1_960.0, 50.0, 1, 1.2, 44.0),
)
