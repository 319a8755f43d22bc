"""A queue of jobs that somebody gave: a table of saw, part and strokes, in the order in which they come."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from bladewatch.config.tables import Config
from bladewatch.errors import UsageError
from bladewatch.strokes import describe
from bladewatch.units import m2_of
from models.jobs import Job

COLUMNS: Final = ("saw", "part", "strokes")
Queue = Mapping[str, Sequence[Job]]
"""The coming jobs of each saw."""


def read_queue(path: Path, config: Config, at_us: int) -> Queue:
    """The queue in a CSV file. Raises ``UsageError`` with every line that cannot be, what was found and expected."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"--queue {path}: cannot be read as text: {error}") from error
    lines = text.splitlines()
    head = lines[0] if lines else ""
    rows = csv.DictReader(lines, delimiter=";" if head.count(";") > head.count(",") else ",")
    if rows.fieldnames is None or [name.strip().lower() for name in rows.fieldnames] != list(COLUMNS):
        raise UsageError(f"--queue {path}: line 1: found {head!r}, expected the columns {','.join(COLUMNS)}")
    rows.fieldnames = list(COLUMNS)
    found: dict[str, list[Job]] = {}
    mistakes = []
    for row in rows:
        job = _job(row, config, at_us)
        if isinstance(job, str):
            mistakes.append(f"--queue {path}: line {rows.line_num}: {job}")
        else:
            found.setdefault(config.saw_of(row["saw"].strip(), at_us), []).append(job)
    if mistakes:
        raise UsageError("\n".join(mistakes))
    return found


def _job(row: Mapping[str, str | None], config: Config, at_us: int) -> Job | str:
    """The job of a line, or what is wrong with it."""
    saw, part, strokes = ((row.get(name) or "").strip() for name in COLUMNS)
    if config.saw_of(saw, at_us) not in config.saws:
        return f"saw: found {saw!r}, expected one of {', '.join(config.saws)}"
    if not strokes.isdigit() or int(strokes) < 1:
        return f"strokes: found {strokes!r}, expected a whole number from 1 on"
    known = config.parts.ever(part, at_us)
    if known is None:
        return f"part: found {part!r}, expected one of the part table; add it there with its area and alloy"
    alloy, area_cmm2 = describe(config, at_us, part, None, None, None, None)
    if area_cmm2 is None:
        return f"part {part}: its area is not in the part table; add area_mm2 there"
    return Job(alloy, int(strokes), int(strokes) * m2_of(area_cmm2))
