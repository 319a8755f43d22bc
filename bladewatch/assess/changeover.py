"""A change of blade as it is about to be written down: what comes off, what goes on, when, what speaks against it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import pairwise
from typing import Final

import msgspec

from bladewatch.assess.fitting import misfits
from bladewatch.assess.known import Known
from bladewatch.ledger.book import Book
from bladewatch.ledger.events import Event, identified
from bladewatch.ledger.fleet import Mount, Plate
from bladewatch.stores.protocols import Spot
from collectors.instants import DAY_US, HOUR_US, MINUTE_US
from models.steps import STOP_US

RECENT_US: Final = 4 * HOUR_US
"""A stop this long ago may be the one in which the blade was changed that is written down now."""
CAUTIONS: Final = (
    "The site's own procedure governs: lock out power and air, release pressure, then try to start it to verify.",
    "A heavy plate coasts: wait for its full stop, never slow it by hand or by side pressure.",
    "Cut-resistant gloves for the blade, and only with the spindle isolated; none near a spindle that turns.",
    "Look for cracks at gullets, slots, bore. A cracked plate is tagged apart and scrapped, never run, never ground.",
    "Collars, bore and pins clean. Arrow with the rotation, marked speed not below the spindle's.",
    "Guards closed, locks off by their owners, then run idle, standing out of line of the blade.",
)
"""Usual cautions (common practice; OSHA 1910.147 for isolation and trying the start)."""


@dataclass(frozen=True, slots=True)
class Stop:
    """When the saw last stood still: from its last stroke, to the first one after, None while it stands."""

    from_us: int
    to_us: int | None

    @property
    def minutes(self) -> int | None:
        """How long, rounded down; None while it stands, and where it holds the end of a shift."""
        if self.to_us is None or self.to_us - self.from_us > RECENT_US:
            return None
        return (self.to_us - self.from_us) // MINUTE_US


@dataclass(frozen=True, slots=True)
class Changeover:
    """A change on a spindle. ``on_record`` is the mount that ends, ``sharp`` what could go on, the best first.

    ``at_us`` is when the change is taken to have been, ``stop`` the standstill that says so.
    """

    spot: Spot
    at_us: int
    on_record: Mount | None
    sharp: tuple[str, ...]
    stop: Stop | None
    hazards: tuple[str, ...]


def changeover(known: Known, spot: Spot, at_us: int | None = None) -> Changeover:
    """What is known of a change that is written down now; ``at_us`` where somebody says when it was."""
    known = as_of(known, at_us)
    stop = _last_stop(known, spot, known.now_us if at_us is None else at_us)
    when_us = at_us
    if when_us is None:
        when_us = known.now_us if stop is None or stop.to_us is None else (stop.from_us + stop.to_us) // 2
    mount = next(
        (m for m in known.fleet.mounts.get(spot, []) if m.from_us < when_us and (m.to_us is None or when_us < m.to_us)),
        None,
    )
    return Changeover(spot, when_us, mount, _sharp(known, spot, mount), stop, hazards_cut(known, spot, when_us))


def as_of(known: Known, at_us: int | None) -> Known:
    """The shop with the record as it stood at an instant, by all that is known now."""
    if at_us is None or at_us >= known.now_us:
        return known
    book = Book(known.config.saw_of, known.config.may_clear_cracks())
    book.add(row for row in known.book.rows.values() if row.at_us < at_us)
    return replace(known, book=book)


def _last_stop(known: Known, spot: Spot, until_us: int) -> Stop | None:
    """The standstill that goes on, else the longest one of the last hours, at least five minutes."""
    rows = list(known.signals.strokes(spot, until_us - RECENT_US, until_us, known.now_us))
    if not rows:
        return None
    after = known.first_stroke(spot, until_us, known.now_us)
    if until_us - rows[-1].ts_us >= STOP_US or (after is not None and after.ts_us - rows[-1].ts_us >= STOP_US):
        return Stop(rows[-1].ts_us, None if after is None else after.ts_us)
    gaps = [(b.ts_us - a.ts_us, a.ts_us, b.ts_us) for a, b in pairwise(rows)]
    longest = max(gaps, default=(0, 0, 0))
    return Stop(longest[1], longest[2]) if longest[0] >= STOP_US else None


def _sharp(known: Known, spot: Spot, mount: Mount | None) -> tuple[str, ...]:
    """Plates on the rack that the saw takes: sharp ones first, those of the type that comes off before others."""
    saw = known.config.saws.ever(spot[0], known.now_us)
    fits = saw.fits if saw is not None else ()
    of_type = known.fleet.plates[mount.plate].blade_type if mount is not None else None

    def order(plate: Plate) -> tuple[bool, bool, int, str]:
        return plate.blade_type != of_type, plate.state != "sharp", plate.since_us, plate.id

    found = [
        plate
        for plate in known.fleet.plates.values()
        if plate.state in ("sharp", "part-used") and not plate.cracked
        if (mount is None or plate.id != mount.plate) and (not fits or plate.blade_type in fits)
    ]
    return tuple(plate.id for plate in sorted(found, key=order))


def hazards_cut(known: Known, spot: Spot, until_us: int) -> tuple[str, ...]:
    """Alloys with a hazard that a spindle cut in the week before, with what their row says."""
    found: dict[str, str] = {}
    first, last = (until_us - 7 * DAY_US) // HOUR_US, until_us // HOUR_US
    for rows in known.signals.work_hours(spot, first, last).values():
        for row in rows:
            part, alloy, *_ = msgspec.json.decode(row.work)
            found.update(hazard_of(known, part, alloy, until_us))
    return tuple(f"{alloy}: {told}" for alloy, told in sorted(found.items()))


def hazard_of(known: Known, part: str | None, alloy: str | None, at_us: int) -> dict[str, str]:
    """The hazard of a stroke's alloy or part, by the configuration; none where nothing is said."""
    config = known.config
    row = config.parts.ever(part, at_us) if part is not None else None
    name = alloy or (row.alloy if row is not None else None)
    found = {}
    if name is not None:
        metal = config.alloys.ever(config.alloy_of(name, at_us), at_us)
        if metal is not None and metal.hazard is not None:
            found[metal.id] = metal.hazard
    if row is not None and row.hazard is not None:
        found[f"part {row.id}"] = row.hazard
    return found


def warnings(known: Known, change: Changeover, off: str | None, on: str | None) -> list[str]:
    """What speaks against the change, the most dangerous first; by the record as it stood then."""
    then = as_of(known, change.at_us if change.at_us < known.now_us - RECENT_US else None)
    found = [] if on is None else misfits(known.config, then.fleet, on, change.spot, change.at_us)
    if change.at_us > known.now_us + MINUTE_US:
        found.append("the time of the change lies ahead: until then it counts for nothing")
    recorded = change.on_record.plate if change.on_record is not None else None
    if off is not None and recorded is not None and off != recorded:
        found.append(f"plate {recorded} is on record here, not {off}")
    if off is not None and recorded is None:
        found.append("no blade is on record here")
    return found


def reminders(known: Known, off: str | None, on: str | None) -> list[str]:
    """What else changes with the blade."""
    kerfs = {plate: kerf_of(known, plate) for plate in (off, on) if plate is not None}
    told = [f"{plate} {kerf:.2f} mm" for plate, kerf in kerfs.items() if kerf is not None]
    kerf = f" (kerf {', '.join(told)})" if told else ""
    return [f"Set kerf and offset at the controller{kerf}, then check the first length, its squareness and its burr."]


def kerf_of(known: Known, plate_id: str) -> float | None:
    """The kerf of a plate as it was measured, else that of its type."""
    plate = known.fleet.plates.get(plate_id)
    if plate is None:
        return None
    if plate.kerf_mm is not None:
        return plate.kerf_mm
    blade = known.blade_of(plate)
    return blade.kerf_mm if blade is not None else None


def rows_of_change(
    change: Changeover,
    now_us: int,
    off: str | None,
    reason: str | None,
    on: str | None,
    planned: bool | None,
    told: dict[str, object],
) -> list[Event]:
    """The ledger rows of a change: off, then on, at one instant. ``told`` are further columns of the row that ends."""
    saw, spindle = change.spot
    here = Event(id="", at_us=change.at_us, event="", known_us=now_us, saw=saw, spindle=spindle)
    shared = {name: told[name] for name in ("by", "counter", "note") if told.get(name) is not None}
    rows = []
    if off is not None:
        minutes = None if change.stop is None else change.stop.minutes
        extra = {name: told[name] for name in ("tips_chipped", "wear_um", "place") if told.get(name) is not None}
        rows.append(
            msgspec.structs.replace(
                here,
                event="dismounted",
                plate=off,
                reason=reason or "unknown",
                planned=planned,
                minutes=None if minutes is None else Decimal(minutes),
                **shared,
                **extra,
            )
        )
    if on is not None:
        kerf = {"kerf_mm": told["kerf_mm"]} if told.get("kerf_mm") is not None else {}
        rows.append(msgspec.structs.replace(here, event="mounted", plate=on, planned=planned, **shared, **kerf))
    return identified(rows)
