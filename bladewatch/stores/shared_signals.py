"""``Signals`` read from an InfluxDB: for a desk whose collectors are elsewhere. Nothing is written from here.

Strokes are read a week of a spindle at a time, readings a week of a series or, where they are many, a day, and
remembered while this is open: a question asks for many small spans, and each request has its price. At the first
question of every span of reading the server adds up when the points of each week became known; what has another sum
than it had is read again. Roll-ups by hour are worked out from the strokes of their week. What waits in a collector's
spool is known to nobody here.
"""

from __future__ import annotations

import csv
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final, NamedTuple, NoReturn, get_args, get_type_hints

from bladewatch.contact import POWER_SIGNALS
from bladewatch.errors import UsageError
from bladewatch.stores.blocks import Reading
from bladewatch.stores.hours import HourFold
from bladewatch.stores.idle import Occupied, outside_hour
from bladewatch.stores.influx import Influx, nanoseconds
from bladewatch.stores.lines import READING, STROKE, US_NS
from bladewatch.stores.protocols import ALWAYS_US, CounterHour, Idle, OrderSum, Outcome, Spot, WorkHour
from collectors.facts import STROKE_CONTENT, Sample, Stroke, Waveform
from collectors.instants import DAY_US, HOUR_US

EARLIEST_US: Final = 0
LATEST_US: Final = 9_000_000_000_000_000
"""The server's last nanosecond is in 2262."""
WEEK_US: Final = 7 * DAY_US
MOST_OF_A_WEEK: Final = 50_000
"""A week of more readings is read day by day."""
_HINTS: Final = get_type_hints(Stroke)
_READ: Final[dict[str, Callable[[str], Any]]] = {
    "stroke": int, "known_us": int, **{name: get_args(_HINTS[name])[0] for name in ("seq", *STROKE_CONTENT)},
}  # fmt: skip


class _Week(NamedTuple):
    """A week of a spindle: its strokes in order, their instants, and its roll-ups by hour."""

    strokes: list[Stroke]
    times: list[int]
    hours: dict[int, tuple[list[WorkHour], CounterHour | None]]


class _Block(NamedTuple):
    """A span in which a series is read, and the sum of its week."""

    from_us: int
    to_us: int
    total: int


class SharedSignals:
    """``Signals`` of a server."""

    def __init__(self, server: Influx) -> None:
        self._server = server
        self._weeks: dict[tuple[Spot, int], tuple[int, _Week]] = {}
        self._stroke_sums: dict[Spot, dict[int, int]] = {}
        self._read: dict[tuple[Spot, tuple[str, str], int], tuple[_Block, list[Reading]]] = {}
        self._reading_sums: dict[Spot, dict[tuple[str, str], dict[int, tuple[int, int]]]] = {}

    def look_again(self) -> None:
        """A new span of reading begins: what is remembered is used where the server still has the same."""
        self._stroke_sums.clear()
        self._reading_sums.clear()

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
        for number in self._week_numbers(spot, after_us, until_us):
            week = self._week(spot, number)
            span = slice(bisect_right(week.times, after_us), bisect_right(week.times, until_us))
            yield from (one for one in week.strokes[span] if one.known_us <= known_us)

    def strokes_before(self, spot: Spot, until_us: int, known_us: int, count: int) -> list[Stroke]:
        """The last strokes with ts ≤ ``until_us``, in order."""
        found: list[Stroke] = []
        for number in reversed(self._week_numbers(spot, EARLIEST_US - 1, until_us)):
            if len(found) >= count:
                break
            week = self._week(spot, number)
            for one in reversed(week.strokes[: bisect_right(week.times, until_us)]):
                if len(found) >= count:
                    break
                if one.known_us <= known_us:
                    found.append(one)
        return found[::-1]

    def count(self, spot: Spot, after_us: int, until_us: int, known_us: int) -> int:
        """How many strokes have a message with ``after_us`` < ts ≤ ``until_us``."""
        return sum(1 for _ in self.strokes(spot, after_us, until_us, known_us))

    def stroke_hours(self, spot: Spot, first: int, last: int) -> list[int]:
        """The hours that hold strokes."""
        return sorted(self._rolled(spot, first, last))

    def work_hours(self, spot: Spot, first: int, last: int) -> dict[int, list[WorkHour]]:
        """Roll-ups by hour."""
        return {hour: works for hour, (works, _) in self._rolled(spot, first, last).items() if works}

    def counter_hours(self, spot: Spot, first: int, last: int) -> list[CounterHour]:
        """Counters by hour, in order."""
        rolled = self._rolled(spot, first, last)
        return [counter for _, (_, counter) in sorted(rolled.items()) if counter is not None]

    def _rolled(self, spot: Spot, first: int, last: int) -> dict[int, tuple[list[WorkHour], CounterHour | None]]:
        """The roll-ups of the hours that hold strokes."""
        numbers = self._week_numbers(spot, first * HOUR_US - 1, (last + 1) * HOUR_US - 1)
        weeks = (self._week(spot, number) for number in numbers)
        return {hour: told for week in weeks for hour, told in week.hours.items() if first <= hour <= last}

    def _week_numbers(self, spot: Spot, after_us: int, until_us: int) -> list[int]:
        """The weeks that hold strokes of a span, in order."""
        first, last = (after_us + 1) // WEEK_US, until_us // WEEK_US
        return sorted(number for number in self._sums_of_strokes(spot) if first <= number <= last)

    def _sums_of_strokes(self, spot: Spot) -> dict[int, int]:
        """When the strokes of each week became known, added up by the server: it changes with them."""
        if spot not in self._stroke_sums:
            flux = (
                '|> filter(fn: (r) => r._field == "known_us") '
                '|> aggregateWindow(every: 7d, fn: sum, createEmpty: false, timeSrc: "_start")'
            )
            rows = self._rows(STROKE, spot, EARLIEST_US - 1, LATEST_US, flux)
            self._stroke_sums[spot] = {_us(cells["_time"]) // WEEK_US: int(cells["_value"]) for cells in rows}
        return self._stroke_sums[spot]

    def _week(self, spot: Spot, number: int) -> _Week:
        """A week, remembered while the server has the same."""
        total = self._sums_of_strokes(spot)[number]
        kept = self._weeks.get((spot, number))
        if kept is None or kept[0] != total:
            kept = self._weeks[spot, number] = total, self._read_week(spot, number)
        return kept[1]

    def _read_week(self, spot: Spot, number: int) -> _Week:
        flux = '|> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")'
        span = number * WEEK_US - 1, (number + 1) * WEEK_US - 1
        strokes = []
        for cells in self._rows(STROKE, spot, *span, flux):
            told = {name: read(text) for name, text in cells.items() if text and (read := _READ.get(name)) is not None}
            strokes.append(Stroke(*spot, _us(cells["_time"]), **told))
        strokes.sort(key=lambda one: (one.ts_us, one.stroke))
        folds: dict[int, HourFold] = {}
        for one in strokes:
            hour = one.ts_us // HOUR_US
            if hour not in folds:
                folds[hour] = HourFold(hour)
            folds[hour].add(one)
        rolled = {hour: (fold.work_rows(), fold.counter_row()) for hour, fold in folds.items()}
        return _Week(strokes, [one.ts_us for one in strokes], rolled)

    def strokes_made(self, spot: Spot, first: int, last: int, known_us: int) -> int:
        """Strokes through metal, as ``StrokeTable`` counts them."""
        total = 0
        for hour, (works, counter) in self._rolled(spot, first, last).items():
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
        found: list[Reading] = []
        for block in self._blocks(spot, (signal, point)):
            if block.from_us <= until_us and block.to_us > after_us + 1:
                rows = self._read_block(spot, (signal, point), block)
                found.extend(one for one in rows if after_us < one.ts_us <= until_us and one.known_us <= known_us)
        return found

    def latest(self, spot: Spot, until_us: int, known_us: int) -> dict[tuple[str, str], Reading]:
        """The last reading of each signal and point."""
        found: dict[tuple[str, str], Reading] = {}
        for series in self._told_by(spot):
            for block in reversed(self._blocks(spot, series)):
                rows = self._read_block(spot, series, block) if block.from_us <= until_us else []
                known = [one for one in rows if one.ts_us <= until_us and one.known_us <= known_us]
                if known:
                    found[series] = known[-1]
                    break
        return found

    def _blocks(self, spot: Spot, series: tuple[str, str]) -> list[_Block]:
        """The spans in which a series is read, in order: weeks, and days of a week that holds many."""
        found: list[_Block] = []
        for week, (count, total) in sorted(self._told_by(spot).get(series, {}).items()):
            span_us = WEEK_US if count <= MOST_OF_A_WEEK else DAY_US
            begin_us = week * WEEK_US
            found.extend(_Block(us, us + span_us, total) for us in range(begin_us, begin_us + WEEK_US, span_us))
        return found

    def _told_by(self, spot: Spot) -> dict[tuple[str, str], dict[int, tuple[int, int]]]:
        """How many readings each series has in each week, and when they became known, added up by the server."""
        if spot not in self._reading_sums:
            found: dict[tuple[str, str], dict[int, tuple[int, int]]] = {}
            for place, of in enumerate(("count", "sum")):
                flux = (
                    '|> filter(fn: (r) => r._field == "known_us") '
                    f'|> aggregateWindow(every: 7d, fn: {of}, createEmpty: false, timeSrc: "_start")'
                )
                for cells in self._rows(READING, spot, EARLIEST_US - 1, LATEST_US, flux):
                    weeks = found.setdefault((cells["signal"], cells.get("point") or ""), {})
                    week, value = _us(cells["_time"]) // WEEK_US, int(cells["_value"])
                    weeks[week] = (value, 0) if place == 0 else (weeks[week][0], value)
            self._reading_sums[spot] = dict(sorted(found.items()))
        return self._reading_sums[spot]

    def _read_block(self, spot: Spot, series: tuple[str, str], block: _Block) -> list[Reading]:
        """The readings of a span in order, remembered while the server has the same week."""
        key = spot, series, block.from_us
        kept = self._read.get(key)
        if kept is not None and kept[0] == block:
            return kept[1]
        signal, point = series
        flux = (
            "|> filter(fn: (r) => r.signal == signal) "
            f"|> filter(fn: (r) => {'not exists r.point' if not point else 'r.point == point'}) "
            '|> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")'
        )
        values = {"signal": signal} | ({"point": point} if point else {})
        rows = self._rows(READING, spot, block.from_us - 1, block.to_us - 1, flux, values)
        found = sorted(Reading(_us(cells["_time"]), float(cells["value"]), int(cells["known_us"])) for cells in rows)
        self._read[key] = block, found
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
