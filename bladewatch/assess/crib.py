"""The crib: where every plate is, sharps against the minimum, what is due back, what to buy."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import median
from typing import Final

from bladewatch.assess.known import Known
from bladewatch.config.tables import BladeType
from bladewatch.ledger.events import Event
from bladewatch.ledger.fleet import KEEPS_CYCLE, STATES, Plate
from collectors.instants import DAY_US, to_datetime
from models.stock import MOST_MEAN, Pipeline, pipeline, short_by, to_buy

RATE_DAYS: Final = 91
"""Changes and turn-rounds are counted over the last quarter."""
LEAST_CHANGES: Final = 3
LEAST_DAYS: Final = 7.0
"""A rate of changes is told from a week of record on."""
LONGEST_DAYS: Final = 366
"""A return promised further off than this is a slip of the pen: the usual turn-round counts instead."""
USUAL_TURNROUND: Final = 7.0
"""Days at the grinder where nothing tells (common practice, no source)."""
SOON_REGRINDS: Final = 2


@dataclass(frozen=True, slots=True)
class Batch:
    """Plates that went to the grinder together: when, what is still away, when it is due, days overdue."""

    id: str
    supplier: str | None
    sent_us: int
    plates: tuple[str, ...]
    away: tuple[str, ...]
    due: date
    overdue_days: int


@dataclass(frozen=True, slots=True)
class TypeStock:
    """A blade type in the crib. ``states`` counts its plates; ``pipeline`` is None where the rate cannot be told.

    ``minimum`` is of sharps, ``by_hand`` the note where somebody set it. ``short`` is how many would be lacking before
    the next return, ``lost`` and ``buy`` look a quarter ahead; ``ending`` are plates with few regrinds left.
    """

    blade_type: str
    states: dict[str, int]
    changes: int
    days: float
    per_day: float
    turnround_days: float
    turnround_from: str
    pipeline: Pipeline | None
    minimum: int | None
    by_hand: str | None
    sharp: int
    due_back: tuple[date, ...]
    next_return: date | None
    short: int
    lost: float
    buy: int
    ending: tuple[str, ...]

    @property
    def owned(self) -> int:
        """Plates that the shop has."""
        return sum(count for state, count in self.states.items() if state not in ("scrapped", "lost"))


@dataclass(frozen=True, slots=True)
class Crib:
    """All types and all batches that are away, at a moment."""

    at_us: int
    types: tuple[TypeStock, ...]
    batches: tuple[Batch, ...]
    untyped: tuple[str, ...]


def crib_of(known: Known) -> Crib:
    """The crib as it was known."""
    fleet = known.fleet
    batches = tuple(batches_of(known))
    names = [name for name in known.config.blade_types if any(p.blade_type == name for p in fleet.plates.values())]
    names.extend(sorted({p.blade_type for p in fleet.plates.values() if p.blade_type} - set(known.config.blade_types)))
    types = tuple(_type(known, name, batches) for name in names)
    untyped = tuple(sorted(plate.id for plate in fleet.plates.values() if plate.blade_type is None and plate.owned))
    return Crib(known.now_us, types, batches, untyped)


def _type(known: Known, name: str, batches: Sequence[Batch]) -> TypeStock:
    blade = known.config.blade_types.ever(name, known.now_us)
    plates = [plate for plate in known.fleet.plates.values() if plate.blade_type == name]
    counted = Counter(plate.state for plate in plates)
    states = {state: counted[state] for state in STATES if counted[state]}
    changes, scraps, days = _changes(known, plates)
    per_day = changes / days if days > 0 else 0.0
    turnround_days, origin = turnround_of(known, name, blade)
    level = blade.service_level if blade is not None else 0.95
    weekly = _van(known, blade) is not None
    told = changes >= LEAST_CHANGES and days >= LEAST_DAYS and per_day * (turnround_days + LONGEST_DAYS) <= MOST_MEAN
    flow = pipeline(per_day, turnround_days, level, weekly) if told else None
    by_hand = blade.min_sharps_note or "set by hand" if blade is not None and blade.min_sharps is not None else None
    minimum = blade.min_sharps if blade is not None and by_hand is not None else None if flow is None else flow.spares
    due = sorted(batch.due for batch in batches for plate in batch.away if known.fleet.plates[plate].blade_type == name)
    latest = _today(known) + timedelta(days=LONGEST_DAYS)
    coming = next((day for day in due if _today(known) <= day <= latest), None)
    sharp = sum(plate.state == "sharp" and not plate.cracked for plate in plates)
    horizon = turnround_days if coming is None else (coming - _today(known)).days + 1
    away = [float((day - _today(known)).days) for day in due]
    mounted = sum(plate.state == "mounted" for plate in plates)
    owned = [plate for plate in plates if plate.owned]
    left = [_left(plate, blade) for plate in owned]
    lead_days = RATE_DAYS + (blade.lead_days or 0.0 if blade is not None else 0.0)
    per_cycle = scraps / changes if changes else 0.0
    spares = minimum if minimum is not None else 0
    lost, buy = to_buy(left, mounted, spares, per_day * lead_days, per_cycle)
    return TypeStock(
        blade_type=name,
        states=states,
        changes=changes,
        days=days,
        per_day=per_day,
        turnround_days=turnround_days,
        turnround_from=origin,
        pipeline=flow,
        minimum=minimum,
        by_hand=by_hand,
        sharp=sharp,
        due_back=tuple(due),
        next_return=coming,
        short=0 if flow is None else short_by(sharp, away, per_day, float(horizon), level),
        lost=lost,
        buy=0 if flow is None else buy,
        ending=tuple(p.id for p, n in zip(owned, left, strict=True) if n is not None and n <= SOON_REGRINDS),
    )


def _left(plate: Plate, blade: BladeType | None) -> int | None:
    """Regrinds left in the tips of a plate."""
    if blade is None or blade.regrinds_expected is None:
        return None
    return max(blade.regrinds_expected - plate.regrinds, 0)


def _changes(known: Known, plates: Sequence[Plate]) -> tuple[int, int, float]:
    """Grind cycles that ended in the last quarter, plates scrapped in it, and the days that the record covers."""
    since_us = known.now_us - RATE_DAYS * DAY_US
    first = min((m.from_us for plate in plates for cycle in plate.cycles for m in cycle.mounts), default=None)
    if first is None:
        return 0, 0, 0.0
    changes = sum(
        cycle.ended_us is not None and cycle.ended_us >= since_us and cycle.reason not in KEEPS_CYCLE
        for plate in plates
        for cycle in plate.cycles
    )
    scraps = sum(plate.state in ("scrapped", "lost") and plate.since_us >= since_us for plate in plates)
    return changes, scraps, (known.now_us - max(first, since_us)) / DAY_US


def turnround_of(known: Known, blade_type: str | None, blade: BladeType | None) -> tuple[float, str]:
    """Days from pick-up to return: as measured in the last half year, else as configured, else the usual week."""
    since_us = known.now_us - 2 * RATE_DAYS * DAY_US
    trips = [
        (trip.back_us - trip.sent_us) / DAY_US
        for trip in known.fleet.trips
        if trip.blade_type == blade_type and trip.back_us >= since_us
    ]
    if len(trips) >= LEAST_CHANGES:
        return median(trips), f"median of {len(trips)} returns, the longest {max(trips):.0f} days"
    if blade is not None and blade.turnround_days is not None:
        return blade.turnround_days, "as configured"
    supplier_id = blade.supplier if blade is not None else None
    supplier = None if supplier_id is None else known.config.suppliers.ever(supplier_id, known.now_us)
    if supplier is not None and supplier.turnround_days is not None:
        return supplier.turnround_days, f"of supplier {supplier.id}, as configured"
    return USUAL_TURNROUND, "the usual week, as nothing is configured"


def _van(known: Known, blade: BladeType | None) -> int | None:
    """The weekday on which a van comes for this type."""
    if blade is None or blade.supplier is None:
        return None
    supplier = known.config.suppliers.ever(blade.supplier, known.now_us)
    return supplier.van_weekday if supplier is not None else None


def _today(known: Known) -> date:
    return to_datetime(known.now_us, known.config.zone).date()


def batches_of(known: Known) -> Iterator[Batch]:
    """The batches with plates still away, the most overdue first; plates sent without a batch are one a day."""
    groups: dict[tuple[str, str | None], list[Plate]] = {}
    for plate in known.fleet.plates.values():
        if plate.state == "out":
            day = to_datetime(plate.since_us, known.config.zone).date().isoformat()
            groups.setdefault((plate.batch or f"sent {day}", plate.supplier), []).append(plate)
    found = [_batch(known, name, supplier, plates) for (name, supplier), plates in groups.items()]
    yield from sorted(found, key=lambda batch: (-batch.overdue_days, batch.sent_us, batch.id))


def _batch(known: Known, name: str, supplier: str | None, away: list[Plate]) -> Batch:
    sent_us = min(plate.since_us for plate in away)
    promised = [date.fromisoformat(plate.due) for plate in away if plate.due is not None]
    if promised:
        due = max(promised)
    else:
        blade = known.blade_of(away[0])
        days, _ = turnround_of(known, away[0].blade_type, blade)
        due = to_datetime(sent_us, known.config.zone).date() + timedelta(days=round(days))
    members = sorted({row.plate for row in sent_rows(known, name) if row.plate} | {plate.id for plate in away})
    still = tuple(sorted(plate.id for plate in away))
    return Batch(name, supplier, sent_us, tuple(members), still, due, max((_today(known) - due).days, 0))


def sent_rows(known: Known, batch: str) -> Iterator[Event]:
    """The rows of a batch that went, those that hold."""
    for row in known.book.rows.values():
        if row.event == "sent" and row.batch == batch and known.book.stands(row.id):
            yield row


def next_van(known: Known, weekday: int) -> date:
    """The next day on which a van comes, today included."""
    today = _today(known)
    return today + timedelta(days=(weekday - today.weekday()) % 7)
