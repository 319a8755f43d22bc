"""From the outbox to the shared store: in order, again until it is taken, and released only when it was seen there.

Whoever reads the server may have worked something out before a late stroke came there: checkpoints in shared books go
when it arrives, as they do when it is stored.

A server that is away costs nothing but room: what waits is on disk, and is sent when it is back. Lines that it takes in
no case are found by halves, kept as rejections with what it said, and hold nothing up.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from bladewatch.errors import BladewatchError
from bladewatch.stores.influx import Refused
from bladewatch.stores.lines import HOUR, PASSING, SHEET, US_NS, Series, known_by_series, wrapped
from bladewatch.stores.outbox import Backlog, Outbox, Waiting
from bladewatch.stores.protocols import Server, Spot
from bladewatch.stores.sqlite import SqliteStore
from collectors.facts import Rejected
from collectors.instants import SECOND_US

BATCH: Final = 5000
"""Points of one request: more are no faster."""
LOOK: Final = 25_000
"""Points that are looked for at once: a question has its price, whatever it finds."""
LOOK_AFTER_US: Final = 10 * SECOND_US
"""A server may say that it took points and lose them when it is killed soon after: so long nobody believes it."""
IDLE_S: Final = 0.2
FIRST_PAUSE_S: Final = 1.0
LONGEST_PAUSE_S: Final = 60.0


@dataclass(slots=True)
class Moved:
    """What was done: points sent, seen there and released, sent again, refused for good, too old for the server."""

    sent: int = 0
    released: int = 0
    again: int = 0
    refused: int = 0
    expired: int = 0


class Forwarder:
    """Moves what waits in a store's outbox to a server, a batch at a time.

    ``keep_us`` is how long the server keeps readings: older ones are not sent, they would be refused. Without ``looks``
    the server cannot be asked what it holds, and is believed.
    """

    def __init__(
        self, store: SqliteStore, server: Server, clock_us: Callable[[], int], keep_us: int, looks: bool = True
    ) -> None:
        self._looks = looks
        self._store = store
        self._server = server
        self._clock_us = clock_us
        self._keep_us = keep_us
        self.moved = Moved()

    @property
    def backlog(self) -> Backlog:
        """What waits."""
        return self._outbox.backlog()

    @property
    def _outbox(self) -> Outbox:
        return self._store.outbox

    def send(self) -> bool:
        """Send the first batch; False where nothing waits. Raises ``UnreachableError`` and ``UsageError``."""
        rows = self._outbox.unsent(BATCH)
        if not rows:
            return False
        fresh = [row for row in rows if not self._is_expired(row)]
        if fresh:
            self._write(fresh)
        with self._store.transaction():
            if self._store.shares_books:
                self._store.arrived(_earliest(fresh))
            self._outbox.mark_sent((row.id for row in fresh), self._clock_us())
            self._outbox.release(row.id for row in rows if row not in fresh or not self._looks)
        self.moved.sent += sum(row.points for row in fresh)
        self.moved.released += 0 if self._looks else sum(row.points for row in fresh)
        self.moved.expired += sum(row.points for row in rows if row not in fresh)
        return True

    def look(self, all_of_it: bool = False) -> bool:
        """Look whether the server holds the first batch that was sent a while ago; False where none was.

        ``all_of_it`` does not wait for that while. Raises ``UnreachableError`` and ``UsageError``.
        """
        before_us = self._clock_us() - (0 if all_of_it else LOOK_AFTER_US)
        rows = self._outbox.sent(before_us, LOOK)
        if not rows:
            return False
        missing = self._missing(rows)
        seen = [row for row in rows if row not in missing]
        with self._store.transaction():
            self._outbox.release(row.id for row in seen)
            self._outbox.send_again(row.id for row in missing)
        self.moved.released += sum(row.points for row in seen)
        self.moved.again += sum(row.points for row in missing)
        return True

    def _missing(self, rows: Sequence[Waiting]) -> list[Waiting]:
        """The rows of which the server does not hold all points.

        Mostly there are just these between the first and the last: then how many there are, and when they became known
        all in all, says it. Else every point is looked for.
        """
        wanted: dict[Series, tuple[int, int]] = {}
        for row in rows:
            for series, (count, total) in row.sums.items():
                before = wanted.get(series, (0, 0))
                wanted[series] = before[0] + count, before[1] + total
        saws = {series.saw for series in wanted}
        span = min(row.first_ns for row in rows), max(row.last_ns for row in rows)
        where = (rows[0].measurement, *span, saws.pop() if len(saws) == 1 else None)
        sums = self._server.sums(*where)
        if all(sums.get(series) == (count, wrapped(total)) for series, (count, total) in wanted.items()):
            return []
        held = self._server.held(*where)
        points = {row.id: known_by_series(row.text.decode()) for row in rows}
        return [row for row in rows if any(known.keys() - held.get(of, set()) for of, known in points[row.id].items())]

    def drain(self) -> Moved:
        """Send and release all that waits. Raises ``UnreachableError`` and ``UsageError``; what is left stays."""
        while True:
            while self.send():
                pass
            if not self.look(all_of_it=True):
                return self.moved

    def close(self) -> None:
        """Let go of the store and of the server."""
        self._server.close()
        self._store.close()

    def _is_expired(self, row: Waiting) -> bool:
        return row.measurement in PASSING and row.last_ns // 1000 < self._clock_us() - self._keep_us

    def _write(self, rows: Sequence[Waiting]) -> None:
        try:
            self._server.write(rows[0].measurement, b"\n".join(row.text for row in rows))
        except Refused as error:
            if len(rows) > 1:
                for row in rows:
                    self._write([row])
            else:
                self._without_refused(rows[0], error)

    def _without_refused(self, row: Waiting, error: Refused) -> None:
        """Find the lines that the server takes in no case, and keep them as rejections; the others are sent."""
        kept: list[bytes] = []
        bad: list[tuple[bytes, Refused]] = []
        waiting = [(row.text.split(b"\n"), error)]
        while waiting:
            lines, told = waiting.pop()
            if len(lines) == 1:
                bad.append((lines[0], told))
                continue
            for half in (lines[len(lines) // 2 :], lines[: len(lines) // 2]):
                try:
                    self._server.write(row.measurement, b"\n".join(half))
                except Refused as again:
                    waiting.append((half, again))
                else:
                    kept.extend(half)
        now_us = self._clock_us()
        rejected = [
            Rejected("store", row.measurement, line, f"shared-store: not taken there: {told}", now_us)
            for line, told in bad
            if not told.old
        ]
        with self._store.transaction():
            self._store.books.reject(rejected)
            if kept:
                self._outbox.replace(row, kept)
            else:
                self._outbox.release([row.id])
        self.moved.refused += len(rejected)
        self.moved.expired += len(bad) - len(rejected)


def _earliest(rows: Sequence[Waiting]) -> dict[Spot, int]:
    """From when on rows tell strokes or readings of each spindle."""
    found: dict[Spot, int] = {}
    for row in rows:
        if row.measurement not in (HOUR, SHEET):
            for series in row.sums:
                spot, first_us = (series.saw, series.spindle), row.first_ns // US_NS
                found[spot] = min(first_us, found.get(spot, first_us))
    return found


class Forwarding(threading.Thread):
    """Forwards beside a collector until it is told to stop; troubles are said once until it works again.

    The forwarder is its own from then on, and closed at the end.
    """

    def __init__(self, forwarder: Forwarder, trouble: Callable[[str], None]) -> None:
        super().__init__(name="forwarding", daemon=True)
        self._forwarder = forwarder
        self._trouble = trouble
        self._stopping = threading.Event()

    def stop(self) -> None:
        """Ask for the end, after the batch in hand; what waits stays."""
        self._stopping.set()

    def run(self) -> None:
        """Forward what waits as it comes."""
        pause, said, forwarder = Pause(), "", self._forwarder
        while not self._stopping.wait(IDLE_S):
            if not pause.over:
                continue
            try:
                while not self._stopping.is_set() and (forwarder.send() or forwarder.look()):
                    pass
            except BladewatchError as error:
                wait_s = pause.failed()
                if str(error) != said:
                    said = str(error)
                    self._trouble(f"not forwarded, trying again in {wait_s:.0f} s: {error}")
            else:
                if said:
                    self._trouble("forwarded again")
                pause.worked()
                said = ""
        forwarder.close()


class Pause:
    """How long to wait before the next try: twice as long each time, up to a minute; none after a success."""

    def __init__(self, clock_s: Callable[[], float] = time.monotonic) -> None:
        self._clock_s = clock_s
        self._length_s = 0.0
        self._until_s = 0.0

    @property
    def over(self) -> bool:
        """Whether it is time to try."""
        return self._clock_s() >= self._until_s

    def failed(self) -> float:
        """A try failed; returns how long nothing is tried now [s]."""
        self._length_s = min(max(2 * self._length_s, FIRST_PAUSE_S), LONGEST_PAUSE_S)
        self._until_s = self._clock_s() + self._length_s
        return self._length_s

    def worked(self) -> None:
        """A try worked."""
        self._length_s = 0.0
