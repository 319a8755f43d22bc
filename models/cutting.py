"""Geometry and power of a circular saw blade in metal.

Angles are measured at the blade's centre from the line at right angles to the feed: a tooth at angle φ stands
at height y = R·cos φ above the centre and takes a chip of thickness h = f_z·sin φ. The work occupies the heights
``low_mm`` to ``high_mm``, both within ±R.
"""

from __future__ import annotations

from math import acos, cos, pi
from typing import NamedTuple


def rim_speed_m_s(diameter_mm: float, spindle_rpm: float) -> float:
    """Speed of the teeth: π·D·n [m/s].

    >>> rim_speed_m_s(500.0, 3000.0)
    78.5398
    """
    return pi * diameter_mm / 1000 * spindle_rpm / 60


def feed_per_tooth_mm(feed_mm_s: float, spindle_rpm: float, teeth: int) -> float:
    """Advance of the blade from tooth to tooth: v_f/(n·z) [mm].

    >>> feed_per_tooth_mm(100.0, 3000.0, 120)
    0.0166667
    """
    if not (spindle_rpm > 0 and teeth > 0):
        raise ValueError(f"found {spindle_rpm:g} rpm and {teeth} teeth, expected both above zero")
    return feed_mm_s / (spindle_rpm / 60 * teeth)


def tooth_frequency_hz(spindle_rpm: float, teeth: int) -> float:
    """How often a tooth enters [Hz].

    >>> tooth_frequency_hz(2800.0, 96)
    4480.0
    """
    return spindle_rpm / 60 * teeth


class Engagement(NamedTuple):
    """The blade in the work: angles [rad], arc [mm], mean chip thickness [mm], teeth in the cut."""

    entry_rad: float
    exit_rad: float
    arc_mm: float
    mean_chip_mm: float
    teeth_in_cut: float


def engagement(diameter_mm: float, teeth: int, feed_tooth_mm: float, low_mm: float, high_mm: float) -> Engagement:
    """Where the teeth are in the work between two heights above the blade's centre.

    h_m = f_z·(cos φ₁ - cos φ₂)/(φ₂ - φ₁), z_e = z·(φ₂ - φ₁)/2π. By construction
    b·h_m·z_e·v_c = b·H·v_f: what the chips carry off is what the feed brings.

    >>> engagement(400.0, 60, 0.02, -50.0, 50.0).arc_mm
    101.0721
    """
    radius_mm = diameter_mm / 2
    if not -radius_mm <= low_mm < high_mm <= radius_mm:
        raise ValueError(f"found heights {low_mm:g} to {high_mm:g}, expected them rising within ±{radius_mm:g} mm")
    entry, leave = acos(high_mm / radius_mm), acos(low_mm / radius_mm)
    span = leave - entry
    mean_chip_mm = feed_tooth_mm * (cos(entry) - cos(leave)) / span
    return Engagement(entry, leave, radius_mm * span, mean_chip_mm, teeth * span / (2 * pi))


def tooth_travel_m(area_mm2: float, feed_tooth_mm: float, teeth: int, arc_ratio: float = 1.0) -> float:
    """Way of one tooth in metal over a cut: A/(f_z·z)·(l/H) [m]. ``area_mm2`` is metal, holes excluded.

    >>> tooth_travel_m(2500.0, 0.0111607, 96)
    2.33
    """
    return area_mm2 / (feed_tooth_mm * teeth) * arc_ratio / 1000


def kienzle_n_mm2(kc11_n_mm2: float, exponent: float, chip_mm: float) -> float:
    """Specific cutting force after Kienzle: k_c = k_c1.1·h^(-m_c), h in mm [N/mm²].

    Constants are fitted between about 0.05 and 2 mm; saws cut at 0.005-0.05 mm, so this extrapolates.

    >>> kienzle_n_mm2(800.0, 0.25, 0.1)
    1422.6
    """
    if not chip_mm > 0:
        raise ValueError(f"chip_mm: found {chip_mm:g}, expected a thickness above zero")
    return float(kc11_n_mm2 * chip_mm**-exponent)


def removal_mm3_s(kerf_mm: float, height_mm: float, feed_mm_s: float) -> float:
    """Metal turned to chips: b·H·v_f [mm³/s]."""
    return kerf_mm * height_mm * feed_mm_s


def power_kw(specific_n_mm2: float, removal_rate_mm3_s: float) -> float:
    """Net cutting power: k_c·MRR [kW].

    >>> power_kw(2132.997, 12000.0)
    25.596
    """
    return specific_n_mm2 * removal_rate_mm3_s / 1e6


def edge_energy_n_mm2(kc_n_mm2: float, ke_n_mm: float, feed_tooth_mm: float, arc_ratio: float = 1.0) -> float:
    """Specific energy as chip and edge: u = K_c + K_e·(l/H)/f_z [N/mm² = mJ/mm³].

    K_c is the metal's, K_e is the edge's: wear shows in K_e, and a slower feed raises u with no wear at all.

    >>> edge_energy_n_mm2(750.0, 15.0, 0.02), edge_energy_n_mm2(750.0, 30.0, 0.02)
    (1500.0, 2250.0)
    """
    if not feed_tooth_mm > 0:
        raise ValueError(f"feed_tooth_mm: found {feed_tooth_mm:g}, expected a feed above zero")
    return kc_n_mm2 + ke_n_mm * arc_ratio / feed_tooth_mm
