"""A stock count of one place: what was seen there beside what the record says, and the rows that settle it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import msgspec

from bladewatch.assess.doubts import near_numbers
from bladewatch.assess.known import Known
from bladewatch.ledger.events import Event, identified


@dataclass(frozen=True, slots=True)
class Count:
    """``seen`` were expected, ``missing`` are on record there, ``strange`` were seen and are recorded elsewhere.

    ``places`` are those that are known, where this one is not.
    """

    place: str
    seen: tuple[str, ...]
    missing: tuple[str, ...]
    strange: Mapping[str, str]
    places: tuple[str, ...] = ()


def count(known: Known, place: str, plates: Sequence[str]) -> Count:
    """Compare the numbers seen at a place with the record."""
    plates = list(dict.fromkeys(plates))
    here = {p.id for p in known.fleet.plates.values() if p.place == place and p.owned and not p.on}
    strange = {}
    for number in plates:
        plate = known.fleet.plates.get(number)
        if plate is None:
            near = near_numbers(number, known.fleet.plates)
            strange[number] = "no row knows it" + (f"; near {' and '.join(near)}" if near else "")
        elif number not in here:
            where = f" in {plate.place}" if plate.place is not None else ""
            strange[number] = f"recorded as {plate.state}{where}"
    seen = tuple(number for number in plates if number in here)
    places = {p.place for p in known.fleet.plates.values() if p.place is not None and p.owned and not p.on}
    others = () if place in places else tuple(sorted(places))
    return Count(place, seen, tuple(sorted(here - set(plates))), strange, others)


def rows_of_count(known: Known, found: Count, reason: str | None, by: str | None) -> list[Event]:
    """What was seen is counted; with a reason what is missing is lost, and what was lost and seen is found."""
    note = None if reason is None else f"stock count: {reason}"
    base = Event(id="", at_us=known.now_us, event="", known_us=known.now_us, by=by, note=note, place=found.place)
    rows = [msgspec.structs.replace(base, event="counted", plate=plate) for plate in found.seen]
    if reason is not None:
        rows.extend(msgspec.structs.replace(base, event="counted", plate=plate) for plate in found.strange)
        rows.extend(msgspec.structs.replace(base, event="lost", plate=plate) for plate in found.missing)
    return identified(rows)
