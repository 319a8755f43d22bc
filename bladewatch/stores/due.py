"""The hours that changed since their sheet was forwarded, and who it is that forwards them."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable

from bladewatch.stores.protocols import Spot


class DueHours:
    """The table ``due_hour``. Whoever calls has a transaction open."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._sql = connection

    @property
    def collector(self) -> str:
        """The name of this file among those that forward to a shared store: it was drawn when the file was made."""
        return str(self._sql.execute("SELECT value FROM meta WHERE name = 'collector'").fetchone()[0])

    def mark(self, hours: Iterable[tuple[int, int]]) -> None:
        """Strokes or readings of these spots and hours came."""
        self._sql.executemany("INSERT OR IGNORE INTO due_hour VALUES (?, ?)", hours)

    def ended(self, before_hour: int, most: int) -> list[tuple[Spot, int]]:
        """The first that lie before an hour."""
        query = (
            "SELECT saw, spindle, hour FROM due_hour JOIN spot ON spot.id = spot WHERE hour < ? "
            "ORDER BY spot, hour LIMIT ?"
        )
        return [((saw, spindle), hour) for saw, spindle, hour in self._sql.execute(query, (before_hour, most))]

    def done(self, hours: Iterable[tuple[Spot, int]]) -> None:
        """Their sheets wait to be forwarded."""
        query = "DELETE FROM due_hour WHERE hour = ? AND spot = (SELECT id FROM spot WHERE saw = ? AND spindle = ?)"
        self._sql.executemany(query, ((hour, *spot) for spot, hour in hours))
