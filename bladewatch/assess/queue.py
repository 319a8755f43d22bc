"""A queue of jobs that somebody gave: a table of saw, part and strokes, in the order in which they come."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final

from bladewatch.config.tables import Config
from bladewatch.errors import UnreachableError, UsageError
from bladewatch.strokes import describe
from bladewatch.units import m2_of
from models.jobs import Job

COLUMNS: Final = ("saw", "part", "strokes")
MOST_STROKES: Final = 9_999_999
MOST_TOLD: Final = 20
"""Mistakes that are shown one by one."""
Queue = Mapping[str, Sequence[Job]]
"""The coming jobs of each saw."""


def read_queue(path: Path, config: Config, at_us: int) -> Queue:
    """The queue in a CSV file. Raises ``UsageError`` with every line that cannot be, what was found and expected."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise UnreachableError(f"--queue {path}: {error.strerror}: give a CSV file with {','.join(COLUMNS)}") from error
    except UnicodeDecodeError as error:
        raise UsageError(f"--queue {path}: is no text in UTF-8; save the table as CSV in UTF-8") from error
    lines = text.splitlines()
    head = lines[0] if lines else ""
    rows = csv.DictReader(lines, delimiter=";" if head.count(";") > head.count(",") else ",")
    if rows.fieldnames is None or [name.strip().lower() for name in rows.fieldnames] != list(COLUMNS):
        raise UsageError(f"--queue {path}: line 1: found {head!r}, expected the columns {','.join(COLUMNS)}")
    rows.fieldnames = list(COLUMNS)
    found: dict[str, list[Job]] = {}
    mistakes = []
    for row in _read(rows, path):
        job = _job(row, config, at_us)
        if isinstance(job, str):
            mistakes.append(f"--queue {path}: line {rows.line_num}: {job}")
        else:
            found.setdefault(config.saw_of(row["saw"].strip(), at_us), []).append(job)
    if mistakes:
        more = [f"and {len(mistakes) - MOST_TOLD} lines more"] if len(mistakes) > MOST_TOLD else []
        raise UsageError("\n".join([*mistakes[:MOST_TOLD], *more]))
    if not found:
        raise UsageError(f"--queue {path}: found no job, expected a line for each: {','.join(COLUMNS)}")
    return found


def _read(rows: csv.DictReader[str], path: Path) -> Iterator[dict[str, str]]:
    try:
        yield from (row for row in rows if any(isinstance(value, str) and value.strip() for value in row.values()))
    except csv.Error as error:
        raise UsageError(f"--queue {path}: line {rows.line_num}: {error}") from error


def _job(row: Mapping[str, str | None], config: Config, at_us: int) -> Job | str:
    """The job of a line, or what is wrong with it."""
    saw, part, strokes = ((row.get(name) or "").strip() for name in COLUMNS)
    if config.saw_of(saw, at_us) not in config.saws:
        return f"saw: found {saw!r}, expected one of {', '.join(config.saws)}"
    if not re.fullmatch("[0-9]{1,7}", strokes) or int(strokes) < 1:
        return f"strokes: found {strokes[:40]!r}, expected a whole number from 1 to {MOST_STROKES}"
    known = config.parts.ever(part, at_us)
    if known is None:
        return f"part: found {part!r}, expected one of the part table; add it there with its area and alloy"
    alloy, area_cmm2 = describe(config, at_us, part, None, None, None, None)
    if area_cmm2 is None:
        return f"part {part}: its area is not in the part table; add area_mm2 there"
    return Job(alloy, int(strokes), int(strokes) * m2_of(area_cmm2))
