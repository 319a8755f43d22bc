"""Strokes in SQLite, and the roll-ups that are brought up to date with them."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from typing import Final

from msgspec.structs import astuple

from bladewatch.contact import hour_of
from bladewatch.stores.hours import HourFold
from bladewatch.stores.outbox import Outbox
from bladewatch.stores.protocols import Conflict, CounterHour, OrderSum, Outcome, Spot, WorkHour
from bladewatch.stores.spots import Spots
from collectors.facts import STROKE_CONTENT, Stroke, canonical_text
from collectors.instants import HOUR_US

_COLUMNS: Final = ("ts_us", "stroke", "known_us", "seq", *STROKE_CONTENT)
_SQL_NAMES: Final = ", ".join("order_no" if name == "order" else name for name in _COLUMNS)
_INSERT: Final = f"INSERT OR IGNORE INTO stroke (spot, {_SQL_NAMES}) VALUES ({', '.join('?' * (len(_COLUMNS) + 1))})"  # noqa: S608
_REPLACE: Final = _INSERT.replace("OR IGNORE", "OR REPLACE")
_SELECT: Final = f"SELECT {_SQL_NAMES} FROM stroke WHERE spot = ?"  # noqa: S608


def _row(spot: int, stroke: Stroke) -> tuple[object, ...]:
    return (spot, *astuple(stroke)[2:])  # the struct's fields after saw and spindle are the columns, in order


class StrokeTable:
    """The tables ``stroke``, ``work_hour`` and ``counter_hour``."""

    def __init__(self, connection: sqlite3.Connection, spots: Spots, outbox: Outbox | None = None) -> None:
        self._sql = connection
        self._spots = spots
        self._outbox = outbox

    def append(self, strokes: Sequence[Stroke]) -> Outcome:
        """Store strokes; of two with one identity the one known earlier stays."""
        outcome = Outcome()
        if not strokes:
            return outcome
        new = self._insert_all(strokes)
        replaced: list[Stroke] = []
        if new is None:
            new = self._insert_singly(strokes, outcome, replaced)
        if self._outbox is not None:
            self._outbox.put([*new, *replaced])
        outcome.taken += len(new)
        by_spot: dict[Spot, list[Stroke]] = {}
        for stroke in new:
            spot = (stroke.saw, stroke.spindle)
            outcome.touch(spot, stroke.ts_us)
            by_spot.setdefault(spot, []).append(stroke)
        for spot, rows in by_spot.items():
            self._refresh(spot, rows, outcome)
        return outcome

    def _insert_all(self, strokes: Sequence[Stroke]) -> list[Stroke] | None:
        """All at once; None, and nothing changed, where any of them stands already."""
        rows = [_row(self._spots.number((stroke.saw, stroke.spindle)), stroke) for stroke in strokes]
        self._sql.execute("SAVEPOINT all_new")
        before = self._sql.total_changes
        self._sql.executemany(_INSERT, rows)
        if self._sql.total_changes - before == len(strokes):
            self._sql.execute("RELEASE all_new")
            return list(strokes)
        self._sql.execute("ROLLBACK TO all_new")
        self._sql.execute("RELEASE all_new")
        return None

    def _insert_singly(
        self, strokes: Sequence[Stroke], outcome: Outcome, replaced: list[Stroke]
    ) -> list[Stroke]:  # fmt: skip
        """One by one; those that took another's place are put into ``replaced``."""
        new: list[Stroke] = []
        for stroke in strokes:
            spot = self._spots.number((stroke.saw, stroke.spindle))
            done = self._sql.execute(_INSERT, _row(spot, stroke)).rowcount
            if done == 1:
                new.append(stroke)
                continue
            row = self._sql.execute(
                f"{_SELECT} AND ts_us = ? AND stroke = ?", (spot, stroke.ts_us, stroke.stroke)
            ).fetchone()
            stands = Stroke(stroke.saw, stroke.spindle, *row)
            mine, its = canonical_text(stroke), canonical_text(stands)
            if mine == its:
                outcome.repeated += 1
                if stroke.known_us < stands.known_us:
                    self._replace(spot, stroke, outcome)
                    replaced.append(stroke)
            elif (stroke.known_us, mine) < (stands.known_us, its):
                self._replace(spot, stroke, outcome)
                replaced.append(stroke)
                outcome.taken += 1
                outcome.conflicts.append(Conflict(stands, had_stood=True))
            else:
                outcome.conflicts.append(Conflict(stroke, had_stood=False))
        return new

    def _replace(self, spot: int, stroke: Stroke, outcome: Outcome) -> None:
        self._sql.execute(_REPLACE, _row(spot, stroke))
        outcome.touch((stroke.saw, stroke.spindle), stroke.ts_us)
        outcome.hours.add(((stroke.saw, stroke.spindle), hour_of(stroke.ts_us)))
        self._rework(spot, (stroke.saw, stroke.spindle), hour_of(stroke.ts_us))

    # Reading

    def between(self, spot: Spot, after_us: int, until_us: int, known_us: int) -> Iterator[Stroke]:
        """Strokes with ``after_us`` < ts ≤ ``until_us`` known by ``known_us``, in order."""
        number = self._spots.find(spot)
        if number is None:
            return
        query = f"{_SELECT} AND ts_us > ? AND ts_us <= ? AND known_us <= ? ORDER BY ts_us, stroke"
        saw, spindle = spot
        for row in self._sql.execute(query, (number, after_us, until_us, known_us)):
            yield Stroke(saw, spindle, *row)

    def count(self, spot: Spot, after_us: int, until_us: int, known_us: int) -> int:
        """How many strokes have a message with ``after_us`` < ts ≤ ``until_us``."""
        query = "SELECT count(*) FROM stroke WHERE spot = ? AND ts_us > ? AND ts_us <= ? AND known_us <= ?"
        row = self._sql.execute(query, (self._spots.find(spot), after_us, until_us, known_us)).fetchone()
        return int(row[0])

    def before(self, spot: Spot, until_us: int, known_us: int, count: int) -> list[Stroke]:
        """The last strokes with ts ≤ ``until_us``, in order."""
        number = self._spots.find(spot)
        if number is None:
            return []
        query = f"{_SELECT} AND ts_us <= ? AND known_us <= ? ORDER BY ts_us DESC, stroke DESC LIMIT ?"
        rows = self._sql.execute(query, (number, until_us, known_us, count)).fetchall()
        return [Stroke(*spot, *row) for row in reversed(rows)]

    def stroke_hours(self, spot: Spot, first: int, last: int) -> list[int]:
        """The hours that hold strokes, found by leaps along the key."""
        number = self._spots.find(spot)
        query = (
            "WITH RECURSIVE leap (ts) AS ("
            "SELECT min(ts_us) FROM stroke WHERE spot = :spot AND ts_us >= :from_us UNION ALL "
            "SELECT (SELECT min(ts_us) FROM stroke WHERE spot = :spot AND ts_us >= (leap.ts / :hour + 1) * :hour) "
            "FROM leap WHERE leap.ts < :until_us) SELECT ts / :hour FROM leap WHERE ts < :until_us"
        )
        values = {"spot": number, "from_us": first * HOUR_US, "until_us": (last + 1) * HOUR_US, "hour": HOUR_US}
        return [row[0] for row in self._sql.execute(query, values)]

    def work_hours(self, spot: Spot, first: int, last: int) -> dict[int, list[WorkHour]]:
        """Roll-ups by hour."""
        found: dict[int, list[WorkHour]] = {}
        query = (
            "SELECT hour, work, strokes, filled, area_cmm2, energy_j, pieces, power_min_w FROM work_hour "
            "WHERE spot = ? AND hour BETWEEN ? AND ? ORDER BY hour, work"
        )
        for row in self._sql.execute(query, (self._spots.find(spot), first, last)):
            found.setdefault(row[0], []).append(WorkHour(*row))
        return found

    def strokes_made(self, spot: Spot, first: int, last: int, known_us: int) -> int:
        """Strokes through metal: from the roll-ups, and from the rows of hours in which some became known later."""
        values = {"spot": self._spots.find(spot), "first": first, "last": last, "known": known_us, "hour": HOUR_US}
        query = (
            "SELECT coalesce(sum(strokes + filled), 0) FROM work_hour JOIN counter_hour USING (spot, hour) "
            "WHERE spot = :spot AND hour BETWEEN :first AND :last AND known_us <= :known "
            "AND json_extract(work, '$[2]') IS NOT 'air'"
        )
        total: int = self._sql.execute(query, values).fetchone()[0]
        late = (
            "SELECT count(*) FROM counter_hour AS late JOIN stroke ON stroke.spot = late.spot "
            "AND ts_us >= late.hour * :hour AND ts_us < (late.hour + 1) * :hour "
            "WHERE late.spot = :spot AND late.hour BETWEEN :first AND :last AND late.known_us > :known "
            "AND stroke.known_us <= :known AND kind IS NOT 'air'"
        )
        rest: int = self._sql.execute(late, values).fetchone()[0]
        return total + rest

    def order_sums(
        self, spot: Spot, after_us: int, until_us: int, known_us: int, rated_rpm: float | None
    ) -> list[OrderSum]:
        """Strokes by order, part, alloy and kind, in one pass along the key."""
        query = (
            "SELECT order_no, part, alloy, kind, count(*), count(area_cmm2), coalesce(sum(area_cmm2), 0), "
            "count(length_mm), total(length_mm * (area_cmm2 IS NULL)), total(length_mm * area_cmm2), "
            "count(nullif(max(coalesce(feed_mm_s, 0), 0), 0)), total(turn * (area_cmm2 IS NULL)), "
            "total(turn * area_cmm2) FROM (SELECT *, CASE WHEN feed_mm_s > 0 THEN "
            "coalesce(spindle_rpm, :rpm) / feed_mm_s END AS turn FROM stroke "
            "WHERE spot = :spot AND ts_us > :after AND ts_us <= :until AND known_us <= :known ORDER BY ts_us, stroke) "
            "GROUP BY order_no, part, alloy, kind"
        )
        values = {
            "spot": self._spots.find(spot), "after": after_us, "until": until_us, "known": known_us, "rpm": rated_rpm,
        }  # fmt: skip
        return [OrderSum(*row) for row in self._sql.execute(query, values)]

    def counter_hours(self, spot: Spot, first: int, last: int) -> list[CounterHour]:
        """Counters by hour, in order."""
        query = (
            "SELECT hour, first_us, first_stroke, last_us, last_stroke, plain, known_us FROM counter_hour "
            "WHERE spot = ? AND hour BETWEEN ? AND ? ORDER BY hour"
        )
        rows = self._sql.execute(query, (self._spots.find(spot), first, last))
        return [CounterHour(h, a, b, c, d, bool(plain), known) for h, a, b, c, d, plain, known in rows]

    # Roll-ups

    def _refresh(self, spot: Spot, new: list[Stroke], outcome: Outcome) -> None:
        """Bring the touched hours up to date: onto what stands where the strokes come in order, else anew."""
        number = self._spots.number(spot)
        by_hour: dict[int, list[Stroke]] = {}
        for stroke in new:
            by_hour.setdefault(hour_of(stroke.ts_us), []).append(stroke)
        for hour, strokes in by_hour.items():
            outcome.hours.add((spot, hour))
            strokes.sort(key=lambda stroke: (stroke.ts_us, stroke.stroke))
            counters = self.counter_hours(spot, hour, hour)
            works = self.work_hours(spot, hour, hour).get(hour, ())
            first = (strokes[0].ts_us, strokes[0].stroke)
            if counters and works and first > (counters[0].last_us, counters[0].last_stroke):
                query = f"{_SELECT} AND ts_us = ? AND stroke = ?"
                row = self._sql.execute(query, (number, counters[0].last_us, counters[0].last_stroke)).fetchone()
                fold = HourFold.resume(counters[0], works, Stroke(*spot, *row))
            else:
                self._rework(number, spot, hour)
                continue
            for stroke in strokes:
                fold.add(stroke)
            self._store(number, fold)

    def _rework(self, number: int, spot: Spot, hour: int) -> None:
        fold = HourFold(hour)
        for stroke in self.between(spot, hour * HOUR_US - 1, (hour + 1) * HOUR_US - 1, 2**63 - 1):
            fold.add(stroke)
        self._sql.execute("DELETE FROM work_hour WHERE spot = ? AND hour = ?", (number, hour))
        self._store(number, fold)

    def _store(self, number: int, fold: HourFold) -> None:
        counter = fold.counter_row()
        if counter is None:
            return
        self._sql.executemany(
            "INSERT OR REPLACE INTO work_hour VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            ((number, *row) for row in fold.work_rows()),
        )
        self._sql.execute("INSERT OR REPLACE INTO counter_hour VALUES (?, ?, ?, ?, ?, ?, ?, ?)", (number, *counter))

    def rebuild(self) -> Iterator[str]:
        """All roll-ups anew; yields a line for each spindle."""
        self._sql.execute("DELETE FROM work_hour")
        self._sql.execute("DELETE FROM counter_hour")
        for spot, number in self._spots.all():
            fold: HourFold | None = None
            count = 0
            for stroke in self.between(spot, -(2**63), 2**63 - 1, 2**63 - 1):
                hour = hour_of(stroke.ts_us)
                if fold is None or fold.hour != hour:
                    if fold is not None:
                        self._store(number, fold)
                    fold = HourFold(hour)
                fold.add(stroke)
                count += 1
            if fold is not None:
                self._store(number, fold)
            yield f"saw {spot[0]} spindle {spot[1]}: {count} strokes"
