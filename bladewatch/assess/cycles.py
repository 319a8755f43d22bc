"""What a grind cycle had done by a moment: its strokes run through ``CycleState``, from the newest checkpoint on.

A checkpoint is taken every 500 strokes and at the end of every mount. It serves a moment only if everything in it
was known then, and only for the same mounts and configuration rows; otherwise the strokes are read again. So
checkpoints save time and change no answer.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import partial
from typing import Any, Final

import msgspec

from bladewatch.assess.memory import EVERYTHING_US, Memory, Settled
from bladewatch.config.kinds import money
from bladewatch.config.tables import BladeType, Config, Versions
from bladewatch.ledger.fleet import Cycle, Mount
from bladewatch.stores.protocols import DAMAGED, Checkpoint, Spot, Store
from bladewatch.strokes import SpotWork
from models.cycle import CycleState

EVERY_STROKES: Final = 500
REMEMBERED_EVERY: Final = 40
STATE_VERSION: Final = 8
OPEN_END_US: Final = 2**62
Accepted = Mapping[Spot, frozenset[int]]
"""Counter values that look set by hand, of which a person said that the strokes were made."""


@dataclass(slots=True)
class _Run:
    """One reading of a cycle: its mounts up to a moment, and how far the state has come."""

    cycle: Cycle
    blade_type: str | None
    mounts: list[Mount]
    until_us: int
    state: CycleState = field(default_factory=CycleState)
    place: int = 0
    through_us: int = -(2**62)
    newest_us: int = 0
    behind_us: int = 0
    """The latest of the strokes that close the mounts read so far: a fact up to it can still change them."""


class CycleReader:
    """Reads cycles as they were known at ``known_us``. With ``keep`` it stores the checkpoints that it passes.

    Only a reader of everything stored may keep: a checkpoint that a stored fact is missing from, because it was not
    known yet, would serve moments that knew it.

    With a ``memory``, a reader of everything runs ahead of it in running cycles and leaves its checkpoints there, many
    more than are stored; a cycle that had ended is read once.
    """

    def __init__(
        self,
        config: Config,
        store: Store,
        known_us: int,
        keep: bool = False,
        accepted: Accepted | None = None,
        memory: Memory | None = None,
    ) -> None:
        self._config = config
        self._store = store
        self._known_us = known_us
        self._keep = keep and known_us >= EVERYTHING_US
        self._every = EVERY_STROKES if memory is None else REMEMBERED_EVERY
        self._accepted = accepted or {}
        self._fresh: list[Checkpoint] = []
        self._running: dict[tuple[str, int, int], CycleState] = {}
        self._rows: dict[tuple[str, str | None], str] = {}
        self._memory = memory
        self._ahead = (
            None if memory is None or self._keep else CycleReader(config, store, EVERYTHING_US, True, accepted, memory)
        )

    def at(self, cycle: Cycle, blade_type: str | None, until_us: int) -> CycleState:
        """The cycle's state at ``until_us``, which is not after ``known_us``. It is not to be changed."""
        key = (cycle.plate, cycle.number, until_us)
        if key in self._running:
            return self._running[key]
        mounts = [mount for mount in cycle.mounts if mount.from_us < until_us]
        if cycle.open:
            if self._ahead is not None:
                self._ahead.at(cycle, blade_type, until_us)
            self._running[key] = state = self._read(_Run(cycle, blade_type, mounts, until_us))
            return state
        if self._memory is not None and self._ahead is not None:
            run = _Run(cycle, blade_type, mounts, until_us)
            spans = tuple((m.saw, m.spindle, m.from_us, m.to_us, self._of(m)) for m in mounts)
            settled = self._memory.settled((*key, blade_type, spans), self._known_us, partial(self._ahead.settled, run))
            if settled is not None:
                return settled.found
        return self._read(_Run(cycle, blade_type, mounts, until_us))

    def settled(self, run: _Run) -> Settled[CycleState]:
        """A cycle that has ended, and the newest instant that its state rests on."""
        return Settled(self._read(run), max(run.newest_us, run.behind_us))

    def _read(self, run: _Run) -> CycleState:
        self._resume(run)
        while run.place < len(run.mounts):
            self._read_mount(run)
            run.place += 1
            run.through_us = -(2**62)
        if self._fresh:
            (self._store.books if self._memory is None else self._memory).put_checkpoints(self._fresh)
            self._fresh = []
        return run.state

    def _resume(self, run: _Run) -> None:
        """Start from the newest checkpoint that fits."""
        if self._memory is not None:
            rows = self._memory.checkpoints(run.cycle.plate, run.cycle.number, self._known_us)
            if any(self._resume_from(run, row) for row in rows):
                return
        for limit in (2, None):
            rows = self._store.books.checkpoints(run.cycle.plate, run.cycle.number, self._known_us, limit)
            for row in rows:
                try:
                    if self._resume_from(run, row):
                        return
                except DAMAGED:
                    continue
            if limit is not None and len(rows) < limit:
                return

    def _resume_from(self, run: _Run, row: Checkpoint) -> bool:
        """Start from a checkpoint, if it fits."""
        content = msgspec.json.decode(row.state)
        number, closed, through_us = content["mount"], content["closed"], content["through_us"]
        if number >= len(run.mounts) or through_us > run.until_us:
            return False
        end_us = run.mounts[number].to_us
        if end_us is not None and through_us > end_us:
            return False
        if row.fingerprint != self._fingerprint(run, number, closed):
            return False
        behind_us = row.ts_us if closed else content["behind_us"]
        run.state = CycleState.restore(content["cycle"])
        run.place, run.newest_us, run.behind_us = number + closed, row.known_us, behind_us
        run.through_us = -(2**62) if closed else through_us
        return True

    def _read_mount(self, run: _Run) -> None:
        """Run the strokes of one mount through the state."""
        mount = run.mounts[run.place]
        ended = mount.to_us is not None and mount.to_us <= run.until_us
        end_us = mount.to_us if ended and mount.to_us is not None else run.until_us
        work = SpotWork(self._config, self._store.signals, (mount.saw, mount.spindle), self._known_us, self._of(mount))
        work.newest = run.newest_us
        blade = self._blade(run.blade_type, mount.from_us)
        kerf_mm = blade.kerf_mm if blade is not None else None
        state, since = run.state, 0
        if run.through_us < mount.from_us:
            state.remount(f"{mount.saw}/{mount.spindle}")
        for counted in work.between(max(mount.from_us, run.through_us), end_us):
            last_us = state.last_us
            if (
                self._keep
                and since >= self._every
                and counted.stroke is not None
                and last_us is not None
                and counted.ts_us > last_us
            ):
                self._note(run, False, last_us, work.newest, counted.ts_us)
                since = 0
            state.update(work.cut(counted, blade, kerf_mm))
            since += 1
        run.newest_us = work.newest
        if ended and self._keep:
            follower = work.follower(end_us)
            if follower is None:
                run.behind_us = OPEN_END_US
                return
            run.newest_us = max(run.newest_us, follower.known_us)
            run.behind_us = max(run.behind_us, follower.ts_us)
            self._note(run, True, end_us, run.newest_us, run.behind_us)

    def _note(self, run: _Run, closed: bool, through_us: int, known_us: int, ts_us: int) -> None:
        """Keep a checkpoint. ``ts_us`` is the stroke that follows: a fact up to it outdates the checkpoint."""
        mount = run.mounts[run.place]
        if any(earlier.to_us is None or earlier.to_us > mount.from_us for earlier in run.mounts[: run.place]):
            return  # a plate on two saws at once: no moment splits its strokes into before and after
        if run.behind_us >= OPEN_END_US:
            return  # what closes an earlier mount has not come yet
        ts_us = max(ts_us, run.behind_us)
        content = {
            "mount": run.place,
            "closed": closed,
            "through_us": through_us,
            "behind_us": run.behind_us,
            "cycle": run.state.state(),
        }
        self._fresh.append(
            Checkpoint(
                plate=run.cycle.plate,
                cycle=run.cycle.number,
                spots="".join(sorted({f"|{m.saw}/{m.spindle}|" for m in run.mounts[: run.place + 1]})),
                ts_us=ts_us,
                known_us=max(known_us, ts_us),
                fingerprint=self._fingerprint(run, run.place, closed),
                state=msgspec.json.encode(content).decode(),
            )
        )

    def _blade(self, blade_type: str | None, at_us: int) -> BladeType | None:
        return None if blade_type is None else self._config.blade_types.ever(blade_type, at_us)

    def _fingerprint(self, run: _Run, number: int, closed: bool) -> str:
        """What the state depends on beside the strokes: mounts so far, and configuration rows."""
        mounts = run.mounts
        spans: list[Any] = [(m.saw, m.spindle, m.from_us, m.to_us) for m in mounts[:number]]
        last = mounts[number]
        spans.append((last.saw, last.spindle, last.from_us, last.to_us if closed else None))
        rows = [self._rows_of(mount.saw, run.blade_type) for mount in mounts[: number + 1]]
        accepted = [sorted(self._of(mount)) for mount in mounts[: number + 1]]
        content = msgspec.json.encode([STATE_VERSION, spans, rows, accepted])
        return hashlib.sha256(content).hexdigest()[:32]

    def _of(self, mount: Mount) -> frozenset[int]:
        """The counter values of a mount's spindle that a person stood up for."""
        return self._accepted.get((mount.saw, mount.spindle), frozenset())

    def _rows_of(self, saw: str, blade_type: str | None) -> str:
        """A hash of the configuration rows that strokes of a saw and blade type are read with."""
        key = (saw, blade_type)
        found = self._rows.get(key)
        if found is None:
            config = self._config
            whole: list[Versions[Any]] = [config.parts, config.alloys]
            text = repr(
                [
                    _told(config.saws.rows.get(saw)),
                    _told(config.blade_types.rows.get(blade_type or "")),
                    *(sorted((row_id, _told(rows)) for row_id, rows in table.rows.items()) for table in whole),
                ]
            )
            found = self._rows[key] = hashlib.sha256(text.encode()).hexdigest()[:16]
        return found


def _told(rows: Sequence[tuple[int, Any]] | None) -> list[Any]:
    """What rows of the configuration say, but for money: a new price changes nothing that was cut."""
    return [
        (since_us, [(f.name, getattr(row, f.name)) for f in fields(row) if f.metadata.get("kind") is not money])
        for since_us, row in rows or ()
    ]
