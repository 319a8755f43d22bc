"""Tool life the classical way: the time at which a wear curve meets its limit, and Taylor's V·Tⁿ = C."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import log
from typing import NamedTuple


class Taylor(NamedTuple):
    """V·Tⁿ = C; n has no unit, C is the speed for a life of one time unit."""

    n: float
    c: float

    def life(self, speed: float) -> float:
        """The life at a speed, in the time unit of the fit."""
        return float((self.c / speed) ** (1 / self.n))


def taylor_of(speed_1: float, life_1: float, speed_2: float, life_2: float) -> Taylor:
    """Taylor's constants through two points (speed, life), all above zero and apart.

    Groover, Fundamentals of Modern Manufacturing, tool-life example: 160 m/min 5 min, 100 m/min 41 min.

    >>> taylor_of(160.0, 5.0, 100.0, 41.0)
    Taylor(n=0.22337, c=229.2)
    """
    n = log(speed_1 / speed_2) / log(life_2 / life_1)
    return Taylor(n, speed_1 * life_1**n)


def crossing(usage: Sequence[float], wear: Sequence[float], limit: float) -> float | None:
    """Where a wear curve first meets ``limit``, by straight lines between its readings; None where it does not.

    ``usage`` rises (time, area or travel). A curve that starts above the limit gives its first usage.

    >>> crossing([1, 5, 11, 15, 20, 25], [0.12, 0.27, 0.45, 0.58, 0.73, 0.97], 0.75)
    20.4167
    """
    if len(usage) != len(wear):
        raise ValueError(f"{len(usage)} usages and {len(wear)} wear readings; expected as many of one as of the other")
    if any(b <= a for a, b in pairwise(usage)):
        raise ValueError("usage must rise from reading to reading")
    for place, value in enumerate(wear):
        if value >= limit:
            if place == 0:
                return usage[0]
            share = (limit - wear[place - 1]) / (value - wear[place - 1])
            return usage[place - 1] + share * (usage[place] - usage[place - 1])
    return None
