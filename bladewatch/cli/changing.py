"""The guided change: four questions at most, each with its answer ready; cautions before, reminders after."""

from __future__ import annotations

import sys
import textwrap
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bladewatch.assess.changeover import Changeover
    from bladewatch.assess.moment import Moment
    from bladewatch.service import Service

NONE = "-"
"""In place of a plate: none goes on."""


@dataclass(frozen=True, slots=True)
class Told:
    """What was told of a change; None is asked for, or worked out."""

    saw: str | None
    spindle: str | None
    off: str | None
    reason: str | None
    on: str | None
    planned: bool | None
    at: str | None
    tips_chipped: int | None
    kerf_mm: str | None
    place: str | None
    by: str | None
    note: str | None


def change_blade(config_path: Path | None, told: Told, as_json: bool) -> None:
    """Write a change down, and say what speaks against it first of all."""
    import msgspec

    from bladewatch.assess.changeover import changeover, reminders, rows_of_change, warnings
    from bladewatch.errors import UsageError
    from bladewatch.ledger.events import filled_row
    from bladewatch.service import Service

    asks = sys.stdin.isatty() and sys.stdout.isatty() and not as_json
    with Service.open(config_path) as service:
        with service.store.snapshot():
            moment = service.moment()
            if asks and (told.saw is None or told.on is None):
                _cautions()
            if told.saw is None:
                told = replace(told, saw=_ask_saw(moment, asks))
            saw = _saw_named(moment, told.saw or "")
            spot = service.spot(saw, told.spindle or _ask_spindle(moment, saw, asks), moment.now_us)
            at_us = None if told.at is None else service.instant(told.at)
            known = moment.known()
            change = changeover(known, spot, at_us)
            off = told.off or (change.on_record.plate if change.on_record is not None else None)
            if asks:
                told = _ask(service, moment, change, told, off)
            if off is None and told.on is None:
                raise UsageError(f"no blade is on record on saw {spot[0]}: say which one goes on with --on PLATE")
            on = None if told.on == NONE else told.on
            against = warnings(known, change, off, on)
            reminded = reminders(known, off, on)
        events = rows_of_change(
            change, service.clock(), off, _reason(told, off), on, told.planned, _columns(told, known, spot)
        )
        service.write(events)
        written = [filled_row(event, service.zone) for event in events]
    if as_json:
        print(msgspec.json.encode(written).decode())
        for text in against:
            print(f"WARNING: {text}", file=sys.stderr)
        return
    _tell(change, written, against, reminded)
    if not asks:
        _cautions()


def _reason(told: Told, off: str | None) -> str | None:
    from bladewatch.errors import UsageError
    from collectors.fields import DISMOUNT_REASONS

    if off is None:
        return None
    reason = told.reason or "unknown"
    if reason not in DISMOUNT_REASONS:
        raise UsageError(f"--reason: found {reason!r}, expected one of {', '.join(DISMOUNT_REASONS)}")
    return reason


def _columns(told: Told, known: Any, spot: tuple[str, str]) -> dict[str, object]:
    """Further columns: what was told, and the counter as the saw told it last."""
    from decimal import Decimal, InvalidOperation

    from bladewatch.errors import UsageError

    last = known.last_stroke(spot, known.now_us)
    kerf = None
    if told.kerf_mm is not None:
        try:
            kerf = Decimal(told.kerf_mm.replace(",", "."))
        except InvalidOperation:
            raise UsageError(f"--kerf-mm: found {told.kerf_mm!r}, expected a number like 3.96") from None
    return {
        "counter": None if last is None else last.stroke,
        "tips_chipped": told.tips_chipped,
        "kerf_mm": kerf,
        "place": told.place,
        "by": told.by,
        "note": told.note,
    }


def _tell(change: Changeover, written: list[dict[str, str]], against: list[str], reminded: list[str]) -> None:
    for text in against:
        _print(f"WARNING: {text}")
    if against:
        _print("It is written all the same, as it was told: look at the plate before the saw cuts.")
    for row in written:
        what = "off" if row["event"] == "dismounted" else "on"
        reason = f", {row['reason']}" if "reason" in row else ""
        when = row["at"][:16].replace("T", " ")
        _print(f"written: {row['plate']} {what} saw {row['saw']} at {when}{reason} (row {row['id']})")
    stop = change.stop
    if stop is not None and stop.minutes is not None:
        print(f"The saw stood still for {stop.minutes} minutes.")
    for text in reminded:
        _print(text)
    for hazard in change.hazards:
        _print(f"Hazard of what was cut here: {hazard}. Handle chips and plate by the site's rules for it.")
    rows = " and ".join(row["id"] for row in written)
    _print(f"To take it back: bladewatch blade corrected --corrects ROW, for {rows}")


def _cautions() -> None:
    from bladewatch.assess.changeover import CAUTIONS

    for text in CAUTIONS:
        _print(f"· {text}")


def _print(text: str) -> None:
    from bladewatch.screens.paint import console

    width = console().width
    print("\n".join(textwrap.wrap(text, max(width, 20), subsequent_indent="  ")))


# Asking


def _ask_saw(moment: Moment, asks: bool) -> str:
    from bladewatch.errors import UsageError
    from bladewatch.screens.words import in_order

    spots = list(moment.spots())
    names = list(dict.fromkeys(saw for saw, _ in spots))
    if len(names) == 1:
        return names[0]
    if not asks:
        raise UsageError(f"which saw? expected one of {', '.join(names)}: bladewatch change {names[0]} --on PLATE")
    first = in_order([moment.assess(spot) for spot in spots])[0].saw
    while True:
        answer = _prompt(f"Saw ({', '.join(names)})", first)
        saw = _saw_named(moment, answer)
        if saw in names:
            return saw
        print(f"There is no saw {answer}.")


def _saw_named(moment: Moment, told: str) -> str:
    """The saw that is meant, however its letters are written."""
    config = moment.known().config
    saw = config.saw_of(told, moment.now_us)
    near = [name for name in config.saws if name.casefold() == saw.casefold()]
    return near[0] if saw not in config.saws and len(near) == 1 else saw


def _ask_spindle(moment: Moment, saw: str, asks: bool) -> str:
    """The only spindle of a saw, or the one that is named."""
    from bladewatch.errors import UsageError

    spindles = [spindle for name, spindle in moment.spots() if name == saw]
    if len(spindles) < 2:
        return spindles[0] if spindles else "1"
    if not asks:
        raise UsageError(f"which spindle? saw {saw} has {', '.join(spindles)}: add --spindle {spindles[0]}")
    while True:
        answer = _prompt(f"Spindle ({', '.join(spindles)})", spindles[0])
        if answer in spindles:
            return answer
        print(f"Saw {saw} has no spindle {answer}.")


def _ask(service: Service, moment: Moment, change: Changeover, told: Told, off: str | None) -> Told:
    from bladewatch.format import near_text
    from collectors.fields import DISMOUNT_REASONS

    stop = change.stop
    when = near_text(change.at_us, moment.now_us, service.zone)
    stood = "" if stop is None else f", stopped since {near_text(stop.from_us, moment.now_us, service.zone)}"
    print(f"Saw {change.spot[0]}: {off or 'no blade'} comes off, time of the change {when}{stood}.")
    if off is not None and told.reason is None:
        told = replace(told, reason=_pick("Why", DISMOUNT_REASONS, "worn-plan"))
    if told.on is None:
        first = change.sharp[0] if change.sharp else NONE
        others = f" ({', '.join(change.sharp[:4])}; {NONE} for none)" if change.sharp else f" ({NONE} for none)"
        told = replace(told, on=_ask_plate(moment, f"Goes on{others}", first))
    if told.planned is None:
        usual = "y" if (told.reason or "worn-plan") in ("worn-plan", "job-swap", "trial") else "n"
        told = replace(told, planned=_yes("Planned, y or n", usual))
    return told


def _ask_plate(moment: Moment, text: str, first: str) -> str:
    """A plate's number; one that no row knows is asked once more, as it may be a slip of the hand."""
    from bladewatch.assess.doubts import unknown_plate

    plates = moment.known().fleet.plates
    answer = _prompt(text, first)
    if answer == NONE or answer in plates:
        return answer
    print(f"Look again: {unknown_plate(answer, plates)}")
    return _prompt("Goes on", answer)


def _yes(text: str, usual: str) -> bool:
    while True:
        answer = _prompt(text, usual).casefold()
        if answer in ("y", "yes", "n", "no"):
            return answer.startswith("y")
        print(f"{answer}: neither y nor n.")


def _pick(what: str, allowed: tuple[str, ...], usual: str) -> str:
    listed = ", ".join(f"{place} {name}" for place, name in enumerate(allowed, 1))
    _print(listed)
    while True:
        answer = _prompt(f"{what}, number or word", usual)
        if answer.isdecimal() and 1 <= int(answer) <= len(allowed):
            return allowed[int(answer) - 1]
        near = [name for name in allowed if name.startswith(answer)]
        if len(near) == 1:
            return near[0]
        print(f"{answer}: none of these.")


def _prompt(text: str, usual: str) -> str:
    answer = input(f"{text} [{usual}]: ").strip()
    return answer or usual
