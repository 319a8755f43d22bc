"""From draws to quantities, and from cuts to hours: along weeks like those that were."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

WEEK_H: Final = 168
HORIZON_WEEKS: Final = 8
NEAR_WEEKS: Final = 2
"""So many weeks are tried first, at a quarter of the cost; only where a draw goes on past them all are taken."""
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
    for weeks in (NEAR_WEEKS, HORIZON_WEEKS):
        hours, places = _coming_hours(history, len(wanted), weeks)
        part = np.where(places == 0, 1 - elapsed, 1.0)
        made = np.cumsum(history[hours] * part, axis=1)
        if (made[:, -1] >= wanted).all():
            break
    end = np.argmax(made >= wanted[:, None], axis=1)
    row = np.arange(len(wanted))
    within = made[row, -1] >= wanted
    last = np.where(within, end, hours.shape[1] - 1)
    before = np.where(last > 0, made[row, last - 1], 0.0)
    step = made[row, last] - before
    share = np.where(within, np.where(step > 0, (wanted - before) / np.where(step > 0, step, 1.0), 0.0), 1.0)
    beyond = np.where(within, 0.0, wanted - made[:, -1])  # past the horizon the mean pace goes on
    start = np.where(places == 0, 0.0, places - elapsed)
    spent = np.where(within, start[last] + share * part[last], HORIZON_WEEKS * WEEK_H - elapsed)
    return np.asarray(np.where(wanted > 0, spent, 0.0) + beyond * len(history) / total)


def _coming_hours(work: Floats, draws: int, coming: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """For each draw and hour of the ``coming`` weeks the past hour it is taken from; idle past weeks are left out.

    Hours of the week in which no past week held work are left out too: they change no sum. The second array says
    which coming hours are left.
    """
    history_h = len(work)
    period = WEEK_H if history_h >= 2 * WEEK_H else 24
    weeks = history_h // period
    totals = [
        float(np.sum(work[history_h - period * back : history_h - period * (back - 1)])) for back in range(1, weeks + 1)
    ]
    usable = np.array([back for back, total in enumerate(totals, 1) if total > 0 or period == 24])
    generator = np.random.default_rng(SEED)
    back = usable[generator.integers(0, len(usable), size=(draws, HORIZON_WEEKS * 7))]
    held = (work[history_h - period * weeks :] > 0).reshape(weeks, period).any(axis=0)
    hour = np.flatnonzero(np.tile(held, coming * WEEK_H // period))
    place = history_h - period * back[:, hour // 24] + hour % period
    return np.asarray(place, np.int64), np.asarray(hour, np.int64)
