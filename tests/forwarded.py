"""A store as a plant has it: a collector's file, a shared server, and a desk that reads what was forwarded.

``Model`` is a server of a few lines, for what a real one does seldom.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from typing import Any

from shops import minute

from bladewatch.errors import UnreachableError
from bladewatch.forwarding import Forwarder
from bladewatch.pipeline import ingest
from bladewatch.stores.influx import Influx, Refused
from bladewatch.stores.lines import Series, known_by_series, wrapped
from bladewatch.stores.protocols import Books, Outcome
from bladewatch.stores.shared_signals import SharedSignals
from bladewatch.stores.sqlite import SqliteStore
from collectors.facts import Batch, Sample, Stroke, Waveform

FAR_US = minute(10**6)
KEEP_US = 10**17


class ForwardedStore:
    """What is appended goes into the file; whatever is asked is first forwarded and then asked of the server.

    With ``sheets`` the file's sheets are forwarded too.
    """

    def __init__(self, file: SqliteStore, server: Influx, sheets: bool) -> None:
        self.file = file
        file._connection.execute("UPDATE meta SET value = 'a' WHERE name = 'collector'")
        self.signals = ForwardedSignals(self, server)
        self._sheets = sheets
        self._made = 0
        self._forwarder = Forwarder(file, server, lambda: FAR_US, KEEP_US)

    @property
    def books(self) -> Books:
        return self.file.books

    def forward(self) -> None:
        """All that is in the file is on the server, unless the file is in the middle of something."""
        if self._sheets:
            self._made += 1
            self.file._put_sheets(FAR_US + self._made)
        self._forwarder.drain()

    def transaction(self) -> AbstractContextManager[None]:
        return self.file.transaction()

    def snapshot(self) -> AbstractContextManager[None]:
        return self.file.snapshot()

    def clear_derived(self) -> None:
        self.file.clear_derived()

    def rebuild_hours(self) -> Iterator[str]:
        return self.file.rebuild_hours()

    def refresh_idle(self, before_us: int) -> None:
        self.file.refresh_idle(before_us)

    def tidy(self, now_us: int, keep_raw_days: int, rejections_bytes: int, waveforms_bytes: int) -> dict[str, int]:
        return self.file.tidy(now_us, keep_raw_days, rejections_bytes, waveforms_bytes)

    def close(self) -> None:
        self.file.close()


class ForwardedSignals:
    """``Signals`` whose writing goes to the file, and whose reading goes to the server."""

    def __init__(self, store: ForwardedStore, server: Influx) -> None:
        self._store = store
        self._shared = SharedSignals(server)

    def append_samples(self, samples: Sequence[Sample]) -> Outcome:
        return self._store.file.signals.append_samples(samples)

    def append_strokes(self, strokes: Sequence[Stroke]) -> Outcome:
        return self._store.file.signals.append_strokes(strokes)

    def append_waveforms(self, waveforms: Sequence[Waveform]) -> Outcome:
        return self._store.file.signals.append_waveforms(waveforms)

    def __getattr__(self, name: str) -> Any:
        self._store.forward()
        self._shared.look_again()
        return getattr(self._shared, name)


class Model:
    """A server of a few lines: what it holds by identity, and how it is to misbehave."""

    def __init__(self) -> None:
        self.points: dict[tuple[Series, int], str] = {}
        self.requests: list[int] = []
        self.bad: Callable[[str], str | None] = lambda _line: None
        self.down = False
        self.forgets = 0

    def write(self, _measurement: str, lines: bytes) -> None:
        if self.down:
            raise UnreachableError("server away")
        told = lines.decode().split("\n")
        self.requests.append(len(told))
        causes = {line: cause for line in told if (cause := self.bad(line)) is not None}
        whole = any("parse" in cause for cause in causes.values())
        if self.forgets:
            self.forgets -= 1
            return
        for line in told:
            if line not in causes and not whole:
                ((series, (time_ns,)),) = known_by_series(line).items()
                self.points[series, time_ns] = line
        if causes:
            raise Refused(next(iter(causes.values())))

    def held(self, measurement: str, first_ns: int, last_ns: int, saw: str | None) -> dict[Series, set[int]]:
        if self.down:
            raise UnreachableError("server away")
        found: dict[Series, set[int]] = {}
        for series, time_ns in self.points:
            if series.measurement == measurement and first_ns <= time_ns <= last_ns and saw in (None, series.saw):
                found.setdefault(series, set()).add(time_ns)
        return found

    def sums(self, measurement: str, first_ns: int, last_ns: int, saw: str | None) -> dict[Series, tuple[int, int]]:
        held = self.held(measurement, first_ns, last_ns, saw)
        lines = {of: [self.points[of, time_ns] for time_ns in times] for of, times in held.items()}
        known = {of: [known_by_series(line)[of] for line in of_series] for of, of_series in lines.items()}
        return {of: (len(told), wrapped(sum(n for one in told for n in one.values()))) for of, told in known.items()}

    def close(self) -> None:
        pass


def take(store: SqliteStore, *facts: object) -> None:
    batch = Batch()
    batch.add(list(facts))  # type: ignore[arg-type]
    ingest(batch, store, "hall")
