"""A shop from one store to another: what is missing there is copied, and both are held against each other day by day.

It can be stopped and begun again: what is there already is left. Books go between SQLite and PostgreSQL, signals from a
file to an InfluxDB. What is kept for speed is made anew where it is needed and not copied. Rejections get new numbers.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from typing import Any, Final, NamedTuple

from sqlalchemy import Connection, Table, delete, func, insert, select

from bladewatch.contact import POWER_SIGNALS
from bladewatch.stores import tables
from bladewatch.stores.lines import HOUR, READING, STROKE, Point, points_of
from bladewatch.stores.protocols import ALWAYS_US, Server, Signals, Spot
from bladewatch.stores.sheets import sheet_of, sheets_before
from collectors.facts import Sample, Stroke
from collectors.instants import DAY_US, HOUR_US, to_datetime

BATCH: Final = 5000

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
        differ = tuple(sorted(_day(number) for number in here if here[number] != there.get(number)))
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


def copy_signals(source: Signals, target: Server, since_us: int, now_us: int, by: str) -> Iterator[Part]:
    """Copy the strokes and readings that the server lacks, a saw and a day at a time, and the sheets of their hours.

    Readings before ``since_us`` are left: the server keeps none so old, and sheets tell what stays of them. ``by`` is
    the collector whose file this is. Yields a part for each saw and measurement.
    """
    until_us = now_us + DAY_US
    for spot in source.spots():
        series = sorted(source.latest(spot, until_us, ALWAYS_US))
        hours = {*source.stroke_hours(spot, 0, until_us // HOUR_US)}
        for signal in POWER_SIGNALS:
            hours |= {row.hour for row in source.idle_hours(spot, signal, 0, until_us // HOUR_US, ALWAYS_US)}
        days = {hour * HOUR_US // DAY_US for hour in hours}
        read = range(since_us // DAY_US, until_us // DAY_US + 1)
        for measurement in (STROKE, READING, HOUR):
            copied = rows = 0
            differ = []
            for number in read if measurement == READING else sorted(days):
                if measurement == HOUR:
                    points = list(_sheets(source, spot, series, number, by, now_us))
                else:
                    points = points_of(_facts(source, spot, measurement, series, number))
                    days |= {number} if points else set()
                missing = _missing(target, points)
                for place in range(0, len(missing), BATCH):
                    lines = "\n".join(point.line for point in missing[place : place + BATCH])
                    target.write(measurement, lines.encode())
                if missing and _missing(target, points):
                    differ.append(_day(number))
                copied += len(missing)
                rows += len(points)
            name = f"{measurement}s of saw {spot[0]} spindle {spot[1]}"
            yield Part(name, copied, rows, tuple(differ))


def _sheets(
    source: Signals, spot: Spot, series: Sequence[tuple[str, str]], day: int, by: str, now_us: int
) -> Iterator[Point]:
    """The sheets of a day's hours that have ended."""
    first = day * DAY_US // HOUR_US
    for hour in range(first, min(first + 24, sheets_before(now_us))):
        sheet = sheet_of(source, spot, hour, series, by, now_us)
        if sheet is not None:
            yield sheet


def _facts(
    source: Signals, spot: Spot, measurement: str, series: Sequence[tuple[str, str]], day: int
) -> Iterator[Stroke | Sample]:
    """What a spindle told on a day: its strokes, or the readings of its series."""
    span = day * DAY_US - 1, (day + 1) * DAY_US - 1, ALWAYS_US
    if measurement == STROKE:
        yield from source.strokes(spot, *span)
        return
    for signal, point in series:
        for one in source.readings(spot, signal, point, *span):
            yield Sample(*spot, signal, point, one.ts_us, one.value, one.known_us)


def _missing(target: Server, points: Sequence[Point]) -> list[Point]:
    """The points that the server does not hold."""
    if not points:
        return []
    times = [point.time_ns for point in points]
    first = points[0].series
    held = target.held(first.measurement, min(times), max(times), first.saw)
    return [point for point in points if point.time_ns not in held.get(point.series, ())]


def _day(number: int) -> str:
    return to_datetime(number * DAY_US).date().isoformat()
