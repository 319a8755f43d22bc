"""Whether the loads of a saw are still read as before: a power sensor that was rescaled, a belt that slips.

Both make every blade look sharper or duller at once. A rescaled sensor reads idle power and cuts by the same factor:
idle power steps from one hour to the next, where a bearing drifts, and the factor can be taken off (common practice, no
source). A belt that slips lets the spindle fall behind its motor; how the load goes with that is learnt (``joint``).
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

WINDOW: Final = 12
"""Hours on either side of a step of idle power: a sensor that stands still for a shift is no step."""
LEAST_STEP: Final = 0.03
"""Log of idle power; a rescaled sensor or converter is further off."""
LONG: Final = 40
"""Hours on either side by which a step is sized."""
BEHIND: Final = 0.003
"""A spindle so far behind its own pace [share], two days in a row, slips."""
NOT_BEHIND: Final = 0.001
BASE_DAYS: Final = 20
RECENT_DAYS: Final = 3
LEAST_DAYS: Final = 5


class Step(NamedTuple):
    """What is read stepped at a place of a row of values, by so much [log]."""

    place: int
    log_scale: float


def scale_steps(idle_kw: Sequence[float]) -> list[Step]:
    """Where the idle power of a row of hours steps; all above nought."""
    x = np.log(np.asarray(idle_kw, float))
    if len(x) < 2 * WINDOW:
        return []
    middles = np.median(np.lib.stride_tricks.sliding_window_view(x, WINDOW), axis=1)
    rise = middles[WINDOW:] - middles[:-WINDOW]
    places: list[int] = []
    while True:
        k = int(np.argmax(np.abs(rise)))
        if abs(rise[k]) < LEAST_STEP:
            break
        places.append(k + _parting(x[k : k + 2 * WINDOW]))
        rise[max(k - WINDOW, 0) : k + WINDOW + 1] = 0.0
    places.sort()
    while True:
        found = _sized(x, places)
        least = min(found, key=lambda step: abs(step.log_scale), default=None)
        if least is None or abs(least.log_scale) >= LEAST_STEP:
            return found
        places.remove(least.place)


def _sized(x: Floats, places: Sequence[int]) -> list[Step]:
    """How large each step is, by up to ``LONG`` values on either side, as far as the next one."""
    bounds = [0, *places, len(x)]
    return [
        Step(
            place,
            float(np.median(x[place : min(after, place + LONG)]) - np.median(x[max(before, place - LONG) : place])),
        )
        for before, place, after in zip(bounds, bounds[1:], bounds[2:], strict=False)
    ]


def _parting(x: Floats) -> int:
    """Where a row of values falls best into two, each around its median."""
    least = len(x) // 4

    def off(k: int) -> float:
        return float(np.sum(np.abs(x[:k] - np.median(x[:k]))) + np.sum(np.abs(x[k:] - np.median(x[k:]))))

    return min(range(least, len(x) - least + 1), key=off)


def behind(pace: Sequence[float]) -> list[float]:
    """How far a spindle lies behind its own pace, day by day [share]; nought on days on which its belt holds.

    ``pace`` is its speed, best beside that of its motor; its own is the median of some weeks up to three days before it
    fell behind. A single slow day is none, and it has come back when it has held for two.
    """
    found = [0.0] * len(pace)
    since = 0
    own: float | None = None
    slipping = False
    for day in range(LEAST_DAYS, len(pace)):
        past = pace[max(since, day - RECENT_DAYS - BASE_DAYS) : max(day - RECENT_DAYS, since)]
        if not slipping and len(past) >= LEAST_DAYS:
            own = median(past)
        if own is None:
            continue
        fast = own * (1 - NOT_BEHIND)
        lower, higher = sorted(pace[day - 1 : day + 1])
        if not slipping and higher < own * (1 - BEHIND):
            begun = day - 1
            while begun > since and pace[begun - 1] < fast:
                begun -= 1
            slipping = True
            found[begun : day + 1] = [1 - slow / own for slow in pace[begun : day + 1]]
        elif slipping and lower > fast:
            slipping, since = False, day - 1
            found[day - 1] = 0.0
        elif slipping:
            found[day] = 1 - pace[day] / own
    return found
