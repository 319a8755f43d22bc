"""What is true in an invented shop and nobody there knows: wear along every cycle, causes, costs."""

from __future__ import annotations

from array import array
from bisect import bisect_right
from dataclasses import dataclass, field
from decimal import Decimal
from typing import NamedTuple

import msgspec

from bladewatch.demo.troubles import Episode


class Point(NamedTuple):
    """A moment of a cycle: cuts and area since sharp, true wear, and what is left at the shop's mean mix of parts.

    What is left follows the seasons to come at the shop's mean pace; it is below zero past the limit.
    """

    at_us: int
    cuts: int
    area_m2: float
    wear_um: float
    left_m2: float
    left_cuts: float


@dataclass(slots=True)
class CycleTruth:
    """A grind cycle as it was. ``reason`` is empty while it runs; ``factor`` is its wear beside a mean edge's."""

    plate: str
    blade_type: str
    limit_um: float
    points: list[Point] = field(default_factory=list)
    saws: list[str] = field(default_factory=list)
    reason: str = ""
    factor: float = 1.0

    def at(self, us: int) -> Point:
        """The state at an instant, in a straight line between the points around it."""
        place = bisect_right(self.points, us, key=lambda point: point.at_us)
        if place in (0, len(self.points)):
            return self.points[max(place - 1, 0)]
        a, b = self.points[place - 1], self.points[place]
        share = (us - a.at_us) / (b.at_us - a.at_us)
        middle = (x + share * (y - x) for x, y in zip(a[2:], b[2:], strict=True))
        return Point(us, round(a.cuts + share * (b.cuts - a.cuts)), *middle)

    @property
    def life_m2(self) -> float:
        """Area from sharp to the limit."""
        last = self.points[-1]
        return last.area_m2 + last.left_m2


@dataclass(slots=True)
class Mounted:
    """A plate that truly was on a saw."""

    saw: str
    plate: str
    from_us: int
    to_us: int | None
    cycle: int
    recorded: bool


@dataclass(slots=True)
class Work:
    """Every cut that a saw truly made: when, its area [m²], the wear it brings to a mean edge [µm], its metal.

    The same work would have worn another edge in step with that edge's factor, so that what a blade could still have
    cut is known also where it was taken off early.
    """

    at_us: array[int] = field(default_factory=lambda: array("q"))
    area_m2: array[float] = field(default_factory=lambda: array("d"))
    wear_um: array[float] = field(default_factory=lambda: array("d"))
    metal: list[str] = field(default_factory=list)

    def add(self, at_us: int, area_m2: float, wear_um: float, metal: str) -> None:
        """Take the next cut."""
        self.at_us.append(at_us)
        self.area_m2.append(area_m2)
        self.wear_um.append(wear_um)
        self.metal.append(metal)

    def area_until(self, at_us: int, wear_um: float) -> float | None:
        """Area from an instant on until so much wear of a mean edge is reached [m²]; None where the days end first."""
        area_m2 = 0.0
        for place in range(bisect_right(self.at_us, at_us), len(self.at_us)):
            more = self.wear_um[place]
            if more >= wear_um:
                return area_m2 + self.area_m2[place] * wear_um / more
            wear_um -= more
            area_m2 += self.area_m2[place]
        return None


@dataclass(slots=True)
class Truth:
    """All of it."""

    cycles: list[CycleTruth] = field(default_factory=list)
    mounts: list[Mounted] = field(default_factory=list)
    episodes: list[Episode] = field(default_factory=list)
    spend: dict[str, dict[str, Decimal]] = field(default_factory=dict)
    strokes: int = 0
    cuts: int = 0
    work: dict[str, Work] = field(default_factory=dict)
    unexplained: array[float] = field(default_factory=lambda: array("d"))
    """Log of each cut's energy beside what metal, feed and edge explain."""

    def pay(self, month: str, what: str, amount: Decimal) -> None:
        """Note money that was spent in a month."""
        lines = self.spend.setdefault(month, {})
        lines[what] = lines.get(what, Decimal(0)) + amount

    def on(self, saw: str, at_us: int) -> CycleTruth | None:
        """The cycle that truly ran on a saw at an instant."""
        for mount in reversed(self.mounts):
            if mount.saw == saw and mount.from_us < at_us and (mount.to_us is None or at_us <= mount.to_us):
                return self.cycles[mount.cycle]
        return None

    def to_json(self) -> bytes:
        """The truth as a file."""
        plain = {
            "what": "the truth of an invented shop; bladewatch never reads it but to score itself",
            "strokes": self.strokes,
            "cuts": self.cuts,
            "cycles": self.cycles,
            "mounts": self.mounts,
            "causes": self.episodes,
            "spend": {month: {k: f"{v:f}" for k, v in lines.items()} for month, lines in sorted(self.spend.items())},
        }
        return msgspec.json.format(msgspec.json.encode(plain), indent=0)
