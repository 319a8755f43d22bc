"""Wear now and the life left of one running cycle, on the scale that its blade type supports."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from bladewatch.assess.assessment import TimeQuantity
from bladewatch.assess.coming import Left, left_along
from bladewatch.assess.recent import HourOfWork
from bladewatch.assess.training import GUESSED_AT_MOST, MIN_ALLOY_CYCLES, Training
from bladewatch.config.tables import BladeType
from bladewatch.format import some_text
from bladewatch.ledger.fleet import Cycle
from bladewatch.units import m2_of, percent
from models.cycle import CycleState
from models.evidence import CycleEvidence
from models.forecast import Quantity, quantity
from models.jobs import Job, rates_of
from models.joint import JointFit
from models.running import DRAWS, SHARP_LATER, WORN_BEFORE, Standing, standing

WIDEST: Final = 8.0
"""A band whose upper end is this many times its lower end tells nothing; the site's rule speaks instead."""


MISFITS: Final = {
    SHARP_LATER: "its load does not fit the record, as if a sharp blade came on later: read the number on the plate",
    WORN_BEFORE: "its load does not fit the record, as if the edge had been worn before: read the number on the plate",
}
"""What is said where the load tells against the record."""
MOST_LIVES: Final = 2.0
"""Nobody cuts on so far past the limit: the record is wrong."""


class Share(NamedTuple):
    """What of the limit was used between two instants."""

    from_us: int
    to_us: int
    used: float


@dataclass(frozen=True, slots=True)
class Working:
    """What a life by the fit was worked out from; exposure and wear in shares of the limit, areas in m²."""

    fit: JointFit
    limit: float
    evidence: CycleEvidence
    ratios: Mapping[str, float]
    areas_m2: Mapping[str, float]
    coming_m2: Mapping[str, float]
    saw: str | None
    standing: Standing


@dataclass(frozen=True, slots=True)
class Life:
    """What can be said of a running cycle; None where it cannot be told, with the reason in ``reasons``.

    ``shares`` is how much of the limit the work of each recent hour used, from its first to its last stroke, the newest
    last; ``working`` is how a fit came to it. ``due_then`` is what ``due`` was at the last stroke: while none is made,
    it stays.
    """

    limit_kind: str | None
    basis: str | None
    cycles: int
    wear_um: Quantity | None = None
    used_share: Quantity | None = None
    remaining_area_m2: Quantity | None = None
    remaining_cuts: Quantity | None = None
    due: TimeQuantity | None = None
    due_then: TimeQuantity | None = None
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
    evidence: CycleEvidence,
    ratios: Mapping[str, float],
    queue: Sequence[Job] = (),
) -> Life:
    """Wear and life left by the fit, else by the site's rule, else the reason why neither can tell.

    ``evidence`` is what the cycle tells the fit, ``ratios`` the stated wear ratios of alloys that no fit has seen,
    ``queue`` the jobs that come next, where somebody gave them.
    """
    lack = training.lack or "no forecast"
    unknown_area = _unknown_area(state)
    if unknown_area is None and training.fit is not None and training.limit is not None:
        life = _by_fit(state, training, training.fit, training.limit, recent, now_us, evidence, ratios, queue)
        if life is not None:
            if _beyond_belief(life, evidence):
                return Life(training.scale, None, training.ended, reasons=(_doubt(state),))
            return life
        lack = "the range of a forecast would be wider than the whole life; more ended cycles would narrow it"
    rules = _rules(cycle, state, blade, recent, now_us, unknown_area or lack, queue, with_area=unknown_area is None)
    if rules:
        return max(rules, key=lambda life: life.used_share.estimate if life.used_share is not None else 0.0)
    kind = (
        "wear_um" if blade.wear_limit_um is not None else "edge_index" if blade.edge_index_limit is not None else None
    )
    return Life(kind, None, training.ended, reasons=(f"cannot tell: {unknown_area or lack}",))


def _beyond_belief(life: Life, evidence: CycleEvidence) -> bool:
    """Whether the record gives a blade that nobody has measured more than it can have cut: no rule helps then."""
    return not evidence.readings and life.used_share is not None and life.used_share.low > MOST_LIVES


def _doubt(state: CycleState) -> str:
    """Why such a record is not believed, by what looks most like the cause, and what would settle it."""
    unseen = state.strokes - state.seen
    cause = "as if a change of blade had not been written down"
    if 2 * unseen > state.strokes:
        cause = (
            f"{unseen} of its {state.strokes} strokes are known from the counter alone, as if it had been set by hand"
        )
    return (
        f"cannot tell: the record gives this blade the work of more than two whole lives; {cause}: read the number on "
        "the plate, or measure it at the bench"
    )


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
    queue: Sequence[Job],
    with_area: bool,
) -> list[Life]:
    """The site's rules, each as far as it is used up."""
    found = []
    limit_m2, limit_cuts = blade.site_limit_area_m2, blade.site_limit_cuts
    plain = rates_of({}, DRAWS)
    if limit_m2 is not None and with_area:
        used = m2_of(state.total_cmm2) / limit_m2 + cycle.used_share
        left = left_along(np.full(DRAWS, max((1 - used) * limit_m2, 0.0)), plain, recent, state, now_us, queue)
        reason = f"by the site's rule of {limit_m2:g} m² a cycle; {lack}"
        found.append(_rule("area", used, left, reason, _shares(recent, {}, 1.0, 1 / limit_m2)))
    if limit_cuts is not None:
        used = state.cuts / limit_cuts + cycle.used_share
        budgets = np.full(DRAWS, max((1 - used) * limit_cuts, 0.0))
        left = left_along(budgets, plain, recent, state, now_us, queue, by_cuts=True)
        reason = f"by the site's rule of {limit_cuts} cuts a cycle; {lack}"
        shares = tuple(
            Share(entry.first_us, entry.last_us, entry.cuts / limit_cuts) for _, entry in sorted(recent.items())
        )
        found.append(_rule("cuts", used, left, reason, shares))
    return found


def _rule(kind: str, used: float, left: Left, reason: str, shares: tuple[Share, ...]) -> Life:
    return Life(
        limit_kind=kind,
        basis="site-rule",
        cycles=0,
        used_share=Quantity(used, used, used, used),
        remaining_area_m2=left.area_m2,
        remaining_cuts=left.cuts,
        due=left.due,
        due_then=left.due_then,
        reasons=(reason,),
        shares=shares,
    )


def _by_fit(
    state: CycleState,
    training: Training,
    fit: JointFit,
    limit: float,
    recent: dict[int, HourOfWork],
    now_us: int,
    evidence: CycleEvidence,
    ratios: Mapping[str, float],
    queue: Sequence[Job],
) -> Life | None:
    """None where the band is too wide to tell anything."""
    areas_m2 = {alloy: m2_of(area) for alloy, area in sorted(state.area_cmm2.items())}
    saw = state.spots[state.spot] if state.spots else None
    now = standing(fit, evidence, ratios, saw)
    coming_m2 = _coming(recent)
    if not evidence.readings and _too_wide(now, coming_m2 or areas_m2):
        return None
    budgets = np.maximum(1 - now.exposure, 0.0)
    if fit.names.usage == "cuts":
        budgets = budgets / (now.base * fit.names.cut_m2)
    left = left_along(budgets, now.rate, recent, state, now_us, queue, by_cuts=fit.names.usage == "cuts")
    middle = {alloy: float(np.median(now.rate(alloy))) for alloy in {*areas_m2, *coming_m2}}
    with_load = now.loaded > 0
    counted = training.counted
    return Life(
        limit_kind=training.scale,
        basis="prior" if counted < MIN_ALLOY_CYCLES else "history+load" if with_load else "history",
        cycles=counted,
        wear_um=quantity(now.wear * limit) if training.scale == "wear_um" else None,
        used_share=quantity(now.wear),
        remaining_area_m2=left.area_m2,
        remaining_cuts=left.cuts,
        due=left.due,
        due_then=left.due_then,
        reasons=tuple(_grounds(training, fit, now, evidence, {*areas_m2, *coming_m2})),
        shares=_shares(recent, middle, float(np.median(now.base)), 1.0),
        working=Working(fit, limit, evidence, ratios, areas_m2, coming_m2, saw, now),
    )


def _too_wide(now: Standing, mix_m2: Mapping[str, float]) -> bool:
    """Whether a whole life along a mix of alloys is known within less than a factor of eight."""
    total = sum(mix_m2.values())
    pace = now.base if total <= 0 else sum(area * now.rate(alloy) for alloy, area in sorted(mix_m2.items())) / total
    slow, fast = np.quantile(pace, [0.05, 0.95])
    return bool(fast > WIDEST * slow)


def _grounds(
    training: Training, fit: JointFit, now: Standing, evidence: CycleEvidence, alloys: set[str]
) -> Iterator[str]:
    """What the numbers rest on, in words."""
    if now.misfit is not None:
        yield MISFITS[now.misfit]
    ground = f"from {some_text(training.counted, 'cycle')}"
    if fit.names.plain:
        ground += f", by the mean {fit.names.usage} of past cycles, which foretell their ends better than area by alloy"
    elif training.counted < MIN_ALLOY_CYCLES:
        ground += ", alloy ratios close to the stated ones"
    yield ground + (" and this cycle's load" if now.loaded else "")
    for reading in evidence.readings:
        wear = reading.wear * (training.limit or 1.0)
        yield f"the bench measured {wear:.0f} µm in this cycle"
    unseen = sorted(alloy for alloy in alloys if alloy not in fit.names.alloys and alloy != "unknown")
    if unseen:
        yield f"no ended cycle has cut {', '.join(unseen)}: its wear is a stated ratio"


def _coming(recent: dict[int, HourOfWork]) -> dict[str, float]:
    """The recent weeks' areas by alloy [m²]: the mix of what is to come."""
    coming: dict[str, float] = {}
    for _, entry in sorted(recent.items()):
        for alloy, area in sorted(entry.area_cmm2.items()):
            coming[alloy] = coming.get(alloy, 0.0) + m2_of(area)
    return coming


def _shares(recent: dict[int, HourOfWork], per_m2: Mapping[str, float], base: float, scale: float) -> tuple[Share, ...]:
    return tuple(
        Share(
            entry.first_us,
            entry.last_us,
            scale * sum(m2_of(area) * per_m2.get(alloy, base) for alloy, area in sorted(entry.area_cmm2.items())),
        )
        for _, entry in sorted(recent.items())
    )
