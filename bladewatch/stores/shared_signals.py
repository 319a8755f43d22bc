"""``Signals`` read from an InfluxDB: for a desk whose collectors are elsewhere.

What an hour holds comes from ``Spindle``: whole hours of a question from sheets, the rest from strokes. What waits in a
collector's spool is known to nobody here. Nothing is written from here but sheets of hours that nobody has whole.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from bladewatch.contact import POWER_SIGNALS
from bladewatch.errors import UsageError
from bladewatch.stores.blocks import Reading
from bladewatch.stores.idle import occupied_hour, outside_hour
from bladewatch.stores.influx import Influx, Refused
from bladewatch.stores.lines import SHEET
from bladewatch.stores.orders import OrderHour, order_hours, order_sums
from bladewatch.stores.points import LATEST_US, Limits, Points
from bladewatch.stores.protocols import ALWAYS_US, CounterHour, Idle, OrderSum, Outcome, Spot, WorkHour
from bladewatch.stores.sheets import WHOLE, Work, sheet_of, sheets_before
from bladewatch.stores.spindle import Spindle
from collectors.facts import Sample, Stroke, Waveform
from collectors.instants import HOUR_US

NOTHING = Limits()
SHEETS = 50
"""Sheets of one request."""


class SharedSignals:
    """``Signals`` of a server."""

    def __init__(self, server: Influx) -> None:
        self._server = server
        self._points = Points(server)
        self._limits: dict[Spot, Limits] | None = None
        self._spindles: dict[Spot, Spindle] = {}

    def look_again(self) -> None:
        """A new span of reading begins: what is remembered is used where the server still has the same."""
        self._limits = None

    def _all_limits(self) -> dict[Spot, Limits]:
        if self._limits is None:
            self._limits = self._points.limits()
            for spot, spindle in self._spindles.items():
                spindle.look_again(self._limits.get(spot, NOTHING))
        return self._limits

    def _spindle(self, spot: Spot) -> Spindle:
        limits = self._all_limits()
        if spot not in self._spindles:
            self._spindles[spot] = Spindle(self._points, spot, limits.get(spot, NOTHING))
        return self._spindles[spot]

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

    def make_sheets(self, now_us: int, keep_raw_us: int, most: int) -> int:
        """Make the sheets of hours of which collectors hold parts, while their readings are there; how many.

        The newest hours of each spindle first, and at most so many, or a few more.

        Raises ``UnreachableError``, and ``UsageError`` where the token may not write.
        """
        first, last = (now_us - keep_raw_us) // HOUR_US + 24, sheets_before(now_us) - 1
        made = 0
        for spot in self.spots():
            hours = sorted(self._spindle(spot).lacking(first, last).items(), reverse=True)
            for place in range(0, len(hours), SHEETS):
                if made < most:
                    made += self._write_sheets(spot, hours[place : place + SHEETS], now_us)
        self.look_again()
        return made

    def _write_sheets(self, spot: Spot, hours: Sequence[tuple[int, int]], now_us: int) -> int:
        """Write sheets of hours; ``hours`` tells when the newest was made by a collector, whose clock may be ahead."""
        series = sorted(self.latest(spot, (hours[0][0] + 1) * HOUR_US, ALWAYS_US))
        sheets = [sheet_of(self, spot, hour, series, WHOLE, max(now_us, made_us + 1)) for hour, made_us in hours]
        lines = [made.sheet.line for made in sheets if made is not None]
        try:
            if lines:
                self._server.write(SHEET, "\n".join(lines).encode())
        except Refused as error:
            raise UsageError(f"sheets of saw {spot[0]} spindle {spot[1]} are refused: {error}") from error
        return len(lines)

    def _append(self, facts: Sequence[object]) -> Outcome:
        if not facts:
            return Outcome()
        raise UsageError(
            "[store] url: signals are written by collectors, to a file that is forwarded; here they are only read"
        )

    # Strokes

    def strokes(self, spot: Spot, after_us: int, until_us: int, known_us: int) -> Iterator[Stroke]:
        """Strokes with ``after_us`` < ts ≤ ``until_us`` known by ``known_us``, in order."""
        spindle = self._spindle(spot)
        for hour in spindle.hours((after_us + 1) // HOUR_US, until_us // HOUR_US):
            for one in spindle.strokes(hour):
                if after_us < one.ts_us <= until_us and one.known_us <= known_us:
                    yield one

    def strokes_before(self, spot: Spot, until_us: int, known_us: int, count: int) -> list[Stroke]:
        """The last strokes with ts ≤ ``until_us``, in order."""
        spindle = self._spindle(spot)
        found: list[Stroke] = []
        for hour in spindle.hours_back(min(until_us, LATEST_US) // HOUR_US):
            for one in reversed(spindle.strokes(hour)):
                if len(found) >= count:
                    return found[::-1]
                if one.ts_us <= until_us and one.known_us <= known_us:
                    found.append(one)
        return found[::-1]

    def count(self, spot: Spot, after_us: int, until_us: int, known_us: int) -> int:
        """How many strokes have a message with ``after_us`` < ts ≤ ``until_us``."""
        total = 0
        for work, strokes in self._whole_hours(spot, after_us, until_us, known_us):
            total += len(strokes) if work is None else sum(row.strokes for row in work.works)
        return total

    def order_sums(
        self, spot: Spot, after_us: int, until_us: int, known_us: int, rated_rpm: float | None
    ) -> list[OrderSum]:
        """Strokes by order, part, alloy and kind."""
        hours: list[OrderHour] = []
        for work, strokes in self._whole_hours(spot, after_us, until_us, known_us):
            hours.extend(order_hours(strokes) if work is None else work.orders)
        return order_sums(hours, rated_rpm)

    def _whole_hours(
        self, spot: Spot, after_us: int, until_us: int, known_us: int
    ) -> Iterator[tuple[Work | None, list[Stroke]]]:
        """Hour by hour what was folded, where the span holds all of an hour and all was known; else its strokes."""
        spindle = self._spindle(spot)
        for hour in spindle.hours((after_us + 1) // HOUR_US, until_us // HOUR_US):
            if after_us < hour * HOUR_US and (hour + 1) * HOUR_US <= until_us + 1:
                work = spindle.work(hour)
                if work.counter.known_us <= known_us:
                    yield work, []
                    continue
            rows = spindle.strokes(hour)
            yield None, [one for one in rows if after_us < one.ts_us <= until_us and one.known_us <= known_us]

    def stroke_hours(self, spot: Spot, first: int, last: int) -> list[int]:
        """The hours that hold strokes."""
        return self._spindle(spot).hours(first, last)

    def work_hours(self, spot: Spot, first: int, last: int) -> dict[int, list[WorkHour]]:
        """Roll-ups by hour."""
        spindle = self._spindle(spot)
        return {hour: spindle.work(hour).works for hour in spindle.hours(first, last)}

    def counter_hours(self, spot: Spot, first: int, last: int) -> list[CounterHour]:
        """Counters by hour, in order."""
        spindle = self._spindle(spot)
        return [spindle.work(hour).counter for hour in spindle.hours(first, last)]

    def strokes_made(self, spot: Spot, first: int, last: int, known_us: int) -> int:
        """Strokes through metal, as ``StrokeTable`` counts them."""
        total = 0
        for work, strokes in self._whole_hours(spot, first * HOUR_US - 1, (last + 1) * HOUR_US - 1, known_us):
            if work is None:
                total += sum(row.kind != "air" for row in strokes)
            else:
                total += sum(row.strokes + row.filled for row in work.works if '"air"' not in row.work)
        return total

    # Readings

    def readings(
        self, spot: Spot, signal: str, point: str, after_us: int, until_us: int, known_us: int
    ) -> list[Reading]:
        """Readings with ``after_us`` < ts ≤ ``until_us``."""
        rows = self._spindle(spot).readings((signal, point), (after_us + 1) // HOUR_US, until_us // HOUR_US)
        return [one for one in rows if after_us < one.ts_us <= until_us and one.known_us <= known_us]

    def latest(self, spot: Spot, until_us: int, known_us: int) -> dict[tuple[str, str], Reading]:
        """The last reading of each signal and point."""
        spindle = self._spindle(spot)
        found = {}
        for series in spindle.series(until_us // HOUR_US):
            last = spindle.limits.latest.get(series)
            if last is None or last.ts_us > until_us or last.known_us > known_us:
                blocks = spindle.readings_back(series, until_us // HOUR_US)
                past = (one for rows in blocks for one in reversed(rows))
                last = next((one for one in past if one.ts_us <= until_us and one.known_us <= known_us), None)
            if last is not None:
                found[series] = last
        return found

    def summarised_to(self, spot: Spot, until_us: int) -> int | None:  # noqa: ARG002 (none here)
        """None: there are no summaries here, readings that went are gone but for what sheets keep."""
        return None

    def idle_hours(self, spot: Spot, signal: str, first: int, last: int, known_us: int) -> list[Idle]:
        """Power outside strokes of the hours that hold readings."""
        if signal not in POWER_SIGNALS:
            return []
        found = []
        for hour, idle in self._spindle(spot).idle_hours(signal, first, last).items():
            told = idle is not None and idle.known_us <= known_us
            found.append(idle if idle is not None and told else self._idle_hour(spot, signal, hour, known_us))
        return found

    def _idle_hour(self, spot: Spot, signal: str, hour: int, known_us: int) -> Idle:
        """Idle power of an hour from its strokes and readings."""
        readings = self.readings(spot, signal, "", hour * HOUR_US - 1, (hour + 1) * HOUR_US - 1, known_us)
        return outside_hour(hour, readings, occupied_hour(self, spot, hour, known_us))

    # The rest

    def spots(self) -> list[Spot]:
        """Every spindle of which anything is stored."""
        return sorted(self._all_limits())

    def waveforms(self, spot: Spot) -> Iterator[Waveform]:
        """The waveforms that are still there, place by place, in order."""
        return self._points.waveforms(spot)
