"""Commands of the crib: stock, counts, batches, inspections, one plate with its history."""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bladewatch.ledger.events import Event
    from bladewatch.service import Service


def _json(value: Any) -> None:
    import msgspec

    print(msgspec.json.encode(value).decode(), flush=True)


def _show(lines: Any) -> None:
    from bladewatch.screens import paint

    paint.show(lines, paint.console())


def _width() -> int:
    from bladewatch.screens import paint

    return paint.console().width


def _rows(service: Service, events: Sequence[Event]) -> list[dict[str, str]]:
    from bladewatch.ledger.events import filled_row

    return [filled_row(event, service.zone) for event in events]


def show_crib(config_path: Path | None, at: list[str], as_json: bool) -> None:
    """The crib at each moment asked."""
    from bladewatch.assess.crib import crib_of
    from bladewatch.format import time_text
    from bladewatch.screens.crib import render
    from bladewatch.service import Service

    with Service.open(config_path) as service, service.store.snapshot():
        for at_us in [service.instant(text) for text in at] or [service.clock()]:
            moment = service.moment(at_us)
            crib = crib_of(moment.known())
            shares = moment.rack_shares()
            if as_json:
                _json({"at": time_text(at_us, service.zone), **asdict(crib), "part_used": shares})
            else:
                _show(render(service.config, crib, shares, _width()))


def count_place(
    config_path: Path | None, place: str, plates: list[str], reason: str | None, by: str | None, as_json: bool
) -> None:
    """A stock count of one place."""
    from bladewatch.assess.counting import count, rows_of_count
    from bladewatch.service import Service

    if plates == ["-"]:
        plates = sys.stdin.read().split()
    with Service.open(config_path) as service:
        with service.store.snapshot():
            known = service.moment().known()
            found = count(known, place, plates)
            events = rows_of_count(known, found, reason, by)
        service.write(events)
        if as_json:
            _json({**asdict(found), "events": _rows(service, events)})
            return
    total = len(found.seen) + len(found.strange)
    print(f"{place}: {total} seen, {len(found.seen)} of them on record here, {len(found.missing)} missing")
    if found.places:
        print(f"but look: no plate is on record at {place}; places with plates: {', '.join(found.places)}")
    for plate in found.missing:
        print(f"  {plate}: on record here, not seen" + ("" if reason is None else ": written as lost"))
    for plate, told in found.strange.items():
        print(f"  {plate}: seen here, {told}")
    if (found.missing or found.strange) and reason is None:
        print("The differences are written with --reason TEXT")
    elif found.missing:
        print("To take one back: bladewatch blade found PLATE, or blade corrected --corrects ROW")


def suggest_batch(config_path: Path | None, supplier: str | None, at: str | None, as_json: bool) -> None:
    """What could go to the grinder."""
    from bladewatch.assess.batches import suggest
    from bladewatch.screens.crib import suggestion
    from bladewatch.service import Service

    with Service.open(config_path) as service, service.store.snapshot():
        at_us = None if at is None else service.instant(at)
        found = suggest(service.moment(at_us).known(), supplier)
        if as_json:
            _json([asdict(one) for one in found])
        else:
            _show(suggestion(service.config, found, _width()))


def send_batch(
    config_path: Path | None,
    plates: list[str],
    batch: str | None,
    supplier: str | None,
    due: str | None,
    at: str | None,
    by: str | None,
    as_json: bool,
) -> None:
    """Write a batch, and print its packing list."""
    from datetime import date

    from bladewatch.assess.batches import WORK_TEXT, PackLine, next_batch, pack_line, rows_sent
    from bladewatch.errors import UsageError
    from bladewatch.screens.crib import packing_list
    from bladewatch.service import Service

    with Service.open(config_path) as service:
        at_us = service.clock() if at is None else service.instant(at)
        try:
            day = None if due is None else date.fromisoformat(due)
        except ValueError:
            raise UsageError(f"--due: found {due!r}, expected a date like 2026-03-12") from None
        with service.store.snapshot():
            known = service.moment().known()
            lines, doubts = [], []
            for text in plates:
                number, _, work = text.partition(":")
                if work and work not in WORK_TEXT:
                    raise UsageError(f"{text}: found {work!r}, expected one of {', '.join(WORK_TEXT)}")
                plate = known.fleet.plates.get(number)
                if plate is None:
                    lines.append(PackLine(number, None, work or "grind", 0, None, (), None))
                    doubts.append(f"no row knows plate {number}")
                    continue
                if plate.cracked:
                    doubts.append(f"plate {number} is recorded as cracked: it is scrapped, not ground")
                if plate.state not in ("dull", "rejected", "returned", "part-used"):
                    doubts.append(f"plate {number} is recorded as {plate.state}")
                lines.append(pack_line(known, plate, work or None))
            name = batch or next_batch(known)
            grinder = supplier or _grinder(known, lines)
            events = rows_sent(known, lines, name, grinder, day, at_us, by)
        service.write(events)
        for doubt in doubts:
            print(f"but look: {doubt}", file=sys.stderr if as_json else sys.stdout)
        if as_json:
            _json(_rows(service, events))
        else:
            back = max((event.due for event in events if event.due is not None), default=None)
            _show(packing_list(service.config, name, grinder, back, lines, at_us, _width()))


def _grinder(known: Any, lines: Any) -> str | None:
    """The grinder of the first blade type that has one."""
    for line in lines:
        blade = known.config.blade_types.ever(line.blade_type or "", known.now_us)
        if blade is not None and blade.supplier is not None:
            return str(blade.supplier)
    return None


def receive_batch(
    config_path: Path | None, batch: str, plates: list[str], at: str | None, by: str | None, as_json: bool
) -> None:
    """Tick what came of a batch."""
    from bladewatch.assess.batches import batch_lines, compare
    from bladewatch.errors import UsageError
    from bladewatch.ledger.events import event_of
    from bladewatch.screens.crib import packing_list, returned
    from bladewatch.service import Service
    from collectors.instants import text_of

    with Service.open(config_path) as service:
        now_us = service.clock()
        at_us = now_us if at is None else service.instant(at)
        with service.store.snapshot():
            known = service.moment().known()
            lines = batch_lines(known, batch)
            if not lines:
                raise UsageError(f"no batch has the number {batch!r}; bladewatch crib lists those that are away")
            cells = dict(_came(text) for text in plates)
            found = compare(known, batch, list(cells))
        if not plates:
            _show(packing_list(service.config, batch, None, None, lines, at_us, _width()))
            return
        events = []
        for plate, told in cells.items():
            if plate in found.again:
                continue
            row = {"event": "returned", "at": text_of(at_us), "plate": plate, "batch": batch, "by": by or "", **told}
            try:
                events.append(event_of(row, service.zone, entered_us=now_us))
            except ValueError as error:
                raise UsageError(f"{plate}: {error}") from error
        service.write(events)
        if as_json:
            _json({**asdict(found), "events": _rows(service, events)})
        else:
            _show(returned(found, _width()))
            print("Next: bladewatch inspect PLATE, for each that is ticked")


def _came(text: str) -> tuple[str, dict[str, str]]:
    """A plate, and what was measured of it: PLATE:column=value,column=value."""
    from bladewatch.errors import UsageError

    plate, _, rest = text.partition(":")
    cells = {}
    allowed = ("stock_removed_um", "tips_replaced", "wear_um", "kerf_mm", "diameter_mm", "note")
    for pair in filter(None, rest.split(",")):
        name, mark, value = pair.partition("=")
        if not mark or name not in allowed:
            raise UsageError(f"{text}: found {pair!r}, expected one of {', '.join(f'{n}=VALUE' for n in allowed)}")
        cells[name] = value
    return plate, cells


def inspect_plate(
    config_path: Path | None,
    number: str,
    lines: list[str],
    at: str | None,
    place: str | None,
    by: str | None,
    note: str | None,
    as_json: bool,
) -> int:
    """An inspection by the lines of the plate's type; the exit code is 1 where a line failed."""
    from bladewatch.assess.inspection import form_of, inspected
    from bladewatch.service import Service

    with Service.open(config_path) as service:
        at_us = service.clock() if at is None else service.instant(at)
        with service.store.snapshot():
            known = service.moment().known()
            form = form_of(known, number)
            if not lines:
                for text in form.texts:
                    print(text)
                print(f"To enter it: bladewatch inspect {number} {' '.join(f'{line.name}=…' for line in form.lines)}")
                return 0
            result = inspected(known, form, lines, at_us, place, by, note)
        service.write(result.events)
        if as_json:
            _json({"plate": number, "failed": list(result.failed), "events": _rows(service, result.events)})
        else:
            for text in result.texts:
                print(text)
    return 1 if result.failed else 0


def show_plate(config_path: Path | None, number: str, at: list[str], as_json: bool) -> None:
    """One plate with its history."""
    from bladewatch.assess.history import history_of
    from bladewatch.screens.plate import as_json as plate_json
    from bladewatch.screens.plate import render
    from bladewatch.service import Service

    with Service.open(config_path) as service, service.store.snapshot():
        for at_us in [service.instant(text) for text in at] or [service.clock()]:
            history = history_of(service.moment(at_us).known(), number)
            if as_json:
                _json(plate_json(history, service.zone))
            else:
                _show(render(service.config, history, at_us, _width()))
