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


STEPS: Final[dict[int, Callable[[sqlite3.Connection], None]]] = {2: _to_2}
"""Version to reach -> what to do."""


def pending(version: int, newest: int) -> list[int]:
    """The versions still to be reached, in order. Reads only."""
    return [step for step in sorted(STEPS) if version < step <= newest]
