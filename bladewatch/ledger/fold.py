"""Rows to the state of every plate, one after the other.

``Fold.apply`` refuses nothing: a record that cannot be true is kept as far as it goes and told as a ``Problem``,
because the shop is often ahead of its records. Every change goes through a journal, so that a late row can be put in
its place: what came after is undone and applied again.
"""

from __future__ import annotations

from collections.abc import Container
from typing import Final

from bladewatch.ledger.events import ONLY_MONEY, Event
from bladewatch.ledger.fleet import (
    KEEPS_CYCLE,
    NOT_TO_BE_MOUNTED,
    Cycle,
    Fleet,
    Mount,
    Plate,
    Problem,
    Reading,
    Stay,
    Trip,
)
from bladewatch.ledger.journal import Journal
from bladewatch.ledger.standing import Standing, is_crack

WORN_EDGE: Final = frozenset({"dismounted", "sent", "returned", "inspected", "rejected", "quarantined", "scrapped"})
"""Events whose ``wear_um`` speaks of the edge as it came off; what is measured at acceptance is the new one."""
TAKES_AWAY: Final = frozenset({"sent", "quarantined", "scrapped", "lost"})
"""Events after which a plate is on no saw any more."""
OF_NO_PLATE: Final = frozenset({"bought", "counted"})
_NEW: Final = frozenset({"unknown", "ordered"})
_AT_HAND: Final = frozenset({"received", "sharp", "part-used", "dull", "returned", "found", "unknown"})
"""States in which a plate that is found cracked is set apart."""


class Fold:
    """A fleet and how it came about. ``known`` are the ids of all rows of the ledger, ``fleet`` is gone on from."""

    def __init__(self, known: Container[str], fleet: Fleet | None = None) -> None:
        self.fleet = Fleet() if fleet is None else fleet
        self._known = known
        self._journal = Journal()
        self._put = self._journal.put
        self._steps = {
            "opened": self._open, "bought": self._bought, "received": self._received, "mounted": self._mount,
            "sent": self._send, "returned": self._return, "inspected": self._inspect, "accepted": self._accept,
            "rejected": self._set_apart, "retipped": self._retip, "quarantined": self._set_apart,
            "scrapped": self._set_apart, "lost": self._set_apart, "found": self._find, "counted": self._count,
        }  # fmt: skip

    @property
    def mark(self) -> int:
        """Where the fold stands, for ``back_to``."""
        return self._journal.mark

    def back_to(self, mark: int) -> None:
        """The fleet as it was at a mark."""
        self._journal.back_to(mark)

    def apply(self, row: Standing, for_good: bool = False) -> None:
        """Take the next row; one taken ``for_good`` is not undone."""
        self._journal.keeps = not for_good
        event = row.event
        if row.void is not None:
            self._remark(event, row.void)
            return
        if event.corrects is not None and event.corrects not in self._known:
            self._remark(event, f"it corrects {event.corrects}, which no row has as its id")
        if event.event in ONLY_MONEY or (event.plate is None and event.event in OF_NO_PLATE):
            return
        if event.event == "dismounted":
            self._dismount(event)
            return
        if event.plate is None:
            self._remark(event, "the row names no plate")
            return
        plate = self._plate(event.plate, event)
        if event.blade_type is not None:
            self._type(plate, event)
        self._measure(plate, event)
        step = self._steps.get(event.event)
        if step is not None:
            step(plate, event)
        if event.place is not None and event.event != "mounted":
            self._put(plate, place=event.place)

    # The life of a plate, in the order that it takes

    def _open(self, plate: Plate, event: Event) -> None:
        self._put(plate, regrinds=event.regrinds or 0, estimated="estimated" in (event.note or ""))
        self._sharpen(plate, event, float(event.used_share or 0))
        if plate.on:
            self._stay(plate, event)

    def _bought(self, plate: Plate, event: Event) -> None:
        if plate.state == "unknown":
            self._state(plate, "ordered", event)

    def _received(self, plate: Plate, event: Event) -> None:
        if plate.state in _NEW:
            self._state(plate, "received", event)

    def _mount(self, plate: Plate, event: Event) -> None:
        if event.saw is None:
            self._remark(event, "the row names no saw")
            return
        saw, spindle = event.spot
        there = self.fleet.mounts.get((saw, spindle))
        if there is None:
            there = []
            self._journal.enter(self.fleet.mounts, (saw, spindle), there)
        if there and there[-1].to_us is None:
            before = there[-1]
            self._remark(event, f"plate {before.plate} was still recorded there; its mount ends here")
            self._end(before, event, None)
        if plate.on:
            places = ", ".join(f"saw {mount.saw} spindle {mount.spindle}" for mount in plate.on)
            self._ask(event, f"it is also recorded on {places}", *(mount.row for mount in plate.on))
        if plate.state in NOT_TO_BE_MOUNTED:
            self._ask(event, f"it was recorded as {plate.state}", plate.state_row)
        if plate.cracked:
            self._ask(event, "it is recorded as cracked", plate.crack_row)
        cycle = self._cycle_for(plate, event)
        mount = Mount(
            plate.id, saw, spindle, event.at_us, cycle=cycle.number, row=event.id, counter_on=event.counter
        )  # fmt: skip
        self._journal.push(cycle.mounts, mount)
        self._journal.push(there, mount)
        self._put(plate, on=(*plate.on, mount), place=saw)
        self._state(plate, "mounted", event)

    def _cycle_for(self, plate: Plate, event: Event) -> Cycle:
        """The cycle that a mount goes on with, or a new one."""
        current = plate.cycle
        if current is not None and not plate.fresh:
            if not current.open:
                text = f"cycle {current.number} had ended ({current.reason}); it runs on, as nothing accepted it"
                self._ask(event, text, current.mounts[-1].off_row)
                self._put(current, ended_us=None, reason=None)
            return current
        if not plate.fresh:
            text = "no row accepted or opened it before"
            others = any(other.known for other in self.fleet.plates.values())
            (self._ask if others and plate.state == "unknown" else self._remark)(event, text)
        if current is not None and current.open:
            self._end_cycle(current, event.at_us, current.mounts[-1].reason or "unknown")
        cycle = Cycle(
            plate.id, len(plate.cycles) + 1, plate.tip_set, plate.regrinds, event.at_us, used_share=plate.fresh_share
        )
        self._journal.push(plate.cycles, cycle)
        self._put(plate, fresh=False, fresh_share=0.0)
        return cycle

    def _dismount(self, event: Event) -> None:
        mount = self._mount_to_end(event)
        plate_id = event.plate or (mount.plate if mount is not None else None)
        if plate_id is None:
            self._remark(event, "no blade was recorded there")
            return
        own = mount is not None and mount.plate == plate_id
        plate = self._plate(plate_id, event)
        if mount is None:
            rows = (plate.state_row,) if plate.state_row else ()
            self._ask(event, f"plate {plate_id} was not recorded there", *rows)
        else:
            if not own:
                text = f"plate {mount.plate} was recorded there, the row names {plate_id}; the mount ends here"
                self._ask(event, text, mount.row, plate=mount.plate)
            self._end(mount, event, event.reason if own else None)
        self._measure(plate, event)
        if own and plate.cycle is not None and event.reason is not None and event.reason not in KEEPS_CYCLE:
            self._end_cycle(plate.cycle, event.at_us, event.reason)
            if not plate.on:
                self._state(plate, "quarantined" if plate.cracked else "dull", event)
        if event.place is not None:
            self._put(plate, place=event.place)

    def _mount_to_end(self, event: Event) -> Mount | None:
        if event.saw is not None:
            return self.fleet.on(*event.spot)
        plate = self.fleet.plates.get(event.plate or "")
        return plate.on[0] if plate is not None and len(plate.on) == 1 else None

    def _send(self, plate: Plate, event: Event) -> None:
        if plate.cracked:
            self._remark(event, "the plate is recorded as cracked; a cracked body is scrapped, not ground")
        self._take_away(plate, event)
        self._put(
            plate, work=event.work, batch=event.batch, supplier=event.supplier, due=event.due, sent_row=event.id,
            place=event.supplier, failed=None, tips_due=event.work == "retip",
        )  # fmt: skip
        self._state(plate, "out", event)

    def _return(self, plate: Plate, event: Event) -> None:
        if plate.state == "out":
            self._back(plate, event)
        elif plate.state_row == "" and plate.state == "unknown":
            self._ask(event, "it was never here before: no row knows this plate")
        else:
            self._ask(event, f"it was not recorded as out, but as {plate.state}", plate.state_row)
        if not plate.on:
            self._state(plate, "returned", event)

    def _back(self, plate: Plate, event: Event) -> None:
        """Home from the grinder: the trip is over, a regrind more where it was one."""
        trip = Trip(plate.id, plate.blade_type, plate.supplier, plate.batch, plate.since_us, event.at_us)
        self._journal.push(self.fleet.trips, trip)
        self._put(plate, regrinds=plate.regrinds + (plate.work not in ("check", "retip")))

    def _inspect(self, plate: Plate, event: Event) -> None:
        failed = [line.partition(" ")[0] for line in (event.findings or "").split("; ") if line.endswith(" fail")]
        self._put(plate, failed=", ".join(failed) or None)

    def _accept(self, plate: Plate, event: Event) -> None:
        if plate.state == "out":
            self._back(plate, event)
        if plate.state in ("scrapped", "lost"):
            self._ask(event, f"it was recorded as {plate.state}", plate.state_row)
        if plate.tips_due:
            self._retip(plate, event)
        if plate.failed is not None:
            self._remark(event, f"the inspection before found {plate.failed} failed")
        self._sharpen(plate, event, 0.0)

    def _sharpen(self, plate: Plate, event: Event, used_share: float) -> None:
        """On the rack, sharp and inspected. A cracked body never is, whatever the row says."""
        if plate.cracked:
            text = "the plate is recorded as cracked; a cracked body is scrapped, not ground"
            self._ask(event, text, plate.crack_row)
        if plate.on:
            self._ask(event, "the plate is recorded as mounted", *(mount.row for mount in plate.on))
        elif plate.cycle is not None and plate.cycle.open:
            self._end_cycle(plate.cycle, event.at_us, plate.cycle.mounts[-1].reason or "unknown")
        self._put(plate, known=True, fresh=True, fresh_share=used_share, failed=None)
        if not plate.on:
            self._state(plate, "quarantined" if plate.cracked else "sharp", event)

    def _retip(self, plate: Plate, event: Event) -> None:
        self._put(plate, tip_set=plate.tip_set + 1, regrinds=0, tips_due=False)
        if plate.state == "out":
            self._put(plate, work="retip")  # its way home is no regrind
        self._stay(plate, event)

    def _set_apart(self, plate: Plate, event: Event) -> None:
        if event.event in TAKES_AWAY:
            self._take_away(plate, event)
        if not plate.on:
            self._state(plate, event.event, event)

    def _find(self, plate: Plate, event: Event) -> None:
        if plate.state in ("lost", "unknown"):
            self._state(plate, "found", event)
        elif plate.state in ("out", "scrapped"):
            self._ask(event, f"it was recorded as {plate.state}", plate.state_row)
            self._state(plate, "found", event)

    def _count(self, plate: Plate, event: Event) -> None:
        """Seen in a stock count: a plate that the record has elsewhere is a contradiction."""
        if plate.state == "lost":
            self._state(plate, "found", event)
        elif plate.state in ("out", "scrapped"):
            where = f" in {event.place}" if event.place is not None else ""
            self._ask(event, f"it was counted{where}, and is recorded as {plate.state}", plate.state_row)
        elif plate.on and event.place not in (None, plate.on[0].saw):
            text = f"it was counted in {event.place}, and is recorded on saw {plate.on[0].saw}"
            self._ask(event, text, plate.on[0].row)

    # What several of these do

    def _plate(self, plate_id: str, event: Event) -> Plate:
        """The plate of this number, made known where it was not."""
        plate = self.fleet.plates.get(plate_id)
        if plate is None:
            plate = Plate(plate_id, born_us=event.at_us)
            self._journal.enter(self.fleet.plates, plate_id, plate)
            self._stay(plate, event)
        return plate

    def _type(self, plate: Plate, event: Event) -> None:
        if plate.blade_type not in (None, event.blade_type):
            self._remark(event, f"blade type {event.blade_type}, so far {plate.blade_type}")
        self._put(plate, blade_type=event.blade_type)

    def _measure(self, plate: Plate, event: Event) -> None:
        """What the row measured: on the plate, or on the cycle that has just ended or still runs."""
        if event.kerf_mm is not None:
            self._put(plate, kerf_mm=float(event.kerf_mm))
        if event.diameter_mm is not None:
            self._put(plate, diameter_mm=float(event.diameter_mm))
        if is_crack(event):
            self._put(plate, cracked=True, crack_row=event.id)
            if plate.state in _AT_HAND:
                self._state(plate, "quarantined", event)
        cycle = plate.cycle
        if cycle is None:
            return
        if event.wear_um is not None and event.event in WORN_EDGE:
            self._journal.push(cycle.readings, Reading(event.at_us, float(event.wear_um)))
        if event.stock_removed_um is not None:
            self._put(cycle, stock_removed_um=float(event.stock_removed_um))
        if event.tips_chipped is not None:
            self._put(cycle, tips_chipped=event.tips_chipped)

    def _take_away(self, plate: Plate, event: Event) -> None:
        """A plate that leaves is on no saw any more, whatever the record said; what it cut is a cycle."""
        for mount in plate.on:
            self._ask(event, f"it was recorded on saw {mount.saw} spindle {mount.spindle} until now", mount.row)
            self._end(mount, event, None)
        cycle = plate.cycle
        if event.event == "sent" and cycle is not None and cycle.open:
            self._end_cycle(cycle, event.at_us, cycle.mounts[-1].reason or "unknown")

    def _end(self, mount: Mount, event: Event, reason: str | None) -> None:
        """Take a blade off; where its record goes on elsewhere, it stays mounted there."""
        self._put(mount, to_us=event.at_us, reason=reason, off_row=event.id, counter_off=event.counter)
        plate = self.fleet.plates[mount.plate]
        self._put(plate, on=tuple(other for other in plate.on if other is not mount))
        if not plate.on:
            self._put(plate, place=None)
            self._state(plate, "quarantined" if plate.cracked else "part-used", event)

    def _end_cycle(self, cycle: Cycle, at_us: int, reason: str) -> None:
        self._put(cycle, ended_us=at_us, reason=reason)

    def _state(self, plate: Plate, state: str, event: Event) -> None:
        self._put(plate, state=state, since_us=event.at_us, state_row=event.id)
        self._stay(plate, event)

    def _stay(self, plate: Plate, event: Event) -> None:
        self._journal.push(plate.stays, Stay(event.at_us, plate.state, plate.regrinds, plate.work, event.id))

    def _remark(self, event: Event, message: str) -> None:
        self._problem(event, message, event.plate, False, ())

    def _ask(self, event: Event, message: str, *rows: str, plate: str | None = None) -> None:
        self._problem(event, message, plate or event.plate, True, rows)

    def _problem(self, event: Event, message: str, plate: str | None, asks: bool, rows: tuple[str, ...]) -> None:
        where = f"{event.event} {event.plate or ''}".strip()
        spindle = event.spot[1] if event.saw is not None else None
        found = Problem(where, message, event.at_us, plate, event.saw, spindle, asks, (event.id, *filter(None, rows)))
        self._journal.push(self.fleet.problems, found)
