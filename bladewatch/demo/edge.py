"""How an edge truly wears, and what wear does to the energy of a cut.

Exposure grows with area: e = Σ rate·area, times what is this cycle's own. Wear is a function of exposure, edge force
a function of wear. In the form "straight" both are straight lines, which is also what the program's models assume.
Every other form breaks that on purpose:

- curved     a fast break-in, a slow middle, a steep last stage
- lagging    edge force follows wear late
- seasonal   rates drift by a fifth up and down over half a year
- unlike     each plate wears, cuts and shows its wear in its own way
- travel     wear goes with the teeth's way in metal: a slower feed wears more; parts cut unlike each other
- all        all five at once
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp, pi, sin, sqrt
from random import Random
from typing import Final

FORMS: Final = ("straight", "curved", "lagging", "seasonal", "unlike", "travel", "all")
SPREAD: Final = 0.25
"""Standard deviation of the log of a cycle's factor, all causes together."""
PLATE_SPREAD: Final = 0.17
KAPPA: Final = 1.05
"""Rise of edge force at the limit, as a share of the sharp edge's."""
LAG: Final = 0.22
"""Exposure over which edge force follows wear, in limits."""
SEASON: Final = 0.20
SEASON_DAYS: Final = 182.0


@dataclass(frozen=True, slots=True)
class Form:
    """Which of the straight lines are bent."""

    curved: bool
    lagging: bool
    seasonal: bool
    unlike: bool
    travel: bool
    phase: float = 0.0

    @classmethod
    def named(cls, name: str, phase: float = 0.0) -> Form:
        """The form of a name in ``FORMS``; ``phase`` is where in the season the first day lies, as a share of it."""
        curved, lagging, seasonal, unlike, travel = (name in (part, "all") for part in FORMS[1:-1])
        return cls(curved, lagging, seasonal, unlike, travel, phase)

    def wear(self, exposure: float) -> float:
        """Wear in limits for exposure in limits; 1 gives 1 in every form.

        >>> Form.named("straight").wear(0.5), round(Form.named("curved").wear(0.5), 3), Form.named("all").wear(1.0)
        (0.5, 0.471, 1.0)
        """
        if not self.curved:
            return exposure
        return (0.10 * (1 - exp(-exposure / 0.04)) + 0.72 * exposure + 0.18 * exposure**4) / (1 - 0.10 * exp(-25.0))

    def season(self, day: float) -> float:
        """The factor of a day on all rates."""
        return 1 + SEASON * sin(2 * pi * (day / SEASON_DAYS + self.phase)) if self.seasonal else 1.0


@dataclass(slots=True)
class Body:
    """A plate's own ways: they stay with it from grind to grind."""

    rate: float = 1.0
    kappa: float = 1.0
    kc: float = 1.0

    @classmethod
    def drawn(cls, form: Form, rng: Random) -> Body:
        """A plate of the form."""
        draws = [rng.gauss(0, 1) for _ in range(3)]
        if not form.unlike:
            return cls()
        return cls(exp(PLATE_SPREAD * draws[0]), exp(0.25 * draws[1]), exp(0.05 * draws[2]))


@dataclass(slots=True)
class Edge:
    """One grind cycle's edge. Wear, exposure and ``shown`` are in limits; ``factor`` is what is this cycle's own."""

    form: Form
    body: Body
    limit_um: float
    factor: float
    exposure: float = 0.0
    wear: float = 0.0
    shown: float = 0.0
    chipped: int = 0
    area_mm2: dict[str, float] = field(default_factory=dict)
    cuts: int = 0

    @classmethod
    def ground(cls, form: Form, body: Body, limit_um: float, rng: Random) -> Edge:
        """A freshly ground edge on a plate."""
        spread = sqrt(SPREAD**2 - PLATE_SPREAD**2) if form.unlike else SPREAD
        return cls(form, body, limit_um, body.rate * exp(spread * rng.gauss(0, 1)))

    def cut(self, metal: str, area_mm2: float, um_per_m2: float) -> None:
        """Wear the edge by a cut; ``um_per_m2`` is the metal's rate with all that acts on it but this edge's factor."""
        more = self.factor * um_per_m2 * area_mm2 / 1e6 / self.limit_um
        self.exposure += more
        self.wear = self.form.wear(self.exposure)
        self.shown += (self.wear - self.shown) * min(more / LAG, 1.0) if self.form.lagging else self.wear - self.shown
        self.area_mm2[metal] = self.area_mm2.get(metal, 0.0) + area_mm2
        self.cuts += 1

    @property
    def wear_um(self) -> float:
        """True flank wear."""
        return self.wear * self.limit_um

    @property
    def edge_force(self) -> float:
        """Edge force beside the sharp edge's, by the wear that shows; a lost tip adds its load."""
        return (1 + KAPPA * self.body.kappa * self.shown) * (1 + 0.09 * self.chipped)

    @property
    def area_m2(self) -> float:
        """Area cut so far."""
        return sum(self.area_mm2.values()) / 1e6

    def left_m2(self, um_per_m2: float) -> float:
        """Area to the limit at a mean rate; below zero where the limit is passed. Every form meets 1 at exposure 1."""
        return (1 - self.exposure) * self.limit_um / (self.factor * um_per_m2)
