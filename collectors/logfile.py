"""Facts from files: JSON Lines, CSV with a reading a row (long) and CSV with a stroke a row (wide).

All three yield the same facts and rejections as live messages. A rejection from a file carries the digest of
the file and the line, so that importing the file again adds none.
"""

from __future__ import annotations

import csv
import gzip
import hashlib
import io
import json
import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import tzinfo
from itertools import islice
from pathlib import Path
from typing import IO, Any, Final, NamedTuple
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import msgspec

from collectors import fields
from collectors.facts import DEFAULT_SPINDLE, Fact, Rejected, Sample, Stroke
from collectors.fields import Misfit
from collectors.instants import DAY_US, YEAR_2000_US, parse_any, parse_text
from collectors.mapping import Translator
from collectors.payloads import Message, rejection
from collectors.signals import CATALOGUE, to_stored_unit

LEDGER_COLUMNS: Final = frozenset({"at", "event"})
ANSWER_COLUMNS: Final = frozenset({"question", "word", "entered"})
CYCLE_COLUMNS: Final = frozenset({"plate", "cycle", "tip_set", "coarse"})
LONG_COLUMNS: Final = frozenset({"ts", "saw", "signal", "value"})
WIDE_COLUMNS: Final = frozenset({"ts", "saw", "stroke"})


_TEXT_COLUMNS: Final = frozenset({"part", "alloy", "order", "lot", "kind"})
_NUMBER_COLUMNS: Final = frozenset({"value", "stroke", *fields.CUT_FIELDS}) - _TEXT_COLUMNS


class Unreadable(Exception):
    """A file that cannot be read at all: what was found, what was expected."""


def broken_file_errors() -> tuple[type[Exception], ...]:
    """What reading a damaged file may raise."""
    import zstandard

    return OSError, EOFError, ValueError, zlib.error, zstandard.ZstdError


class Row(NamedTuple):
    """What one line gave; ``column`` notes serve the preview."""

    line: int
    facts: list[Fact]
    rejected: list[Rejected]


@dataclass(frozen=True, slots=True)
class LogFile:
    """A file on disk, told apart by its content. ``zone`` and ``decimal`` are what the user declared."""

    path: Path
    kind: str
    digest: str
    zone: tzinfo | None = None
    decimal: str | None = None

    @property
    def source(self) -> str:
        """The start of the source of each rejection."""
        return f"file:{self.digest[:16]}"


def open_log(path: Path, zone: tzinfo | None = None, decimal: str | None = None) -> LogFile:
    """Look into a file and tell its kind: ``jsonl``, ``csv-long``, ``csv-wide``, ``ledger``, ``answers``, ``cycles``.

    Raises ``Unreadable`` with file, finding and cure.
    """
    digest = hashlib.sha256()
    try:
        with path.open("rb") as raw:
            while chunk := raw.read(1 << 20):
                digest.update(chunk)
        with open_text(path) as stream:
            heads = _first_lines(stream)
    except broken_file_errors() as error:
        raise Unreadable(f"{path}: cannot be read: {error}") from error
    return LogFile(path, _kind_of(path, heads), digest.hexdigest(), zone, decimal)


def open_text(path: Path) -> IO[str]:
    """The text of a plain, gzip or zstd file; UTF-8, else the old western code page."""
    with path.open("rb") as raw:
        magic = raw.read(4)
    stream: Any
    if magic[:2] == b"\x1f\x8b":
        stream = gzip.open(path, "rb")  # noqa: SIM115
    elif magic == b"\x28\xb5\x2f\xfd":
        import zstandard

        stream = zstandard.open(path, "rb")
    else:
        stream = path.open("rb")
    return io.TextIOWrapper(stream, encoding="utf-8-sig", errors="surrogateescape", newline="")


def _first_lines(stream: IO[str]) -> list[str]:
    """The first few lines that say something: the very first may be torn."""
    told = (line.strip() for line in stream if line.strip() and not line.startswith("#"))
    return list(islice(told, 5))


def _kind_of(path: Path, heads: list[str]) -> str:
    head = heads[0] if heads else ""
    if head.startswith(("{", "[")) or any(line.startswith(('{"', "{ ")) for line in heads):
        return "jsonl"
    columns = {name.strip().strip('"').lower() for name in re.split(r"[,;\t]", head)}
    if columns >= LEDGER_COLUMNS:
        return "ledger"
    if columns >= CYCLE_COLUMNS:
        return "cycles"
    if columns >= ANSWER_COLUMNS:
        return "answers"
    if columns >= LONG_COLUMNS:
        return "csv-long"
    if columns >= WIDE_COLUMNS:
        return "csv-wide"
    if not head:
        return "jsonl"
    raise Unreadable(
        f"{path}: found a first line {head[:80]!r}; expected JSON Lines, or CSV with the columns at,event (ledger), "
        f"ts,saw,signal,value (readings) or ts,saw,stroke (strokes)"
    )


def rows(log: LogFile, translator: Translator) -> Iterator[Row]:
    """The facts and rejections of each line, in the order of the file."""
    if log.kind == "jsonl":
        yield from _json_lines(log, translator)
    elif log.kind == "csv-long":
        yield from _csv_rows(log, translator, _long_row)
    else:
        yield from _csv_rows(log, translator, _wide_row)


class _Line(msgspec.Struct):
    topic: str
    payload: msgspec.Raw
    received: str | None = None


def _json_lines(log: LogFile, translator: Translator) -> Iterator[Row]:
    decoder = msgspec.json.Decoder(_Line)
    with open_text(log.path) as stream:
        for number, line in enumerate(stream, 1):
            if not line.strip():
                continue
            source = f"{log.source}:{number}"
            message = Message("", line.strip().encode("utf-8", "surrogateescape"), None, source)
            try:
                parsed = _parse_line(decoder, message.payload)
                received_us = None if parsed.received is None else parse_text(parsed.received)
            except ValueError as error:
                reason = f"broken-line: {error}; expected {{'topic', 'received', 'payload'}}"
                yield Row(number, [], [rejection(message, reason)])
                continue
            if received_us is not None and received_us < YEAR_2000_US:
                yield Row(number, [], [rejection(message, "clock-past: received is before the year 2000")])
                continue
            # topics of the form csv/… mark our own refused rows: a line of a log cannot claim one
            topic = f"?/{parsed.topic}" if parsed.topic.startswith("csv/") else parsed.topic
            facts, rejected = translator.decode(Message(topic, bytes(parsed.payload), received_us, source))
            yield Row(number, facts, rejected)


def _parse_line(decoder: msgspec.json.Decoder[_Line], line: bytes) -> _Line:
    try:
        return decoder.decode(line)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        first = str(error)
    try:  # a bare NaN inside: the payload's own checks name the field
        loose = json.loads(line)
        topic, received = loose["topic"], loose.get("received")
        if isinstance(topic, str) and isinstance(received, str | None):
            return _Line(topic, msgspec.Raw(json.dumps(loose["payload"]).encode()), received)
        raise ValueError(first)
    except (ValueError, KeyError, TypeError, RecursionError):
        raise ValueError(first) from None


class _Table(NamedTuple):
    """How a CSV file is written."""

    columns: list[str]
    decimal_comma: bool
    zone: tzinfo | None


def _csv_rows(log: LogFile, translator: Translator, convert: Any) -> Iterator[Row]:
    with open_text(log.path) as stream:
        zone, header, offset = _preamble(log, stream)
        delimiter = max(";\t,", key=header.count)
        decimal_comma = log.decimal == "," or (log.decimal is None and _has_decimal_comma(log.path, delimiter))
        columns = [name.strip().lower() for name in next(csv.reader([header], delimiter=delimiter))]
        table = _Table(columns, decimal_comma, zone)
        for number, line in enumerate(stream, offset + 1):
            if not line.strip(f" \r\n{delimiter}"):
                continue
            try:
                named = named_cells(line, columns, delimiter)
            except ValueError as error:
                message = Message(f"csv/{log.kind}", _cells({"": line}, table), None, f"{log.source}:{number}")
                yield Row(number, [], [rejection(message, f"broken-line: {error}")])
                continue
            message = Message(f"csv/{log.kind}", _cells(named, table), None, f"{log.source}:{number}")
            facts, reasons = _convert(convert, named, table, translator)
            yield Row(number, facts, [rejection(message, "; ".join(reasons))] if reasons else [])


def named_cells(line: str, columns: list[str], delimiter: str) -> dict[str, str]:
    """The cells of one line by their columns. Each line stands for itself: a quote left open costs no other line.

    >>> named_cells('1;"a;b"', ["x", "y"], ";")
    {'x': '1', 'y': 'a;b'}
    """
    try:
        cells = next(csv.reader([line.rstrip("\r\n")], delimiter=delimiter, strict=True))
    except csv.Error as error:
        raise ValueError(f"{error}; is a quote left open?") from error
    if len(cells) > len(columns):
        raise ValueError(f"found {len(cells)} cells, expected {len(columns)}")
    return dict(zip(columns, cells, strict=False))


def _convert(
    convert: Any, named: dict[str, str], table: _Table, translator: Translator
) -> tuple[list[Fact], list[str]]:
    row = {name: cell.strip() for name, cell in named.items() if cell and cell.strip()}
    try:
        facts, reasons = convert(row, table, translator)
    except (Misfit, ValueError) as error:
        return [], [str(error)]
    return facts, reasons


def _cells(named: dict[str, str], table: _Table) -> bytes:
    """A refused row with what is needed to read it again."""
    zone = getattr(table.zone, "key", None)
    kept = {"cells": named, "decimal_comma": table.decimal_comma, "zone": zone}
    return json.dumps(kept, separators=(",", ":")).encode()


def decode_cells(kind: str, payload: bytes, translator: Translator) -> tuple[list[Fact], list[str]]:
    """A refused CSV row read again; ``kind`` is ``csv-long`` or ``csv-wide``."""
    kept = json.loads(payload)
    zone = ZoneInfo(kept["zone"]) if kept["zone"] else None
    table = _Table(list(kept["cells"]), kept["decimal_comma"], zone)
    return _convert(_long_row if kind == "csv-long" else _wide_row, kept["cells"], table, translator)


def _preamble(log: LogFile, stream: IO[str]) -> tuple[tzinfo | None, str, int]:
    """Comment lines (``# zone=Europe/Berlin`` declares the zone), then the header."""
    zone = log.zone
    for number, line in enumerate(stream, 1):
        if line.startswith("#"):
            declared = re.match(r"#\s*zone\s*=\s*(\S+)", line)
            if declared:
                try:
                    zone = ZoneInfo(declared.group(1))
                except (ZoneInfoNotFoundError, ValueError) as error:
                    raise Unreadable(f"{log.path}:{number}: no time zone {declared.group(1)!r}") from error
        elif line.strip():
            return zone, line.strip("\r\n"), number
    return zone, "", 0


def _has_decimal_comma(path: Path, delimiter: str) -> bool:
    """Whether a column of numbers writes 12,5: only possible where the cells are not split by commas."""
    if delimiter == ",":
        return False
    columns: list[str] = []
    with open_text(path) as stream:
        for line in islice(stream, 2000):
            cells = [cell.strip().strip('"') for cell in line.split(delimiter)]
            if not columns and not line.startswith("#"):
                columns = [cell.lower() for cell in cells]
            for name, cell in zip(columns, cells, strict=False):
                if name in _NUMBER_COLUMNS and re.fullmatch(r"-?(\d+|\d{1,3}([.' ]\d{3})+),\d+", cell):
                    return True
    return False


_GROUPED: Final = {
    True: re.compile(r"-?\d{1,3}([.' \u00a0]\d{3})+(,\d+)?"),
    False: re.compile(r"-?\d{1,3}([' \u00a0]\d{3})+(\.\d+)?"),
}
"""Numbers with their thousands apart, by whether the file writes a decimal comma."""


def _number_text(text: str, table: _Table) -> float | str:
    """A number as the file writes it; text stays text, for the checkers to refuse."""
    plain = text
    if _GROUPED[table.decimal_comma].fullmatch(text):
        plain = re.sub(r"[.' \u00a0]" if table.decimal_comma else r"[' \u00a0]", "", text)
    if table.decimal_comma:
        if "." in plain:
            return text
        plain = plain.replace(",", ".")
    try:
        return float(plain)
    except ValueError:
        return text


def _place(row: dict[str, str], translator: Translator, table: _Table) -> tuple[str, str, int]:
    missing = [name for name in ("ts", "saw") if name not in row]
    if missing:
        raise Misfit(f"missing-field: {', '.join(missing)}")
    translator.site.saw(row["saw"])
    text = row["ts"]
    if re.fullmatch(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d", text):
        text += ":00"
    try:
        epoch_ms = text.isdecimal() and len(text) >= 12
        ts_us = parse_any(int(text)) if epoch_ms else parse_text(text, table.zone, strict=True)
    except ValueError as error:
        cure = "; declare the zone of the file with --zone" if "without an offset" in str(error) else ""
        raise Misfit(f"bad-time: ts: {error}{cure}") from error
    if ts_us < YEAR_2000_US:
        raise Misfit(f"clock-past: ts: found {text!r}, before the year 2000")
    saw, spindle = translator.site.saw(row["saw"], ts_us), row.get("spindle", DEFAULT_SPINDLE)
    if spindle not in translator.site.saws[saw]:
        raise Misfit(f"unknown-spindle: {spindle!r} of saw {saw}")
    return saw, spindle, ts_us


def _known(row: dict[str, str], table: _Table, ts_us: int) -> int:
    """When the row became known: its column ``received``, else its ``ts``."""
    if "received" not in row:
        return ts_us
    try:
        received_us = parse_text(row["received"], table.zone)
    except ValueError as error:
        raise Misfit(f"bad-time: received: {error}") from error
    if ts_us > received_us + DAY_US:
        raise Misfit(f"clock-ahead: ts: found {row['ts']!r}, more than a day after it was received")
    return received_us


def _long_row(row: dict[str, str], table: _Table, translator: Translator) -> tuple[list[Fact], list[str]]:
    saw, spindle, ts_us = _place(row, translator, table)
    missing = [name for name in ("signal", "value") if name not in row]
    if missing:
        raise Misfit(f"missing-field: {', '.join(missing)}")
    signal = CATALOGUE.get(row["signal"])
    if signal is None:
        raise Misfit(f"unknown-signal: found {row['signal'][:60]!r}, expected one of {', '.join(CATALOGUE)}")
    value: object = row["value"].lower() if signal.words else _number_text(row["value"], table)
    if signal.words == ("false", "true") and value in ("0", "1"):
        value = value == "1"
    if isinstance(value, float) and row.get("unit"):
        try:
            value = to_stored_unit(signal.name, value, row["unit"])
        except ValueError as error:
            raise Misfit(f"bad-unit: {error}") from error
    checked = fields.reading(signal, value, translator.site)
    point = row.get("point", "")
    return [Sample(saw, spindle, signal.name, point, ts_us, checked, _known(row, table, ts_us))], []


def _wide_row(row: dict[str, str], table: _Table, translator: Translator) -> tuple[list[Fact], list[str]]:
    saw, spindle, ts_us = _place(row, translator, table)
    if "stroke" not in row:
        raise Misfit("missing-field: stroke, expected the counter value after this stroke")
    text = row["stroke"]
    counter = fields.whole(int(text) if text.isdecimal() else _number_text(text, table), 0, fields.MAX_COUNTER)
    values: dict[str, Any] = {}
    reasons: list[str] = []
    for name, cell in row.items():
        spec = fields.CUT_FIELDS.get(name)
        if spec is None:
            continue
        stored_as, checker = spec
        try:
            values[stored_as] = checker(cell if name in _TEXT_COLUMNS else _number_text(cell, table), translator.site)
        except Misfit as misfit:
            reasons.append(str(misfit).replace(": ", f": {name}: ", 1))
    return [Stroke(saw, spindle, ts_us, counter, _known(row, table, ts_us), **values)], reasons


def ignored_columns(log: LogFile) -> list[str]:
    """Columns of a CSV log that mean nothing here, for the preview."""
    if not log.kind.startswith("csv"):
        return []
    with open_text(log.path) as stream:
        _, header, _ = _preamble(log, stream)
    delimiter = max(";\t,", key=header.count)
    names = [name.strip().lower() for name in next(csv.reader([header], delimiter=delimiter))]
    known = {"ts", "saw", "spindle", "received", "signal", "value", "unit", "point", "stroke", *fields.CUT_FIELDS}
    return [name for name in names if name not in known]
