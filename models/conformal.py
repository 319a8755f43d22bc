"""How much wider ranges would have to be to hold what comes next: split conformal prediction, by ends that are known.

Source: Vovk, Gammerman and Shafer, *Algorithmic Learning in a Random World*, 2005; Lei et al., *Distribution-Free
Predictive Inference for Regression*, Journal of the American Statistical Association 113, 2018, theorem 2.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from math import ceil, inf, isinf

from models.forecast import LEVEL, Quantity


def bound(scores: Sequence[float], level: float = LEVEL) -> float | None:
    """What one more score stays within with at least this probability, if it may stand at any place among these.

    It is the ⌈(m + 1)·level⌉-th smallest of m scores; None where m is too small for it: below nine, nine in ten cannot
    be told.

    >>> bound(range(1, 100)), bound(range(9)), bound(range(8))
    (90, 8, None)
    """
    place = ceil((len(scores) + 1) * Fraction(str(level)))
    return sorted(scores)[place - 1] if place <= len(scores) else None


def widening(pairs: Sequence[tuple[Quantity, float]]) -> float | None:
    """How many times as wide ranges must be, to both sides of the estimate, to hold the next one of its level.

    ``pairs`` are ranges each beside what came, of things that do not depend on each other: one a grind cycle. None
    where too few tell, or where a range of no width missed: no factor would widen it.
    """
    found = bound([_score(said, came) for said, came in pairs])
    return None if found is None or isinf(found) else found


def _score(said: Quantity, came: float) -> float:
    """How far from the estimate something came, in lengths of its range on that side."""
    off = abs(came - said.estimate)
    reach = said.high - said.estimate if came > said.estimate else said.estimate - said.low
    return 0.0 if off == 0 else off / reach if reach > 0 else inf
