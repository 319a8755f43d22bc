"""What waits to be forwarded: facts that were stored here in the same transaction, packed, in the order they came.

A row leaves only when the server was seen to hold all of its points. The table is bounded: when it is full nothing more
is stored, so nothing more is acknowledged, and the broker keeps the rest.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Iterable, Mapping, Sequence
from typing import Final, NamedTuple

from bladewatch.errors import UnreachableError
from bladewatch.stores.lines import US_NS, Point, Series, known_by_series, points_of
from collectors.facts import Sample, Stroke, Waveform
from collectors.instants import HOUR_US

HOUR_NS: Final = HOUR_US * US_NS
FAST: Final = 1
"""How hard lines are packed: they alike are many, and the collector waits."""


Sums = dict[Series, tuple[int, int]]
"""How many points of a series there are, and the sum of their ``known_us``."""


class Waiting(NamedTuple):
    """A row: lines of one measurement, how many, from when to when [ns]; when it was sent, if it was."""

    id: int
    measurement: str
    points: int
    first_ns: int
    last_ns: int
    sent_us: int | None
    lines: bytes
    packed_sums: str | None

    @property
    def sums(self) -> Sums:
        """Its points, added up by series."""
        if self.packed_sums is None:  # a row of an earlier version
            return sums_of(known_by_series(self.text.decode()))
        told = json.loads(self.packed_sums)
        return {Series(self.measurement, *tags): (count, total) for *tags, count, total in told}

    @property
    def text(self) -> bytes:
        """The lines."""
        return zlib.decompress(self.lines)


class Backlog(NamedTuple):
    """How many rows and points wait, how many of the points were sent, the room they take, the oldest's time [ns]."""

    rows: int
    points: int
    sent: int
    size: int
    oldest_ns: int | None


class Outbox:
    """The table ``outbox``. Whoever calls has a transaction open."""

    def __init__(self, connection: sqlite3.Connection, room_bytes: int) -> None:
        self._sql = connection
        self._room = room_bytes

    def put(self, facts: Sequence[Stroke | Sample | Waveform]) -> None:
        """Keep facts that were stored, to be forwarded. Raises ``UnreachableError`` where there is no room."""
        self.put_points(points_of(facts))

    def put_points(self, points: Iterable[Point]) -> None:
        """Keep points of one measurement, to be forwarded. Raises ``UnreachableError`` where there is no room."""
        hours: dict[int, list[Point]] = {}
        for point in points:
            hours.setdefault(point.time_ns // HOUR_NS, []).append(point)
        for _, together in sorted(hours.items()):
            self._put(together)

    def _put(self, points: Sequence[Point]) -> None:
        """A row of one measurement and hour, so that whoever looks for its points need not look far."""
        packed = zlib.compress("\n".join(point.line for point in points).encode(), FAST)
        size = self.size() + len(packed)
        if size > self._room:
            text = f"the spool is full: {size // 1_000_000} MB wait for the shared store; see [store] spool_mb"
            raise UnreachableError(text)
        known: dict[Series, dict[int, int]] = {}
        for point in points:
            known.setdefault(point.series, {})[point.time_ns] = point.known_us
        times = [point.time_ns for point in points]
        row = (points[0].series.measurement, len(points), len(packed), min(times), max(times), packed, _packed(known))
        self._sql.execute(
            "INSERT INTO outbox (measurement, count, size, first_ns, last_ns, lines, sums) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            row,
        )

    def size(self) -> int:
        """The room that is taken [bytes]."""
        return int(self._sql.execute("SELECT coalesce(sum(size), 0) FROM outbox").fetchone()[0])

    def backlog(self) -> Backlog:
        """What waits."""
        query = (
            "SELECT count(*), coalesce(sum(count), 0), coalesce(sum(CASE WHEN sent_us IS NOT NULL THEN count END), 0), "
            "coalesce(sum(size), 0), min(first_ns) FROM outbox"
        )
        return Backlog(*self._sql.execute(query).fetchone())

    def unsent(self, most: int) -> list[Waiting]:
        """The first rows that were not sent, of one measurement, with about so many points together."""
        return self._some("sent_us IS NULL", (), most)

    def sent(self, before_us: int, most: int) -> list[Waiting]:
        """The first rows that were sent by an instant, of one measurement, with about so many points together."""
        return self._some("sent_us <= ?", (before_us,), most)

    def _some(self, which: str, values: tuple[int, ...], most: int) -> list[Waiting]:
        first = f"(SELECT measurement FROM outbox WHERE {which} ORDER BY id LIMIT 1)"  # noqa: S608 (our own words)
        query = (
            "SELECT id, measurement, count, first_ns, last_ns, sent_us, lines, sums FROM outbox "  # noqa: S608 (our own words)
            f"WHERE {which} AND measurement = {first} ORDER BY id"
        )
        found: list[Waiting] = []
        count = 0
        for row in map(Waiting._make, self._sql.execute(query, (*values, *values))):
            if found and (count + row.points > most or _far(row, found[0])):
                break
            found.append(row)
            count += row.points
        return found

    def mark_sent(self, ids: Iterable[int], at_us: int) -> None:
        """The server took these."""
        self._sql.executemany("UPDATE outbox SET sent_us = ? WHERE id = ?", ((at_us, row_id) for row_id in ids))

    def send_again(self, ids: Iterable[int]) -> None:
        """The server does not hold all of these."""
        self._sql.executemany("UPDATE outbox SET sent_us = NULL WHERE id = ?", ((row_id,) for row_id in ids))

    def release(self, ids: Iterable[int]) -> None:
        """The server holds all of these."""
        self._sql.executemany("DELETE FROM outbox WHERE id = ?", ((row_id,) for row_id in ids))

    def replace(self, row: Waiting, lines: Sequence[bytes]) -> None:
        """A row without the lines that the server refused for good."""
        packed = zlib.compress(b"\n".join(lines), FAST)
        query = "UPDATE outbox SET lines = ?, size = ?, count = ?, sums = ? WHERE id = ?"
        sums = _packed(known_by_series(b"\n".join(lines).decode()))
        self._sql.execute(query, (packed, len(packed), len(lines), sums, row.id))


def sums_of(known: Mapping[Series, Mapping[int, int]]) -> Sums:
    """Points added up by series."""
    return {series: (len(points), sum(points.values())) for series, points in known.items()}


def _packed(known: Mapping[Series, Mapping[int, int]]) -> str:
    return json.dumps([[*series[1:], *sums] for series, sums in sums_of(known).items()], separators=(",", ":"))


def _far(one: Waiting, other: Waiting) -> bool:
    """Whether two rows lie so far apart that looking for both at once would look at much that is neither."""
    return abs(one.first_ns - other.first_ns) > 2 * HOUR_NS
