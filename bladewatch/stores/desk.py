"""The store of a desk: signals read from a shared server, books in a shared database; collectors are elsewhere."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from sqlalchemy.exc import SQLAlchemyError

from bladewatch.stores.books import SqlBooks
from bladewatch.stores.influx import Influx
from bladewatch.stores.postgres import PostgresBooks
from bladewatch.stores.shared_signals import SharedSignals
from collectors.instants import DAY_US

SHEETS_AT_ONCE: Final = 200
"""Some seconds' work: whoever looks at blades beside it does not wait longer."""


class DeskStore:
    """``Store`` without a file of its own. Not for use from several threads: open one each."""

    def __init__(self, server: Influx, books: PostgresBooks) -> None:
        self._server = server
        self._elsewhere = books
        self._depth = 0
        self.signals = SharedSignals(server)

    @property
    def books(self) -> SqlBooks:
        """The books, through the connection that is open now."""
        return self._elsewhere.books

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing of the books; nested calls join the outer one."""
        with self._span(write=True):
            yield

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """One view of the books; of the signals, what became known by the moment that is asked about."""
        with self._span(write=False):
            yield

    @contextmanager
    def _span(self, write: bool) -> Iterator[None]:
        if self._depth:
            yield
            return
        self._elsewhere.begin(write)
        self.signals.look_again()
        self._depth = 1
        try:
            yield
        except BaseException as error:
            self._elsewhere.roll_back()
            if isinstance(error, SQLAlchemyError):
                raise self._elsewhere.unreachable(error) from error
            raise
        else:
            if write:
                self._elsewhere.commit()
            else:
                self._elsewhere.roll_back()
        finally:
            self._depth = 0

    def clear_derived(self) -> None:
        """Delete checkpoints and fits; roll-ups are worked out from the strokes here."""
        with self.transaction():
            self.books.clear_derived()

    def rebuild_hours(self) -> Iterator[str]:
        """Nothing: roll-ups are worked out where they are asked for."""
        return iter(())

    def refresh_idle(self, before_us: int) -> None:
        """Nothing: idle power is worked out where it is asked for."""

    def tidy(
        self, now_us: int, keep_raw_days: int, rejections_bytes: int, waveforms_bytes: int  # noqa: ARG002
    ) -> dict[str, int]:  # fmt: skip
        """Keep the quota of rejections, and make some of the sheets that collectors have only parts of: ``hours``.

        The server lets readings go by itself.
        """
        with self.snapshot():
            made = self.signals.make_sheets(now_us, keep_raw_days * DAY_US, SHEETS_AT_ONCE)
        with self.transaction():
            return {"hours": made, "waveforms": 0, "rejections": self.books.keep_quota(rejections_bytes)}

    def close(self) -> None:
        """Let go of both."""
        self._server.close()
        self._elsewhere.close()
