"""Signals from one store to another, a saw and a day at a time: what is missing is copied, then both are compared.

It can be stopped and begun again. To a server go points, and sheets of the hours that have ended; to a file go facts,
which that decides upon as upon messages. Days are compared fact by fact, with all that each tells.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Final, NamedTuple, Protocol

from bladewatch.contact import POWER_SIGNALS
from bladewatch.stores.copying import Part, day_text
from bladewatch.stores.influx import Influx
from bladewatch.stores.lines import HOUR, READING, SHEET, STROKE, WAVEFORM, Point, points_of
from bladewatch.stores.points import Points
from bladewatch.stores.protocols import ALWAYS_US, Outcome, Signals, Spot, Store
from bladewatch.stores.sheets import Made, sheet_of, sheets_before
from collectors.facts import Sample, Stroke, Waveform
from collectors.instants import DAY_US, HOUR_US

BATCH: Final = 5000
DAY_H: Final = 24
Told = Stroke | Sample | Waveform


class Done(NamedTuple):
    """Of a part of a day: how many rows were copied, how many there are, whether both have the same."""

    copied: int
    rows: int
    same: bool


class Target(Protocol):
    """Where signals go."""

    measurements: Sequence[str]

    def take(self, measurement: str, spot: Spot, day: int, facts: Sequence[Told]) -> Done:
        """Take what is missing of a day, and look whether it is there; of readings, one series at a time."""
        ...


def copy_signals(source: Signals, target: Target, since_us: int | None, now_us: int) -> Iterator[Part]:
    """Copy what the target lacks; yields a part for each saw and measurement.

    Readings and waveforms before ``since_us`` are left: a server keeps none so old.
    """
    until_us = now_us + DAY_US
    for spot in source.spots():
        latest = source.latest(spot, until_us, ALWAYS_US)
        hours = {*source.stroke_hours(spot, 0, until_us // HOUR_US)}
        for signal in POWER_SIGNALS:
            hours |= {row.hour for row in source.idle_hours(spot, signal, 0, until_us // HOUR_US, ALWAYS_US)}
        days = {hour * HOUR_US // DAY_US for hour in hours}
        last = max((one.ts_us for one in latest.values()), default=0) // DAY_US
        first = min(days, default=last) if since_us is None else since_us // DAY_US
        for measurement in target.measurements:
            parts: list[tuple[int, Done]] = []
            for day, facts in _by_day(source, spot, sorted(latest), measurement, sorted(days), range(first, last + 1)):
                parts.append((day, target.take(measurement, spot, day, facts)))
                days |= {day} if facts else set()
            name = f"{measurement}s of saw {spot[0]} spindle {spot[1]}"
            copied, rows = (sum(done[place] for _, done in parts) for place in (0, 1))
            differ = sorted({day for day, done in parts if not done.same})
            yield Part(name, copied, rows, tuple(map(day_text, differ)))


def _by_day(
    source: Signals,
    spot: Spot,
    series: Sequence[tuple[str, str]],
    measurement: str,
    busy: Sequence[int],
    read: range,
) -> Iterator[tuple[int, list[Told]]]:
    """What a spindle told, day by day: on busy days, or those of readings; of sheets, made of all that, the days."""
    if measurement == SHEET:
        yield from ((day, []) for day in busy)
    elif measurement == STROKE:
        for day in busy:
            yield day, list(source.strokes(spot, *_span(day)))
    elif measurement == READING:
        for day in read:
            for signal, point in series:
                rows = source.readings(spot, signal, point, *_span(day))
                if rows:
                    yield day, [Sample(*spot, signal, point, one.ts_us, one.value, one.known_us) for one in rows]
    else:
        waves = (wave for wave in source.waveforms(spot) if wave.ts_us // DAY_US >= read.start)
        for day, together in groupby(waves, lambda wave: wave.ts_us // DAY_US):
            yield day, list(together)


def _span(day: int) -> tuple[int, int, int]:
    return day * DAY_US - 1, (day + 1) * DAY_US - 1, ALWAYS_US


class ToServer:
    """To a server. ``by`` is whose the sheets are: the collector whose file is copied."""

    measurements: Sequence[str] = (STROKE, READING, WAVEFORM, SHEET)

    def __init__(self, server: Influx, source: Signals, by: str, now_us: int) -> None:
        self._server = server
        self._points = Points(server)
        self._source = source
        self._by = by
        self._now_us = now_us
        self._series: tuple[Spot, list[tuple[str, str]]] = ("", ""), []

    def take(self, measurement: str, spot: Spot, day: int, facts: Sequence[Told]) -> Done:
        """Write the points that are missing, and look whether all is there; what is there is left."""
        if measurement == SHEET:
            return self._take_sheets(spot, day)
        there = self._there(measurement, spot, day, facts)
        known = {_identity(one) for one in there}
        missing = [one for one in facts if _identity(one) not in known]
        if missing:
            self._write(measurement, points_of(missing))
            there = self._there(measurement, spot, day, facts)
        return Done(len(missing), len(there), set(there) == set(facts))

    def _there(self, measurement: str, spot: Spot, day: int, facts: Sequence[Told]) -> list[Told]:
        """What the server holds of a day; of readings the series of these facts."""
        first = day * DAY_H
        if measurement == STROKE:
            return [*self._points.strokes(spot, first, first + DAY_H - 1)]
        if measurement == WAVEFORM:
            return [*self._points.waveforms(spot, first, first + DAY_H - 1)]
        (series,) = {(one.signal, one.point) for one in facts if isinstance(one, Sample)}
        rows = self._points.readings(spot, series, first, first + DAY_H - 1)
        return [Sample(*spot, *series, one.ts_us, one.value, one.known_us) for one in rows]

    def _write(self, measurement: str, points: Sequence[Point]) -> None:
        for place in range(0, len(points), BATCH):
            lines = "\n".join(point.line for point in points[place : place + BATCH])
            self._server.write(measurement, lines.encode())

    def _take_sheets(self, spot: Spot, day: int) -> Done:
        """A sheet's place says what it holds, so it is enough to look for that."""
        if self._series[0] != spot:
            self._series = spot, sorted(self._source.latest(spot, self._now_us + DAY_US, ALWAYS_US))
        first = day * DAY_H
        hours = range(first, min(first + DAY_H, sheets_before(self._now_us)))
        found = (sheet_of(self._source, spot, hour, self._series[1], self._by, self._now_us) for hour in hours)
        sheets = [made for made in found if made is not None]
        missing = self._missing(sheets)
        self._write(SHEET, [made.sheet for made in missing])
        self._write(HOUR, [made.totals for made in missing])
        return Done(len(missing), len(sheets), not missing or not self._missing(sheets))

    def _missing(self, sheets: Sequence[Made]) -> list[Made]:
        """The hours of whose sheets the server does not hold this one."""
        if not sheets:
            return []
        times, series = [made.sheet.time_ns for made in sheets], sheets[0].sheet.series
        held = self._server.held(SHEET, min(times), max(times), series.saw).get(series, set())
        return [made for made in sheets if made.sheet.time_ns not in held]


class ToFile:
    """To a collector's file."""

    measurements: Sequence[str] = (STROKE, READING, WAVEFORM)

    def __init__(self, store: Store) -> None:
        self._store = store

    def take(self, measurement: str, spot: Spot, day: int, facts: Sequence[Told]) -> Done:
        """Store what is new, in a transaction of its own, and read the day back."""
        signals = self._store.signals
        with self._store.transaction():
            outcome = Outcome()
            outcome.add(signals.append_strokes([one for one in facts if isinstance(one, Stroke)]))
            outcome.add(signals.append_samples([one for one in facts if isinstance(one, Sample)]))
            outcome.add(signals.append_waveforms([one for one in facts if isinstance(one, Waveform)]))
            for touched, ts_us in outcome.touched.items():
                self._store.books.drop_checkpoints(touched, ts_us)
        if measurement == WAVEFORM:
            return Done(outcome.taken, len(facts), not outcome.conflicts)
        there: set[Told] = set()
        if measurement == STROKE:
            there.update(signals.strokes(spot, *_span(day)))
        for signal, point in {(one.signal, one.point) for one in facts if isinstance(one, Sample)}:
            rows = signals.readings(spot, signal, point, *_span(day))
            there.update(Sample(*spot, signal, point, one.ts_us, one.value, one.known_us) for one in rows)
        return Done(outcome.taken, len(there), there == set(facts))


def _identity(fact: Told) -> tuple[int, int | str]:
    """What a fact is known by within its measurement, spindle and series."""
    if isinstance(fact, Stroke):
        return fact.ts_us, fact.stroke
    return fact.ts_us, fact.point
