"""Events to the state of every plate: plate > tip set > grind cycle > mount.

``fold`` is pure. It refuses nothing: a record that cannot be true is kept as far as it goes and told as a
``Problem``, because the shop is often ahead of its records.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple

import msgspec

from bladewatch.ledger.events import Event, in_force, one_witness_each

KEEPS_CYCLE: Final = frozenset({"job-swap", "trial", "unknown"})
"""Reasons that take a blade off without ending its grind cycle."""
_ORDER: Final = {
    name: place
    for place, names in enumerate(
        (
            ("dismounted",),
            ("opened", "bought", "received", "found"),
            ("sent",),
            ("returned",),
            ("inspected",),
            ("rejected", "retipped"),
            ("accepted",),
            ("mounted",),
        )
    )
    for name in names
}
_STATE_AFTER: Final = {
    "opened": "sharp", "bought": "ordered", "received": "received", "sent": "out", "returned": "returned",
    "accepted": "sharp", "rejected": "rejected", "quarantined": "quarantined", "scrapped": "scrapped", "lost": "lost",
    "found": "found",
}  # fmt: skip
WORN_EDGE: Final = frozenset({"dismounted", "sent", "returned", "inspected", "rejected", "quarantined", "scrapped"})
"""Events whose ``wear_um`` speaks of the edge as it came off; what is measured at acceptance is the new one."""
NOT_TO_BE_MOUNTED: Final = frozenset({"out", "quarantined", "scrapped", "lost", "rejected"})


class Problem(NamedTuple):
    """A record that cannot be true as it stands."""

    where: str
    message: str
    at_us: int
    plate: str | None = None
    saw: str | None = None


class Reading(NamedTuple):
    """A bench reading of flank wear."""

    at_us: int
    wear_um: float


@dataclass(slots=True)
class Mount:
    """A blade on a spindle. It owns the strokes with ``from_us`` < ts ≤ ``to_us``."""

    plate: str
    saw: str
    spindle: str
    from_us: int
    to_us: int | None = None
    reason: str | None = None
    cycle: int = 0
    row: str = ""
    """The id of the ledger row, or message, that tells it."""

    def end(self, at_us: int, reason: str | None = None) -> None:
        """Take the blade off."""
        self.to_us = at_us
        self.reason = reason


@dataclass(slots=True)
class Cycle:
    """From sharp to dull: the unit that wear is learnt from."""

    plate: str
    number: int
    tip_set: int
    regrinds: int
    opened_us: int
    used_share: float = 0.0
    mounts: list[Mount] = field(default_factory=list)
    ended_us: int | None = None
    reason: str | None = None
    readings: list[Reading] = field(default_factory=list)
    stock_removed_um: float | None = None

    @property
    def open(self) -> bool:
        """Whether the cycle still runs."""
        return self.ended_us is None


@dataclass(slots=True)
class Plate:
    """A steel disc with its number: state, place and history."""

    id: str
    blade_type: str | None = None
    state: str = "unknown"
    since_us: int = 0
    place: str | None = None
    tip_set: int = 1
    regrinds: int = 0
    kerf_mm: float | None = None
    diameter_mm: float | None = None
    cracked: bool = False
    fresh: bool = False
    fresh_share: float = 0.0
    cycles: list[Cycle] = field(default_factory=list)

    @property
    def cycle(self) -> Cycle | None:
        """The newest cycle."""
        return self.cycles[-1] if self.cycles else None


@dataclass(slots=True)
class Fleet:
    """What the ledger means at one moment."""

    plates: dict[str, Plate] = field(default_factory=dict)
    mounts: dict[tuple[str, str], list[Mount]] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)

    def on(self, saw: str, spindle: str) -> Mount | None:
        """The mount that is on now, or None."""
        mounts = self.mounts.get((saw, spindle), ())
        return mounts[-1] if mounts and mounts[-1].to_us is None else None

    def cycle_of(self, mount: Mount) -> Cycle:
        """The cycle a mount belongs to."""
        return self.plates[mount.plate].cycles[mount.cycle - 1]

    def plate(self, plate_id: str) -> Plate:
        """The plate of this number, made known where it was not."""
        return self.plates.setdefault(plate_id, Plate(plate_id))

    def problem(self, event: Event, message: str, plate: str | None = None) -> None:
        """Note a record that cannot be true."""
        where = f"{event.event} {event.plate or ''}".strip()
        self.problems.append(Problem(where, message, event.at_us, plate or event.plate, event.saw))


def fold(events: Iterable[Event], aliases: Mapping[str, str] | None = None) -> Fleet:
    """The state that ``events`` lead to; their order does not matter.

    ``aliases`` maps other names of a saw to its id.
    """
    fleet = Fleet()
    events = [_named(event, aliases or {}) for event in events]
    known = {event.id for event in events}
    for event in sorted(events, key=_order):
        if event.corrects is not None and event.corrects not in known:
            fleet.problem(event, f"it corrects {event.corrects}, which no row has as its id")
        if event.corrects is None and event.event == "corrected":
            fleet.problem(event, "it withdraws a row and does not say which: 'corrects' is empty")
    for event in sorted(one_witness_each(in_force(events)), key=_order):
        _apply(fleet, event)
    for mounts in fleet.mounts.values():
        mounts.sort(key=lambda mount: mount.from_us)
    return fleet


def _named(event: Event, aliases: Mapping[str, str]) -> Event:
    if event.saw is None or event.saw not in aliases:
        return event
    return msgspec.structs.replace(event, saw=aliases[event.saw])


def _order(event: Event) -> tuple[int, int, int, str]:
    return event.at_us, _ORDER.get(event.event, len(_ORDER)), event.known_us, event.id


def _apply(fleet: Fleet, event: Event) -> None:
    if event.event in ("month-closed", "counted") or (
        event.plate is None and event.event in ("invoiced", "credited", "bought")
    ):
        return
    if event.event == "dismounted":
        _dismount(fleet, event)
        return
    if event.plate is None:
        fleet.problem(event, "the row names no plate")
        return
    plate = fleet.plate(event.plate)
    if event.blade_type is not None:
        if plate.blade_type not in (None, event.blade_type):
            fleet.problem(event, f"blade type {event.blade_type}, so far {plate.blade_type}")
        plate.blade_type = event.blade_type
    _measure(plate, event)
    if event.event == "mounted":
        _mount(fleet, plate, event)
        return
    if event.event in ("sent", "quarantined", "scrapped", "lost"):
        _take_away(fleet, plate, event)
    if event.event == "sent" and plate.cycle is not None and plate.cycle.open:
        _end_cycle(plate.cycle, event.at_us, plate.cycle.mounts[-1].reason or "unknown")
    if event.event == "returned" and plate.state == "out":
        plate.regrinds += 1
    if event.event == "retipped":
        plate.tip_set += 1
        plate.regrinds = 0
    if event.event in ("opened", "accepted"):
        _make_sharp(fleet, plate, event)
    state = _STATE_AFTER.get(event.event)
    if state is not None:
        plate.state, plate.since_us = state, event.at_us
    if event.place is not None:
        plate.place = event.place
    elif event.event == "sent":
        plate.place = event.supplier


def _measure(plate: Plate, event: Event) -> None:
    """What the row measured: on the plate, or on the cycle that has just ended or still runs."""
    if event.kerf_mm is not None:
        plate.kerf_mm = float(event.kerf_mm)
    if event.diameter_mm is not None:
        plate.diameter_mm = float(event.diameter_mm)
    cycle = plate.cycle
    if cycle is not None and event.wear_um is not None and event.event in WORN_EDGE:
        cycle.readings.append(Reading(event.at_us, float(event.wear_um)))
    if cycle is not None and event.stock_removed_um is not None:
        cycle.stock_removed_um = float(event.stock_removed_um)


def _make_sharp(fleet: Fleet, plate: Plate, event: Event) -> None:
    if plate.cracked:
        fleet.problem(event, "the plate is recorded as cracked; a cracked body is scrapped, not ground")
    if plate.state == "mounted":
        fleet.problem(event, "the plate is recorded as mounted")
    if plate.cycle is not None and plate.cycle.open:
        _end_cycle(plate.cycle, event.at_us, plate.cycle.mounts[-1].reason or "unknown")
    if event.event == "opened":
        plate.regrinds = event.regrinds or 0
        plate.fresh_share = float(event.used_share or 0)
    else:
        plate.fresh_share = 0.0
    plate.fresh = True


def _end_cycle(cycle: Cycle, at_us: int, reason: str) -> None:
    cycle.ended_us, cycle.reason = at_us, reason


def _take_away(fleet: Fleet, plate: Plate, event: Event) -> None:
    """A plate that leaves is on no saw any more, whatever the record said."""
    for mounts in fleet.mounts.values():
        for mount in mounts:
            if mount.plate == plate.id and mount.to_us is None:
                fleet.problem(event, f"it was recorded on saw {mount.saw} spindle {mount.spindle} until now")
                mount.end(event.at_us)


def _mount(fleet: Fleet, plate: Plate, event: Event) -> None:
    if event.saw is None:
        fleet.problem(event, "the row names no saw")
        return
    saw, spindle = event.spot
    there = fleet.mounts.setdefault((saw, spindle), [])
    if there and there[-1].to_us is None:
        fleet.problem(event, f"plate {there[-1].plate} was still recorded there; its mount ends here")
        there[-1].end(event.at_us)
        _after_off(fleet, there[-1], event.at_us)
    elsewhere = _mounts_of(fleet, plate.id)
    if elsewhere:
        places = ", ".join(f"saw {mount.saw} spindle {mount.spindle}" for mount in elsewhere)
        fleet.problem(event, f"it is also recorded on {places}")
    if plate.state in NOT_TO_BE_MOUNTED:
        fleet.problem(event, f"it was recorded as {plate.state}")
    if plate.cracked:
        fleet.problem(event, "it is recorded as cracked")
    cycle = _cycle_for_mount(fleet, plate, event)
    mount = Mount(plate.id, saw, spindle, event.at_us, cycle=cycle.number, row=event.id)
    cycle.mounts.append(mount)
    there.append(mount)
    plate.state, plate.since_us, plate.place = "mounted", event.at_us, saw


def _mounts_of(fleet: Fleet, plate_id: str) -> Sequence[Mount]:
    return [m for mounts in fleet.mounts.values() for m in mounts if m.plate == plate_id and m.to_us is None]


def _cycle_for_mount(fleet: Fleet, plate: Plate, event: Event) -> Cycle:
    current = plate.cycle
    if current is not None and not plate.fresh:
        if not current.open:
            fleet.problem(
                event, f"cycle {current.number} had ended ({current.reason}); it runs on, as nothing accepted it"
            )
            current.ended_us = current.reason = None
        return current
    if not plate.fresh:
        fleet.problem(event, "no row accepted or opened it before")
    cycle = Cycle(
        plate.id, len(plate.cycles) + 1, plate.tip_set, plate.regrinds, event.at_us, used_share=plate.fresh_share
    )
    plate.cycles.append(cycle)
    plate.fresh, plate.fresh_share = False, 0.0
    return cycle


def _dismount(fleet: Fleet, event: Event) -> None:
    mount = _mount_to_end(fleet, event)
    plate_id = event.plate or (mount.plate if mount is not None else None)
    if plate_id is None:
        fleet.problem(event, "no blade was recorded there")
        return
    own = mount is not None and mount.plate == plate_id
    if mount is None:
        fleet.problem(event, f"plate {plate_id} was not recorded there")
    else:
        if not own:
            text = f"plate {mount.plate} was recorded there, the row names {plate_id}; the mount ends here"
            fleet.problem(event, text, plate=mount.plate)
        mount.end(event.at_us, event.reason if own else None)
        _after_off(fleet, mount, event.at_us)
    plate = fleet.plate(plate_id)
    _measure(plate, event)
    if event.reason == "cracked":
        plate.cracked = True
    if own and plate.cycle is not None and event.reason is not None and event.reason not in KEEPS_CYCLE:
        _end_cycle(plate.cycle, event.at_us, event.reason)
        plate.state = "dull"
    if event.place is not None:
        plate.place = event.place


def _mount_to_end(fleet: Fleet, event: Event) -> Mount | None:
    if event.saw is not None:
        return fleet.on(*event.spot)
    mounts = _mounts_of(fleet, event.plate or "")
    return mounts[0] if len(mounts) == 1 else None


def _after_off(fleet: Fleet, mount: Mount, at_us: int) -> None:
    plate = fleet.plates[mount.plate]
    if not _mounts_of(fleet, plate.id):
        plate.state, plate.since_us, plate.place = "part-used", at_us, None
