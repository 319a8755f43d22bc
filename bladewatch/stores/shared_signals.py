"""``Signals`` read from an InfluxDB: for a desk whose collectors are elsewhere. Nothing is written from here.

The server filters and sums; rows come for the span that is asked. Roll-ups by hour are worked out from the strokes of
their hours and remembered while this is open, each under a sum of what it rests on: an hour that got another stroke is
worked out again. What waits in a collector's spool is known to nobody here.
"""

from __future__ import annotations

import csv
from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final, NoReturn, get_args, get_type_hints

from bladewatch.contact import POWER_SIGNALS
from bladewatch.errors import UsageError
from bladewatch.stores.blocks import Reading
from bladewatch.stores.hours import HourFold
from bladewatch.stores.idle import Occupied, outside_hour
from bladewatch.stores.influx import Influx, nanoseconds
from bladewatch.stores.lines import READING, STROKE, US_NS
from bladewatch.stores.protocols import CounterHour, Idle, OrderSum, Outcome, Spot, WorkHour
from collectors.facts import STROKE_CONTENT, Sample, Stroke, Waveform
from collectors.instants import DAY_US, HOUR_US

ALWAYS_US: Final = 2**62
EARLIEST_US: Final = 0
LATEST_US: Final = 9_000_000_000_000_000
"""The server's last nanosecond is in 2262."""
BACK_US: Final = (HOUR_US, DAY_US, 30 * DAY_US, 400 * DAY_US)
"""How far back the last of something is looked for, before all is."""
_HINTS: Final = get_type_hints(Stroke)
_READ: Final[dict[str, Callable[[str], Any]]] = {
    "stroke": int, "known_us": int, **{name: get_args(_HINTS[name])[0] for name in ("seq", *STROKE_CONTENT)},
}  # fmt: skip


class SharedSignals:
    """``Signals`` of a server."""

    def __init__(self, server: Influx) -> None:
        self._server = server
        self._hours: dict[tuple[Spot, int], tuple[int, list[WorkHour], CounterHour | None]] = {}

    # Writing is the collectors'

    def append_samples(self, samples: Sequence[Sample]) -> Outcome:
        """Nothing; raises ``UsageError``."""
        return self._append(samples)

    def append_strokes(self, strokes: Sequence[Stroke]) -> Outcome:
        """Nothing; raises ``UsageError``."""
        return self._append(strokes)

    def append_waveforms(self, waveforms: Sequence[Waveform]) -> Outcome:
        """Nothing; raises ``UsageError``."""
        return self._append(waveforms)

    def _append(self, facts: Sequence[object]) -> Outcome:
        return self._refuse() if facts else Outcome()

    def _refuse(self) -> NoReturn:
        raise UsageError(
            "[store] url: signals are written by collectors, to a file that is forwarded; here they are only read"
        )

    # Strokes

    def strokes(self, spot: Spot, after_us: int, until_us: int, known_us: int) -> Iterator[Stroke]:
        """Strokes with ``after_us`` < ts ≤ ``until_us`` known by ``known_us``, in order."""
        flux = '|> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")'
        found = []
        for cells in self._rows(STROKE, spot, after_us, until_us, flux):
            told = {name: read(cells[name]) for name, read in _READ.items() if cells.get(name)}
            if told["known_us"] <= known_us:
                found.append(Stroke(*spot, _us(cells["_time"]), **told))
        found.sort(key=lambda one: (one.ts_us, one.stroke))
        return iter(found)

    def strokes_before(self, spot: Spot, until_us: int, known_us: int, count: int) -> list[Stroke]:
        """The last strokes with ts ≤ ``until_us``, in order."""
        found: list[Stroke] = []
        for after_us in _ever_wider(until_us):
            found = list(self.strokes(spot, after_us, until_us, known_us))
            if len(found) >= count:
                break
        return found[-count:] if count else []

    def count(self, spot: Spot, after_us: int, until_us: int, known_us: int) -> int:
        """How many strokes have a message with ``after_us`` < ts ≤ ``until_us``."""
        flux = '|> filter(fn: (r) => r._field == "known_us" and r._value <= known) |> count()'
        rows = self._rows(STROKE, spot, after_us, until_us, flux, {"known": _bounded(known_us)})
        return sum(int(cells["_value"]) for cells in rows)

    def stroke_hours(self, spot: Spot, first: int, last: int) -> list[int]:
        """The hours that hold strokes."""
        return sorted(self._sums(spot, first, last))

    def _sums(self, spot: Spot, first: int, last: int) -> dict[int, int]:
        """When the strokes of each hour that holds any became known, added up by the server: it changes with them."""
        flux = (
            '|> filter(fn: (r) => r._field == "known_us") '
            '|> aggregateWindow(every: 1h, fn: sum, createEmpty: false, timeSrc: "_start")'
        )
        rows = self._rows(STROKE, spot, first * HOUR_US - 1, (last + 1) * HOUR_US - 1, flux)
        return {_us(cells["_time"]) // HOUR_US: int(cells["_value"]) for cells in rows}

    def work_hours(self, spot: Spot, first: int, last: int) -> dict[int, list[WorkHour]]:
        """Roll-ups by hour."""
        return {hour: works for hour, (_, works, _) in self._rolled(spot, first, last).items() if works}

    def counter_hours(self, spot: Spot, first: int, last: int) -> list[CounterHour]:
        """Counters by hour, in order."""
        rolled = self._rolled(spot, first, last)
        return [counter for _, (_, _, counter) in sorted(rolled.items()) if counter is not None]

    def _rolled(self, spot: Spot, first: int, last: int) -> dict[int, tuple[int, list[WorkHour], CounterHour | None]]:
        """The hours that hold strokes, worked out where they are not remembered, or hold more since."""
        sums = self._sums(spot, first, last)
        lacking = sorted(hour for hour, n in sums.items() if self._hours.get((spot, hour), (None, [], None))[0] != n)
        for start, end in _stretches(lacking):
            folds: dict[int, HourFold] = {}
            for stroke in self.strokes(spot, start * HOUR_US - 1, (end + 1) * HOUR_US - 1, ALWAYS_US):
                hour = stroke.ts_us // HOUR_US
                if hour not in folds:
                    folds[hour] = HourFold(hour)
                folds[hour].add(stroke)
            for hour, fold in folds.items():
                self._hours[spot, hour] = sums.get(hour, 0), fold.work_rows(), fold.counter_row()
        return {hour: self._hours[spot, hour] for hour in sums if (spot, hour) in self._hours}

    def strokes_made(self, spot: Spot, first: int, last: int, known_us: int) -> int:
        """Strokes through metal, as ``StrokeTable`` counts them."""
        total = 0
        for hour, (_, works, counter) in self._rolled(spot, first, last).items():
            if counter is not None and counter.known_us <= known_us:
                total += sum(row.strokes + row.filled for row in works if '"air"' not in row.work)
            else:
                rows = self.strokes(spot, hour * HOUR_US - 1, (hour + 1) * HOUR_US - 1, known_us)
                total += sum(row.kind != "air" for row in rows)
        return total

    def order_sums(
        self, spot: Spot, after_us: int, until_us: int, known_us: int, rated_rpm: float | None
    ) -> list[OrderSum]:
        """Strokes by order, part, alloy and kind."""
        groups: dict[tuple[str | None, ...], list[Stroke]] = {}
        for one in self.strokes(spot, after_us, until_us, known_us):
            groups.setdefault((one.order, one.part, one.alloy, one.kind), []).append(one)
        ordered = sorted(groups.items(), key=lambda pair: [(name is not None, name or "") for name in pair[0]])
        return [OrderSum._make((*key, *_sums(rows, rated_rpm))) for key, rows in ordered]

    # Readings

    def readings(
        self, spot: Spot, signal: str, point: str, after_us: int, until_us: int, known_us: int
    ) -> list[Reading]:
        """Readings with ``after_us`` < ts ≤ ``until_us``."""
        flux = (
            "|> filter(fn: (r) => r.signal == signal) "
            f"|> filter(fn: (r) => {'not exists r.point' if not point else 'r.point == point'}) "
            '|> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")'
        )
        values = {"signal": signal} | ({"point": point} if point else {})
        rows = self._rows(READING, spot, after_us, until_us, flux, values)
        found = [Reading(_us(cells["_time"]), float(cells["value"]), int(cells["known_us"])) for cells in rows]
        return sorted(one for one in found if one.known_us <= known_us)

    def latest(self, spot: Spot, until_us: int, known_us: int) -> dict[tuple[str, str], Reading]:
        """The last reading of each signal and point."""
        flux = '|> filter(fn: (r) => r._field == "known_us") |> last()'
        found = {}
        for cells in self._rows(READING, spot, EARLIEST_US - 1, until_us, flux):
            signal, point = cells["signal"], cells.get("point") or ""
            last_us = _us(cells["_time"])
            for after_us in (last_us - 1, *_ever_wider(last_us)):
                known = self.readings(spot, signal, point, after_us, until_us, known_us)
                if known:
                    found[signal, point] = known[-1]
                    break
        return found

    def summarised_to(self, spot: Spot, until_us: int) -> int | None:  # noqa: ARG002 (none here)
        """None: there are no summaries here, readings that went are gone."""
        return None

    def idle_hours(self, spot: Spot, signal: str, first: int, last: int, known_us: int) -> list[Idle]:
        """Power outside strokes of the hours that hold readings."""
        if signal not in POWER_SIGNALS:
            return []
        after_us, until_us = first * HOUR_US - 1, (last + 1) * HOUR_US - 1
        hours: dict[int, list[Reading]] = {}
        for one in self.readings(spot, signal, "", after_us, until_us, ALWAYS_US):
            hours.setdefault(one.ts_us // HOUR_US, []).append(one)
        if not hours:
            return []
        begin, end = min(hours) * HOUR_US, (max(hours) + 2) * HOUR_US
        strokes = [*self.strokes_before(spot, begin - 1, known_us, 1), *self.strokes(spot, begin - 1, end, known_us)]
        ended = [one for one in strokes if one.ts_us <= known_us]
        times = [one.ts_us for one in ended]
        found = []
        for hour, rows in sorted(hours.items()):
            first_place = max(bisect_left(times, hour * HOUR_US) - 1, 0)
            last_place = bisect_left(times, (hour + 1) * HOUR_US)
            if last_place < len(times) and times[last_place] <= (hour + 2) * HOUR_US:
                last_place += 1  # the next stroke may have begun in this hour
            known = [one for one in rows if one.known_us <= known_us]
            found.append(outside_hour(hour, known, Occupied(ended[first_place:last_place])))
        return found

    # The rest

    def spots(self) -> list[Spot]:
        """Every spindle of which anything is stored."""
        flux = '|> filter(fn: (r) => r._field == "known_us") |> last() |> keep(columns: ["saw", "spindle", "_time"])'
        found = {
            (cells["saw"], cells["spindle"])
            for measurement in (STROKE, READING)
            for cells in self._rows(measurement, None, EARLIEST_US - 1, LATEST_US, flux)
        }
        return sorted(found)

    def waveforms(self, spot: Spot) -> Iterator[Waveform]:  # noqa: ARG002 (none here)
        """None: waveforms stay in the files of the collectors."""
        return iter(())

    def _rows(
        self,
        measurement: str,
        spot: Spot | None,
        after_us: int,
        until_us: int,
        then: str,
        values: dict[str, Any] | None = None,
    ) -> Iterator[dict[str, str]]:
        """The rows of a query over a span of a spindle, or of all."""
        first_us, last_us = max(after_us + 1, EARLIEST_US), min(until_us, LATEST_US)
        if first_us > last_us:
            return
        bucket = self._server.address.bucket_of(measurement)
        flux = (
            "from(bucket: bucket) |> range(start: time(v: begin), stop: time(v: finish)) "
            "|> filter(fn: (r) => r._measurement == measurement) "
        )
        bound: dict[str, Any] = {
            "bucket": bucket, "measurement": measurement, "begin": first_us * US_NS, "finish": (last_us + 1) * US_NS,
        }  # fmt: skip
        if spot is not None:
            flux += "|> filter(fn: (r) => r.saw == saw and r.spindle == spindle) "
            bound |= {"saw": spot[0], "spindle": spot[1]}
        for head, rows in self._server.tables(flux + then, bound | (values or {}), bucket):
            for row in csv.reader(rows):
                yield dict(zip(head, row, strict=True))


def _us(text: str) -> int:

    return nanoseconds(text) // US_NS


def _bounded(us: int) -> int:
    return min(us, LATEST_US)


def _ever_wider(until_us: int) -> Iterator[int]:
    """From when to look back from an instant: an hour, a day, …, all."""
    bounded = min(until_us, LATEST_US)
    yield from (bounded - back_us for back_us in BACK_US)
    yield EARLIEST_US - 1


def _stretches(hours: Sequence[int]) -> Iterator[tuple[int, int]]:
    """Hours in a row, at most a week's of them together."""
    start = end = None
    for hour in hours:
        if end is not None and start is not None and hour - end <= 12 and hour - start < 168:
            end = hour
            continue
        if start is not None and end is not None:
            yield start, end
        start = end = hour
    if start is not None and end is not None:
        yield start, end


def _sums(rows: Sequence[Stroke], rated_rpm: float | None) -> tuple[int | float, ...]:
    """The sums of ``OrderSum``, as SQL makes them."""
    with_area = [row for row in rows if row.area_cmm2 is not None]
    lengths = [row for row in rows if row.length_mm is not None]
    turns = []
    for row in rows:
        rpm = row.spindle_rpm if row.spindle_rpm is not None else rated_rpm
        if row.feed_mm_s is not None and row.feed_mm_s > 0 and rpm is not None:
            turns.append((rpm / row.feed_mm_s, row.area_cmm2))
    return (
        len(rows),
        len(with_area),
        sum(row.area_cmm2 or 0 for row in with_area),
        len(lengths),
        sum((row.length_mm or 0.0) for row in lengths if row.area_cmm2 is None),
        sum((row.length_mm or 0.0) * row.area_cmm2 for row in lengths if row.area_cmm2 is not None),
        sum(row.feed_mm_s is not None and row.feed_mm_s > 0 for row in rows),
        sum(turn for turn, area in turns if area is None),
        sum(turn * area for turn, area in turns if area is not None),
    )
