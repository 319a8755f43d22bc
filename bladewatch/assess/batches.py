"""Batches to the grinder: what to send now, the list that goes with it, and what of it came back."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Final

from bladewatch.assess.changeover import hazard_of
from bladewatch.assess.crib import next_van, sent_rows, turnround_of
from bladewatch.assess.doubts import near_numbers
from bladewatch.assess.known import Known
from bladewatch.ledger.events import Event, identified
from bladewatch.ledger.fleet import Plate
from collectors.instants import to_datetime

WORK_TEXT: Final = {
    "grind": "grind", "tips": "replace tips, grind", "retip": "new set of tips", "check": "look at it, do not grind",
}  # fmt: skip
CAUTIONS: Final = (
    "Edge guards on every plate, each in its own slot: stacking and sliding breaks tips.",
    "A cracked plate is tagged and kept apart. It is scrapped, not ground.",
    "Carbide dust and slurry hold cobalt: no dry touch-up, wash hands; cleaning of plates is the grinding service's.",
    "Chips of alloys with a hazard are named to the grinder; beryllium copper is handled by the site's rules for it.",
)
"""Usual cautions for the crib (cobalt: Washington State hazard alert 95-1a; beryllium: OSHA 1910.1024)."""


@dataclass(frozen=True, slots=True)
class PackLine:
    """A plate of a batch: the work asked, chipped tips, why it came off, and hazards of what it cut since its grind."""

    plate: str
    blade_type: str | None
    work: str
    chipped: int
    reason: str | None
    hazards: tuple[str, ...]
    price: Decimal | None


@dataclass(frozen=True, slots=True)
class Suggestion:
    """What could go with the next van to a supplier, and what must not."""

    supplier: str | None
    van: date | None
    lines: tuple[PackLine, ...]
    kept: tuple[str, ...]
    cost: Decimal
    minimum_charge: Decimal | None


@dataclass(frozen=True, slots=True)
class Return:
    """What came of a batch: ticked off, ticked before, still missing, not of it, with the numbers that may be meant."""

    batch: str
    ticked: tuple[str, ...]
    again: tuple[str, ...]
    missing: tuple[str, ...]
    foreign: Mapping[str, tuple[str, ...]]


def pack_line(known: Known, plate: Plate, work: str | None = None) -> PackLine:
    """A plate as it stands on a packing list; the work follows from its tips unless it is told."""
    cycle = plate.cycle
    chipped = 0 if cycle is None else cycle.tips_chipped or 0
    blade = known.blade_of(plate)
    if work is None:
        expected = blade.regrinds_expected if blade is not None else None
        used_up = expected is not None and plate.regrinds >= expected
        work = "retip" if used_up else "tips" if chipped else "grind"
    price = blade.grind_price if blade is not None else None
    if price is not None and chipped and blade is not None and blade.tip_price is not None:
        price += blade.tip_price * chipped
    reason = cycle.reason if cycle is not None else None
    return PackLine(plate.id, plate.blade_type, work, chipped, reason, tuple(_hazards(known, plate)), price)


def _hazards(known: Known, plate: Plate) -> Iterator[str]:
    """Hazards of the alloys that a plate cut since it was last ground."""
    cycle = plate.cycle
    if cycle is None:
        return
    until_us = known.now_us if cycle.ended_us is None else cycle.ended_us
    for alloy in sorted(known.state_of(cycle).area_cmm2):
        for name, told in hazard_of(known, None, alloy, until_us).items():
            yield f"{name}: {told}"


def suggest(known: Known, supplier: str | None = None) -> list[Suggestion]:
    """The dull plates by supplier, those that the next van can take; cracked ones are kept apart."""
    groups: dict[str | None, list[Plate]] = {}
    for plate in known.fleet.plates.values():
        if plate.state in ("dull", "rejected") or (plate.cracked and plate.state == "quarantined"):
            blade = known.blade_of(plate)
            groups.setdefault(blade.supplier if blade is not None else None, []).append(plate)
    found = []
    for name, plates in sorted(groups.items(), key=lambda pair: pair[0] or ""):
        if supplier is not None and name != supplier:
            continue
        row = known.config.suppliers.ever(name, known.now_us) if name is not None else None
        lines = tuple(pack_line(known, plate) for plate in sorted(plates, key=_waiting) if not plate.cracked)
        cost = sum((line.price for line in lines if line.price is not None), Decimal(0))
        van = next_van(known, row.van_weekday) if row is not None and row.van_weekday is not None else None
        kept = tuple(sorted(plate.id for plate in plates if plate.cracked))
        found.append(Suggestion(name, van, lines, kept, cost, row.minimum_charge if row is not None else None))
    return found


def _waiting(plate: Plate) -> tuple[int, str]:
    return plate.since_us, plate.id


def next_batch(known: Known) -> str:
    """A number for the next batch: one more than the newest that looks like ours."""
    numbers = [row.batch for row in known.book.rows.values() if row.event == "sent" and row.batch is not None]
    ours = [name for name in numbers if name.startswith("B-") and name[2:].isdecimal()]
    last = max((int(name[2:]) for name in ours), default=0)
    return f"B-{last + 1:03d}"


def due_of(known: Known, plate: Plate) -> date:
    """The day a plate that goes now should be back."""
    blade = known.blade_of(plate)
    days, _ = turnround_of(known, plate.blade_type, blade)
    return to_datetime(known.now_us, known.config.zone).date() + timedelta(days=round(days))


def rows_sent(
    known: Known,
    lines: Sequence[PackLine],
    batch: str,
    supplier: str | None,
    due: date | None,
    at_us: int,
    by: str | None,
) -> list[Event]:
    """The ledger rows of a batch that goes."""
    rows = []
    for line in lines:
        day = due or due_of(known, known.fleet.plates[line.plate]) if line.plate in known.fleet.plates else due
        rows.append(
            Event(
                id="",
                at_us=at_us,
                event="sent",
                known_us=known.now_us,
                plate=line.plate,
                batch=batch,
                supplier=supplier,
                work=line.work,
                due=None if day is None else day.isoformat(),
                by=by,
            )
        )
    return identified(rows)


def batch_lines(known: Known, batch: str) -> list[PackLine]:
    """The packing list of a batch as it went."""
    sent = [row for row in sent_rows(known, batch) if row.plate]
    plates = known.fleet.plates
    return [pack_line(known, plates[row.plate], row.work) for row in sorted(sent, key=_by_plate) if row.plate in plates]


def _by_plate(row: Event) -> str:
    return row.plate or ""


def compare(known: Known, batch: str, came: Sequence[str]) -> Return:
    """A batch beside the plates that came."""
    away = {plate.id for plate in known.fleet.plates.values() if plate.state == "out" and plate.batch == batch}
    ticked = tuple(plate for plate in dict.fromkeys(came) if plate in away)
    missing = tuple(sorted(away - set(came)))
    went = {row.plate for row in sent_rows(known, batch)}
    again = tuple(plate for plate in dict.fromkeys(came) if plate in went - away)
    foreign = {
        plate: tuple(near_numbers(plate, missing) or near_numbers(plate, known.fleet.plates))
        for plate in dict.fromkeys(came)
        if plate not in went | away
    }
    return Return(batch, ticked, again, missing, foreign)
