"""The coming work of a saw: jobs like those of the last weeks, at their pace; and what is left along it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bladewatch.assess.assessment import TimeQuantity
from bladewatch.assess.recent import HourOfWork
from bladewatch.contact import hour_of
from bladewatch.units import m2_of
from collectors.instants import HOUR_US
from models.cycle import CycleState
from models.forecast import Quantity, hours_until, quantity
from models.jobs import Ahead, Floats, Job, run_down

WEEK_H: Final = 168


@dataclass(frozen=True, slots=True)
class Left:
    """What is left until a limit; None where it cannot be told. ``due_then`` is ``due`` as told at the last stroke."""

    area_m2: Quantity | None = None
    cuts: Quantity | None = None
    due: TimeQuantity | None = None
    due_then: TimeQuantity | None = None


def left_along(
    budgets: Floats,
    rates: Callable[[str], Floats],
    recent: Mapping[int, HourOfWork],
    state: CycleState,
    now_us: int,
    queue: Sequence[Job] = (),
    by_cuts: bool = False,
) -> Left:
    """Run budgets down along the coming jobs; without any past ones along the cycle's own mix, with no date.

    ``rates`` gives what a square metre of an alloy uses of each budget; with ``by_cuts`` a cut uses one. A ``queue`` is
    all that comes next, in its order; after it come jobs like those that were.
    """
    past = past_jobs(recent) or list(queue)
    ahead = run_down(budgets, rates, past, None if queue else running_job(state), queue, by_cuts)
    if ahead is None:
        ahead = _own_mix(budgets, rates, state, by_cuts)
    if ahead is None:
        return Left()
    then = None if state.last_us is None else _due(ahead, recent, min(state.last_us, now_us))
    return Left(quantity(ahead.area_m2), quantity(ahead.cuts), _due(ahead, recent, now_us), then)


def past_jobs(recent: Mapping[int, HourOfWork]) -> list[Job]:
    """The jobs of the recent hours, in order: a part that is cut in one hour and in the next is one job."""
    found: list[Job] = []
    running: dict[tuple[str | None, str], Job] = {}
    for _, hour in sorted(recent.items()):
        found.extend(job for key, job in running.items() if key not in hour.parts)
        running = {key: _more(running.get(key), key[1], made.cuts, made.area_cmm2) for key, made in hour.parts.items()}
    return [job for job in (*found, *running.values()) if job.area_m2 > 0]


def _more(job: Job | None, alloy: str, cuts: int, area_cmm2: int) -> Job:
    if job is None:
        return Job(alloy, cuts, m2_of(area_cmm2))
    return Job(alloy, job.cuts + cuts, job.area_m2 + m2_of(area_cmm2))


def running_job(state: CycleState) -> Job | None:
    """What the newest job of a cycle has done so far."""
    rows = state.stints.rows()
    if not rows:
        return None
    cuts, area = 0, 0
    for stint in reversed(rows):
        if (stint.part, stint.alloy) != (rows[-1].part, rows[-1].alloy):
            break
        cuts += stint.cuts
        area += stint.area_cmm2
    return Job(rows[-1].alloy, cuts, m2_of(area))


def _own_mix(budgets: Floats, rates: Callable[[str], Floats], state: CycleState, by_cuts: bool) -> Ahead | None:
    area_m2 = m2_of(state.total_cmm2)
    if by_cuts:
        used = np.full(len(budgets), float(state.cuts))
    else:
        parts = [rates(alloy) * m2_of(area) for alloy, area in sorted(state.area_cmm2.items())]
        used = np.sum(parts, axis=0) if parts else np.zeros(len(budgets))
    if not (used > 0).all():
        return None
    share = np.maximum(budgets, 0.0) / used
    return Ahead(share * area_m2, share * state.cuts)


def _due(ahead: Ahead, recent: Mapping[int, HourOfWork], now_us: int) -> TimeQuantity | None:
    history = _cuts_by_hour(recent, now_us)
    hours = hours_until(ahead.cuts, history, now_us % HOUR_US / HOUR_US) if history else None
    if hours is None:
        return None
    found = quantity(hours)
    instants = (now_us + round(value * HOUR_US) for value in (found.estimate, found.low, found.high, found.at_least))
    return TimeQuantity(*instants)


def _cuts_by_hour(recent: Mapping[int, HourOfWork], now_us: int) -> list[int]:
    """Cuts in the last whole hours, at most four weeks, as far back as there was work: whole weeks, else whole days.

    Less than a day of work is no history: nothing tells when the next shift is.
    """
    last = hour_of(now_us) - 1
    worked = [hour for hour, entry in recent.items() if entry.cuts and hour <= last]
    if not worked:
        return []
    span = last - min(worked) + 1
    length = span // WEEK_H * WEEK_H if span >= 2 * WEEK_H else span // 24 * 24
    return [recent[hour].cuts if hour in recent else 0 for hour in range(last - length + 1, last + 1)]
