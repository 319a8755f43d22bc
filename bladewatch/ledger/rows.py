"""The ledger as CSV: read row by row, good events apart from refused rows; written in the fixed columns."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Iterator
from datetime import tzinfo
from typing import IO, Final, NamedTuple
from zoneinfo import ZoneInfo

from bladewatch.ledger.events import COLUMNS, KINDS, Event, event_of, filled_row, row_of
from collectors.facts import Rejected
from collectors.logfile import LogFile, named_cells, open_text

TOPIC: Final = "csv/ledger"
"""In place of a topic, for refused rows."""
_NUMBERS = frozenset(name for name, kind in KINDS.items() if kind not in (KINDS["note"], KINDS["event"]))


class LedgerRow(NamedTuple):
    """One line of the file: an event, or why there is none."""

    line: int
    event: Event | None
    rejected: Rejected | None


def read(log: LogFile, zone: tzinfo) -> Iterator[LedgerRow]:
    """The events of a ledger file. Decimal commas are understood where the cells are split by semicolons."""
    with open_text(log.path) as stream:
        header = ""
        skipped = 0
        for header in stream:
            skipped += 1
            if header.strip() and not header.startswith("#"):
                break
        delimiter = max(";\t,", key=header.count)
        columns = [name.strip().lower() for name in next(csv.reader([header], delimiter=delimiter))]
        for line, text in enumerate(stream, skipped + 1):
            if not text.strip(f" \r\n{delimiter}"):
                continue
            row = {"": text}
            try:
                row = named_cells(text, columns, delimiter)
                if delimiter != ",":
                    row = {name: cell.replace(",", ".") if name in _NUMBERS else cell for name, cell in row.items()}
                yield LedgerRow(line, event_of(row, log.zone or zone), None)
            except ValueError as error:
                refused = Rejected(f"{log.source}:{line}", TOPIC, _kept(row, log.zone), f"bad-event: {error}", 0)
                yield LedgerRow(line, None, refused)


def _kept(row: dict[str, str], zone: tzinfo | None) -> bytes:
    content = {"cells": row, "zone": getattr(zone, "key", None)}
    return json.dumps(content, separators=(",", ":")).encode()


def read_again(payload: bytes, zone: tzinfo) -> Event:
    """The event of a refused row after a cure. Raises ``ValueError`` where it is still refused."""
    content = json.loads(payload)
    return event_of(content["cells"], ZoneInfo(content["zone"]) if content["zone"] else zone)


def refused_text(event: Event) -> bytes:
    """An event as a refused row, for the list of rejections."""
    return _kept(filled_row(event, ZoneInfo("UTC")), None)


def write(events: Iterable[Event], stream: IO[str], zone: tzinfo) -> None:
    """Write events in the fixed columns, in the order given."""
    writer = csv.DictWriter(stream, COLUMNS, lineterminator="\n")
    writer.writeheader()
    for event in events:
        writer.writerow(row_of(event, zone))
