"""From wear now to cuts and hours left: the budget run down along work like that of the last weeks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

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


@dataclass(frozen=True, slots=True)
class RunOut:
    """Equally likely draws, shape (k,): area [m²], cuts and hours until the budget is used up."""

    area_m2: Floats
    cuts: Floats
    hours: Floats | None


def quantity(draws: ArrayLike) -> Quantity:
    """Median, 90 % band and one-sided 90 % bound of equally likely draws, never below zero.

    >>> quantity(range(1, 1000))
    Quantity(estimate=500.0, low=50.9, high=949.1, at_least=100.8, level=0.9)
    """
    values = np.clip(np.asarray(draws, float), 0.0, None)
    low, at_least, middle, high = np.quantile(values, [0.05, 0.10, 0.5, 0.95])
    return Quantity(float(middle), float(low), float(high), float(at_least))


def run_out(
    budgets: ArrayLike,
    wear_per_hour: ArrayLike,
    area_per_hour_m2: ArrayLike,
    cuts_per_hour: ArrayLike,
    elapsed: float = 0.0,
) -> RunOut | None:
    """Run budgets down along coming weeks that are drawn from past ones.

    ``budgets`` [wear], shape (k,). The three histories, shape (h,), are the whole hours before now, the newest last,
    h a multiple of 24. ``elapsed`` is the part of the running hour that is over. Each coming day is taken from the same
    weekday of a past week, of those that held any work (from any past day where there are less than two weeks), so
    shifts, weekends and jobs stay as they were. Area, cuts and hours follow the same draws. None where the history
    holds no wear.
    """
    wear, area, cuts = (np.asarray(part, float) for part in (wear_per_hour, area_per_hour_m2, cuts_per_hour))
    left = np.asarray(budgets, float)
    if not wear.shape == area.shape == cuts.shape or len(wear) % 24 or len(wear) == 0:
        raise ValueError(f"histories of {wear.shape}, {area.shape}, {cuts.shape} hours; expected one multiple of 24")
    total = float(np.sum(wear))
    if not total > 0:
        return None
    hours, places = _coming_hours(wear, wear + area + cuts, len(left))
    part = np.where(places == 0, 1 - elapsed, 1.0)
    used = np.cumsum(wear[hours] * part, axis=1)
    end = np.argmax(used >= left[:, None], axis=1)
    row = np.arange(len(left))
    within = used[row, -1] >= left
    last = np.where(within, end, hours.shape[1] - 1)
    before = np.where(last > 0, used[row, last - 1], 0.0)
    step = used[row, last] - before
    share = np.where(within, np.where(step > 0, (left - before) / np.where(step > 0, step, 1.0), 0.0), 1.0)
    beyond = np.where(within, 0.0, left - used[:, -1])  # past the horizon the mean pace goes on
    start = np.where(places == 0, 0.0, places - elapsed)
    spent = np.where(within, start[last] + share * part[last], HORIZON_WEEKS * WEEK_H - elapsed)
    return RunOut(
        _along(area[hours] * part, last, share) + beyond * float(np.sum(area)) / total,
        _along(cuts[hours] * part, last, share) + beyond * float(np.sum(cuts)) / total,
        np.where(left > 0, spent, 0.0) + beyond * len(wear) / total,
    )


def _along(values: Floats, last: NDArray[np.int64], share: Floats) -> Floats:
    """What adds up until ``share`` of hour ``last``."""
    sums = np.cumsum(values, axis=1)
    row = np.arange(len(last))
    before = np.where(last > 0, sums[row, last - 1], 0.0)
    return np.asarray(before + share * (sums[row, last] - before))


def _coming_hours(wear: Floats, work: Floats, draws: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """For each draw and coming hour the past hour it is taken from; weeks without any work are left out.

    Hours of the week in which no past week held work are left out too: they change no sum. The second array says
    which coming hours are left.
    """
    history_h = len(wear)
    period = WEEK_H if history_h >= 2 * WEEK_H else 24
    weeks = history_h // period
    totals = [
        float(np.sum(wear[history_h - period * back : history_h - period * (back - 1)])) for back in range(1, weeks + 1)
    ]
    usable = np.array([back for back, total in enumerate(totals, 1) if total > 0 or period == 24])
    days = HORIZON_WEEKS * 7
    generator = np.random.default_rng(SEED)
    back = usable[generator.integers(0, len(usable), size=(draws, days))]
    held = work[history_h - period * weeks :].reshape(weeks, period).any(axis=0)
    hour = np.flatnonzero(np.tile(held, days * 24 // period))
    place = history_h - period * back[:, hour // 24] + hour % period
    return np.asarray(place, np.int64), np.asarray(hour, np.int64)
