"""From each schema version to the next, each step in one transaction with its record.

A step is a function that is given the plain connection; its name in ``STEPS`` is the version it leads to.
``fixtures/schema`` keeps a small database of every version, and a test opens each of them.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import Final


def _to_2(connection: sqlite3.Connection) -> None:
    """What is asked of the grinder, for when, and what an inspection found; the question beside its answer."""
    for column in ("work", "due", "findings"):
        connection.execute(f"ALTER TABLE ledger ADD COLUMN {column} TEXT")
    connection.execute("ALTER TABLE answer ADD COLUMN asked TEXT NOT NULL DEFAULT '{}'")


def _to_3(connection: sqlite3.Connection) -> None:
    """What the ledger's rows meant a month ago, kept for speed; what waits for a shared store."""
    connection.execute(
        "CREATE TABLE kept_book (names VARCHAR(64) NOT NULL, at_us BIGINT NOT NULL, known_us BIGINT NOT NULL, "
        "revision TEXT NOT NULL, content BLOB NOT NULL, PRIMARY KEY (names))"
    )
    connection.execute(
        "CREATE TABLE outbox (id INTEGER PRIMARY KEY, measurement TEXT NOT NULL, count INTEGER NOT NULL, "
        "size INTEGER NOT NULL, first_ns INTEGER NOT NULL, last_ns INTEGER NOT NULL, lines BLOB NOT NULL, "
        "sent_us INTEGER)"
    )
    connection.execute("CREATE INDEX outbox_size ON outbox (size)")


def _to_4(connection: sqlite3.Connection) -> None:
    """Hours whose sheet is to be forwarded, a name for whoever forwards them, and what waits added up by series."""
    connection.execute("ALTER TABLE outbox ADD COLUMN sums TEXT")
    connection.execute(
        "CREATE TABLE due_hour (spot INTEGER NOT NULL REFERENCES spot (id), hour INTEGER NOT NULL, "
        "PRIMARY KEY (spot, hour)) WITHOUT ROWID"
    )
    connection.execute("INSERT INTO meta (name, value) VALUES ('collector', lower(hex(randomblob(6))))")


STEPS: Final[dict[int, Callable[[sqlite3.Connection], None]]] = {2: _to_2, 3: _to_3, 4: _to_4}
"""Version to reach -> what to do."""


def pending(version: int, newest: int) -> list[int]:
    """The versions still to be reached, in order. Reads only."""
    return [step for step in sorted(STEPS) if version < step <= newest]
