"""Numbers for spindles and series: other tables name them by these."""

from __future__ import annotations

import sqlite3

from bladewatch.stores.protocols import Spot


class Spots:
    """The tables ``spot`` and ``series``, remembered while the store is open."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._sql = connection
        self._spots: dict[Spot, int] = {}
        self._series: dict[tuple[int, str, str], int] = {}

    def forget(self) -> None:
        """After a rollback: a number handed out may not stand."""
        self._spots.clear()
        self._series.clear()

    def find(self, spot: Spot) -> int | None:
        """The number of a spindle, or None where nothing of it is stored."""
        number = self._spots.get(spot)
        if number is None:
            row = self._sql.execute("SELECT id FROM spot WHERE saw = ? AND spindle = ?", spot).fetchone()
            if row is None:
                return None
            number = self._spots[spot] = int(row[0])
        return number

    def number(self, spot: Spot) -> int:
        """The number of a spindle, made where there is none."""
        number = self.find(spot)
        if number is None:
            self._sql.execute("INSERT INTO spot (saw, spindle) VALUES (?, ?)", spot)
            return self.number(spot)
        return number

    def find_series(self, spot: Spot, signal: str, point: str) -> int | None:
        """The number of a series, or None."""
        number = self.find(spot)
        if number is None:
            return None
        key = (number, signal, point)
        found = self._series.get(key)
        if found is None:
            query = "SELECT id FROM series WHERE spot = ? AND signal = ? AND point = ?"
            row = self._sql.execute(query, key).fetchone()
            if row is None:
                return None
            found = self._series[key] = int(row[0])
        return found

    def series(self, spot: Spot, signal: str, point: str) -> int:
        """The number of a series, made where there is none."""
        found = self.find_series(spot, signal, point)
        if found is None:
            key = (self.number(spot), signal, point)
            self._sql.execute("INSERT INTO series (spot, signal, point) VALUES (?, ?, ?)", key)
            return self.series(spot, signal, point)
        return found

    def all(self) -> list[tuple[Spot, int]]:
        """Every spindle with its number."""
        rows = self._sql.execute("SELECT saw, spindle, id FROM spot ORDER BY saw, spindle").fetchall()
        return [((saw, spindle), number) for saw, spindle, number in rows]

    def series_of(self, spot: Spot) -> list[tuple[int, str, str]]:
        """Number, signal and point of each series of a spindle."""
        query = "SELECT id, signal, point FROM series WHERE spot = ? ORDER BY signal, point"
        return self._sql.execute(query, (self.find(spot),)).fetchall()
