"""The work of the last four weeks by hour, as the forecast draws on it.

Whole hours come from the roll-ups. An hour whose counter is not plain, whose strokes may be in air or whose areas
nothing tells is read from its rows; so is what lies between two hours that the counter does not join.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from functools import lru_cache, partial
from typing import Any, Final, NamedTuple

import msgspec

from bladewatch.assess.memory import EVERYTHING_US, Memory, Settled
from bladewatch.config.tables import Config
from bladewatch.contact import hour_of
from bladewatch.counter import step
from bladewatch.pace import FAR
from bladewatch.stores.protocols import CounterHour, Signals, Spot, WorkHour
from bladewatch.strokes import AIR_RATIO, Counted, SpotWork, describe
from collectors.instants import HOUR_US

WINDOW_H: Final = 28 * 24
WEEK_H: Final = 168


class _Ends(NamedTuple):
    """The first and the last stroke of an hour, as known at the moment."""

    hour: int
    first_us: int
    first_stroke: int
    last_us: int
    last_stroke: int


class Made(NamedTuple):
    """Cuts of one part and alloy, their area [hundredths of mm²], and the good pieces that they gave."""

    cuts: int = 0
    area_cmm2: int = 0
    pieces: int = 0

    def plus(self, other: Made) -> Made:
        """Both together."""
        return Made(self.cuts + other.cuts, self.area_cmm2 + other.area_cmm2, self.pieces + other.pieces)


NOTHING: Final = Made()


@dataclass(slots=True)
class HourOfWork:
    """Cuts and area by alloy [hundredths of mm²] in one hour, and when its first and its last stroke were made.

    ``parts`` holds what was made by part and alloy; ``seen`` is how many strokes a message told.
    """

    strokes: int = 0
    seen: int = 0
    cuts: int = 0
    first_us: int = 2**62
    last_us: int = -(2**62)
    area_cmm2: dict[str, int] = field(default_factory=dict)
    parts: dict[tuple[str | None, str], Made] = field(default_factory=dict)

    def add(self, part: str | None, alloy: str, made: Made) -> None:
        """Add cuts of a part and alloy."""
        self.cuts += made.cuts
        self.area_cmm2[alloy] = self.area_cmm2.get(alloy, 0) + made.area_cmm2
        self.parts[part, alloy] = self.parts.get((part, alloy), NOTHING).plus(made)

    def take(self, other: HourOfWork) -> None:
        """Add another hour, or another part of this one."""
        self.strokes += other.strokes
        self.seen += other.seen
        self.first_us, self.last_us = min(self.first_us, other.first_us), max(self.last_us, other.last_us)
        for (part, alloy), made in other.parts.items():
            self.add(part, alloy, made)


def recent_work(
    config: Config,
    signals: Signals,
    spot: Spot,
    now_us: int,
    hours: int = WINDOW_H,
    accepted: Collection[int] = (),
    memory: Memory | None = None,
) -> dict[int, HourOfWork]:
    """Work by hour over the whole hours before ``now_us`` and the running one; hours without strokes are left out.

    Whole weeks in which the saw did not cut do not count: the work before such a pause is moved on by them, so that a
    holiday, or a saw that stands, changes nothing in what a blade can still do.
    """
    found: dict[int, HourOfWork] = {}
    first = hour_of(now_us) - hours
    until_us, follower, moved = now_us, hour_of(now_us), 0
    while True:
        before = signals.strokes_before(spot, until_us, now_us, 1)
        if not before:
            return found
        pause = (follower - hour_of(before[0].ts_us)) // WEEK_H
        if pause:
            moved += pause
            follower = hour_of(before[0].ts_us)
            until_us = before[0].ts_us + 1
        if hour_of(before[0].ts_us) + moved * WEEK_H < first:
            return found
        work = _work_before(config, signals, spot, until_us, now_us, hours, accepted, memory)
        for hour in sorted(work, reverse=True):
            if follower - hour >= WEEK_H:
                break  # a pause of a week: what was before it is moved on too
            if hour + moved * WEEK_H < first:
                return found
            found[hour + moved * WEEK_H] = work[hour]
            follower = hour
        if not work:
            return found
        until_us = follower * HOUR_US - 1


def work_between(
    config: Config, signals: Signals, spot: Spot, marks: Sequence[int], known_us: int, accepted: Collection[int] = ()
) -> list[HourOfWork]:
    """The work of each span between two of the ``marks``, instants in order: after the one, up to the other.

    Hours that no mark divides come from the roll-ups, the others from their rows.
    """
    first, last = hour_of(marks[0] + 1), hour_of(marks[-1])
    found = [HourOfWork() for _ in marks[1:]]
    divided = sorted({hour_of(mark) for mark in marks if (mark + 1) % HOUR_US})
    hours = _work_before(config, signals, spot, (last + 1) * HOUR_US, known_us, last - first + 1, accepted, None)
    for hour, work in hours.items():
        if hour not in divided and first <= hour <= last:
            found[bisect_left(marks, (hour + 1) * HOUR_US - 1) - 1].take(work)
    spindle = SpotWork(config, signals, spot, known_us, accepted)
    for hour in divided:
        for counted in spindle.between(max(hour * HOUR_US - 1, marks[0]), min((hour + 1) * HOUR_US - 1, marks[-1])):
            _add_to(found[bisect_left(marks, counted.ts_us) - 1], config, counted)
    return found


def _work_before(
    config: Config,
    signals: Signals,
    spot: Spot,
    until_us: int,
    known_us: int,
    hours: int,
    accepted: Collection[int],
    memory: Memory | None,
) -> dict[int, HourOfWork]:
    """The work before an instant, as it was known at another."""
    now_us = known_us
    last = hour_of(until_us) - 1
    first = last - hours + 1
    work = SpotWork(config, signals, spot, now_us, accepted)
    counters = {counter.hour: counter for counter in signals.counter_hours(spot, first, last)}
    works = signals.work_hours(spot, first, last)
    changes = {hour_of(us) for us in (*config.parts.changes(), *config.alloys.changes())}
    found: dict[int, HourOfWork] = {}
    by_rows: set[int] = set()
    ends: list[_Ends] = []
    for hour in signals.stroke_hours(spot, first, last):
        counter = counters.get(hour)
        if counter is None or counter.known_us > now_us:
            by_rows.add(hour)
            rows = list(signals.strokes(spot, hour * HOUR_US - 1, (hour + 1) * HOUR_US - 1, now_us))
            if rows:
                ends.append(_Ends(hour, rows[0].ts_us, rows[0].stroke, rows[-1].ts_us, rows[-1].stroke))
            continue
        ends.append(_Ends(hour, counter.first_us, counter.first_stroke, counter.last_us, counter.last_stroke))
        told = None
        if counter.plain and hour not in changes:
            told = _by_rollup(counter, works.get(hour, []), work, accepted, memory)
        if any(_work(row.work)[2] == "aborted" for row in works.get(hour, [])):
            by_rows.update((hour, hour + 1))  # the rest of the section may be cut in the next hour
        if told is None:
            by_rows.add(hour)
        else:
            found[hour] = told
    by_rows |= _unjoined(signals, spot, ends, first, until_us, now_us)
    for counted in work.between((last + 1) * HOUR_US - 1, until_us):
        _add(found, config, counted)
    for start, end in _stretches(by_rows):
        for hour in range(start, end + 1):
            found.pop(hour, None)
        found.update(_by_rows(work, start, end) if memory is None else _recalled(work, start, end, accepted, memory))
    return found


def _by_rows(work: SpotWork, start: int, end: int) -> dict[int, HourOfWork]:
    """The work of the hours from one to another, both included, from their strokes."""
    found: dict[int, HourOfWork] = {}
    for counted in work.between(start * HOUR_US - 1, (end + 1) * HOUR_US - 1):
        _add(found, work.config, counted)
    return found


def _by_rollup(
    counter: CounterHour, works: list[WorkHour], work: SpotWork, accepted: Collection[int], memory: Memory | None
) -> HourOfWork | None:
    """The hour by its sums, or what is remembered of it; None where they do not tell all."""
    if memory is None:
        return _from_rollup(counter, works, work)
    whole = _whole(work, accepted, memory)

    def read() -> Settled[HourOfWork | None]:
        return Settled(_from_rollup(counter, works, whole), max(counter.known_us, whole.idle_newest(counter.first_us)))

    settled = memory.settled((work.spot, counter, "sums"), work.known_us, read)
    return _from_rollup(counter, works, work) if settled is None else settled.found


def _whole(work: SpotWork, accepted: Collection[int], memory: Memory) -> SpotWork:
    """The spindle with all that is stored of it."""
    key = (work.spot, frozenset(accepted))
    if key not in memory.kept:
        memory.kept[key] = work.as_known(EVERYTHING_US)
    whole: SpotWork = memory.kept[key]
    return whole


def _recalled(work: SpotWork, start: int, end: int, accepted: Collection[int], memory: Memory) -> dict[int, HourOfWork]:
    """The same, hour by hour, each read anew only where it was not settled by then."""
    key = (work.spot, frozenset(accepted))
    whole = _whole(work, accepted, memory)

    def read(hour: int) -> Settled[dict[int, HourOfWork]]:
        whole.newest = 0
        return Settled(_by_rows(whole, hour, hour), whole.newest)

    found: dict[int, HourOfWork] = {}
    for hour in range(start, end + 1):
        settled = memory.settled((*key, hour), work.known_us, partial(read, hour))
        found.update(_by_rows(work, hour, hour) if settled is None else settled.found)
    return found


def _add(found: dict[int, HourOfWork], config: Config, counted: Counted) -> None:
    _add_to(found.setdefault(hour_of(counted.ts_us), HourOfWork()), config, counted)


def _add_to(entry: HourOfWork, config: Config, counted: Counted) -> None:
    stroke = counted.stroke
    entry.strokes += 1
    entry.seen += stroke is not None
    entry.first_us, entry.last_us = min(entry.first_us, counted.ts_us), max(entry.last_us, counted.ts_us)
    if counted.contact:
        pieces = stroke.pieces if stroke is not None else None
        if pieces is None:
            pieces = _pieces(config, counted.part, stroke.kind if stroke is not None else None, counted.ts_us)
        entry.add(counted.part, counted.alloy, Made(1, counted.area_cmm2, pieces))


def _pieces(config: Config, part: str | None, kind: str | None, at_us: int) -> int:
    """The good pieces that a cut of a part gives where its message tells none."""
    row = None if part is None or kind not in (None, "piece") else config.parts.ever(part, at_us)
    return 0 if row is None else row.pieces or 0


def _from_rollup(counter: CounterHour, works: list[WorkHour], work: SpotWork) -> HourOfWork | None:
    """The hour by its sums; None where they do not tell all."""
    if not works:
        return None
    entry = HourOfWork(first_us=counter.first_us, last_us=counter.last_us)
    for row in works:
        part, alloy, kind, has_area, bars, mitre = _work(row.work)
        if part is not None and not has_area and bars is None and _varies(work.config, part, counter.first_us):
            return None
        strokes = row.strokes + row.filled
        entry.strokes += strokes
        entry.seen += row.strokes
        if row.filled >= FAR:
            return None
        if kind == "air":
            if row.filled:
                return None
            continue
        if kind is None and row.power_min_w is not None:
            idle_kw = work.idle_kw(counter.first_us)
            if idle_kw is not None and row.power_min_w <= AIR_RATIO * idle_kw * 1000 + 1:
                return None
        metal, area = describe(work.config, counter.first_us, part, alloy, 0 if has_area else None, bars, mitre)
        if area is None:
            return None
        pieces = row.pieces * strokes // row.strokes if row.pieces else None
        if pieces is None:
            pieces = _pieces(work.config, part, kind, counter.first_us) * strokes
        entry.add(part, metal, Made(strokes, row.area_cmm2 if has_area else strokes * area, pieces))
    return entry


def _varies(config: Config, part: str, at_us: int) -> bool:
    """Whether the bars of a part are told by energy alone."""
    row = config.parts.ever(part, at_us)
    return row is not None and row.bars_vary


@lru_cache(4096)
def _work(text: str) -> Any:
    return msgspec.json.decode(text)


def _unjoined(signals: Signals, spot: Spot, ends: list[_Ends], first: int, until_us: int, now_us: int) -> set[int]:
    """Hours around which the counter does not go on by one, and the hours between them."""
    hours: set[int] = set()
    before = next(iter(signals.strokes_before(spot, first * HOUR_US - 1, now_us, 1)), None)
    last = None if before is None else (first, before.ts_us, before.stroke)
    for end in ends:
        if last is not None:
            hour, ts_us, stroke = last
            if step(stroke, end.first_stroke, end.first_us - ts_us).kind != "next":
                hours.update(range(hour, end.hour + 1))
        last = (end.hour, end.last_us, end.last_stroke)
    end_us = hour_of(until_us) * HOUR_US
    following = next(signals.strokes(spot, end_us - 1, now_us, now_us), None)
    if last is not None and following is not None:
        hour, ts_us, stroke = last
        if step(stroke, following.stroke, following.ts_us - ts_us).kind != "next":
            hours.update(range(hour, hour_of(until_us)))
    return hours


def _stretches(hours: set[int]) -> list[tuple[int, int]]:
    """Runs of neighbouring hours."""
    runs: list[tuple[int, int]] = []
    for hour in sorted(hours):
        if runs and hour == runs[-1][1] + 1:
            runs[-1] = (runs[-1][0], hour)
        else:
            runs.append((hour, hour))
    return runs
