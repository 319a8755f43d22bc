"""The metal area of a part, from the dimensions of its section or from its mass per length.

Lengths are numbers in mm, or text with a unit: ``"2 in"``, ``"12 3/8 in"``, ``"2.5 cm"``.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any, Final, Protocol

from models import sections

SHAPES: Final[Mapping[str, tuple[Callable[..., float], tuple[str, ...]]]] = {
    "round": (sections.round_bar, ("diameter_mm",)),
    "tube": (sections.round_tube, ("diameter_mm", "wall_mm")),
    "rectangle": (sections.rectangle, ("width_mm", "height_mm")),
    "box": (sections.box, ("width_mm", "height_mm", "wall_mm")),
    "angle": (sections.angle, ("leg_a_mm", "leg_b_mm", "thickness_mm")),
    "channel": (sections.channel, ("depth_mm", "flange_mm", "thickness_mm")),
    "hexagon": (sections.hexagon, ("across_flats_mm",)),
}
"""Shapes and the lengths that each needs."""
OFF: Final = 0.10
"""An area that is told and one that follows from dimensions may differ so much; real extrusions have fillets."""
SHORTEST_MM: Final = Decimal("0.01")
LONGEST_MM: Final = 10_000
LEAST_MM2: Final = 0.001
MOST_MM2: Final = 2_000_000.0
_MM: Final = {
    "mm": Fraction(1),
    "cm": Fraction(10),
    "m": Fraction(1000),
    "in": Fraction(254, 10),
    '"': Fraction(254, 10),
}
_LENGTH: Final = re.compile(r'(?:(\d+(?:\.\d+)?)(?:[ -](?=\d+/))?)?(?:(\d+)/(\d+))?\s*(mm|cm|m|in|")')


@dataclass(frozen=True, slots=True)
class Section:
    """The section of one bar: its shape, its lengths [mm], its area."""

    shape: str
    lengths_mm: tuple[float, ...]
    area_mm2: float

    @property
    def height_mm(self) -> float | None:
        """How high it stands, where its shape leaves no choice."""
        if self.shape in ("round", "tube"):
            return self.lengths_mm[0]
        return self.lengths_mm[1] if self.shape in ("rectangle", "box") else None


def length_mm(value: Any) -> float:
    """A length in mm, or as text with its unit. Raises ``ValueError``.

    >>> length_mm("12 3/8 in"), length_mm("2.5 cm"), length_mm(40)
    (314.325, 25.0, 40.0)
    """
    if isinstance(value, int | Decimal) and not isinstance(value, bool):
        return _checked(Decimal(value), value)
    match = _LENGTH.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None or (match[1] is None and match[2] is None):
        raise ValueError(f'found {value!r}, expected a length in mm, or text like "12 3/8 in"')
    whole = Fraction(match[1] or 0)
    part = Fraction(int(match[2]), int(match[3])) if match[2] is not None and int(match[3]) else Fraction(0)
    return _checked((whole + part) * _MM[match[4]], value)


def _checked(mm: Decimal | Fraction, value: Any) -> float:
    finite = not isinstance(mm, Decimal) or mm.is_finite()
    if not finite or not SHORTEST_MM <= mm <= LONGEST_MM:
        raise ValueError(f"found {str(value)[:40]}, expected a length from {SHORTEST_MM} to {LONGEST_MM} mm")
    return float(mm)


def section_of(table: Mapping[str, Any]) -> Section:
    """A section of its table. Raises ``ValueError`` that tells what is missing or wrong."""
    shape = table.get("shape")
    if not isinstance(shape, str) or shape not in SHAPES:
        raise ValueError(f"shape: found {shape!r}, expected one of {', '.join(SHAPES)}")
    area, names = SHAPES[shape]
    strange = sorted(table.keys() - {"shape", *names})
    missing = [name for name in names if name not in table]
    if strange or missing:
        raise ValueError(
            f"a {shape} has {', '.join(names)}; found {', '.join(sorted(table.keys() - {'shape'})) or 'none'}"
        )
    lengths = []
    for name in names:
        try:
            lengths.append(length_mm(table[name]))
        except ValueError as error:
            raise ValueError(f"{name}: {error}") from error
    return Section(shape, tuple(lengths), area(*lengths))


class _Alloy(Protocol):
    @property
    def density(self) -> float | None: ...


class _Alloys(Protocol):
    def ever(self, row_id: str, us: int) -> _Alloy | None: ...


class _Part(Protocol):
    @property
    def area_mm2(self) -> float | None: ...
    @property
    def section(self) -> Section | None: ...
    @property
    def mass_kg_m(self) -> float | None: ...
    @property
    def bars(self) -> int | None: ...
    @property
    def alloy(self) -> str | None: ...


def area_of(part: _Part, alloys: _Alloys, us: int) -> tuple[float | None, str | None]:
    """The area of a part's whole stroke [mm²], and what is wrong, if anything: told, by section, or by mass."""
    bars = part.bars or 1
    by: list[tuple[str, float]] = []
    if part.section is not None:
        by.append(("section", part.section.area_mm2 * bars))
    if part.mass_kg_m is not None:
        metal = alloys.ever(part.alloy, us) if part.alloy is not None else None
        if metal is None or metal.density is None:
            return part.area_mm2, "mass_kg_m: an area follows only with the density of its alloy in [[alloy]]"
        by.append(("mass_kg_m", sections.from_mass(part.mass_kg_m, metal.density) * bars))
    told = [("area_mm2", part.area_mm2)] if part.area_mm2 is not None else []
    found = [*told, *by]
    if not found:
        return None, None
    name, area_mm2 = found[0]
    if not LEAST_MM2 <= area_mm2 <= MOST_MM2:
        return area_mm2, f"{name}: found {area_mm2:.6g} mm² in a stroke, expected {LEAST_MM2:g} to {MOST_MM2:.0f}"
    for other, mm2 in found[1:]:
        if abs(mm2 / area_mm2 - 1) > OFF:
            return area_mm2, f"{name}: found {area_mm2:.6g} mm², and {mm2:.6g} by {other}: one of them is wrong"
    return area_mm2, None
