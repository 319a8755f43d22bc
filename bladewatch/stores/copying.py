"""Books from one database to another: what is missing there is copied, and both are held against each other by day.

It can be stopped and begun again: what is there already is left. What is kept for speed is made anew where it is needed
and not copied. Rejections get new numbers.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from typing import Any, Final, NamedTuple

from sqlalchemy import Connection, Table, delete, func, insert, select

from bladewatch.stores import tables
from collectors.instants import DAY_US, to_datetime

_BOOKS: Final[Sequence[tuple[Table, str, tuple[str, ...]]]] = (
    (tables.ledger, "at_us", ("id",)),
    (tables.blade_note, "ts_us", ("saw", "spindle", "ts_us", "event", "plate")),
    (tables.person_check, "ts_us", ("saw", "spindle", "ts_us", "what", "side")),
    (tables.rejection, "received_us", ("key",)),
    (tables.answer, "known_us", ("question", "known_us")),
    (tables.alert, "raised_us", ("key", "level")),
    (tables.deed, "at_us", ("at_us", "known_us", "what", "subject")),
    (tables.forecast, "at_us", ("saw", "spindle", "at_us")),
)
"""The tables of facts: the column of their day, and what a row is known by."""
_NUMBERED: Final = (tables.rejection, tables.deed)
"""Their first column is a number of the database's own."""


class Part(NamedTuple):
    """A table, or a measurement of a saw: how many were copied, how many are in both, and the days that differ."""

    name: str
    copied: int
    rows: int
    differ: tuple[str, ...]


def copy_books(source: Connection, target: Connection) -> Iterator[Part]:
    """Copy what the target lacks, table by table; the caller has a transaction open on it."""
    for table, day, identity in _BOOKS:
        known = {tuple(row) for row in target.execute(select(*(table.c[name] for name in identity)))}
        columns = [column for column in table.c if not (table in _NUMBERED and column.name == "id")]
        rows = source.execute(select(*columns).order_by(*table.primary_key.columns)).mappings()
        new = [dict(row) for row in rows if tuple(row[name] for name in identity) not in known]
        if new:
            target.execute(insert(table), new)
        here, there = (_days(connection, columns, day) for connection in (source, target))
        differ = tuple(sorted(day_text(number) for number in here if here[number] != there.get(number)))
        count = target.execute(select(func.count()).select_from(table)).scalar_one()
        yield Part(table.name, len(new), count, differ)
    _copy_file_names(source, target)
    for table in (tables.checkpoint, tables.kept_book):
        target.execute(delete(table))  # what was worked out without these rows


def _copy_file_names(source: Connection, target: Connection) -> None:
    """The names of imported files, by which rejections are listed."""
    names, is_file = tables.meta.c.name, tables.meta.c.name.startswith("file:")
    known = set(target.execute(select(names).where(is_file)).scalars())
    rows = source.execute(select(tables.meta).where(is_file)).mappings()
    new = [dict(row) for row in rows if row["name"] not in known]
    if new:
        target.execute(insert(tables.meta), new)


def _days(connection: Connection, columns: Sequence[Any], day: str) -> dict[int, str]:
    """A hash of each day's rows, whatever their order."""
    found: dict[int, list[str]] = {}
    for row in connection.execute(select(*columns)).mappings():
        found.setdefault(row[day] // DAY_US, []).append(repr(sorted(row.items())))
    return {number: hashlib.sha256("\n".join(sorted(rows)).encode()).hexdigest() for number, rows in found.items()}


def day_text(number: int) -> str:
    """A day by its number since 1970, as it is written."""
    return to_datetime(number * DAY_US).date().isoformat()
