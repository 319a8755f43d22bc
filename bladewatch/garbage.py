"""No search for garbage while much is made that stays: searching it again and again costs as much as making it."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def no_collection() -> Iterator[None]:
    """Leave cycles of garbage where they are until this is over; for a piece of work that ends soon."""
    ran = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if ran:
            gc.enable()
