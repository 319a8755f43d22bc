"""From draws to quantities, and from cuts to hours: along weeks like those that were."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

WEEK_H: Final = 168
HORIZON_WEEKS: Final = 8
LEVEL: Final = 0.9
SEED: Final = 20_310_501
"""The draws of coming weeks are the same for the same question, today and tomorrow."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """An estimate: median, central band of ``level``, and the one-sided bound that decisions use."""

    estimate: float
    low: float
    high: float
    at_least: float
    level: float = LEVEL


def quantity(draws: ArrayLike) -> Quantity:
    """Median, 90 % band and one-sided 90 % bound of equally likely draws, never below zero.

    >>> quantity(range(1, 1000))
    Quantity(estimate=500.0, low=50.9, high=949.1, at_least=100.8, level=0.9)
    """
    values = np.clip(np.asarray(draws, float), 0.0, None)
    low, at_least, middle, high = np.quantile(values, [0.05, 0.10, 0.5, 0.95])
    return Quantity(float(middle), float(low), float(high), float(at_least))


def hours_until(cuts: ArrayLike, cuts_per_hour: ArrayLike, elapsed: float = 0.0) -> Floats | None:
    """The hours until so many cuts are made, shape (k,), along coming weeks that are drawn from past ones.

    ``cuts_per_hour``, shape (h,), is that of the whole hours before now, the newest last, h a multiple of 24;
    ``elapsed`` is the part of the running hour that is over. Each coming day is taken from the same weekday of a past
    week, of those that held any work (from any past day where there are less than two weeks), so shifts and weekends
    stay as they were. None where the history holds no cuts.
    """
    history, wanted = np.asarray(cuts_per_hour, float), np.asarray(cuts, float)
    if len(history) % 24 or len(history) == 0:
        raise ValueError(f"a history of {len(history)} hours; expected a multiple of 24")
    total = float(np.sum(history))
    if not total > 0:
        return None
    days = _coming_days(history, len(wanted))
    by_day = np.cumsum(np.sum(days.hours, axis=-1)[days.drawn, days.weekday], axis=1)
    by_day -= elapsed * days.hours[days.drawn[:, 0], 0, 0][:, None]
    row, last = np.arange(len(wanted)), by_day.shape[1] - 1
    within = by_day[:, -1] >= wanted
    day = np.where(within, np.argmax(by_day >= wanted[:, None], axis=1), last)
    first = day[:, None] * 24 + np.arange(24) == 0
    made = days.hours[days.drawn[row, day], days.weekday[day]] * np.where(first, 1 - elapsed, 1.0)
    total_before = np.where(day > 0, by_day[row, day - 1], 0.0)
    by_hour = total_before[:, None] + np.cumsum(made, axis=1)
    hour = np.minimum(np.sum(by_hour < wanted[:, None], axis=1), 23)
    step = made[row, hour]
    before = by_hour[row, hour] - step
    share = np.clip(np.where(step > 0, (wanted - before) / np.where(step > 0, step, 1.0), 0.0), 0.0, 1.0)
    place = day * 24 + hour
    begun = np.where(place == 0, 0.0, place - elapsed)
    spent = np.where(within, begun + share * np.where(place == 0, 1 - elapsed, 1.0), HORIZON_WEEKS * WEEK_H - elapsed)
    beyond = np.where(within, 0.0, wanted - by_day[:, -1])  # past the horizon the mean pace goes on
    return np.asarray(np.where(wanted > 0, spent, 0.0) + beyond * len(history) / total)


class _Days(NamedTuple):
    """Past days to draw from: their work by hour, ``hours`` (periods, days, 24), the newest period first.

    ``drawn`` (k, d) is the period that each draw takes for each coming day, ``weekday`` (d,) which of its days.
    """

    hours: Floats
    drawn: NDArray[np.int64]
    weekday: NDArray[np.int64]


def _coming_days(work: Floats, draws: int) -> _Days:
    """Days like those that were; weeks in which no work was are left out."""
    period = WEEK_H if len(work) >= 2 * WEEK_H else 24
    count = len(work) // period
    hours = work[len(work) - period * count :].reshape(count, period // 24, 24)[::-1]
    usable = np.flatnonzero((hours > 0).any(axis=(1, 2)) | (period == 24))
    drawn = usable[np.random.default_rng(SEED).integers(0, len(usable), size=(draws, HORIZON_WEEKS * 7))]
    return _Days(hours, drawn, np.arange(HORIZON_WEEKS * 7) % (period // 24))
