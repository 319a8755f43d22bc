"""Samples and waveforms in SQLite: rows while they are fresh, packed hours later, minutes after expiry."""

from __future__ import annotations

import hashlib
import sqlite3
import zlib
from array import array
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from typing import Final

from bladewatch.contact import POWER_SIGNALS, hour_of
from bladewatch.stores.blocks import Reading, pack, unpack
from bladewatch.stores.idle import UNKNOWN, Occupied, millionths, outside_hour
from bladewatch.stores.outbox import Outbox
from bladewatch.stores.protocols import Conflict, Idle, Outcome, Spot
from bladewatch.stores.spots import Spots
from bladewatch.stores.strokes import StrokeTable
from collectors.facts import Sample, Waveform, canonical_text
from collectors.instants import DAY_US, HOUR_US, MINUTE_US
from collectors.signals import CATALOGUE

PACK_AFTER_US: Final = 2 * DAY_US
WORDS: Final = tuple(signal.name for signal in CATALOGUE.values() if signal.words)
"""Signals that are words, like the state: a mean of words says nothing, so their readings stay for good."""
_INSERT: Final = "INSERT OR IGNORE INTO sample VALUES (?, ?, ?, ?)"
_REPLACE: Final = "INSERT OR REPLACE INTO sample VALUES (?, ?, ?, ?)"


class SampleTable:
    """The tables ``sample``, ``block``, ``minute``, ``idle_hour`` and ``waveform``."""

    def __init__(
        self, connection: sqlite3.Connection, spots: Spots, strokes: StrokeTable, outbox: Outbox | None = None
    ) -> None:
        self._outbox = outbox
        self._sql = connection
        self._spots = spots
        self._strokes = strokes

    # Writing

    def append(self, samples: Sequence[Sample]) -> Outcome:
        """Store samples; of two with one identity the one known earlier stays."""
        outcome = Outcome()
        if not samples:
            return outcome
        series = self._spots.series
        rows = [(series((s.saw, s.spindle), s.signal, s.point), s.ts_us, s.value, s.known_us) for s in samples]
        self._thaw_for(rows)
        self._sql.execute("SAVEPOINT all_new")
        before = self._sql.total_changes
        self._sql.executemany(_INSERT, rows)
        if self._sql.total_changes - before == len(rows) and not self._any_expired(rows):
            self._sql.execute("RELEASE all_new")
            outcome.taken = len(rows)
            new: Iterable[Sample] = samples
        else:
            self._sql.execute("ROLLBACK TO all_new")
            self._sql.execute("RELEASE all_new")
            new = self._append_singly(samples, rows, outcome)
        dirty: set[tuple[int, int]] = set()
        new = list(new)
        if self._outbox is not None:
            self._outbox.put(new)
        for sample in new:
            spot = (sample.saw, sample.spindle)
            outcome.touch(spot, sample.ts_us)
            if sample.signal in POWER_SIGNALS:
                dirty.add((series(spot, sample.signal, sample.point), hour_of(sample.ts_us)))
        self._sql.executemany(
            "INSERT OR REPLACE INTO idle_hour VALUES (?, ?, ?, 0, 0)", ((s, hour, UNKNOWN) for s, hour in sorted(dirty))
        )
        return outcome

    def _append_singly(
        self, samples: Sequence[Sample], rows: list[tuple[int, int, float, int]], outcome: Outcome
    ) -> list[Sample]:
        new: list[Sample] = []
        for sample, row in zip(samples, rows, strict=True):
            number, ts_us, value, known_us = row
            if self._expired(number, ts_us):
                outcome.repeated += 1
                continue
            if self._sql.execute(_INSERT, row).rowcount == 1:
                new.append(sample)
                outcome.taken += 1
                continue
            query = "SELECT value, known_us FROM sample WHERE series = ? AND ts_us = ?"
            its_value, its_known = self._sql.execute(query, (number, ts_us)).fetchone()
            stands = Sample(sample.saw, sample.spindle, sample.signal, sample.point, ts_us, its_value, its_known)
            if value == its_value:
                outcome.repeated += 1
                if known_us < its_known:
                    self._sql.execute(_REPLACE, row)
                    new.append(sample)
            elif (known_us, canonical_text(sample)) < (its_known, canonical_text(stands)):
                self._sql.execute(_REPLACE, row)
                new.append(sample)
                outcome.taken += 1
                outcome.conflicts.append(Conflict(stands, had_stood=True))
            else:
                outcome.conflicts.append(Conflict(sample, had_stood=False))
        return new

    def _thaw_for(self, rows: list[tuple[int, int, float, int]]) -> None:
        """Unpack the hours that late samples fall into, so that their identities can be compared."""
        for number, hour in {(row[0], hour_of(row[1])) for row in rows}:
            self._thaw(number, hour)

    def _thaw(self, number: int, hour: int) -> None:
        row = self._sql.execute("SELECT packed FROM block WHERE series = ? AND hour = ?", (number, hour)).fetchone()
        if row is None:
            return
        self._sql.execute("DELETE FROM block WHERE series = ? AND hour = ?", (number, hour))
        self._sql.executemany(_INSERT, ((number, r.ts_us, r.value, r.known_us) for r in unpack(row[0])))

    def _any_expired(self, rows: list[tuple[int, int, float, int]]) -> bool:
        oldest = min(row[1] for row in rows)
        newest = self._sql.execute("SELECT max(minute) FROM minute").fetchone()[0]
        return newest is not None and oldest // MINUTE_US <= newest and any(self._expired(r[0], r[1]) for r in rows)

    def _expired(self, number: int, ts_us: int) -> bool:
        query = "SELECT 1 FROM minute WHERE series = ? AND minute = ?"
        return self._sql.execute(query, (number, ts_us // MINUTE_US)).fetchone() is not None

    def append_waveforms(self, waveforms: Sequence[Waveform]) -> Outcome:
        """Store waveforms; of two with one identity the one known earlier stays."""
        outcome = Outcome()
        new: list[Waveform] = []
        for wave in waveforms:
            number = self._spots.series((wave.saw, wave.spindle), "waveform", wave.point)
            content = canonical_text(wave)
            digest = hashlib.sha256(content).hexdigest()
            query = "SELECT digest, known_us, fs_hz, unit, samples FROM waveform WHERE series = ? AND ts_us = ?"
            row = self._sql.execute(query, (number, wave.ts_us)).fetchone()
            if row is None:
                outcome.taken += 1
            elif row[0] == digest:
                outcome.repeated += 1
                if wave.known_us >= row[1]:
                    continue
            else:
                values = array("d", b"" if row[4] is None else zlib.decompress(row[4]))
                stands = Waveform(wave.saw, wave.spindle, wave.point, wave.ts_us, row[2], row[3], tuple(values), row[1])
                if (wave.known_us, content) >= (stands.known_us, canonical_text(stands)):
                    outcome.conflicts.append(Conflict(wave, had_stood=False))
                    continue
                outcome.taken += 1
                outcome.conflicts.append(Conflict(stands, had_stood=True))
            packed = zlib.compress(array("d", wave.samples).tobytes(), 6)
            self._sql.execute(
                "INSERT OR REPLACE INTO waveform VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (number, wave.ts_us, wave.known_us, wave.fs_hz, wave.unit, len(wave.samples), digest, packed),
            )
            new.append(wave)
        if self._outbox is not None:
            self._outbox.put(new)
        return outcome

    # Reading

    def waveforms(self, spot: Spot) -> Iterator[Waveform]:
        """The waveforms of a spindle whose samples are still there, in order."""
        for number, signal, point in self._spots.series_of(spot):
            if signal != "waveform":
                continue
            query = (
                "SELECT ts_us, fs_hz, unit, samples, known_us FROM waveform WHERE series = ? AND samples IS NOT NULL"
            )
            for ts_us, fs_hz, unit, packed, known_us in self._sql.execute(f"{query} ORDER BY ts_us", (number,)):
                values = tuple(array("d", zlib.decompress(packed)))
                yield Waveform(*spot, point, ts_us, fs_hz, unit, values, known_us)

    def readings(
        self, spot: Spot, signal: str, point: str, after_us: int, until_us: int, known_us: int
    ) -> list[Reading]:
        """Raw readings with ``after_us`` < ts ≤ ``until_us`` known by ``known_us``, in order."""
        number = self._spots.find_series(spot, signal, point)
        if number is None:
            return []
        query = "SELECT ts_us, value, known_us FROM sample WHERE series = ? AND ts_us > ? AND ts_us <= ?"
        found = [Reading(*row) for row in self._sql.execute(query, (number, after_us, until_us)) if row[2] <= known_us]
        query = "SELECT packed FROM block WHERE series = ? AND hour BETWEEN ? AND ?"
        for (packed,) in self._sql.execute(query, (number, hour_of(after_us), hour_of(until_us))):
            found.extend(r for r in unpack(packed) if after_us < r.ts_us <= until_us and r.known_us <= known_us)
        found.sort()
        return found

    def latest(self, spot: Spot, until_us: int, known_us: int) -> dict[tuple[str, str], Reading]:
        """The last reading of each signal and point."""
        found = {}
        for number, signal, point in self._spots.series_of(spot):
            last = self._latest_of(number, until_us, known_us)
            if last is not None:
                found[signal, point] = last
        return found

    def _latest_of(self, number: int, until_us: int, known_us: int) -> Reading | None:
        query = (
            "SELECT ts_us, value, known_us FROM sample WHERE series = ? AND ts_us <= ? AND known_us <= ? "
            "ORDER BY ts_us DESC LIMIT 1"
        )
        row = self._sql.execute(query, (number, until_us, known_us)).fetchone()
        best = Reading(*row) if row is not None else None
        floor = hour_of(best.ts_us) if best is not None else -(2**62)
        query = "SELECT packed FROM block WHERE series = ? AND hour > ? AND hour <= ? ORDER BY hour DESC"
        for (packed,) in self._sql.execute(query, (number, floor, hour_of(until_us))):
            fit = [r for r in unpack(packed) if r.ts_us <= until_us and r.known_us <= known_us]
            if fit:
                best = fit[-1]
                break
        query = (
            "SELECT minute, sum(total), sum(n), max(known_us) FROM minute "
            "WHERE series = ? AND minute > ? AND minute < ? AND known_us <= ? "
            "GROUP BY minute ORDER BY minute DESC LIMIT 1"
        )
        floor = -(2**62) if best is None else best.ts_us // MINUTE_US
        row = self._sql.execute(query, (number, floor, until_us // MINUTE_US, known_us)).fetchone()
        return best if row is None else Reading(row[0] * MINUTE_US, row[1] / row[2] / 1e6, row[3])

    def summarised_to(self, spot: Spot, until_us: int) -> int | None:
        """Up to when, before an instant, readings of power or vibration are summaries a minute; None where none are."""
        found = []
        for number, signal, _ in self._spots.series_of(spot):
            if signal in POWER_SIGNALS or signal == "velocity_mm_s":
                query = "SELECT max(minute) FROM minute WHERE series = ? AND minute <= ?"
                row = self._sql.execute(query, (number, until_us // MINUTE_US)).fetchone()
                if row[0] is not None:
                    found.append((int(row[0]) + 1) * MINUTE_US)
        return max(found, default=None)

    # Idle power

    def mark_idle(self, strokes: Iterable[tuple[Spot, int]]) -> None:
        """Strokes came: idle power of their hour and its neighbours is to be worked out again."""
        for spot, hour in strokes:
            for signal in POWER_SIGNALS:
                number = self._spots.find_series(spot, signal, "")
                if number is not None:
                    self._sql.execute(
                        "UPDATE idle_hour SET n = ? WHERE series = ? AND hour BETWEEN ? AND ?",
                        (UNKNOWN, number, hour - 1, hour + 1),
                    )

    def idle_hours(self, spot: Spot, signal: str, first: int, last: int, known_us: int) -> list[Idle]:
        """Power outside strokes by hour; what is not worked out, or known too late, is worked out here.

        Hours whose readings all lie in strokes stand with none, as what they rest on counts too.
        """
        number = self._spots.find_series(spot, signal, "")
        query = "SELECT hour, n, total, known_us FROM idle_hour WHERE series = ? AND hour BETWEEN ? AND ?"
        kept = {row[0]: Idle(*row) for row in self._sql.execute(query, (number, first, last))}
        found = []
        for hour in self._hours_with_readings(number, first, last):
            idle = kept.get(hour)
            if idle is None or idle.n == UNKNOWN or idle.known_us > known_us:
                idle = self._work_out(spot, signal, hour, known_us)
            found.append(idle)
        return found

    def _hours_with_readings(self, number: int | None, first: int, last: int) -> list[int]:
        """Hours of a series that hold readings: fresh ones by leaps along the key, packed hours, summaries."""
        leaps = (
            "WITH RECURSIVE leap (ts) AS ("
            "SELECT min(ts_us) FROM sample WHERE series = :series AND ts_us >= :from_us UNION ALL "
            "SELECT (SELECT min(ts_us) FROM sample WHERE series = :series AND ts_us >= (leap.ts / :hour + 1) * :hour) "
            "FROM leap WHERE leap.ts < :until_us) SELECT ts / :hour FROM leap WHERE ts < :until_us "
            "UNION SELECT hour FROM block WHERE series = :series AND hour BETWEEN :first AND :last "
            "UNION SELECT minute / 60 FROM minute "
            "WHERE series = :series AND minute BETWEEN :first * 60 AND :last * 60 + 59 "
            "ORDER BY 1"
        )
        span = {"from_us": first * HOUR_US, "until_us": (last + 1) * HOUR_US, "hour": HOUR_US}
        rows = self._sql.execute(leaps, {"series": number, "first": first, "last": last, **span})
        return [row[0] for row in rows]

    def refresh_idle(self, before_us: int) -> None:
        """Work out touched hours that have ended."""
        query = (
            "SELECT saw, spindle, signal, series, hour FROM idle_hour JOIN series ON series.id = series "
            "JOIN spot ON spot.id = spot WHERE n = ? AND hour < ? ORDER BY series, hour"
        )
        for saw, spindle, signal, number, hour in self._sql.execute(query, (UNKNOWN, hour_of(before_us))).fetchall():
            idle = self._work_out((saw, spindle), signal, hour, 2**62)
            self._sql.execute("INSERT OR REPLACE INTO idle_hour VALUES (?, ?, ?, ?, ?)", (number, *idle))

    def _work_out(self, spot: Spot, signal: str, hour: int, known_us: int) -> Idle:
        start, end = hour * HOUR_US, (hour + 1) * HOUR_US
        occupied = self._occupied(spot, hour, known_us)
        readings = self.readings(spot, signal, "", start - 1, end - 1, known_us)
        idle = outside_hour(hour, readings, occupied)
        number = self._spots.find_series(spot, signal, "")
        query = "SELECT n, total, known_us FROM minute WHERE series = ? AND minute BETWEEN ? AND ? AND inside = 0"
        for n, total, known in self._sql.execute(query, (number, start // MINUTE_US, end // MINUTE_US - 1)):
            if known <= known_us:
                idle = Idle(hour, idle.n + n, idle.total + total, max(idle.known_us, known))
        return idle

    def _occupied(self, spot: Spot, hour: int, known_us: int) -> Occupied:
        """The times in metal around an hour; only strokes that had ended by ``known_us`` are known of."""
        start, end = hour * HOUR_US, (hour + 1) * HOUR_US
        strokes = self._strokes.before(spot, start - 1, known_us, 1)
        strokes += self._strokes.between(spot, start - 1, min(end - 1, known_us), known_us)
        following = next(self._strokes.between(spot, end - 1, min(end + HOUR_US, known_us), known_us), None)
        return Occupied(strokes if following is None else [*strokes, following])

    def forget_idle(self) -> None:
        """Idle power of every hour is to be worked out anew."""
        self._sql.execute("DELETE FROM idle_hour")
        for number, signal in self._sql.execute("SELECT id, signal FROM series").fetchall():
            if signal in POWER_SIGNALS:
                hours = self._hours_with_readings(number, -(2**31), 2**31)
                rows = ((number, hour, UNKNOWN) for hour in hours)
                self._sql.executemany("INSERT INTO idle_hour VALUES (?, ?, ?, 0, 0)", rows)

    # Upkeep

    def pack_steps(self, now_us: int, keep_raw_us: int) -> Iterator[tuple[int, int]]:
        """Pack hours older than two days, and let those older than ``keep_raw_us`` go; yields after each hour.

        History that was brought in late stays for two more days, so that its other files can still be compared with
        it. The caller commits between steps.
        """
        horizon, expired = hour_of(now_us - PACK_AFTER_US), hour_of(now_us - keep_raw_us)
        query = "SELECT DISTINCT series, ts_us / ? FROM sample WHERE ts_us < ? ORDER BY 1, 2"
        rows: list[tuple[int, int]] = self._sql.execute(query, (HOUR_US, horizon * HOUR_US)).fetchall()
        for number, hour in rows:
            self._pack_hour(number, hour, now_us)
            yield number, hour
        marks = ", ".join("?" * len(WORDS))
        query = (
            "SELECT series, hour FROM block JOIN series ON series.id = series "  # noqa: S608 (question marks only)
            f"WHERE hour < ? AND known_us >= 0 AND packed_us <= ? AND signal NOT IN ({marks}) ORDER BY series, hour"
        )
        for number, hour in self._sql.execute(query, (expired, now_us - PACK_AFTER_US, *WORDS)).fetchall():
            self._expire_hour(number, hour)
            yield number, hour

    def _pack_hour(self, number: int, hour: int, now_us: int) -> None:
        self._thaw(number, hour)
        span = (number, hour * HOUR_US, (hour + 1) * HOUR_US - 1)
        query = "SELECT ts_us, value, known_us FROM sample WHERE series = ? AND ts_us BETWEEN ? AND ? ORDER BY ts_us"
        readings = [Reading(*row) for row in self._sql.execute(query, span)]
        if not readings:  # another process was quicker
            return
        self._sql.execute("DELETE FROM sample WHERE series = ? AND ts_us BETWEEN ? AND ?", span)
        self._put_block(number, hour, readings, max(reading.known_us for reading in readings), now_us)

    def _put_block(self, number: int, hour: int, readings: list[Reading], known_us: int, packed_us: int) -> None:
        row = (number, hour, len(readings), known_us, packed_us, pack(readings))
        self._sql.execute("INSERT OR REPLACE INTO block VALUES (?, ?, ?, ?, ?, ?)", row)

    def _expire_hour(self, number: int, hour: int) -> None:
        """Minutes with more than one reading become a summary; a reading alone in its minute stays for good.

        So do readings inside a stroke whose message carries no energy: they are all that tells it.
        """
        query = "SELECT packed FROM block WHERE series = ? AND hour = ?"
        row = self._sql.execute(query, (number, hour)).fetchone()
        if row is None:  # another process was quicker
            return
        readings = unpack(row[0])
        query = "SELECT saw, spindle FROM series JOIN spot ON spot.id = spot WHERE series.id = ?"
        occupied = self._occupied(self._sql.execute(query, (number,)).fetchone(), hour, 2**62)
        alone: list[Reading] = []
        for minute, group in groupby(readings, lambda reading: reading.ts_us // MINUTE_US):
            members = list(group)
            needed = members if len(members) == 1 else [r for r in members if occupied.needs(r.ts_us)]
            alone.extend(needed)
            members = [reading for reading in members if reading not in needed]
            for inside in (0, 1):
                part = [r for r in members if occupied.holds(r.ts_us) == bool(inside)]
                if part:
                    self._add_minute(number, minute, inside, part)
        self._sql.execute("DELETE FROM block WHERE series = ? AND hour = ?", (number, hour))
        if alone:  # a negative known_us marks an hour that holds nothing more to let go
            self._put_block(number, hour, alone, -1, 0)

    def _add_minute(self, number: int, minute: int, inside: int, part: list[Reading]) -> None:
        values = [reading.value for reading in part]
        row = (number, minute, inside, len(part), sum(map(millionths, values)), min(values), max(values))
        self._sql.execute(
            "INSERT INTO minute VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET n = n + excluded.n, "
            "total = total + excluded.total, low = min(low, excluded.low), high = max(high, excluded.high), "
            "known_us = max(known_us, excluded.known_us)",
            (*row, max(reading.known_us for reading in part)),
        )

    def keep_quota(self, waveforms_bytes: int) -> int:
        """Drop the samples of the oldest waveforms over the quota; their rows stay as the count."""
        rows = self._sql.execute(
            "SELECT series, ts_us, length(samples) FROM waveform WHERE samples IS NOT NULL ORDER BY ts_us DESC"
        ).fetchall()
        room, dropped = waveforms_bytes, 0
        for number, ts_us, size in rows:
            room -= size
            if room < 0:
                self._sql.execute("UPDATE waveform SET samples = NULL WHERE series = ? AND ts_us = ?", (number, ts_us))
                dropped += 1
        return dropped
