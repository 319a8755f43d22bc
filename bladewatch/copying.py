"""From where a shop's books and signals are to where they shall be, by their URLs."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from bladewatch.config.tables import Config
from bladewatch.errors import UsageError
from bladewatch.stores.copying import Part, copy_books, copy_signals
from bladewatch.stores.influx import Influx, address_of
from bladewatch.stores.postgres import PostgresBooks
from bladewatch.stores.sqlite import SqliteStore
from collectors.instants import DAY_US

EXPECTED = "expected sqlite:///FILE to postgresql://… or back (books), or sqlite:///FILE to influx://… (signals)"


def copied(config: Config, source: str, target: str) -> Iterator[Part]:
    """Copy what the target lacks; yields what became of each table, or saw.

    Raises ``UsageError`` on stores between which nothing can be copied, and ``UnreachableError``.
    """
    kinds = source.partition("://")[0], target.partition("://")[0]
    if kinds == ("sqlite", "influx"):
        yield from _signals(config, source, target)
    elif kinds in (("sqlite", "postgresql"), ("postgresql", "sqlite")):
        yield from _books(config, source, target)
    else:
        raise UsageError(f"found {kinds[0]} to {kinds[1]}, {EXPECTED}")


def _file(config: Config, url: str) -> Path:
    path = config.path.resolve().parent / url.removeprefix("sqlite:///")
    if not url.startswith("sqlite:///") or not path.name:
        raise UsageError(f"found {url!r}, expected sqlite:///FILE")
    return path


def _opened(config: Config, url: str, there: bool) -> SqliteStore:
    path = _file(config, url)
    if there and not path.exists():
        raise UsageError(f"{path}: there is no such file to copy from")
    return SqliteStore(path, config.site.name)


def _signals(config: Config, source: str, target: str) -> Iterator[Part]:
    server = Influx(address_of(target))
    now_us = time.time_ns() // 1000
    with closing(server), closing(_opened(config, source, there=True)) as store:
        since_us = now_us - config.retention.keep_raw_days * DAY_US + DAY_US  # the day in which they go is left
        yield from copy_signals(store.signals, server, since_us, now_us, store.signals.collector)


def _books(config: Config, source: str, target: str) -> Iterator[Part]:
    server = PostgresBooks(target if target.startswith("postgresql") else source, config.site.name)
    file = source if source.startswith("sqlite") else target
    with closing(server), closing(_opened(config, file, there=file == source)) as store:
        if file == source:
            server.begin(write=True)
            try:
                yield from copy_books(store.books.connection, server.books.connection)
            except BaseException:
                server.roll_back()
                raise
            server.commit()
            return
        with store.transaction():
            yield from copy_books(server.books.connection, store.books.connection)
