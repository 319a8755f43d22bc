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
        Metal("6063", 6.0, 640.0, 12.0, 62.0, 1.0, 2.70),
        Metal("6082", 8.5, 760.0, 15.0, 55.0, 0.6, 2.70),
        Metal("CW614N", 7.2, 820.0, 13.0, 40.0, 0.2, 8.50),
        Metal("Cu-ETP", 19.0, 1150.0, 26.0, 34.0, 1.4, 8.94),
    )
}

WORKS: Final = (
    Work("P-110", "6063", 12_000.0, 80.0, 4, 5.0, 240.0),
    Work("P-125", "6063", 18_000.0, 120.0, 6, 4.0, 118.5),
    Work("P-240", "6082", 14_140.0, 60.0, 4, 3.0, 60.0),
    Work("P-275", "6082", 19_110.0, 156.0, 1, 1.5, 35.0),
    Work("P-310", "Cu-ETP", 9_000.0, 60.0, 2, 0.9, 82.0),
    Work("P-420", "CW614N", 9_820.0, 50.0, 4, 1.2, 44.0),
)
