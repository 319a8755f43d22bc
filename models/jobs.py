"""What is left, in the coming jobs: a budget run down along jobs like those of the last weeks.

Coming work is drawn job by job, not stroke by stroke: a saw that cuts a hundred pieces of one alloy before it turns to
another wears its blade in such steps, and near the end of a life the next two or three jobs are all there is. The
running job is finished first.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SEED: Final = 20_310_502
"""The coming jobs are drawn the same for the same question, today and tomorrow."""
MOST_JOBS: Final = 400
"""Jobs drawn ahead at most; beyond them the mean of the past jobs goes on."""


class Job(NamedTuple):
    """A run of cuts of one part: its alloy, how many, their area [m²]."""

    alloy: str
    cuts: int
    area_m2: float


class Ahead(NamedTuple):
    """Equally likely draws, shape (k,): area [m²] and cuts until the budget is used up."""

    area_m2: Floats
    cuts: Floats


def run_down(
    budgets: Floats,
    rates: Callable[[str], Floats],
    past: Sequence[Job],
    running: Job | None = None,
    queue: Sequence[Job] = (),
    by_cuts: bool = False,
) -> Ahead | None:
    """Run budgets down, shape (k,), along jobs drawn from past ones; None where there are none that use anything.

    ``rates`` gives what a square metre of an alloy uses of each budget, shape (k,); with ``by_cuts`` a cut uses one.
    ``running`` is what the running job has done so far: its rest is drawn from the past jobs that were longer.
    ``queue`` comes next, in its order.
    """
    if not past:
        return None
    alloys = sorted({job.alloy for job in (*past, *queue, *((running,) if running else ()))})
    per_m2 = np.stack([rates(alloy) for alloy in alloys], axis=1)
    number = {alloy: place for place, alloy in enumerate(alloys)}
    metal = np.array([number[job.alloy] for job in past])
    area = np.array([job.area_m2 for job in past])
    cuts = np.array([float(job.cuts) for job in past])
    mean_use = float(np.mean(cuts)) if by_cuts else float(np.mean(np.median(per_m2, axis=0)[metal] * area))
    if not mean_use > 0:
        return None
    k = len(budgets)
    count = int(min(MOST_JOBS, 8 + 2.5 * float(np.max(budgets, initial=0.0)) / mean_use))
    generator = np.random.default_rng(SEED)
    drawn = generator.integers(0, len(past), size=(k, count))
    parts = [(metal[drawn], area[drawn], cuts[drawn])]
    for job in reversed(queue):
        parts.insert(0, _whole(k, number[job.alloy], job.area_m2, float(job.cuts)))
    if running is not None and running.cuts > 0:
        longer = cuts[cuts > running.cuts]
        left = generator.choice(longer, k) - running.cuts if len(longer) else np.zeros(k)
        part = (left * running.area_m2 / running.cuts)[:, None]
        parts.insert(0, (np.full((k, 1), number[running.alloy]), part, left[:, None]))
    metals, areas, counts = (np.concatenate(column, axis=1) for column in zip(*parts, strict=True))
    use = counts if by_cuts else areas * np.take_along_axis(per_m2, metals, axis=1)
    return _until(budgets, use, areas, counts, float(np.mean(area)), float(np.mean(cuts)), mean_use)


def _whole(k: int, metal: int, area_m2: float, cuts: float) -> tuple[NDArray[np.int64], Floats, Floats]:
    return np.full((k, 1), metal), np.full((k, 1), area_m2), np.full((k, 1), cuts)


def _until(
    budgets: Floats, use: Floats, areas: Floats, counts: Floats, mean_area: float, mean_cuts: float, mean_use: float
) -> Ahead:
    """Area and cuts at which the sums of use meet the budgets; past the last job the mean goes on."""
    sums = np.cumsum(use, axis=1)
    last = use.shape[1] - 1
    end = np.minimum(np.sum(sums < budgets[:, None], axis=1), last)
    row = np.arange(len(budgets))
    before = sums[row, end] - use[row, end]
    share = np.clip((budgets - before) / np.maximum(use[row, end], 1e-300), 0.0, 1.0)
    beyond = np.maximum(budgets - sums[row, -1], 0.0) / mean_use
    found = []
    for values, mean in ((areas, mean_area), (counts, mean_cuts)):
        total = np.cumsum(values, axis=1)
        found.append(total[row, end] - (1 - share) * values[row, end] + beyond * mean)
    spent = budgets <= 0
    return Ahead(*(np.where(spent, 0.0, values) for values in found))


def rates_of(per_m2: Mapping[str, float], draws: int, base: float = 1.0) -> Callable[[str], Floats]:
    """Rates that are known: the same in every draw."""
    return lambda alloy: np.full(draws, per_m2.get(alloy, base))
