"""Wear now and the life left of one running cycle, on the scale that its blade type supports."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from bladewatch.assess.assessment import TimeQuantity
from bladewatch.assess.recent import HourOfWork
from bladewatch.assess.training import GUESSED_AT_MOST, Training, load_of
from bladewatch.config.tables import BladeType
from bladewatch.contact import hour_of
from bladewatch.ledger.fleet import Cycle
from bladewatch.units import m2_of, percent
from collectors.instants import HOUR_US
from models.cycle import CycleState
from models.forecast import Quantity, RunOut, quantity, run_out
from models.wear import DRAWS, MIN_ALLOY_CYCLES, Bench, Floats, Load, LoadReading, WearFit, WearNow, wear_now

WIDEST: Final = 8.0
"""A band whose upper end is this many times its lower end tells nothing; the site's rule speaks instead."""
WEEK_H: Final = 168


@dataclass(frozen=True, slots=True)
class BenchPoint:
    """A bench reading of a running cycle, and what the cycle had cut by then."""

    wear_um: float
    area_cmm2: Mapping[str, int]


class Share(NamedTuple):
    """What of the limit was used between two instants."""

    from_us: int
    to_us: int
    used: float


@dataclass(frozen=True, slots=True)
class Working:
    """What a life by the fit was worked out from; wear in the fit's scale, areas in m²."""

    fit: WearFit
    limit: float
    start: float
    areas_m2: Mapping[str, float]
    coming_m2: Mapping[str, float]
    load: LoadReading | None
    bench: Bench | None
    draws: WearNow


@dataclass(frozen=True, slots=True)
class Life:
    """What can be said of a running cycle; None where it cannot be told, with the reason in ``reasons``.

    ``shares`` is how much of the limit the work of each recent hour used, from its first to its last stroke, the newest
    last; ``working`` is how a fit came to it.
    """

    limit_kind: str | None
    basis: str | None
    cycles: int
    wear_um: Quantity | None = None
    used_share: Quantity | None = None
    remaining_area_m2: Quantity | None = None
    remaining_cuts: Quantity | None = None
    due: TimeQuantity | None = None
    reasons: tuple[str, ...] = ()
    shares: tuple[Share, ...] = ()
    working: Working | None = None


def life_of(
    cycle: Cycle,
    state: CycleState,
    blade: BladeType,
    training: Training,
    recent: dict[int, HourOfWork],
    now_us: int,
    bench: BenchPoint | None = None,
) -> Life:
    """Wear and life left by the fit, else by the site's rule, else the reason why neither can tell.

    ``bench`` is the newest bench reading of this cycle, with what it had cut by then.
    """
    lack = training.lack or "no forecast"
    unknown_area = _unknown_area(state)
    if unknown_area is None and training.fit is not None and training.limit is not None:
        life = _by_fit(cycle, state, training, training.fit, training.limit, recent, now_us, bench)
        if life is not None:
            return life
        lack = "the range of a forecast would be wider than the whole life; more ended cycles would narrow it"
    rules = _rules(cycle, state, blade, recent, now_us, unknown_area or lack, with_area=unknown_area is None)
    if rules:
        return max(rules, key=lambda life: life.used_share.estimate if life.used_share is not None else 0.0)
    kind = (
        "wear_um" if blade.wear_limit_um is not None else "edge_index" if blade.edge_index_limit is not None else None
    )
    return Life(kind, None, training.ended, reasons=(f"cannot tell: {unknown_area or lack}",))


def _unknown_area(state: CycleState) -> str | None:
    """Why the area of the cycle is no ground to stand on, or None where it is."""
    if not state.cuts:
        return None
    if not state.total_cmm2:
        return "the area of none of its cuts is known; fill the part table"
    share = state.guessed_cmm2 / state.total_cmm2
    if share > GUESSED_AT_MOST:
        return f"the area of {percent(share)} of what it cut is a guess; fill the part table"
    return None


def _rules(
    cycle: Cycle,
    state: CycleState,
    blade: BladeType,
    recent: dict[int, HourOfWork],
    now_us: int,
    lack: str,
    with_area: bool,
) -> list[Life]:
    """The site's rules, each as far as it is used up."""
    found = []
    limit_m2, limit_cuts = blade.site_limit_area_m2, blade.site_limit_cuts
    if limit_m2 is not None and with_area:
        used = m2_of(state.total_cmm2) / limit_m2 + cycle.used_share
        alloys = {alloy for hour in recent.values() for alloy in hour.area_cmm2} | set(state.area_cmm2)
        wear = dict.fromkeys(sorted(alloys), 1.0)
        out = _run_out(np.full(DRAWS, max((1 - used) * limit_m2, 0.0)), wear, recent, state, now_us)
        reason = f"by the site's rule of {limit_m2:g} m² a cycle; {lack}"
        found.append(_rule("area", used, out, now_us, reason, _shares(recent, wear, 1 / limit_m2)))
    if limit_cuts is not None:
        used = state.cuts / limit_cuts + cycle.used_share
        out = _run_out(np.full(DRAWS, max((1 - used) * limit_cuts, 0.0)), None, recent, state, now_us)
        reason = f"by the site's rule of {limit_cuts} cuts a cycle; {lack}"
        shares = tuple(
            Share(entry.first_us, entry.last_us, entry.cuts / limit_cuts) for _, entry in sorted(recent.items())
        )
        found.append(_rule("cuts", used, out, now_us, reason, shares))
    return found


def _rule(kind: str, used: float, out: RunOut | None, now_us: int, reason: str, shares: tuple[Share, ...]) -> Life:
    return Life(
        limit_kind=kind,
        basis="site-rule",
        cycles=0,
        used_share=Quantity(used, used, used, used),
        remaining_area_m2=None if out is None else quantity(out.area_m2),
        remaining_cuts=None if out is None else quantity(out.cuts),
        due=_due(out, now_us),
        reasons=(reason,),
        shares=shares,
    )


def _by_fit(
    cycle: Cycle,
    state: CycleState,
    training: Training,
    fit: WearFit,
    limit: float,
    recent: dict[int, HourOfWork],
    now_us: int,
    bench: BenchPoint | None,
) -> Life | None:
    """None where the band is too wide to tell anything."""
    areas_m2 = {alloy: m2_of(area) for alloy, area in sorted(state.area_cmm2.items())}
    start = cycle.used_share * limit
    scale_is_index = training.scale == "edge_index"
    if scale_is_index:  # the index is the quantity itself there, not a sign of it
        fit = replace(fit, load=Load(1.0, 0.05, fit.cycles))
    load = (
        load_of(state) if scale_is_index or (training.scale == "wear_um" and fit.cycles >= MIN_ALLOY_CYCLES) else None
    )
    measured = None
    if bench is not None and training.scale == "wear_um":
        then_m2 = {alloy: m2_of(area) for alloy, area in sorted(bench.area_cmm2.items())}
        measured = Bench(bench.wear_um, fit.expected(then_m2)[0])
    wear = wear_now(fit, areas_m2, limit, start, load, measured)
    coming_m2 = _coming(recent)
    rates = {alloy: fit.rate(alloy) for alloy in {*areas_m2, *coming_m2}}
    budgets = wear.budgets(limit, _more_variance(fit, areas_m2, coming_m2, rates, wear.budgets(limit)))
    life = budgets + wear.since
    low, high = np.quantile(life, [0.05, 0.95])
    if measured is None and high > WIDEST * low:
        return None
    out = _run_out(budgets, rates, recent, state, now_us)
    used = quantity(wear.wear / limit)
    return Life(
        limit_kind=training.scale,
        basis="prior" if fit.cycles < MIN_ALLOY_CYCLES else "history+load" if wear.with_load else "history",
        cycles=fit.cycles,
        wear_um=quantity(wear.wear) if training.scale == "wear_um" else None,
        used_share=used,
        remaining_area_m2=None if out is None else quantity(out.area_m2),
        remaining_cuts=None if out is None else quantity(out.cuts),
        due=_due(out, now_us),
        reasons=tuple(_grounds(fit, wear.with_load, measured, {*areas_m2, *coming_m2})),
        shares=_shares(recent, rates, float(np.median(wear.factors)) / limit),
        working=Working(fit, limit, start, areas_m2, coming_m2, load, measured, wear),
    )


def _grounds(fit: WearFit, with_load: bool, bench: Bench | None, alloys: set[str]) -> Iterator[str]:
    """What the numbers rest on, in words."""
    ground = f"from {fit.cycles} cycles"
    if fit.cycles < MIN_ALLOY_CYCLES:
        ground += ", alloy ratios as stated"
    yield ground + (" and this cycle's load" if with_load else "")
    if bench is not None:
        yield f"the bench measured {bench.wear:g} µm in this cycle"
    unseen = sorted(alloy for alloy in alloys if alloy not in fit.alloys and alloy != "unknown")
    if unseen:
        yield f"no ended cycle has cut {', '.join(unseen)}: its wear is a stated ratio"


def _coming(recent: dict[int, HourOfWork]) -> dict[str, float]:
    """The recent weeks' areas by alloy [m²]: the mix of what is to come."""
    coming: dict[str, float] = {}
    for _, entry in sorted(recent.items()):
        for alloy, area in sorted(entry.area_cmm2.items()):
            coming[alloy] = coming.get(alloy, 0.0) + m2_of(area)
    return coming


def _more_variance(
    fit: WearFit, areas_m2: dict[str, float], coming_m2: dict[str, float], rates: dict[str, float], budgets: Floats
) -> float:
    """What doubt about the rates of the coming work adds to that about the work done [log²]."""
    ahead = sum(rates[alloy] * area for alloy, area in sorted(coming_m2.items()))
    if ahead <= 0:
        return 0.0
    scale = float(np.median(budgets)) / ahead
    both = {alloy: areas_m2.get(alloy, 0.0) + scale * coming_m2.get(alloy, 0.0) for alloy in {*areas_m2, *coming_m2}}
    return max(fit.expected(both)[1] - fit.expected(areas_m2)[1], 0.0)


def _run_out(
    budgets: Floats,
    wear_per_m2: dict[str, float] | None,
    recent: dict[int, HourOfWork],
    state: CycleState,
    now_us: int,
) -> RunOut | None:
    """Run the budget down along the recent weeks; without any, along the cycle's own mix, with no date.

    ``wear_per_m2`` None counts cuts instead of area. None where neither tells a mix.
    """
    hours = _history(recent, now_us)
    wear = np.zeros(len(hours))
    area = np.zeros(len(hours))
    cuts = np.zeros(len(hours))
    for place, entry in enumerate(hours):
        if entry is None:
            continue
        cuts[place] = entry.cuts
        for alloy, area_cmm2 in sorted(entry.area_cmm2.items()):
            area[place] += m2_of(area_cmm2)
            wear[place] += m2_of(area_cmm2) * (wear_per_m2 or {}).get(alloy, 0.0)
    elapsed = now_us % HOUR_US / HOUR_US
    out = run_out(budgets, cuts if wear_per_m2 is None else wear, area, cuts, elapsed) if len(hours) else None
    if out is not None:
        return out
    own_area = m2_of(state.total_cmm2)
    own_wear = float(state.cuts)
    if wear_per_m2 is not None:
        own_wear = sum(m2_of(a) * wear_per_m2.get(alloy, 0.0) for alloy, a in sorted(state.area_cmm2.items()))
    if own_wear <= 0:
        return None
    return RunOut(budgets * own_area / own_wear, budgets * state.cuts / own_wear, None)


def _history(recent: dict[int, HourOfWork], now_us: int) -> list[HourOfWork | None]:
    """The last whole hours, at most four weeks, as far back as there was work: whole weeks, else whole days.

    Less than a day of work is no history: nothing tells when the next shift is.
    """
    last = hour_of(now_us) - 1
    worked = [hour for hour, entry in recent.items() if entry.cuts and hour <= last]
    if not worked:
        return []
    span = last - min(worked) + 1
    length = span // WEEK_H * WEEK_H if span >= 2 * WEEK_H else span // 24 * 24
    return [recent.get(hour) for hour in range(last - length + 1, last + 1)]


def _shares(recent: dict[int, HourOfWork], wear_per_m2: dict[str, float], scale: float) -> tuple[Share, ...]:
    return tuple(
        Share(
            entry.first_us,
            entry.last_us,
            scale * sum(m2_of(area) * wear_per_m2.get(alloy, 0.0) for alloy, area in sorted(entry.area_cmm2.items())),
        )
        for _, entry in sorted(recent.items())
    )


def _due(out: RunOut | None, now_us: int) -> TimeQuantity | None:
    if out is None or out.hours is None:
        return None
    hours = quantity(out.hours)
    instants = (now_us + round(value * HOUR_US) for value in (hours.estimate, hours.low, hours.high, hours.at_least))
    return TimeQuantity(*instants)
