"""What happened to blades in a month beside money: ended cycles, changes, grinders, metal that became chips."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from statistics import fmean
from typing import Final, NamedTuple

from bladewatch.assess.asking import settled_rows
from bladewatch.assess.known import Known
from bladewatch.assess.question import Given
from bladewatch.ledger.events import Event
from bladewatch.ledger.fleet import READY, Cycle
from bladewatch.money import ZERO, places_of, rounded
from bladewatch.spending.periods import Period, ended_us
from bladewatch.spending.work import Work, area_m2
from bladewatch.units import m2_of
from collectors.instants import DAY_US
from models.cycle import CycleState

HALF_YEAR_US: Final = 182 * DAY_US
LATE_US: Final = DAY_US
StateOf = Callable[[Cycle], CycleState]


class Ended(NamedTuple):
    """The grind cycles of a blade type that ended in a month: how many, by reason, and what they cut on average.

    ``before_m2`` is what those of the half year before cut on average.
    """

    blade_type: str
    reasons: Mapping[str, int]
    cuts: float | None
    area_m2: float | None
    before_m2: float | None


class Changes(NamedTuple):
    """Blades that came off: how many, of these unplanned, the minutes of both, and the unplanned by saw and reason.

    ``timed`` is of how many the minutes are told.
    """

    taken_off: int
    timed: int
    unplanned: int
    minutes: Decimal
    unplanned_minutes: Decimal
    causes: tuple[tuple[str, str, int], ...]


class Record(NamedTuple):
    """How far a month's record can be trusted: strokes that were counted and not seen, or had no blade on record.

    ``confirmed`` are changes of blade that nobody had written, found in the signals, and confirmed since;
    ``contradictions`` rows that only a person can settle and nobody has; ``late`` rows entered a day late or later.
    """

    unseen: int
    bare: int
    confirmed: int
    contradictions: int
    late: int


def record_of(known: Known, answers: Sequence[Given], rows: Sequence[Event], work: Work, period: Period) -> Record:
    """What is missing, contradicted and late in a period; ``rows`` are those of the ledger that count in it."""
    spoken = settled_rows(answers)
    newest = {answer.question: (answer.word, asked) for answer, asked in answers}.values()
    found = [asked for word, asked in newest if word == "yes" and asked.kind == "probable-change"]
    open_problems = {
        problem.rows[0] for problem in known.fleet.problems
        if problem.asks and problem.rows and period.holds(problem.at_us) and problem.rows[0] not in spoken
    }  # fmt: skip
    return Record(
        work.strokes - work.seen,
        work.bare,
        sum(period.holds(asked.to_us) for asked in found),
        len(open_problems),
        sum(row.known_us - row.at_us >= LATE_US and row.witness == "person" for row in rows),
    )


class Wait(NamedTuple):
    """A spindle on which no blade was on while no sharp one of that type was on the rack; None: it still waits."""

    saw: str
    spindle: str
    blade_type: str
    from_us: int
    to_us: int | None


def waits_of(known: Known, period: Period) -> list[Wait]:
    """Where a blade came off in a period with no sharp one on the rack, and when the next went on."""
    found = []
    plates = known.fleet.plates.values()
    for (saw, spindle), mounts in known.fleet.mounts.items():
        for mount, following in zip(mounts, [*mounts[1:], None], strict=True):
            off_us, on_us = mount.to_us, None if following is None else following.from_us
            blade_type = known.fleet.plates[mount.plate].blade_type
            if off_us is None or off_us == on_us or blade_type is None or not period.holds(off_us):
                continue
            if not any(plate.blade_type == blade_type and plate.state_at(off_us) in READY for plate in plates):
                found.append(Wait(saw, spindle, blade_type, off_us, on_us))
    return sorted(found, key=lambda wait: wait.from_us)


def ended_of(known: Known, period: Period, state_of: StateOf) -> list[Ended]:
    """The grind cycles that ended in a period, by blade type."""
    groups: dict[str, list[tuple[str, int, float]]] = {}
    earlier: dict[str, list[float]] = {}
    for plate in known.fleet.plates.values():
        name = plate.blade_type or "unknown"
        for cycle in plate.cycles:
            at_us = ended_us(known.config, cycle)
            if at_us is None:
                continue
            if period.holds(at_us):
                state = state_of(cycle)
                told = cycle.reason or "unknown", state.cuts, m2_of(state.total_cmm2)
                groups.setdefault(name, []).append(told)
            elif period.from_us - HALF_YEAR_US <= at_us < period.from_us:
                earlier.setdefault(name, []).append(m2_of(state_of(cycle).total_cmm2))
    found = []
    for blade_type, cycles in sorted(groups.items()):
        reasons: dict[str, int] = {}
        for reason, _, _ in cycles:
            reasons[reason] = reasons.get(reason, 0) + 1
        cut = [(cuts, area) for _, cuts, area in cycles if cuts]
        cuts, area = (fmean(values) if values else None for values in ([c for c, _ in cut], [a for _, a in cut]))
        before = [area for area in earlier.get(blade_type, ()) if area]
        earlier_m2 = fmean(before) if before else None
        found.append(Ended(blade_type, dict(sorted(reasons.items())), cuts, area, earlier_m2))
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
    timed = sum(row.minutes is not None for row in off)
    return Changes(len(off), timed, len(unplanned), minutes, lost, tuple((*key, count) for key, count in ordered))


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
