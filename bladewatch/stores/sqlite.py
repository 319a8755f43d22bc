"""The one module that opens the database file: one SQLite file, signals and books, one transaction over both.

WAL lets readers look while a writer writes. A reader takes a snapshot for one answer and gives it up.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from importlib import resources
from pathlib import Path
from secrets import token_hex

from sqlalchemy import create_engine, insert, select
from sqlalchemy.exc import OperationalError
from sqlalchemy.pool import StaticPool

from bladewatch.contact import hour_of
from bladewatch.errors import BladewatchError, UnreachableError, UsageError
from bladewatch.stores import migrations, tables
from bladewatch.stores.blocks import Reading
from bladewatch.stores.books import SqlBooks
from bladewatch.stores.due import DueHours
from bladewatch.stores.outbox import Outbox
from bladewatch.stores.protocols import CounterHour, Idle, OrderSum, Outcome, Spot, WorkHour
from bladewatch.stores.samples import SampleTable
from bladewatch.stores.sheets import Made, sheet_of, sheets_before
from bladewatch.stores.spots import Spots
from bladewatch.stores.strokes import StrokeTable
from collectors.facts import Sample, Stroke, Waveform
from collectors.instants import DAY_US

BUSY_MS = 60_000
PACK_STEP = 10
"""Hours packed in one transaction: small steps, so that the collector never waits long."""
SHEET_STEP = 20
"""Sheets made in one transaction."""


class SqliteSignals:
    """``Signals`` in SQLite."""

    def __init__(self, connection: sqlite3.Connection, outbox: Outbox | None = None) -> None:
        self._spots = Spots(connection)
        self._strokes = StrokeTable(connection, self._spots, outbox)
        self._samples = SampleTable(connection, self._spots, self._strokes, outbox)
        self._due = DueHours(connection)
        self._forwards = outbox is not None

    def forget(self) -> None:
        """Drop what is remembered of numbers."""
        self._spots.forget()

    def append_samples(self, samples: Sequence[Sample]) -> Outcome:
        """Store samples; the identity decides what is new."""
        outcome = self._samples.append(samples)
        if self._forwards and outcome.touched:
            number = self._spots.number
            self._due.mark({(number((one.saw, one.spindle)), hour_of(one.ts_us)) for one in samples})
        return outcome

    def append_strokes(self, strokes: Sequence[Stroke]) -> Outcome:
        """Store strokes and bring the hours they touch up to date."""
        outcome = self._strokes.append(strokes)
        self._samples.mark_idle(sorted(outcome.hours))
        if self._forwards:  # idle power rests on the strokes of the hours beside
            number = self._spots.number
            self._due.mark((number(spot), hour + by) for spot, hour in outcome.hours for by in (-1, 0, 1))
        return outcome

    def append_waveforms(self, waveforms: Sequence[Waveform]) -> Outcome:
        """Store waveforms."""
        return self._samples.append_waveforms(waveforms)

    def strokes(self, spot: Spot, after_us: int, until_us: int, known_us: int) -> Iterator[Stroke]:
        """Strokes with ``after_us`` < ts ≤ ``until_us``, in order."""
        return self._strokes.between(spot, after_us, until_us, known_us)

    def strokes_before(self, spot: Spot, until_us: int, known_us: int, count: int) -> list[Stroke]:
        """The last strokes with ts ≤ ``until_us``, in order."""
        return self._strokes.before(spot, until_us, known_us, count)

    def count(self, spot: Spot, after_us: int, until_us: int, known_us: int) -> int:
        """How many strokes have a message in a window."""
        return self._strokes.count(spot, after_us, until_us, known_us)

    def stroke_hours(self, spot: Spot, first: int, last: int) -> list[int]:
        """The hours that hold strokes."""
        return self._strokes.stroke_hours(spot, first, last)

    def work_hours(self, spot: Spot, first: int, last: int) -> dict[int, list[WorkHour]]:
        """Roll-ups by hour."""
        return self._strokes.work_hours(spot, first, last)

    def strokes_made(self, spot: Spot, first: int, last: int, known_us: int) -> int:
        """Strokes through metal, from the roll-ups."""
        return self._strokes.strokes_made(spot, first, last, known_us)

    def order_sums(
        self, spot: Spot, after_us: int, until_us: int, known_us: int, rated_rpm: float | None
    ) -> list[OrderSum]:
        """Strokes by order, part, alloy and kind."""
        return self._strokes.order_sums(spot, after_us, until_us, known_us, rated_rpm)

    def counter_hours(self, spot: Spot, first: int, last: int) -> list[CounterHour]:
        """Counters by hour."""
        return self._strokes.counter_hours(spot, first, last)

    def idle_hours(self, spot: Spot, signal: str, first: int, last: int, known_us: int) -> list[Idle]:
        """Power outside strokes by hour."""
        return self._samples.idle_hours(spot, signal, first, last, known_us)

    def readings(
        self, spot: Spot, signal: str, point: str, after_us: int, until_us: int, known_us: int
    ) -> list[Reading]:
        """Raw readings with ``after_us`` < ts ≤ ``until_us``."""
        return self._samples.readings(spot, signal, point, after_us, until_us, known_us)

    def summarised_to(self, spot: Spot, until_us: int) -> int | None:
        """Up to when, before an instant, readings of power or vibration are summaries a minute."""
        return self._samples.summarised_to(spot, until_us)

    def spots(self) -> list[Spot]:
        """Every spindle of which anything is stored."""
        return [spot for spot, _ in self._spots.all()]

    def waveforms(self, spot: Spot) -> Iterator[Waveform]:
        """The waveforms whose samples are still there, in order."""
        return self._samples.waveforms(spot)

    def latest(self, spot: Spot, until_us: int, known_us: int) -> dict[tuple[str, str], Reading]:
        """The last reading of each signal and point."""
        return self._samples.latest(spot, until_us, known_us)

    def rebuild_hours(self) -> Iterator[str]:
        """All roll-ups anew."""
        yield from self._strokes.rebuild()

    @property
    def collector(self) -> str:
        """The name of this file among those that forward to a shared store."""
        return self._due.collector

    def sheets(self, now_us: int, most: int) -> tuple[int, list[Made]]:
        """Sheets of the first hours that changed since theirs was made, if they had any; and how many hours these are.

        They are due no more.
        """
        hours = self._due.ended(sheets_before(now_us), most)
        by = self.collector if hours else ""
        made = []
        for spot, hour in hours:
            series = [(signal, point) for _, signal, point in self._spots.series_of(spot) if signal != "waveform"]
            sheet = sheet_of(self, spot, hour, series, by, now_us)
            if sheet is not None:
                made.append(sheet)
        self._due.done(hours)
        return len(hours), made

    def forget_idle(self) -> None:
        """Idle power of every hour is to be worked out anew."""
        self._samples.forget_idle()

    def refresh_idle(self, before_us: int) -> None:
        """Idle power of ended hours."""
        self._samples.refresh_idle(before_us)

    def pack_steps(self, now_us: int, keep_raw_us: int) -> Iterator[tuple[int, int]]:
        """Pack and let go, an hour a step."""
        return self._samples.pack_steps(now_us, keep_raw_us)

    def keep_quota(self, waveforms_bytes: int) -> int:
        """Waveforms over the quota."""
        return self._samples.keep_quota(waveforms_bytes)


class SqliteStore:
    """``Store`` in one SQLite file. Not for use from several threads: open one each.

    With ``spool_bytes`` what is stored waits in ``outbox`` too, until it is forwarded, in as much room at most.
    """

    shares_books = False
    """Whether others read the books and write into them."""

    def __init__(self, path: Path | str, site: str = "", spool_bytes: int | None = None) -> None:
        self.path = path
        self._connection = _connect(path)
        engine = create_engine("sqlite://", creator=lambda: self._connection, poolclass=StaticPool)
        self._books_connection = engine.connect().execution_options(isolation_level="AUTOCOMMIT")
        self._engine = engine
        self._depth = 0
        self.outbox = Outbox(self._connection, spool_bytes or 0)
        self.signals = SqliteSignals(self._connection, None if spool_bytes is None else self.outbox)
        self.books = SqlBooks(self._books_connection)
        self._prepare(site)
        self._check_version()

    def _prepare(self, site: str) -> None:
        if not self._exists():
            with self.transaction():
                if self._exists():  # another process was quicker
                    return
                for statement in _statements(resources.files(__package__).joinpath("schema.sql").read_text("utf-8")):
                    self._connection.execute(statement)
                tables.metadata.create_all(self._books_connection)
                rows = [
                    {"name": "schema_version", "value": str(tables.SCHEMA_VERSION)},
                    {"name": "site", "value": site},
                    {"name": "collector", "value": token_hex(6)},
                ]
                self._books_connection.execute(insert(tables.meta), rows)
        for version in migrations.pending(self._version(), tables.SCHEMA_VERSION):
            with self.transaction():
                migrations.STEPS[version](self._connection)
                self._connection.execute("UPDATE meta SET value = ? WHERE name = 'schema_version'", (str(version),))

    def _exists(self) -> bool:
        return self._connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'meta'").fetchone() is not None

    def _version(self) -> int:
        query = select(tables.meta.c.value).where(tables.meta.c.name == "schema_version")
        return int(self._books_connection.execute(query).scalar_one())

    def _check_version(self) -> None:
        version = self._version()
        if version != tables.SCHEMA_VERSION:
            raise UsageError(
                f"{self.path}: schema version {version}, this bladewatch reads {tables.SCHEMA_VERSION}; "
                f"{'install a newer bladewatch' if version > tables.SCHEMA_VERSION else 'run bladewatch store migrate'}"
            )

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing; nested calls join the outer one."""
        if self._depth:
            self._depth += 1
            try:
                yield
            finally:
                self._depth -= 1
            return
        self._begin(write=True)
        self._depth = 1
        try:
            yield
        except BaseException as error:
            self._roll_back()
            self.signals.forget()
            told = self._told(error)
            if told is error:
                raise
            raise told from error
        else:
            self._commit()
        finally:
            self._depth = 0

    def _begin(self, write: bool) -> None:
        self._execute("BEGIN IMMEDIATE" if write else "BEGIN")

    def _told(self, error: BaseException) -> BaseException:
        """What an error within a transaction is told as: itself, unless it is the database's."""
        if isinstance(error, sqlite3.OperationalError | OperationalError):
            return UnreachableError(f"{self.path}: {error}")
        return error

    def _commit(self) -> None:
        try:
            self._execute("COMMIT")
        except BaseException:
            self._roll_back()
            self.signals.forget()
            raise

    def _roll_back(self) -> None:
        """Undo what was not committed: a full disk does so by itself, and a connection closed under Ctrl-C too."""
        with suppress(sqlite3.ProgrammingError):
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """One consistent view for reading."""
        if self._depth:
            yield
            return
        self._begin(write=False)
        self._depth = 1
        try:
            yield
        finally:
            self._depth = 0
            self._roll_back()

    def _execute(self, statement: str) -> None:
        try:
            self._connection.execute(statement)
        except sqlite3.Error as error:
            raise UnreachableError(f"{self.path}: {error}; is another program holding the database?") from error

    def clear_derived(self) -> None:
        """Delete roll-ups, checkpoints and fits."""
        with self.transaction():
            for table in ("work_hour", "counter_hour"):
                self._connection.execute(f"DELETE FROM {table}")  # noqa: S608
            self.signals.forget_idle()
            self.books.clear_derived()

    def rebuild_hours(self) -> Iterator[str]:
        """Work out all roll-ups from the rows."""
        with self.transaction():
            yield from self.signals.rebuild_hours()

    def refresh_idle(self, before_us: int) -> None:
        """Work out idle power of ended hours that were touched."""
        with self.transaction():
            self.signals.refresh_idle(before_us)

    def tidy(self, now_us: int, keep_raw_days: int, rejections_bytes: int, waveforms_bytes: int) -> dict[str, int]:
        """Pack old hours, let expired readings go, keep the quotas; each step its own transaction."""
        steps = self.signals.pack_steps(now_us, keep_raw_days * DAY_US)
        packed = 0
        more = True
        while more:
            with self.transaction():
                for _ in range(PACK_STEP):
                    if next(steps, None) is None:
                        more = False
                        break
                    packed += 1
        with self.transaction():
            waveforms = self.signals.keep_quota(waveforms_bytes)
            rejections = self.books.keep_quota(rejections_bytes)
        self._put_sheets(now_us)
        return {"hours": packed, "waveforms": waveforms, "rejections": rejections}

    def arrived(self, earliest: Mapping[Spot, int]) -> None:
        """The shared server has what was stored of these spindles from these instants on: others may rest on it."""
        for spot, ts_us in earliest.items():
            self.books.drop_checkpoints(spot, ts_us)

    def _put_sheets(self, now_us: int) -> None:
        """Have the sheets of hours forwarded that have ended."""
        done = SHEET_STEP
        while done == SHEET_STEP:
            with self.transaction():
                done, sheets = self.signals.sheets(now_us, SHEET_STEP)
                self.outbox.put_points(made.sheet for made in sheets)
                self.outbox.put_points(made.totals for made in sheets)

    def close(self) -> None:
        """Let go of the file."""
        self._books_connection.close()
        self._engine.dispose()
        self._connection.close()


def _connect(path: Path | str) -> sqlite3.Connection:
    try:
        connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
        connection.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA cache_size = -65536")
    except sqlite3.Error as error:
        raise UnreachableError(f"{path}: cannot be opened as a database: {error}") from error
    return connection


def _statements(script: str) -> list[str]:
    """The statements of the schema, one by one, comments kept with them."""
    found: list[str] = []
    pending = ""
    for line in script.splitlines(keepends=True):
        pending += line
        if sqlite3.complete_statement(pending):
            found.append(pending)
            pending = ""
    return found


def open_store(
    url: str, base: Path, site: str = "", ledger_url: str | None = None, spool_bytes: int | None = None
) -> SqliteStore:
    """The store of a URL, its books at another where one is given; relative paths are relative to ``base``.

    With ``spool_bytes`` signals are kept to be forwarded too. Raises ``UsageError``, and ``UnreachableError``.
    """
    scheme, _, rest = url.partition("://")
    if scheme != "sqlite" or not rest.startswith("/"):
        raise UsageError(
            f"[store] url: found {url.rsplit('@', maxsplit=1)[-1]!r}, expected sqlite:///FILE, or influx://…"
        )
    try:
        if ledger_url is None or ledger_url == url:
            return SqliteStore(base / rest[1:], site, spool_bytes)
        from bladewatch.stores.postgres import PostgresBooks
        from bladewatch.stores.split import SplitStore

        return SplitStore(base / rest[1:], PostgresBooks(ledger_url, site), site, spool_bytes)
    except BladewatchError:
        raise
    except Exception as error:
        raise UnreachableError(f"{base / rest[1:]}: cannot be read as a bladewatch database: {error}") from error
