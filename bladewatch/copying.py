"""From where a shop's books and signals are to where they shall be, by their URLs."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, nullcontext
from typing import Final

from sqlalchemy import Connection

from bladewatch.config.tables import Config
from bladewatch.errors import UsageError
from bladewatch.stores.copying import Part, copy_books
from bladewatch.stores.copying_signals import ToFile, ToServer, copy_signals
from bladewatch.stores.influx import Influx, address_of
from bladewatch.stores.postgres import PostgresBooks
from bladewatch.stores.protocols import Signals
from bladewatch.stores.shared_signals import SharedSignals
from bladewatch.stores.sheets import WHOLE
from bladewatch.stores.sqlite import SqliteStore
from collectors.instants import DAY_US

HOLDS: Final = {"sqlite": {"books", "signals"}, "postgresql": {"books"}, "influx": {"signals"}}
EXPECTED: Final = "expected sqlite:///FILE, postgresql://USER@HOST/DATABASE (books) or influx://… (signals)"


def copied(config: Config, source: str, target: str) -> Iterator[Part]:
    """Copy what the target lacks of what both hold; yields what became of each table, or saw and measurement.

    Raises ``UsageError`` on stores between which nothing can be copied, and ``UnreachableError``.
    """
    kinds = source.partition("://")[0], target.partition("://")[0]
    for kind in kinds:
        if kind not in HOLDS:
            raise UsageError(f"found {kind!r}, {EXPECTED}")
    what = HOLDS[kinds[0]] & HOLDS[kinds[1]]
    if not what or source == target:
        why = "the same" if what else "the one holds books, the other signals"
        raise UsageError(f"found {kinds[0]} to {kinds[1]}: {why}")
    if "books" in what:
        yield from _books(config, source, target)
    if "signals" in what:
        yield from _signals(config, source, target)


def _file(config: Config, url: str, there: bool) -> SqliteStore:
    path = config.path.resolve().parent / url.removeprefix("sqlite:///")
    if not url.startswith("sqlite:///") or not path.name:
        raise UsageError(f"found {url!r}, expected sqlite:///FILE")
    if there and not path.exists():
        raise UsageError(f"{path}: there is no such file to copy from")
    return SqliteStore(path, config.site.name)


@contextmanager
def _source(config: Config, url: str) -> Iterator[tuple[Signals, str]]:
    """Signals to be read, and whose sheets of them are."""
    if url.startswith("influx"):
        with closing(Influx(address_of(url))) as server:
            yield SharedSignals(server), WHOLE
    else:
        with closing(_file(config, url, there=True)) as store:
            yield store.signals, store.signals.collector


def _signals(config: Config, source: str, target: str) -> Iterator[Part]:
    now_us = time.time_ns() // 1000
    with _source(config, source) as (signals, by):
        if target.startswith("influx"):
            since_us = now_us - config.retention.keep_raw_days * DAY_US + DAY_US  # the day in which they go is left
            with closing(Influx(address_of(target))) as server:
                yield from copy_signals(signals, ToServer(server, signals, by, now_us), since_us, now_us)
        else:
            with closing(_file(config, target, there=False)) as store:
                yield from copy_signals(signals, ToFile(store), None, now_us)


@contextmanager
def _connection(config: Config, url: str, write: bool) -> Iterator[Connection]:
    """Books, in a transaction where they are written."""
    if url.startswith("sqlite"):
        with closing(_file(config, url, there=not write)) as store, store.transaction() if write else nullcontext():
            yield store.books.connection
        return
    with closing(PostgresBooks(url, config.site.name)) as server:
        server.begin(write)
        try:
            yield server.books.connection
        except BaseException:
            server.roll_back()
            raise
        server.commit()


def _books(config: Config, source: str, target: str) -> Iterator[Part]:
    with _connection(config, source, write=False) as one, _connection(config, target, write=True) as other:
        yield from copy_books(one, other)
