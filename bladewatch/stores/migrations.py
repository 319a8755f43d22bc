"""From each schema version to the next, each step in one transaction with its record.

A step is a function that is given the plain connection; its name in ``STEPS`` is the version it leads to.
``fixtures/schema`` keeps a small database of every version, and a test opens each of them.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import Final

STEPS: Final[dict[int, Callable[[sqlite3.Connection], None]]] = {}
"""Version to reach -> what to do. Empty: version 1 is the first."""


def pending(version: int, newest: int) -> list[int]:
    """The versions still to be reached, in order. Reads only."""
    return [step for step in sorted(STEPS) if version < step <= newest]
