"""One line of the ledger: what happened to a plate, when, and when that became known.

The ledger only grows. A correction is a new event whose ``corrects`` names the one that it replaces whole; the
event ``corrected`` withdraws the one it names.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping
from datetime import date, tzinfo
from decimal import Decimal, InvalidOperation
from typing import Any, Final

import msgspec

from collectors.facts import DEFAULT_SPINDLE, BladeNote
from collectors.fields import DISMOUNT_REASONS, MAX_COUNTER
from collectors.instants import parse_text, text_of, to_datetime

EVENTS: Final = (
    "opened", "bought", "received", "mounted", "dismounted", "sent", "returned", "inspected", "accepted", "rejected",
    "retipped", "quarantined", "scrapped", "lost", "found", "counted", "invoiced", "credited", "month-closed",
    "corrected",
)  # fmt: skip
ONLY_MONEY: Final = frozenset({"invoiced", "credited", "month-closed"})
"""Events that change nothing about a plate."""
WORKS: Final = ("grind", "tips", "retip", "check")
"""What is asked of the grinder for a plate: grind it, replace tips and grind, put a new tip set on, look at it."""


class Event(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A ledger event; the fields are the columns of the CSV, in SI and with typed values.

    ``known_us`` is the column ``entered``. Money is Decimal. ``witness`` is ``message`` where only a saw told it.
    """

    id: str
    at_us: int
    event: str
    known_us: int
    plate: str | None = None
    saw: str | None = None
    spindle: str | None = None
    blade_type: str | None = None
    reason: str | None = None
    planned: bool | None = None
    minutes: Decimal | None = None
    wear_um: Decimal | None = None
    stock_removed_um: Decimal | None = None
    kerf_mm: Decimal | None = None
    diameter_mm: Decimal | None = None
    tips_replaced: int | None = None
    tips_chipped: int | None = None
    batch: str | None = None
    supplier: str | None = None
    cost: Decimal | None = None
    tax: Decimal | None = None
    freight: Decimal | None = None
    currency: str | None = None
    fx_rate: Decimal | None = None
    document: str | None = None
    place: str | None = None
    corrects: str | None = None
    regrinds: int | None = None
    used_share: Decimal | None = None
    counter: int | None = None
    by: str | None = None
    note: str | None = None
    work: str | None = None
    due: str | None = None
    findings: str | None = None
    witness: str = "person"

    @property
    def spot(self) -> tuple[str, str]:
        """Saw and spindle, where the event names a saw."""
        return self.saw or "", self.spindle or DEFAULT_SPINDLE


COLUMNS: Final = (
    "id", "at", "event", "plate", "saw", "spindle", "blade_type", "reason", "planned", "minutes", "wear_um",
    "stock_removed_um", "kerf_mm", "diameter_mm", "tips_replaced", "tips_chipped", "batch", "supplier", "cost", "tax",
    "freight", "currency", "fx_rate", "document", "place", "corrects", "regrinds", "used_share", "counter", "by",
    "note", "entered", "work", "due", "findings",
)  # fmt: skip
"""The columns of the CSV, in order."""

CONTENT: Final = tuple(name for name in COLUMNS if name not in ("id", "at", "entered"))


def _text(value: str) -> str:
    return value


def _decimal(low: str, high: str) -> Callable[[str], Decimal]:
    def convert(value: str) -> Decimal:
        try:
            number = Decimal(value)
        except InvalidOperation:
            number = Decimal("NaN")
        if not number.is_finite() or not Decimal(low) <= number <= Decimal(high):
            raise ValueError(f"found {value[:40]!r}, expected a number from {low} to {high}")
        return number

    return convert


def _whole(value: str) -> int:
    number = _decimal("0", str(MAX_COUNTER))(value)
    if number != number.to_integral_value():
        raise ValueError(f"found {value[:40]!r}, expected a whole number")
    return int(number)


_YES: Final = {"y": True, "yes": True, "true": True, "1": True, "n": False, "no": False, "false": False, "0": False}


def _flag(value: str) -> bool:
    if value.lower() not in _YES:
        raise ValueError(f"found {value[:40]!r}, expected yes or no")
    return _YES[value.lower()]


def _one_of(allowed: tuple[str, ...]) -> Callable[[str], str]:
    def convert(value: str) -> str:
        if value not in allowed:
            raise ValueError(f"found {value[:40]!r}, expected one of {', '.join(allowed)}")
        return value

    return convert


def _day(value: str) -> str:
    try:
        return date.fromisoformat(value).isoformat()
    except ValueError:
        raise ValueError(f"found {value[:40]!r}, expected a date like 2026-03-12") from None


_MONEY = _decimal("-1000000000000", "1000000000000")
KINDS: Final[Mapping[str, Callable[[str], Any]]] = {
    **dict.fromkeys(CONTENT, _text),
    "event": _one_of(EVENTS),
    "reason": _one_of(DISMOUNT_REASONS),
    "planned": _flag,
    "minutes": _decimal("0", "1000000"),
    "wear_um": _decimal("0", "10000"),
    "stock_removed_um": _decimal("0", "100000"),
    "kerf_mm": _decimal("0", "100"),
    "diameter_mm": _decimal("0", "10000"),
    "tips_replaced": _whole,
    "tips_chipped": _whole,
    "cost": _MONEY,
    "tax": _MONEY,
    "freight": _MONEY,
    "fx_rate": _decimal("0.000000001", "1000000000"),
    "regrinds": _whole,
    "work": _one_of(WORKS),
    "due": _day,
    "used_share": _decimal("0", "10"),
    "counter": _whole,
}


def event_of(row: Mapping[str, str], zone: tzinfo, entered_us: int | None = None) -> Event:
    """An event from the texts of a row; blank cells are absent.

    ``entered_us`` is given where the event is entered now; a row from a file carries ``entered``, else ``at``
    counts. Raises ``ValueError`` that lists every mistake of the row.
    """
    cells = {name: text.strip() for name, text in row.items() if text and text.strip()}
    mistakes: list[str] = []
    values: dict[str, Any] = {}
    for name in cells.keys() - {"id", "at", "entered"}:
        if name not in KINDS:
            continue
        try:
            values[name] = KINDS[name](cells[name])
        except ValueError as error:
            mistakes.append(f"{name}: {error}")
    times: dict[str, int] = {}
    for name in ("at", "entered"):
        if name in cells:
            try:
                times[name] = site_instant(cells[name], zone)
            except ValueError as error:
                mistakes.append(f"{name}: {error}")
    mistakes.extend(f"{name}: missing" for name in ("at", "event") if name not in cells)
    if mistakes:
        raise ValueError("; ".join(sorted(mistakes)))
    at_us = times["at"]
    known_us = entered_us if entered_us is not None else times.get("entered", at_us)
    values = {name: one_line(value) if isinstance(value, str) else value for name, value in values.items()}
    bare = Event(id="", at_us=at_us, known_us=known_us, **values)
    return msgspec.structs.replace(bare, id=cells.get("id") or content_hash(bare))


def one_line(text: str) -> str:
    r"""Text that a line of CSV and every database can hold: line breaks of every kind become spaces, and noughts.

    >>> one_line("hub side\r\nlooks\x00burnt")
    'hub side looks burnt'
    """
    return " ".join(text.replace("\x00", " ").splitlines())


def site_instant(text: str, zone: tzinfo) -> int:
    """An instant of RFC 3339 text, or a plain date; without an offset it is site time.

    >>> from zoneinfo import ZoneInfo
    >>> text_of(site_instant("2026-03-02 06:15", ZoneInfo("Europe/Berlin")))
    '2026-03-02T05:15:00Z'
    """
    plain = text.strip()
    if len(plain) == 10:
        plain += "T00:00:00"
    elif len(plain) == 16:
        plain += ":00"
    elif len(plain) > 16 and plain[16] in "Zz+-":
        plain = f"{plain[:16]}:00{plain[16:]}"
    try:
        return parse_text(plain, zone)
    except ValueError as error:
        raise ValueError(
            f"found {text[:60]!r}, expected a time like 2026-03-02 06:15 (site time) or with +01:00"
        ) from error


def text_of_value(value: Any) -> str:
    """A field as it stands in CSV."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Decimal):
        return format(value, "f")
    return str(value)


def content_of(event: Event) -> dict[str, str]:
    """What an event says, as canonical text: numbers without trailing zeros, instants in UTC."""
    content = {"at": text_of(event.at_us)}
    for name in CONTENT:
        value = getattr(event, name)
        if isinstance(value, Decimal):
            value = format(value.normalize() + 0, "f")
        if value is not None:
            content[name] = text_of_value(value)
    return content


def canonical_text(event: Event) -> bytes:
    """The content as sorted JSON."""
    return msgspec.json.encode(content_of(event), order="sorted")


def content_hash(event: Event) -> str:
    """The id of an event that was given none: equal rows are one event."""
    return hashlib.sha256(canonical_text(event)).hexdigest()[:16]


def identified(events: Iterable[Event]) -> list[Event]:
    """Events with the ids that follow from their content."""
    return [msgspec.structs.replace(event, id=content_hash(event)) for event in events]


def filled_row(event: Event, zone: tzinfo) -> dict[str, str]:
    """The columns that an event fills."""
    return {name: text for name, text in row_of(event, zone).items() if text}


def row_of(event: Event, zone: tzinfo) -> dict[str, str]:
    """An event as a row of the CSV."""
    row = {name: text_of_value(getattr(event, name)) for name in CONTENT}
    times = {"at": event.at_us, "entered": event.known_us}
    return {
        name: event.id if name == "id" else to_datetime(times[name], zone).isoformat() if name in times else row[name]
        for name in COLUMNS
    }


def from_note(note: BladeNote) -> Event:
    """A saw's message about a blade as an event."""
    return Event(
        id=f"message/{note.saw}/{note.spindle}/{note.ts_us}/{note.event}/{note.plate}",
        at_us=note.ts_us,
        event=note.event,
        known_us=note.known_us,
        plate=note.plate,
        saw=note.saw,
        spindle=note.spindle,
        reason=note.reason,
        counter=note.counter,
        kerf_mm=None if note.kerf_mm is None else Decimal(str(note.kerf_mm)),
        by=note.by,
        witness="message",
    )
