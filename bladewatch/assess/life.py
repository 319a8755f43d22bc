"""Wear now and the life left of one running cycle, on the scale that its blade type supports."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from bladewatch.assess.assessment import TimeQuantity
from bladewatch.assess.recent import HourOfWork
from bladewatch.assess.training import Training
from bladewatch.config.tables import BladeType
from bladewatch.contact import hour_of
from bladewatch.ledger.fold import Cycle
from bladewatch.units import m2_of
from collectors.instants import HOUR_US
from models.cycle import CycleState
from models.forecast import Quantity, RunOut, quantity, run_out
from models.wear import DRAWS, MIN_ALLOY_CYCLES, WearFit, wear_now

WIDEST: Final = 5.0
"""A band whose upper end is this many times its lower end tells nothing; the site's rule speaks instead."""
WEEK_H: Final = 168


@dataclass(frozen=True, slots=True)
class Life:
    """What can be said of a running cycle; None where it cannot be told, with the reason in ``reasons``.

    ``shares`` is how much of the limit each recent hour used, the newest last.
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
    shares: tuple[tuple[int, float], ...] = ()


def life_of(
    cycle: Cycle, state: CycleState, blade: BladeType, training: Training, recent: dict[int, HourOfWork], now_us: int
) -> Life:
    """Wear and life left by the fit, else by the site's rule, else the reason why neither can tell."""
    if state.cuts and not state.total_cmm2:
        return Life(None, None, 0, reasons=("cannot tell: the area of none of its cuts is known; fill the part table",))
    lack = training.lack or "no forecast"
    if training.fit is not None and training.limit is not None:
        life = _by_fit(cycle, state, training, training.fit, training.limit, recent, now_us)
        if life is not None:
            return life
        lack = "the range of a forecast would be wider than the whole life; more ended cycles would narrow it"
    share = cycle.used_share
    if blade.site_limit_area_m2 is not None:
        used = m2_of(state.total_cmm2) + share * blade.site_limit_area_m2
        left = blade.site_limit_area_m2 - used
        wear = {alloy: 1.0 for hour in recent.values() for alloy in hour.area_cmm2} | dict.fromkeys(
            state.area_cmm2, 1.0
        )
        out = _run_out(np.full(DRAWS, max(left, 0.0)), wear, recent, state, now_us)
        reason = f"by the site's rule of {blade.site_limit_area_m2:g} m² a cycle; {lack}"
        shares = _shares(recent, wear, 1 / blade.site_limit_area_m2)
        return _rule("area", used / blade.site_limit_area_m2, out, now_us, reason, shares)
    if blade.site_limit_cuts is not None:
        used_cuts = state.cuts + share * blade.site_limit_cuts
        left_cuts = max(blade.site_limit_cuts - used_cuts, 0.0)
        out = _run_out(np.full(DRAWS, left_cuts), None, recent, state, now_us)
        reason = f"by the site's rule of {blade.site_limit_cuts} cuts a cycle; {lack}"
        shares = tuple((hour, entry.cuts / blade.site_limit_cuts) for hour, entry in sorted(recent.items()))
        return _rule("cuts", used_cuts / blade.site_limit_cuts, out, now_us, reason, shares)
    kind = (
        "wear_um" if blade.wear_limit_um is not None else "edge_index" if blade.edge_index_limit is not None else None
    )
    return Life(kind, None, training.ended, reasons=(f"cannot tell: {lack}",))


def _rule(
    kind: str, used: float, out: RunOut | None, now_us: int, reason: str, shares: tuple[tuple[int, float], ...]
) -> Life:
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
) -> Life | None:
    """None where the band is too wide to tell anything."""
    areas_m2 = {alloy: m2_of(area) for alloy, area in sorted(state.area_cmm2.items())}
    start = cycle.used_share * limit
    enough_for_load = fit.cycles >= MIN_ALLOY_CYCLES
    index = state.index.now if enough_for_load and training.scale != "area" else None
    wear = wear_now(fit, areas_m2, start, index)
    budgets = np.maximum((limit - start) / wear.factors - wear.expected, 0.0)
    rates = {alloy: fit.rate(alloy) for alloy in {*areas_m2, *(a for hour in recent.values() for a in hour.area_cmm2)}}
    out = _run_out(budgets, rates, recent, state, now_us)
    used = quantity(wear.wear / limit)
    reasons = [] if out is not None else ["no strokes in the last four weeks: no cuts and no date"]
    if fit.cycles < MIN_ALLOY_CYCLES:
        basis = "prior"
        reasons.append(f"from {fit.cycles} cycles, alloy ratios as stated")
    elif wear.with_load:
        basis = "history+load"
        reasons.append(f"from {fit.cycles} cycles and this cycle's load")
    else:
        basis = "history"
        reasons.append(f"from {fit.cycles} cycles")
    unseen = sorted(alloy for alloy in areas_m2 if alloy not in fit.alloys and alloy != "unknown")
    if unseen:
        reasons.append(f"no ended cycle has cut {', '.join(unseen)}: its wear is a stated ratio")
    if used.low > 0 and used.high / used.low > WIDEST:
        return None
    return Life(
        limit_kind=training.scale,
        basis=basis,
        cycles=fit.cycles,
        wear_um=quantity(wear.wear) if training.scale == "wear_um" else None,
        used_share=used,
        remaining_area_m2=None if out is None else quantity(out.area_m2),
        remaining_cuts=None if out is None else quantity(out.cuts),
        due=_due(out, now_us),
        reasons=tuple(reasons),
        shares=_shares(recent, rates, float(np.median(wear.factors)) / limit),
    )


def _run_out(
    budgets: np.ndarray[tuple[int], np.dtype[np.float64]],
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
    out = run_out(budgets, cuts if wear_per_m2 is None else wear, area, cuts) if len(hours) else None
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
    """The last whole hours, at most four weeks, as far back as there was work: whole weeks, else whole days."""
    last = hour_of(now_us) - 1
    worked = [hour for hour, entry in recent.items() if entry.cuts]
    if not worked:
        return []
    span = last - min(worked) + 1
    length = span // WEEK_H * WEEK_H if span >= WEEK_H else -(-span // 24) * 24
    return [recent.get(hour) for hour in range(last - length + 1, last + 1)]


def _shares(
    recent: dict[int, HourOfWork], wear_per_m2: dict[str, float], scale: float
) -> tuple[tuple[int, float], ...]:
    return tuple(
        (hour, scale * sum(m2_of(area) * wear_per_m2.get(alloy, 0.0) for alloy, area in entry.area_cmm2.items()))
        for hour, entry in sorted(recent.items())
    )


def _due(out: RunOut | None, now_us: int) -> TimeQuantity | None:
    if out is None or out.hours is None:
        return None
    hours = quantity(out.hours)
    instants = (now_us + round(value * HOUR_US) for value in (hours.estimate, hours.low, hours.high, hours.at_least))
    return TimeQuantity(*instants)
