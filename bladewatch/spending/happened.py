"""What happened to blades in a month beside money: ended cycles, changes, grinders, metal that became chips."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from statistics import fmean, median
from typing import NamedTuple

from bladewatch.assess.known import Known
from bladewatch.ledger.events import Event
from bladewatch.ledger.fleet import KEEPS_CYCLE
from bladewatch.money import ZERO, places_of, rounded
from bladewatch.spending.documents import Line
from bladewatch.spending.grinding import Jobs
from bladewatch.spending.periods import Period
from bladewatch.spending.work import Work, area_m2
from bladewatch.units import m2_of
from collectors.instants import DAY_US


class Ended(NamedTuple):
    """The grind cycles of a blade type that ended in a month: how many, by reason, and what they cut in the middle."""

    blade_type: str
    reasons: Mapping[str, int]
    cuts: float | None
    area_m2: float | None


class Changes(NamedTuple):
    """Blades that came off: how many, of these unplanned, the minutes of both, and the unplanned by saw and reason."""

    taken_off: int
    unplanned: int
    minutes: Decimal
    unplanned_minutes: Decimal
    causes: tuple[tuple[str, str, int], ...]


class Grinder(NamedTuple):
    """A supplier's month: plates that came back, days away, rejects, tips, what a plate cost; None where untold."""

    supplier: str
    plates: int
    median_days: float | None
    worst_days: float | None
    rejects: int
    tips: int
    paid: Decimal
    per_plate: Decimal | None


def ended_of(known: Known, period: Period) -> list[Ended]:
    """The grind cycles that ended in a period, by blade type."""
    groups: dict[str, list[tuple[str, int, float]]] = {}
    for plate in known.fleet.plates.values():
        for cycle in plate.cycles:
            if cycle.ended_us is None or cycle.reason in KEEPS_CYCLE or not period.holds(cycle.ended_us):
                continue
            state = known.state_of(cycle)
            told = cycle.reason or "unknown", state.cuts, m2_of(state.total_cmm2)
            groups.setdefault(plate.blade_type or "unknown", []).append(told)
    found = []
    for blade_type, cycles in sorted(groups.items()):
        reasons: dict[str, int] = {}
        for reason, _, _ in cycles:
            reasons[reason] = reasons.get(reason, 0) + 1
        cut = [(cuts, area) for _, cuts, area in cycles if cuts]
        mean = (fmean(cuts for cuts, _ in cut), fmean(area for _, area in cut)) if cut else (None, None)
        found.append(Ended(blade_type, dict(sorted(reasons.items())), *mean))
    return found


def changes_of(rows: Sequence[Event]) -> Changes:
    """The changes of blade among the rows of a period."""
    off = [row for row in rows if row.event == "dismounted"]
    unplanned = [row for row in off if row.planned is False]
    causes: dict[tuple[str, str], int] = {}
    for row in unplanned:
        key = row.saw or "unknown", row.reason or "unknown"
        causes[key] = causes.get(key, 0) + 1
    ordered = sorted(causes.items(), key=lambda pair: (-pair[1], pair[0]))
    minutes, lost = (sum((row.minutes or ZERO for row in some), ZERO) for some in (off, unplanned))
    return Changes(len(off), len(unplanned), minutes, lost, tuple((*key, count) for key, count in ordered))


def grinders_of(jobs: Jobs, lines: Sequence[Line], rows: Sequence[Event], period: Period) -> list[Grinder]:
    """What each supplier brought back in a period, and what its lines of that period say."""
    back = [job for job in jobs.every() if job.back_us is not None and period.holds(job.back_us)]
    names = {job.supplier for job in back} | {line.supplier for line in lines if line.job is not None}
    found = []
    for name in sorted(name for name in names if name is not None):
        mine = [job for job in back if job.supplier == name]
        days = [((job.back_us or 0) - job.sent_us) / DAY_US for job in mine]
        plates = {job.plate for job in mine}
        rejects = sum(row.event == "rejected" and row.plate in plates for row in rows)
        ours = [line for line in lines if line.supplier == name and line.job is not None]
        paid = sum((line.amount for line in ours), ZERO)
        count = len({line.job for line in ours})
        found.append(
            Grinder(
                name,
                len(mine),
                median(days) if days else None,
                max(days) if days else None,
                rejects,
                sum(job.tips for job in mine),
                paid,
                rounded(paid / count) if count else None,
            )
        )
    return found


def kerf_of(known: Known, work: Work) -> tuple[dict[str, float], Decimal | None]:
    """Metal that became chips, by alloy [kg], and its value less that of the chips; None where no price tells any."""
    kilos: dict[str, float] = {}
    value, told = ZERO, False
    for row in work.worked:
        alloy = known.config.alloys.ever(row.alloy, known.now_us) if row.alloy in known.config.alloys else None
        blade = None if row.blade_type is None else known.config.blade_types.ever(row.blade_type, known.now_us)
        if alloy is None or alloy.density is None or blade is None or blade.kerf_mm is None:
            continue
        kg = area_m2(row.made) * blade.kerf_mm * alloy.density  # m² · mm · g/cm³ = kg
        kilos[row.alloy] = kilos.get(row.alloy, 0.0) + kg
        if alloy.metal_price is not None:
            told = True
            value += Decimal(repr(kg)) * (alloy.metal_price - (alloy.chip_price or ZERO))
    return dict(sorted(kilos.items())), rounded(value, places_of(known.config.site.currency)) if told else None
