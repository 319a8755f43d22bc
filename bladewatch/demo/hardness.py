"""How hard a shop is for plain rules: a shop on which the mean is right proves nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import fmean, median, pstdev, quantiles
from typing import Final

from bladewatch.demo.truth import CycleTruth, Truth
from bladewatch.units import percent

RULE_ERROR: Final = (0.25, 0.40)
LIFE_SPREAD: Final = (0.22, 0.32)
NOISE: Final = (0.025, 0.035)
MIN_BEFORE: Final = 3


@dataclass(frozen=True, slots=True)
class Hardness:
    """What a shop demands; None where it has too few cycles to say.

    ``rule_error``: median error of the mean-area rule at half of the true life, beside the area that is truly left.
    ``life_spread``: standard deviation over mean of the area from sharp to the limit. ``noise``: spread of a cut's
    energy that metal, feed and edge do not explain, by its quartiles.
    """

    cycles: int
    rule_error: float | None
    life_spread: float | None
    noise: float

    def text(self) -> str:
        """In words that need no model."""
        told = [f"{self.cycles} grind cycles"]
        if self.rule_error is not None:
            told.append(
                f"half-way through a blade's life the average of past blades is off by {percent(self.rule_error)}"
            )
        if self.life_spread is not None:
            told.append(f"lives spread by {self.life_spread:.2f} of their mean")
        told.append(f"the energy of single cuts by {percent(self.noise, 1)}")
        return f"How hard this shop is to guess: {', '.join(told)}."


def hardness(truth: Truth) -> Hardness:
    """Measured on the truth of a shop that has run."""
    whole = [cycle for cycle in truth.cycles if cycle.points and cycle.points[-1].wear_um > 0.3 * cycle.limit_um]
    spreads = []
    errors = []
    for kind in sorted({cycle.blade_type for cycle in whole}):
        mine = [cycle for cycle in whole if cycle.blade_type == kind]
        if len(mine) > 3:
            lives = [cycle.life_m2 for cycle in mine]
            spreads.append((pstdev(lives) / fmean(lives), len(mine)))
        errors.extend(_rule_errors(mine))
    total = sum(count for _, count in spreads)
    return Hardness(
        cycles=len(whole),
        rule_error=median(errors) if errors else None,
        life_spread=sqrt(sum(spread**2 * count for spread, count in spreads) / total) if total else None,
        noise=_spread(truth.unexplained),
    )


def _spread(values: Sequence[float]) -> float:
    """The standard deviation that a normal distribution of these quartiles has; episodes of trouble do not rule it."""
    if len(values) < 4:
        return 0.0
    low, _, high = quantiles(values, n=4)
    return (high - low) / 1.349


def _rule_errors(cycles: list[CycleTruth]) -> list[float]:
    """At half of each life: the mean area of the cycles ended by then, less what is cut, beside what is left."""
    found = []
    for cycle in cycles:
        half = cycle.life_m2 / 2
        here = next((point for point in cycle.points if point.area_m2 >= half), None)
        if here is None:
            continue
        ended = [
            c.points[-1].area_m2 for c in cycles if c.reason.startswith("worn") and c.points[-1].at_us < here.at_us
        ]
        if len(ended) >= MIN_BEFORE:
            found.append(abs(max(fmean(ended) - here.area_m2, 0.0) - here.left_m2) / here.left_m2)
    return found
