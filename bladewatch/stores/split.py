"""A store in two places: signals in a file here, books in a database that several share.

The books are committed first. If the signals then fail, the message is not acknowledged and comes again: what the books
kept of it is known by its identity, and checkpoints that went are made anew. The other way round a stroke could be kept
whose checkpoints were not dropped.
"""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import func, select
from sqlalchemy.exc import SQLAlchemyError

from bladewatch.errors import UsageError
from bladewatch.stores import tables
from bladewatch.stores.postgres import PostgresBooks
from bladewatch.stores.protocols import ALWAYS_US
from bladewatch.stores.sqlite import SqliteStore


class SplitStore(SqliteStore):
    """``Store`` whose signals are in one SQLite file and whose books are elsewhere."""

    shares_books = True

    def __init__(self, path: Path | str, books: PostgresBooks, site: str = "", spool_bytes: int | None = None) -> None:
        self._elsewhere = books
        super().__init__(path, site, spool_bytes)
        kept = self._books_connection.execute(select(func.count()).select_from(tables.ledger)).scalar_one()
        self.books = books.books
        if kept and not books.books.revision(ALWAYS_US, ALWAYS_US)[0]:
            self.close()
            raise UsageError(
                f"[store] ledger_url: {books.name} has no ledger, and {path} has one of {kept} rows; "
                f"copy it first: bladewatch store copy sqlite:///{Path(path).name} {books.name}"
            )

    def _begin(self, write: bool) -> None:
        self._elsewhere.begin(write)
        self.books = self._elsewhere.books
        try:
            super()._begin(write)
        except BaseException:
            self._elsewhere.roll_back()
            raise

    def _commit(self) -> None:
        try:
            self._elsewhere.commit()
        except BaseException:
            self._roll_back()
            raise
        super()._commit()

    def _roll_back(self) -> None:
        self._elsewhere.roll_back()
        super()._roll_back()

    def _told(self, error: BaseException) -> BaseException:
        return self._elsewhere.unreachable(error) if isinstance(error, SQLAlchemyError) else super()._told(error)

    def close(self) -> None:
        """Let go of the file and of the database."""
        self._elsewhere.close()
        super().close()
