"""The course of wear along a cycle: exposure in, wear out, both in shares of the limit; and wear in, edge force out.

    w(e) = e + b·(1 - exp(-e/0.04) - e) + a·(e⁴ - e)

b ≥ 0 is the break-in, wear that a fresh edge takes on at once; a ≥ 0 the last stage, in which wear grows faster. With
both nought wear is exposure. In every case w(0) = 0 and w(1) = 1 (to exp(-25)): the limit is met at exposure one, so a
remaining exposure is a remaining life whatever the course.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

BREAK_IN: Final = 0.04
"""Exposure over which a fresh edge breaks in (common practice, no source: the first per cents of a life)."""
LAST_STAGE: Final = 4
LEAST: Final = 1e-6


class Course(NamedTuple):
    """Wear at exposures, and its derivatives by exposure, break-in and last stage; arrays of one shape."""

    wear: Floats
    by_exposure: Floats
    by_break_in: Floats
    by_last_stage: Floats


def course(exposure: Floats, break_in: float | Floats, last_stage: float | Floats) -> Course:
    """Wear for exposure [limits].

    >>> [round(float(w), 3) for w in course(np.array([0.0, 0.02, 0.5, 1.0]), 0.1, 0.1).wear]
    [0.0, 0.055, 0.506, 1.0]
    """
    e = np.maximum(exposure, 0.0)
    fresh = np.exp(-e / BREAK_IN)
    by_break_in = 1 - fresh - e
    by_last_stage = e**LAST_STAGE - e
    wear = e + break_in * by_break_in + last_stage * by_last_stage
    slope = 1 + break_in * (fresh / BREAK_IN - 1) + last_stage * (LAST_STAGE * e ** (LAST_STAGE - 1) - 1)
    return Course(np.maximum(wear, LEAST), np.maximum(slope, 0.05), by_break_in, by_last_stage)


@lru_cache(256)
def exposure_of(wear: float, break_in: float, last_stage: float) -> float:
    """The exposure at which a wear is reached, by bisection.

    >>> round(exposure_of(float(course(np.array([0.3]), 0.1, 0.1).wear[0]), 0.1, 0.1), 6)
    0.3
    """
    low, high = 0.0, 4.0
    for _ in range(60):
        middle = (low + high) / 2
        if course(np.array([middle]), break_in, last_stage).wear[0] < wear:
            low = middle
        else:
            high = middle
    return (low + high) / 2


class Force(NamedTuple):
    """The rise of edge force in shares of that at the limit, and its derivatives; arrays of one shape."""

    value: Floats
    by_wear: Floats
    by_bend: Floats
    by_skew: Floats


def force_of(wear: Floats, bend: float | Floats, skew: float | Floats) -> Force:
    """h(w) = w + bend·w(1 - w) + skew·w(1 - w)(1 - 2w).

    Nought for a sharp edge, one at the limit, straight between them where nothing is bent. Edge force that follows wear
    late has ``bend`` and ``skew`` below nought.

    >>> [round(float(h), 3) for h in force_of(np.array([0.0, 0.25, 0.5, 1.0]), -0.4, -0.4).value]
    [0.0, 0.137, 0.4, 1.0]
    """
    by_bend = wear * (1 - wear)
    by_skew = by_bend * (1 - 2 * wear)
    value = wear + bend * by_bend + skew * by_skew
    slope = 1 + bend * (1 - 2 * wear) + skew * (1 - 6 * wear + 6 * wear**2)
    return Force(np.maximum(value, 0.0), np.maximum(slope, 0.05), by_bend, by_skew)
