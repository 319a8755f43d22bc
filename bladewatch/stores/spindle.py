"""A spindle as a desk reads it, an hour at a time: from sheets as far as they hold, else from points.

A sheet holds where it rests on the very strokes that the server has: the server adds up when the strokes of each hour
became known, and a sheet names the sum of those that it rests on. An hour of which two collectors made sheets that
differ is read from points: each of them has a part of it. What is read is remembered while the server has the same; the
last hours have no sheet yet.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from typing import Any, Final, NamedTuple

import msgspec

from bladewatch.stores.blocks import Reading
from bladewatch.stores.lines import US_NS
from bladewatch.stores.points import Limits, Points, SeriesKey
from bladewatch.stores.protocols import DAMAGED, Idle, Spot
from bladewatch.stores.sheets import (
    WHOLE,
    Folded,
    Told,
    Work,
    folded_of,
    kept_of,
    known_sum,
    readings_of,
    strokes_of,
    work_of,
)
from collectors.facts import Stroke
from collectors.instants import HOUR_US

CHUNK_H: Final = 2 * 7 * 24
"""Sums and sheets are read in whole chunks, and so is what is packed in sheets."""
AHEAD: Final = 3
"""Of what is packed so many chunks at once: whoever asks for an hour mostly goes on from there."""
WEEK_H: Final = 7 * 24
"""Strokes of hours without a sheet are read together, as far apart."""
MOST: Final = 10_000
MOST_ROWS: Final = 300
"""So many hours are remembered of a spindle from look to look, and the strokes of so many."""
HOUR_NS: Final = HOUR_US * US_NS


class _Sheet(NamedTuple):
    time_ns: int
    folded: Folded


class Spindle:
    """The hours of a spindle. ``look_again`` whenever what became known meanwhile is to be seen."""

    def __init__(self, points: Points, spot: Spot, limits: Limits) -> None:
        self._points = points
        self._spot = spot
        self._folded: dict[int, tuple[int, Folded]] = {}
        self._strokes: dict[int, tuple[int, list[Stroke]]] = {}
        self._works: dict[int, tuple[int, Work]] = {}
        self._kept: dict[int, dict[SeriesKey, msgspec.Raw]] = {}
        self._rows, self._keeping = (_Packed(points, spot, name) for name in ("rows", "kept"))
        self.look_again(limits)

    def look_again(self, limits: Limits) -> None:
        """From now on what the server has now."""
        self.limits = limits
        for kept, most in ((self._folded, MOST), (self._kept, MOST), (self._works, MOST), (self._strokes, MOST_ROWS)):
            _trim(kept, most)
        self._rows.forget()
        self._keeping.forget()
        self._chunks: set[int] = set()
        self._sums: dict[int, int] = {}
        self._sheet: dict[int, _Sheet] = {}
        """The sheet that tells of an hour's strokes."""
        self._whole: dict[int, _Sheet] = {}
        """The sheet that tells of its readings too: nobody made another but who made it, or it was made of all."""
        self._made: dict[int, int] = {}
        """When the newest sheet of an hour was made, whatever it rests on."""
        self._busy: list[int] = []
        """The hours of strokes and sheets, in order."""
        self._readings: dict[tuple[SeriesKey, int], list[Reading]] = {}

    # Strokes

    def hours(self, first: int, last: int) -> list[int]:
        """The hours that hold strokes, in order."""
        return [hour for hour in self._busy_between(first, last) if hour in self._sums]

    def hours_back(self, last: int) -> Iterator[int]:
        """The hours up to one that hold strokes, the last first."""
        begin = None if self.limits.strokes is None else self.limits.strokes[0]
        reached = last + 1
        far = CHUNK_H
        while begin is not None and reached > begin:
            first = max(reached - far, begin)
            yield from reversed(self.hours(first, reached - 1))
            reached, far = first, 2 * far

    def work(self, hour: int) -> Work:
        """The strokes of an hour that holds some, folded."""
        kept = self._works.get(hour)
        if kept is None or kept[0] != self._sums[hour]:
            work = self._work_told(hour) or work_of(hour, self.strokes(hour))
            if work is None:
                raise LookupError(f"hour {hour} holds no strokes")
            kept = self._works[hour] = self._sums[hour], work
        return kept[1]

    def _work_told(self, hour: int) -> Work | None:
        """As an hour's sheet tells it; None where it has none, or one that is damaged."""
        sheet = self._sheet.get(hour)
        try:
            return None if sheet is None else sheet.folded.work
        except DAMAGED:
            return None

    def strokes(self, hour: int) -> list[Stroke]:
        """The strokes of an hour that holds some, in order."""
        total = self._sums[hour]
        kept = self._strokes.get(hour)
        if kept is None or kept[0] != total:
            unpacked = self._unpacked(hour)
            kept = self._read_strokes(hour) if unpacked is None else (total, unpacked)
            self._strokes[hour] = kept
        return kept[1]

    def _unpacked(self, hour: int) -> list[Stroke] | None:
        """The strokes of an hour from its sheet; None where it has none, or one that is damaged."""
        sheet = self._sheet.get(hour)
        if sheet is None:
            return None
        try:
            strokes = strokes_of(self._rows.text(sheet.time_ns), self._spot)
        except DAMAGED:
            return None
        return strokes if known_sum(strokes) == self._sums[hour] else None

    def _read_strokes(self, hour: int) -> tuple[int, list[Stroke]]:
        """The strokes of an hour without a sheet, and of the others of its week."""
        week = hour // WEEK_H * WEEK_H
        span = (number for number in self.hours(week, week + WEEK_H - 1) if self._sheet.get(number) is None)
        wanted = sorted({hour, *(number for number in span if self._sums[number] != self._known(number))})
        found: dict[int, list[Stroke]] = {number: [] for number in wanted}
        for one in self._points.strokes(self._spot, wanted[0], wanted[-1]):
            if (number := one.ts_us // HOUR_US) in found:
                found[number].append(one)
        for number, strokes in found.items():
            self._strokes[number] = self._sums[number], strokes
        return self._strokes[hour]

    def _known(self, hour: int) -> int | None:
        kept = self._strokes.get(hour)
        return None if kept is None else kept[0]

    # Readings

    def idle_hours(self, signal: str, first: int, last: int) -> dict[int, Idle | None]:
        """Idle power of the hours in which a signal is read, in order; None where no sheet tells it."""
        series = signal, ""
        hours = self._read_between(first, last)
        self._have(series, [hour for hour in hours if hour not in self._whole])
        found: dict[int, Idle | None] = {}
        for hour in hours:
            sheet = self._whole.get(hour)
            if sheet is None:
                if self._readings[series, hour]:
                    found[hour] = None
            elif signal in sheet.folded.idle:
                found[hour] = sheet.folded.idle[signal]
        return found

    def readings(self, series: SeriesKey, first: int, last: int) -> list[Reading]:
        """The readings of the hours of a span, in order: of hours whose sheet does not keep them all from points."""
        told: dict[int, Told | None] = {}
        for hour in self._read_between(first, last):
            sheet = self._whole.get(hour)
            row = None if sheet is None else next((row for row in sheet.folded.told if row[:2] == series), None)
            if sheet is None or row is not None:
                told[hour] = row
        self._have(series, [hour for hour, row in told.items() if row is None or not row.whole])
        found: list[Reading] = []
        for hour, row in told.items():
            from_points = self._readings.get((series, hour), [])
            found.extend(from_points if from_points or row is None else self._keeps(hour, series))
        return found

    def readings_back(self, series: SeriesKey, last: int) -> Iterator[list[Reading]]:
        """The readings up to the end of an hour, some hours at a time, the last first."""
        begin, end = self.limits.all or (last + 1, last)
        last, far = min(last, end), 1
        while last >= begin:
            yield self.readings(series, max(last - far + 1, begin), last)
            last, far = last - far, 2 * far

    def series(self, last: int) -> list[SeriesKey]:
        """The series that are read, or were in the weeks before an hour."""
        if self.limits.all is None:
            return []
        last = min(last, self.limits.all[1])
        hours = self._read_between(last - CHUNK_H, last)
        told = (row[:2] for hour in hours if (sheet := self._whole.get(hour)) is not None for row in sheet.folded.told)
        return sorted({*self.limits.latest, *told})

    def lacking(self, first: int, last: int) -> dict[int, int]:
        """The hours of strokes, or of sheets that differ, without a sheet of the whole; when their newest was made."""
        hours = self._busy_between(first, last)
        return {hour: self._made.get(hour, 0) for hour in hours if hour not in self._whole}

    def _have(self, series: SeriesKey, hours: list[int]) -> None:
        """Have the readings of hours from points."""
        run: list[int] = []
        for hour in hours:
            if (series, hour) in self._readings:
                continue
            if run and (hour != run[-1] + 1 or hour % WEEK_H == 0):
                self._read(series, run)
                run = []
            run.append(hour)
        if run:
            self._read(series, run)

    def _read(self, series: SeriesKey, run: list[int]) -> None:
        """The readings of neighbouring hours from points."""
        for hour in run:
            self._readings[series, hour] = []
        for one in self._points.readings(self._spot, series, run[0], run[-1]):
            self._readings[series, one.ts_us // HOUR_US].append(one)

    def _read_between(self, first: int, last: int) -> list[int]:
        """The hours of a span in which anything may be read: beside the sheets, and those of strokes and sheets."""
        busy = self._busy_between(first, last)
        reads, sheets = self.limits.reads, self.limits.sheets
        if reads is None:
            return busy
        begin, end = max(first, reads[0]), min(last, reads[1])
        if sheets is None:
            return sorted({*busy, *range(begin, end + 1)})
        if begin >= sheets[0] and end <= sheets[1]:
            return busy
        beside = (*range(begin, min(end + 1, sheets[0])), *range(max(begin, sheets[1] + 1), end + 1))
        return sorted({*busy, *beside})

    def _keeps(self, hour: int, series: SeriesKey) -> list[Reading]:
        """The readings that an hour's sheet keeps of a series; from points where it is damaged."""
        time_ns = self._whole[hour].time_ns
        try:
            if time_ns not in self._kept:
                self._kept[time_ns] = kept_of(self._keeping.text(time_ns))
            rows = self._kept[time_ns].get(series)
            return [] if rows is None else readings_of(rows)
        except DAMAGED:
            self._have(series, [hour])
            return self._readings[series, hour]

    # What the server has

    def _busy_between(self, first: int, last: int) -> list[int]:
        """The hours of a span that hold strokes or have sheets, in order."""
        self._reach(first, last)
        return self._busy[bisect_left(self._busy, first) : bisect_right(self._busy, last)]

    def _reach(self, first: int, last: int) -> None:
        """Know the sums and sheets of a span, and where some are missing of the chunks beside: often asked next."""
        if self._points.whole is None:
            return
        begin, end = (hour // CHUNK_H for hour in self._points.whole)
        first, last = max(first // CHUNK_H, begin), min(last // CHUNK_H, end)
        if all(chunk in self._chunks for chunk in range(first, last + 1)):
            return
        run: list[int] = []
        for chunk in range(max(first - 1, begin), min(last + 1, end) + 2):
            if chunk not in self._chunks and chunk <= min(last + 1, end):
                run.append(chunk)
            elif run:
                self._take(run[0] * CHUNK_H, (run[-1] + 1) * CHUNK_H - 1)
                self._chunks.update(run)
                run = []

    def _take(self, first: int, last: int) -> None:
        sums, sheets = self._points.hours(self._spot, first, last)
        self._sums |= sums
        found: dict[int, list[_Sheet]] = {}
        for time_ns, text in sheets.items():
            folded = self._decoded(time_ns, text)
            if folded is not None:
                found.setdefault(time_ns // HOUR_NS, []).append(_Sheet(time_ns, folded))
        for hour, made in found.items():
            self._choose(hour, made)
        self._busy = sorted({*self._busy, *sums, *found})

    def _decoded(self, time_ns: int, text: str) -> Folded | None:
        """What a sheet tells; None where it is damaged."""
        kept = self._folded.get(time_ns)
        if kept is None or kept[0] != hash(text):
            try:
                kept = self._folded[time_ns] = hash(text), folded_of(text)
            except DAMAGED:
                return None
        return kept[1]

    def _choose(self, hour: int, made: list[_Sheet]) -> None:
        """Of an hour's sheets the newest that rests on the strokes that the server has."""
        total = self._sums.get(hour, 0)
        self._made[hour] = max(sheet.folded.made_us for sheet in made)
        fit = [sheet for sheet in made if sheet.folded.known_sum == total]
        if not fit:
            return
        newest = max(fit, key=lambda sheet: sheet.folded.made_us)
        self._sheet[hour] = newest
        of_all = newest.folded.by == WHOLE and newest.folded.made_us == self._made[hour]
        if of_all or all(one.folded.by == newest.folded.by for one in made):
            self._whole[hour] = newest


def _trim(kept: dict[int, Any], most: int) -> None:
    """Forget what was kept longest ago."""
    for key in list(kept)[: max(len(kept) - most, 0)]:
        del kept[key]


class _Packed:
    """A packed field of sheets, read some chunks at a time."""

    def __init__(self, points: Points, spot: Spot, name: str) -> None:
        self._points, self._spot, self._name = points, spot, name
        self._texts: dict[int, dict[int, str]] = {}

    def forget(self) -> None:
        """Sheets may have come."""
        self._texts.clear()

    def text(self, time_ns: int) -> str:
        """The field of a sheet; empty where it has none."""
        chunk = time_ns // HOUR_NS // CHUNK_H
        if chunk not in self._texts:
            end = next((n for n in range(chunk + 1, chunk + AHEAD) if n in self._texts), chunk + AHEAD)
            self._texts |= {number: {} for number in range(chunk, end)}
            found = self._points.packed(self._spot, chunk * CHUNK_H, end * CHUNK_H - 1, self._name)
            for its_ns, text in found.items():
                self._texts[its_ns // HOUR_NS // CHUNK_H][its_ns] = text
        return self._texts[chunk].get(time_ns, "")
