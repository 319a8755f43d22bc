"""What a store owes, whatever engine is behind it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple, Protocol

import msgspec

from bladewatch.ledger.events import Event
from bladewatch.stores.blocks import Reading
from bladewatch.stores.lines import Series
from collectors.facts import BladeNote, Check, Fact, Rejected, Sample, Stroke, Waveform

Spot = tuple[str, str]
"""Saw and spindle."""
DAMAGED: Final = (ValueError, TypeError, LookupError, AttributeError)
"""What reading something back may raise that was kept for speed and has been damaged since: then it is made anew."""


ALWAYS_US: Final = 2**62
"""Later than anything happens, or becomes known."""


class Conflict(NamedTuple):
    """Two facts of one identity: the one that went, and whether it had stood in the store."""

    gone: Fact
    had_stood: bool


@dataclass(slots=True)
class Outcome:
    """What became of the facts handed over.

    ``touched`` is the earliest new instant of each spindle, ``hours`` the hours with new strokes.
    """

    taken: int = 0
    repeated: int = 0
    conflicts: list[Conflict] = field(default_factory=list)
    touched: dict[Spot, int] = field(default_factory=dict)
    hours: set[tuple[Spot, int]] = field(default_factory=set)

    def touch(self, spot: Spot, ts_us: int) -> None:
        """Note a new or changed fact."""
        if ts_us < self.touched.get(spot, 2**63):
            self.touched[spot] = ts_us

    def add(self, other: Outcome) -> None:
        """Join another outcome to this one."""
        self.taken += other.taken
        self.repeated += other.repeated
        self.conflicts.extend(other.conflicts)
        for spot, ts_us in other.touched.items():
            self.touch(spot, ts_us)
        self.hours |= other.hours


class WorkHour(NamedTuple):
    """Strokes of an hour that say the same of themselves; see ``work_hour`` in the schema."""

    hour: int
    work: str
    strokes: int
    filled: int
    area_cmm2: int
    energy_j: int
    pieces: int
    power_min_w: int | None


class OrderSum(NamedTuple):
    """Strokes that a message told, of one order, part, alloy and kind, as sent; sums of those that tell each.

    ``area_cmm2`` is of the ``with_area`` that tell it. ``lengths`` is the set length [mm] of those without an area,
    ``length_areas`` that times the area [0.01 mm²] of the others. ``turns`` is spindle speed over feed [s/(min · mm)]
    of those without an area, ``turn_areas`` that times the area of the others, ``fed`` how many tell a feed.
    """

    order: str | None
    part: str | None
    alloy: str | None
    kind: str | None
    strokes: int
    with_area: int
    area_cmm2: int
    with_length: int
    lengths: float
    length_areas: float
    fed: int
    turns: float
    turn_areas: float


class CounterHour(NamedTuple):
    """The counter over an hour; see ``counter_hour`` in the schema."""

    hour: int
    first_us: int
    first_stroke: int
    last_us: int
    last_stroke: int
    plain: bool
    known_us: int


class Idle(NamedTuple):
    """Power readings outside strokes over an hour: count and sum, in millionths of the unit.

    ``known_us`` is the newest instant that this rests on.
    """

    hour: int
    n: int
    total: int
    known_us: int


class Checkpoint(NamedTuple):
    """The state of a grind cycle before the stroke at ``ts_us``.

    ``known_us`` is the newest inside, ``spots`` names every spindle inside, as ``|saw/spindle|``.
    """

    plate: str
    cycle: int
    spots: str
    ts_us: int
    known_us: int
    fingerprint: str
    state: str


class KeptBook(NamedTuple):
    """A book of the rows up to ``at_us``, as known at ``known_us``, packed; ``revision`` is that of the two instants.

    ``names`` is a hash of what else gives the rows their meaning.
    """

    names: str
    at_us: int
    known_us: int
    revision: tuple[int, ...]
    content: bytes


class Said(msgspec.Struct, frozen=True):
    """What a forecast called for: all in all, and of what blade by its wear."""

    verdict: str
    plate: str | None = None
    cycle: int | None = None
    wear_verdict: str = "cannot-tell"


class Issued(NamedTuple):
    """A forecast as it was issued; ``assessment`` is its JSON."""

    saw: str
    spindle: str
    at_us: int
    known_us: int
    assessment: str

    @property
    def verdict(self) -> str:
        """The verdict that was issued."""
        return self.said.verdict

    @property
    def said(self) -> Said:
        """What of the forecast is looked at again."""
        return msgspec.json.decode(self.assessment, type=Said)


class Answer(NamedTuple):
    """What a person answered to a question: yes, no or unknown, with the plate and the instant that they named.

    ``asked`` is the question as JSON, as it stood then.
    """

    question: str
    known_us: int
    word: str
    plate: str | None
    at_us: int | None
    by: str | None
    asked: str


@dataclass(frozen=True, slots=True)
class RejectedRow:
    """A rejection as it is kept."""

    id: int
    received_us: int
    source: str
    topic: str
    reason: str
    count: int
    payload: bytes | None
    replayed_us: int | None


class Signals(Protocol):
    """Samples, strokes and roll-ups."""

    def append_samples(self, samples: Sequence[Sample]) -> Outcome:
        """Store samples; the identity decides what is new."""
        ...

    def append_strokes(self, strokes: Sequence[Stroke]) -> Outcome:
        """Store strokes and bring the hours they touch up to date."""
        ...

    def append_waveforms(self, waveforms: Sequence[Waveform]) -> Outcome:
        """Store waveforms."""
        ...

    def strokes(self, spot: Spot, after_us: int, until_us: int, known_us: int) -> Iterator[Stroke]:
        """Strokes with ``after_us`` < ts ≤ ``until_us`` known by ``known_us``, in order of instant and counter."""
        ...

    def strokes_before(self, spot: Spot, until_us: int, known_us: int, count: int) -> list[Stroke]:
        """The last ``count`` strokes with ts ≤ ``until_us``, in order."""
        ...

    def count(self, spot: Spot, after_us: int, until_us: int, known_us: int) -> int:
        """How many strokes have a message with ``after_us`` < ts ≤ ``until_us``."""
        ...

    def stroke_hours(self, spot: Spot, first: int, last: int) -> list[int]:
        """The hours from ``first`` to ``last`` that hold strokes, whenever they became known."""
        ...

    def work_hours(self, spot: Spot, first: int, last: int) -> dict[int, list[WorkHour]]:
        """Roll-ups of the hours ``first`` to ``last``, both included."""
        ...

    def strokes_made(self, spot: Spot, first: int, last: int, known_us: int) -> int:
        """Strokes through metal in the hours ``first`` to ``last``: told by a message, or counted within an hour."""
        ...

    def order_sums(
        self, spot: Spot, after_us: int, until_us: int, known_us: int, rated_rpm: float | None
    ) -> list[OrderSum]:
        """Strokes with ``after_us`` < ts ≤ ``until_us`` by order; ``rated_rpm`` stands in where a stroke tells none."""
        ...

    def counter_hours(self, spot: Spot, first: int, last: int) -> list[CounterHour]:
        """Counters of the hours ``first`` to ``last``, both included, in order."""
        ...

    def idle_hours(self, spot: Spot, signal: str, first: int, last: int, known_us: int) -> list[Idle]:
        """Power outside strokes of the hours ``first`` to ``last`` that hold readings, in order."""
        ...

    def readings(
        self, spot: Spot, signal: str, point: str, after_us: int, until_us: int, known_us: int
    ) -> list[Reading]:
        """Raw readings with ``after_us`` < ts ≤ ``until_us``."""
        ...

    def summarised_to(self, spot: Spot, until_us: int) -> int | None:
        """Up to when, before an instant, readings of power or vibration are summaries a minute; None where none are."""
        ...

    def spots(self) -> list[Spot]:
        """Every spindle of which anything is stored."""
        ...

    def waveforms(self, spot: Spot) -> Iterator[Waveform]:
        """The waveforms of a spindle whose samples are still there, in order."""
        ...

    def latest(self, spot: Spot, until_us: int, known_us: int) -> dict[tuple[str, str], Reading]:
        """The last reading of each signal and point."""
        ...


class Books(Protocol):
    """Ledger, rejections, answers, alerts, what people did, checkpoints, fits."""

    def append_events(self, events: Sequence[Event]) -> tuple[int, int, list[tuple[Event, Event]]]:
        """Store ledger events: taken, repeated, and conflicts as (kept, gone)."""
        ...

    def events(self, until_us: int, known_us: int) -> list[Event]:
        """Ledger rows and saws' blade messages with ``at`` and ``known`` up to the two instants."""
        ...

    def news(self, at_us: int, known_us: int, now_us: int) -> list[Event]:
        """What ``events`` of ``now_us`` has beside that of two earlier instants."""
        ...

    def revision(self, until_us: int, known_us: int) -> tuple[int, ...]:
        """Numbers that are the same only while ``events`` of the same instants gives the same."""
        ...

    def append_notes(self, notes: Sequence[BladeNote]) -> Outcome:
        """Store blade messages."""
        ...

    def append_checks(self, checks: Sequence[Check]) -> Outcome:
        """Store what people measured."""
        ...

    def notes(self) -> list[BladeNote]:
        """Every blade message, in order."""
        ...

    def checks(self) -> list[Check]:
        """Everything that people measured, in order."""
        ...

    def last_report_us(self, spot: Spot, until_us: int, known_us: int) -> int | None:
        """When the spindle last told of a blade or a check."""
        ...

    def reject(self, rejected: Iterable[Rejected]) -> None:
        """Keep rejections; alike ones from the broker share a row, one from a file stands once."""
        ...

    def note_file(self, digest: str, name: str) -> None:
        """Remember the name of an imported file."""
        ...

    def file_names(self) -> dict[str, str]:
        """Names of imported files by the start of a rejection's source."""
        ...

    def rejections(self, ids: Sequence[int] | None = None, with_replayed: bool = False) -> list[RejectedRow]:
        """Rejections in the order they came."""
        ...

    def mark_replayed(self, row_id: int, at_us: int) -> None:
        """A rejection that has been cured and taken."""
        ...

    def checkpoints(self, plate: str, cycle: int, known_us: int, limit: int | None = None) -> list[Checkpoint]:
        """Checkpoints of a cycle usable at ``known_us``, the newest first."""
        ...

    def put_checkpoints(self, rows: Sequence[Checkpoint]) -> None:
        """Keep checkpoints."""
        ...

    def drop_checkpoints(self, spot: Spot | None, from_us: int, plate: str | None = None) -> None:
        """Delete checkpoints of a spindle or plate from an instant on."""
        ...

    def kept_book(self) -> KeptBook | None:
        """What was kept of the ledger's book."""
        ...

    def keep_book(self, row: KeptBook) -> None:
        """Keep a book instead of what was kept."""
        ...

    def fit(self, key: str) -> str | None:
        """A stored fit as JSON."""
        ...

    def put_fit(self, key: str, blade_type: str, fit: str, at_us: int) -> None:
        """Keep a fit."""
        ...

    def issue_forecast(self, row: Issued) -> None:
        """Keep a forecast; of two for one spindle and instant the first stays."""
        ...

    def forecasts(
        self, spot: Spot, until_us: int, known_us: int, count: int | None = None, after_us: int = -(2**62)
    ) -> list[Issued]:
        """The forecasts issued for a spindle after an instant, the newest first, at most ``count``."""
        ...

    def answer(self, row: Answer) -> None:
        """Keep what a person answered to a question."""
        ...

    def answers(self, known_us: int) -> list[Answer]:
        """The answers known by an instant, in the order they were given."""
        ...

    def raise_alert(self, row: dict[str, Any]) -> bool:
        """Keep that an alert was raised; False where the same stands already."""
        ...

    def raised_alerts(self, since_us: int, known_us: int) -> list[dict[str, Any]]:
        """The alerts that were raised after an instant and known by another, in order, as ``raise_alert`` took them."""
        ...


class Store(Protocol):
    """Signals and books with one transaction over both."""

    @property
    def signals(self) -> Signals:
        """Samples, strokes, roll-ups."""
        ...

    @property
    def books(self) -> Books:
        """Everything else."""
        ...

    def transaction(self) -> AbstractContextManager[None]:
        """All or nothing; nested calls join the outer one."""
        ...

    def snapshot(self) -> AbstractContextManager[None]:
        """One consistent view for reading, given up at the end."""
        ...

    def clear_derived(self) -> None:
        """Delete roll-ups, checkpoints and fits: no answer changes."""
        ...

    def rebuild_hours(self) -> Iterator[str]:
        """Work out all roll-ups from the rows; yields a line of progress for each spindle."""
        ...

    def refresh_idle(self, before_us: int) -> None:
        """Work out idle power of ended hours that were touched."""
        ...

    def tidy(self, now_us: int, keep_raw_days: int, rejections_bytes: int, waveforms_bytes: int) -> dict[str, int]:
        """Pack old hours, let expired fast readings go in small steps, keep the quotas; counts of what was done."""
        ...

    def close(self) -> None:
        """Let go of the file."""
        ...


class Server(Protocol):
    """A shared store of signals: it takes points and tells which it holds; see ``stores.influx.Influx``."""

    def write(self, measurement: str, lines: bytes) -> None:
        """Write lines of one measurement."""
        ...

    def held(self, measurement: str, first_ns: int, last_ns: int, saw: str | None) -> dict[Series, set[int]]:
        """The times of all points between two, by series; of one saw where it is given."""
        ...

    def sums(self, measurement: str, first_ns: int, last_ns: int, saw: str | None) -> dict[Series, tuple[int, int]]:
        """How many points lie between two times, by series, and the sum of their ``known_us`` as 64 bits hold it."""
        ...

    def close(self) -> None:
        """Let go of it."""
        ...
