"""How many sharp blades a shop must own: the pipeline of blades that are out, and blades that come to their end.

Changes of one type come at a mean rate, each blade is away for a turn-round. By Palm's theorem the number away is then
Poisson with mean rate × turn-round, whatever the spread of the turn-round (C. Palm, 1938; as used for repairable items
by Feeney and Sherbrooke, Management Science 12(5), 1966). A weekly van breaks the theorem's even flow: blades wait for
it, and come back together, so the mean away is taken at the worst moment, the day before it comes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log
from typing import Final

WEEK_DAYS: Final = 7.0
MOST_MEAN: Final = 10_000.0


def poisson_quantile(mean: float, level: float) -> int:
    """The smallest n with P(X ≤ n) ≥ ``level`` for Poisson X; ``mean`` in [0, 10 000], ``level`` in (0, 1).

    Raises ``ValueError`` outside.

    >>> poisson_quantile(1.75, 0.95), poisson_quantile(10.0, 0.99), poisson_quantile(0.0, 0.95)
    (4, 18, 0)
    """
    if not 0 <= mean <= MOST_MEAN or not 0 < level < 1:
        raise ValueError(f"mean: found {mean:g}, expected 0 to {MOST_MEAN:g}; level: found {level:g}, expected 0 to 1")
    n, log_term = 0, -mean
    total = exp(log_term)
    while total < level and n < mean + 50 * (mean**0.5 + 1):
        n += 1
        log_term += log(mean) - log(n)
        total += exp(log_term)
    return n


@dataclass(frozen=True, slots=True)
class Pipeline:
    """Blades of one type on their way: mean away, and the spares that cover it at ``level``.

    ``late_mean`` and ``late_spares`` are the same if the van is a week late.
    """

    mean: float
    spares: int
    late_mean: float
    late_spares: int
    away_days: float
    level: float


def pipeline(changes_per_day: float, turnround_days: float, level: float, weekly_van: bool = False) -> Pipeline:
    """The pipeline of a type. ``turnround_days`` from pick-up to return; a weekly van adds up to a week of waiting.

    >>> pipeline(0.5, 10.0, 0.95).spares, pipeline(0.25, 7.0, 0.95, weekly_van=True).away_days
    (9, 14.0)
    """
    away_days = turnround_days + (WEEK_DAYS if weekly_van else 0.0)
    mean, late = changes_per_day * away_days, changes_per_day * (away_days + WEEK_DAYS)
    return Pipeline(mean, poisson_quantile(mean, level), late, poisson_quantile(late, level), away_days, level)


def short_by(sharp: int, due_back: Sequence[float], changes_per_day: float, until_days: float, level: float) -> int:
    """How many sharp blades would be lacking by a day, at ``level``: demand until then less what is there and comes.

    ``due_back`` are the days from now on which blades come back; only those before ``until_days`` count.

    >>> short_by(2, [3.0, 9.0], 0.5, 7.0, 0.95)
    4
    """
    coming = sum(day < until_days for day in due_back)
    return max(poisson_quantile(changes_per_day * until_days, level) - sharp - coming, 0)


def to_buy(
    regrinds_left: Sequence[int | None], mounted: int, spares: int, cycles: float, scrapped_per_cycle: float
) -> tuple[float, int]:
    """Plates expected to be lost over a period, and how many to buy so that the fleet still covers it.

    ``regrinds_left`` one a plate owned, None where it is not known; ``cycles`` is how many grind cycles the whole fleet
    ends in the period. A plate whose tips are used up within its share of them is lost; any other by the rate at which
    plates were scrapped before.

    >>> to_buy([0, 1, 6, 9, 12], mounted=1, spares=4, cycles=10.0, scrapped_per_cycle=0.02)
    (2.12, 2)
    """
    owned = len(regrinds_left)
    if not owned:
        return 0.0, mounted + spares
    each = cycles / owned
    ending = sum(left is not None and left < each for left in regrinds_left)
    lost = ending + scrapped_per_cycle * each * (owned - ending)
    return lost, max(round(mounted + spares - (owned - lost)), 0)
