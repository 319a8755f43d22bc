"""The ledger as CSV: read row by row, good events apart from refused rows; written in the fixed columns."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Iterator
from datetime import tzinfo
from typing import IO, NamedTuple

from bladewatch.ledger.events import COLUMNS, KINDS, Event, event_of, row_of
from collectors.facts import Rejected
from collectors.logfile import LogFile, open_text

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
        reader = csv.reader(stream, delimiter=delimiter)
        for cells in reader:
            line = reader.line_num + skipped
            if not any(cell.strip() for cell in cells):
                continue
            row = dict(zip(columns, cells, strict=False))
            if delimiter != ",":
                row = {name: text.replace(",", ".") if name in _NUMBERS else text for name, text in row.items()}
            try:
                if len(cells) > len(columns):
                    raise ValueError(f"found {len(cells)} cells, expected {len(columns)}")
                yield LedgerRow(line, event_of(row, log.zone or zone), None)
            except ValueError as error:
                raw = json.dumps(row, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "surrogatepass")
                refused = Rejected(f"{log.source}:{line}", "csv/ledger", raw, f"bad-event: {error}", 0)
                yield LedgerRow(line, None, refused)


def write(events: Iterable[Event], stream: IO[str], zone: tzinfo) -> None:
    """Write events in the fixed columns, in the order given."""
    writer = csv.DictWriter(stream, COLUMNS, lineterminator="\n")
    writer.writeheader()
    for event in events:
        writer.writerow(row_of(event, zone))
