"""Metal area of the sections that are sawn, holes excluded. Lengths in mm, areas in mm².

Formulas for sharp corners; a real extrusion has fillets and differs by 1-3 % (common practice, no source). A
stack multiplies, a mitre divides by the cosine of its angle.
"""

from __future__ import annotations

from math import cos, pi, radians, sqrt


def _positive(**lengths: float) -> None:
    for name, value in lengths.items():
        if not value > 0:
            raise ValueError(f"{name}: found {value:g}, expected a length above zero")


def round_bar(diameter_mm: float) -> float:
    """Solid round [mm²].

    >>> round_bar(100.0)
    7853.98
    """
    _positive(diameter_mm=diameter_mm)
    return pi / 4 * diameter_mm**2


def round_tube(diameter_mm: float, wall_mm: float) -> float:
    """Round tube [mm²]; the wall must be thinner than the radius.

    >>> round_tube(50.0, 3.0)
    442.965
    """
    _positive(diameter_mm=diameter_mm, wall_mm=wall_mm)
    inner_mm = diameter_mm - 2 * wall_mm
    if inner_mm < 0:
        raise ValueError(f"wall_mm: found {wall_mm:g}, expected at most half of the diameter {diameter_mm:g}")
    return pi / 4 * (diameter_mm**2 - inner_mm**2)


def rectangle(width_mm: float, height_mm: float) -> float:
    """Solid rectangle [mm²]."""
    _positive(width_mm=width_mm, height_mm=height_mm)
    return width_mm * height_mm


def box(width_mm: float, height_mm: float, wall_mm: float) -> float:
    """Rectangular hollow section with sharp corners [mm²].

    >>> box(60.0, 40.0, 3.0)
    564.0
    """
    _positive(width_mm=width_mm, height_mm=height_mm, wall_mm=wall_mm)
    if 2 * wall_mm > min(width_mm, height_mm):
        raise ValueError(f"wall_mm: found {wall_mm:g}, expected at most half of the shorter side")
    return width_mm * height_mm - (width_mm - 2 * wall_mm) * (height_mm - 2 * wall_mm)


def angle(leg_a_mm: float, leg_b_mm: float, thickness_mm: float) -> float:
    """Angle with sharp corners: t·(a + b - t) [mm²].

    >>> angle(50.0, 50.0, 5.0)
    475.0
    """
    _positive(leg_a_mm=leg_a_mm, leg_b_mm=leg_b_mm, thickness_mm=thickness_mm)
    if thickness_mm > min(leg_a_mm, leg_b_mm):
        raise ValueError(f"thickness_mm: found {thickness_mm:g}, expected at most the shorter leg")
    return thickness_mm * (leg_a_mm + leg_b_mm - thickness_mm)


def channel(depth_mm: float, flange_mm: float, thickness_mm: float) -> float:
    """Channel of one thickness with sharp corners [mm²].

    >>> channel(100.0, 50.0, 5.0)
    950.0
    """
    _positive(depth_mm=depth_mm, flange_mm=flange_mm, thickness_mm=thickness_mm)
    if thickness_mm > flange_mm or 2 * thickness_mm > depth_mm:
        raise ValueError(f"thickness_mm: found {thickness_mm:g}, expected at most the flange and half of the depth")
    return depth_mm * thickness_mm + 2 * (flange_mm - thickness_mm) * thickness_mm


def hexagon(across_flats_mm: float) -> float:
    """Regular hexagon by its width across flats: √3/2·s² [mm²].

    >>> hexagon(20.0)
    346.41
    """
    _positive(across_flats_mm=across_flats_mm)
    return sqrt(3) / 2 * across_flats_mm**2


def mitred(area_mm2: float, mitre_deg: float) -> float:
    """Section met by a blade turned by ``mitre_deg`` from square: A/cos θ [mm²], |θ| < 90°.

    >>> mitred(100.0, 45.0)
    141.421
    """
    if not -90 < mitre_deg < 90:
        raise ValueError(f"mitre_deg: found {mitre_deg:g}, expected an angle between -90 and 90")
    return area_mm2 / cos(radians(mitre_deg))


def from_mass(mass_kg_m: float, density_g_cm3: float) -> float:
    """Area of a section by its mass per length and density: 1000·m/ρ [mm²].

    >>> from_mass(21.2058, 2.70)
    7853.99
    """
    _positive(mass_kg_m=mass_kg_m, density_g_cm3=density_g_cm3)
    return 1000 * mass_kg_m / density_g_cm3
