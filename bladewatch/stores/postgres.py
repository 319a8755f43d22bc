"""The books in PostgreSQL: one truth for a site's collector and desks. The same code and tables as in SQLite.

Writers take turns, as they do in SQLite: a transaction begins with a lock that belongs to these books. A reader has one
view of its own. A connection that was lost is made anew when the next transaction begins.
"""

from __future__ import annotations

import os
from contextlib import suppress
from ssl import SSLError, create_default_context
from typing import Final

from sqlalchemy import URL, Connection, Engine, ExceptionContext, create_engine, event, insert, make_url, select
from sqlalchemy.exc import ArgumentError, SQLAlchemyError

from bladewatch.errors import UNTRUSTED, UnreachableError, UsageError
from bladewatch.stores import tables
from bladewatch.stores.books import SqlBooks

SECRET_FROM: Final = "BLADEWATCH_LEDGER_PASSWORD"  # noqa: S105 (a name)
WRITERS: Final = 0x626C_6164_6577_6174
"""The number of the lock that writers of these books take."""
WAIT_S: Final = 10


class PostgresBooks:
    """An opened database of books. Not for use from several threads: open one each."""

    def __init__(self, url: str, site: str = "") -> None:
        self._url = _checked(url)
        self.name = _shown(self._url)
        tls = {"ssl_context": create_default_context()} if self._url.query.get("tls") == "true" else {}
        self._engine: Engine = create_engine(
            self._url.set(query={}), connect_args={"timeout": WAIT_S, **tls}, isolation_level="AUTOCOMMIT"
        )
        event.listen(self._engine, "handle_error", self._lost, retval=True)
        self._connection = self._connected()
        self.books = SqlBooks(self._connection)
        self._prepare(site)

    def begin(self, write: bool) -> None:
        """Begin a transaction, on a new connection where the last one was lost. Raises ``UnreachableError``."""
        try:
            self._begin(write)
        except (SQLAlchemyError, UnreachableError):
            self._let_go()
            self._connection = self._connected()
            self.books = SqlBooks(self._connection)
            try:
                self._begin(write)
            except SQLAlchemyError as error:
                raise self.unreachable(error) from error

    def _begin(self, write: bool) -> None:
        if write:
            self._connection.exec_driver_sql("BEGIN")
            self._connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({WRITERS})")
        else:
            self._connection.exec_driver_sql("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")

    def commit(self) -> None:
        """Keep what was written. Raises ``UnreachableError`` where that is not certain."""
        try:
            self._connection.exec_driver_sql("COMMIT")
        except SQLAlchemyError as error:
            raise self.unreachable(error) from error

    def roll_back(self) -> None:
        """Undo what was not committed; a lost connection has done so."""
        with suppress(SQLAlchemyError, UnreachableError):
            self._connection.exec_driver_sql("ROLLBACK")

    def close(self) -> None:
        """Let go of the server."""
        self._let_go()

    def _let_go(self) -> None:
        """A connection that was lost cannot be closed in good order, and need not be."""
        with suppress(SQLAlchemyError):
            self._connection.invalidate()
        with suppress(SQLAlchemyError):
            self._connection.close()
        self._engine.dispose()

    def unreachable(self, error: Exception) -> UnreachableError:
        """An error of the server without what it was sent: names and a cause, never a password."""
        cause = getattr(error, "orig", None) or error
        if isinstance(cause, SSLError):
            return UnreachableError(f"{self.name}: {UNTRUSTED}")
        told = cause.args[0] if cause.args else cause
        text = told.get("M", told) if isinstance(told, dict) else told
        return UnreachableError(f"{self.name}: {text}")

    def _lost(self, context: ExceptionContext) -> Exception | None:
        """The driver lets errors of the network through as they are: these too are the server's being away."""
        error = context.original_exception
        return self.unreachable(error) if isinstance(error, OSError) else None

    def _connected(self) -> Connection:
        try:
            return self._engine.connect()
        except ModuleNotFoundError as error:
            text = "PostgreSQL wants the extra 'postgres': pip install 'bladewatch[postgres]'"
            raise UsageError(text) from error
        except (SQLAlchemyError, OSError) as error:
            raise self.unreachable(error) from error

    def _prepare(self, site: str) -> None:
        self.begin(write=True)
        try:
            tables.metadata.create_all(self._connection)
            rows = self._connection.execute(select(tables.meta.c.name, tables.meta.c.value))
            known = {row.name: row.value for row in rows}
            version = known.get("schema_version")
            if version is None:
                facts = {"schema_version": str(tables.BOOKS_VERSION), "site": site}
                told = [{"name": name, "value": value} for name, value in facts.items()]
                self._connection.execute(insert(tables.meta), told)
                version = str(tables.BOOKS_VERSION)
        except BaseException:
            self.roll_back()
            raise
        self.commit()
        if site and known.get("site", "") not in ("", site):
            raise UsageError(
                f"{self.name}: holds the books of site {known['site']!r}, and this is {site!r}; "
                "give each site a database of its own"
            )
        if int(version) != tables.BOOKS_VERSION:
            raise UsageError(
                f"{self.name}: schema version {version}, this bladewatch reads {tables.BOOKS_VERSION}; "
                "install the bladewatch that fits it, or copy the books into a new database"
            )


def _shown(url: URL) -> str:
    """The URL as it is written: without driver and password."""
    bare = URL.create(url.get_backend_name(), url.username, None, url.host, url.port, url.database)
    return bare.render_as_string()


def _checked(text: str) -> URL:
    """The URL with its driver and its password. Raises ``UsageError``."""
    try:
        url = make_url(text)
    except (ArgumentError, ValueError) as error:
        raise UsageError("[store] ledger_url: found no URL, expected postgresql://USER@HOST/DATABASE") from error
    if url.get_backend_name() != "postgresql" or not url.database:
        raise UsageError(f"[store] ledger_url: found {_shown(url)!r}, expected postgresql://USER@HOST/DATABASE")
    if any(name != "tls" or value not in ("true", "false") for name, value in url.query.items()):
        raise UsageError("[store] ledger_url: found other words behind its ?, expected tls=true or tls=false")
    if url.password is not None:
        raise UsageError(f"[store] ledger_url: take the password out of it and put it into {SECRET_FROM}")
    return url.set(drivername="postgresql+pg8000", password=os.environ.get(SECRET_FROM))
