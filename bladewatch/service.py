"""The only wiring: configuration to store, collectors and clock. Everything that has a side effect starts here."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple, Self

import msgspec

from bladewatch.config.decode import load
from bladewatch.config.tables import Config
from bladewatch.errors import UsageError
from bladewatch.ledger import rows as ledger_rows
from bladewatch.ledger.events import Event, event_of, one_line, row_of, site_instant
from bladewatch.pipeline import enter, ingest
from bladewatch.stores.protocols import Spot, Store

if TYPE_CHECKING:
    from bladewatch.assess.memory import Memory
    from bladewatch.assess.moment import Moment
    from bladewatch.assess.question import Question
    from bladewatch.forwarding import Forwarder
    from bladewatch.stores.desk import DeskStore
    from bladewatch.stores.sqlite import SqliteStore
from collectors.facts import Batch
from collectors.fields import Site
from collectors.instants import DAY_US
from collectors.logfile import LogFile, Row, Unreadable, broken_file_errors, open_log, rows
from collectors.mapping import Translator
from collectors.signals import SENTINELS

CONFIG_VARIABLE: Final = "BLADEWATCH_CONFIG"
CONFIG_NAME: Final = "bladewatch.toml"
IMPORT_BATCH: Final = 2000

Clock = Callable[[], int]


def wall_clock() -> int:
    """Now, in microseconds of UTC."""
    return time.time_ns() // 1000


def find_config(given: Path | None) -> Path:
    """The configuration file: as given, else by the environment, else in this folder."""
    if given is not None:
        return given
    return Path(os.environ.get(CONFIG_VARIABLE) or CONFIG_NAME)


@dataclass(frozen=True, slots=True)
class FileReport:
    """What became of one imported file."""

    file: str
    kind: str
    taken: int = 0
    repeated: int = 0
    rejected: int = 0
    missing: int = 0
    error: str | None = None


class Settlement(NamedTuple):
    """A question that was answered, the rows written, and what speaks against the plate that was named."""

    question: Question
    events: list[Event]
    against: list[str]


class Service:
    """A shop, opened: its configuration, its store and its clock."""

    def __init__(self, config: Config, clock: Clock = wall_clock) -> None:
        self.config = config
        self.clock = clock
        if config.store.part:
            _check_part(config)
        self.store: Store = self._desk() if config.store.url.startswith("influx:") else self._open_store()

    def _desk(self) -> DeskStore:
        """The store of a host that has no collector. Raises ``UsageError``, and ``UnreachableError``."""
        from bladewatch.stores.desk import DeskStore
        from bladewatch.stores.influx import Influx, address_of
        from bladewatch.stores.postgres import PostgresBooks

        told = self.config.store
        if told.ledger_url is None:
            raise UsageError(
                "[store] ledger_url: missing; with url = influx://… the books are in a postgresql:// database"
            )
        server = Influx(address_of(told.url, "url"))
        return DeskStore(server, PostgresBooks(told.ledger_url, self.config.site.name))

    def _open_store(self) -> SqliteStore:
        from bladewatch.stores.sqlite import open_store

        told = self.config.store
        base = self.config.path.resolve().parent
        spool = None if told.forward_url is None else told.spool_mb * 1_000_000
        return open_store(told.url, base, self.config.site.name, told.ledger_url, spool)

    @classmethod
    def open(cls, given: Path | None, clock: Clock = wall_clock) -> Service:
        """Open the shop of a configuration file."""
        return cls(load(find_config(given)), clock)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the store."""
        self.store.close()

    @property
    def zone(self) -> tzinfo:
        """The site's zone."""
        return self.config.zone

    def instant(self, text: str, option: str = "--at") -> int:
        """A moment as the user gives it to an option; without an offset it is site time. Raises ``UsageError``."""
        try:
            return site_instant(text, self.zone)
        except ValueError as error:
            raise UsageError(f"{option}: {error}") from error

    def translator(self) -> Translator:
        """What decodes this shop's messages."""
        config = self.config
        saws: dict[str, frozenset[str]] = {}
        for row in config.saws.all_rows():
            saws[row.id] = saws.get(row.id, frozenset()) | frozenset(row.spindles)
        sentinels = SENTINELS if config.sentinels is None else config.sentinels
        site = Site(config.site.name, saws, config.alias_spans(), config.plausible, sentinels)
        return Translator(site, [row.rule() for row in config.maps])

    # Answers

    def reviews(self, moments: Sequence[int], queue: Path | None = None) -> Iterator[Any]:
        """The shop at each moment, as ``review`` gives it; what moments of the past have in common is read once."""
        from bladewatch.assess.memory import Memory

        memory = Memory() if len(moments) > 1 and max(moments) <= self.clock() else None
        for at_us in moments:
            yield self.review(at_us, queue=queue, memory=memory)

    def review(
        self,
        at_us: int | None = None,
        keep: bool = False,
        queue: Path | None = None,
        memory: Memory | None = None,
    ) -> Any:
        """The shop at a moment, from what was known then.

        ``queue`` is a file of what the saws will cut next, ``memory`` goes with a run over moments of the past.
        """
        from bladewatch.assess.moment import Moment
        from bladewatch.assess.queue import read_queue

        now_us = self.clock() if at_us is None else at_us
        jobs = None if queue is None else read_queue(queue, self.config, now_us)
        with self.store.transaction() if keep else self.store.snapshot():
            return Moment(self.config, self.store, now_us, keep, queue=jobs, memory=memory).review()

    def reckon(self, saw: str, spindle: str, at_us: int) -> Any:
        """How the answer for a spindle comes about. Raises ``UsageError`` on a saw that the configuration lacks."""
        from bladewatch.assess.moment import Moment
        from bladewatch.assess.reckoning import reckon

        with self.store.snapshot():
            moment = Moment(self.config, self.store, at_us)
            return reckon(self.config, moment, self.spot(saw, spindle, at_us))

    def models(self, at_us: int | None = None) -> list[Any]:
        """What each blade type has learnt, as ``Learnt``."""
        from bladewatch.assess.learnt import learnt_of
        from bladewatch.assess.moment import Moment

        with self.store.snapshot():
            moment = Moment(self.config, self.store, self.clock() if at_us is None else at_us)
            return [learnt_of(blade, training) for blade, training in moment.models()]

    def checks(
        self,
        at_us: int | None = None,
        issued: bool = False,
        progress: Callable[[str, str, int, int], None] = lambda *_told: None,
    ) -> list[Any]:
        """How well each blade type's model foretells, as ``Checked``; ``issued`` scores what was said at the time."""
        from bladewatch.assess.checking import checked_of, issued_of

        with self.store.snapshot():
            moment = self.moment(at_us)
            now_us, plates = moment.now_us, moment.known().fleet.plates
            if issued:
                books = self.store.books
                return [issued_of(blade, training, plates, books, now_us) for blade, training in moment.models()]
            models = list(moment.models())
        return [checked_of(self.config, blade, training, plates, now_us, progress) for blade, training in models]

    def lives(self, at_us: int | None = None) -> list[Any]:
        """How long blades of each type last, and when a planned change costs least, as ``Lives``."""
        from bladewatch.assess.lives import lived, lives_of

        with self.store.snapshot():
            known = self.moment(at_us).known()
            blades = (self.config.blade_types.ever(name, known.now_us) for name in self.config.blade_types)
            return [lives_of(self.config, blade, lived(known, blade)) for blade in blades if blade is not None]

    def compare(self, by: str, split_us: int | None = None, at_us: int | None = None) -> list[Any]:
        """Each pair of groups of cycles beside each other, as ``Verdict``; the largest group is the first."""
        from bladewatch.assess.lives import pairs

        with self.store.snapshot():
            return pairs(self.moment(at_us).known(), by, split_us)

    def ended_cycles(self, at_us: int | None = None) -> list[Any]:
        """The grind cycles that had ended, as ``EndedCycle``."""
        from bladewatch.assess.moment import Moment

        with self.store.snapshot():
            return list(Moment(self.config, self.store, self.clock() if at_us is None else at_us).ended_cycles())

    def bring_up_to_date(self, open_only: bool = False) -> Iterator[str]:
        """Make the roll-ups, checkpoints and fits that are missing; yields lines of progress."""
        from bladewatch.assess.memory import EVERYTHING_US
        from bladewatch.assess.moment import Moment

        self.store.refresh_idle(EVERYTHING_US)
        if self.config.store.part:
            return
        yield from Moment(self.config, self.store, EVERYTHING_US, keep=True).bring_up_to_date(open_only)

    def rebuild(self) -> Iterator[str]:
        """Throw away all that is kept for speed and make it anew from the facts."""
        self.store.clear_derived()
        yield from self.store.rebuild_hours()
        yield from self.bring_up_to_date()

    def tidy(self) -> dict[str, int]:
        """Upkeep of the store by the configuration's retention; counts of what was done."""
        kept, mb = self.config.retention, 1024 * 1024
        return self.store.tidy(self.clock(), kept.keep_raw_days, kept.rejections_mb * mb, kept.waveforms_mb * mb)

    # Taking in

    def import_files(
        self,
        paths: Sequence[Path],
        zone: tzinfo | None = None,
        decimal: str | None = None,
        progress: Callable[[str, int], None] = lambda _file, _lines: None,
        tidy: bool = True,
    ) -> list[FileReport]:
        """Import logs and ledgers, each told apart by its content. ``tidy`` False leaves packing to the collector."""
        reports = [self._import_file(path, zone, decimal, progress) for path in paths]
        if any(report.taken for report in reports):
            for line in self.bring_up_to_date():
                progress(line, 0)
            if tidy:
                self.store.tidy(self.clock(), 10**6, 2**60, 2**60)
        return reports

    def _import_file(
        self, path: Path, zone: tzinfo | None, decimal: str | None, progress: Callable[[str, int], None]
    ) -> FileReport:
        try:
            log = open_log(path, zone, decimal)
            with self.store.transaction():
                self.store.books.note_file(log.source.partition(":")[2], path.name)
            if log.kind == "ledger":
                return self._import_ledger(log)
            if log.kind == "cycles":  # worked out, not read back
                return FileReport(str(log.path), "cycles")
            if log.kind == "answers":
                return self._import_answers(log)
            return self._import_log(log, progress)
        except Unreadable as error:
            return FileReport(str(path), "unreadable", error=str(error))

    def _import_log(self, log: LogFile, progress: Callable[[str, int], None]) -> FileReport:
        counts = [0, 0, 0]
        lines = 0
        batch = Batch()
        translator = self.translator()
        error = None

        def store(full: Batch) -> None:
            done = ingest(full, self.store, self.config.site.name)
            for place, count in enumerate((done.taken, done.repeated, done.rejected)):
                counts[place] += count
            progress(log.path.name, lines)

        try:
            for row in rows(log, translator):
                lines = row.line
                batch.add(row.facts, row.rejected)
                batch.origin.update((id(fact), f"{log.source}:{row.line}") for fact in row.facts)
                if len(batch) >= IMPORT_BATCH:
                    store(batch)
                    batch = Batch()
        except broken_file_errors() as broken:
            error = f"{log.path}: breaks off after line {lines}: {broken}; what stands before was taken"
        store(batch)
        missing = sum(gap.last - gap.first + 1 for gap in translator.numbers.overdue(2**62))
        taken, repeated, rejected = counts
        return FileReport(str(log.path), log.kind, taken, repeated, rejected, missing, error)

    def _import_ledger(self, log: LogFile) -> FileReport:
        events: list[Event] = []
        refused = []
        origin: dict[str, str] = {}
        for row in ledger_rows.read(log, self.zone):
            if row.event is not None:
                events.append(row.event)
                origin[row.event.id] = f"{log.source}:{row.line}"
            if row.rejected is not None:
                refused.append(row.rejected)
        with self.store.transaction():
            done = enter(events, self.store, origin)
            self.store.books.reject(refused)
        return FileReport(str(log.path), "ledger", done.taken, done.repeated, len(refused) + done.rejected)

    def _import_answers(self, log: LogFile) -> FileReport:
        from bladewatch.exporting import read_answers

        taken = repeated = 0
        try:
            answers = read_answers(log.path)
        except ValueError as error:
            return FileReport(str(log.path), "unreadable", error=f"{log.path}: {error}")
        with self.store.transaction():
            known = {(answer.question, answer.known_us): answer for answer in self.store.books.answers(2**62)}
            for answer in answers:
                place = (answer.question, answer.known_us)
                kept = known.get(place)
                if kept is None or repr(kept) < repr(answer):  # of two at one instant the same one, whatever came first
                    self.store.books.answer(answer)
                    known[place] = answer
                    taken += 1
                else:
                    repeated += 1
        return FileReport(str(log.path), "answers", taken, repeated, 0)

    def preview(self, path: Path, zone: tzinfo | None = None, decimal: str | None = None) -> Iterable[Row]:
        """What an import would take and refuse, row by row; nothing is stored."""
        log = open_log(path, zone, decimal)
        if log.kind == "ledger":
            for line in ledger_rows.read(log, self.zone):
                yield Row(line.line, [], [] if line.rejected is None else [line.rejected])
        else:
            yield from rows(log, self.translator())

    def record(self, row: dict[str, str]) -> Event:
        """Write one ledger event, entered now. Raises ``UsageError`` that lists every mistake."""
        now_us = self.clock()
        cells = dict(row)
        if not cells.get("at"):
            from collectors.instants import text_of

            cells["at"] = text_of(now_us)
        try:
            event = event_of(cells, self.zone, entered_us=now_us)
        except ValueError as error:
            raise UsageError(f"event not written: {error}") from error
        done = enter([event], self.store)
        if done.rejected:
            raise UsageError(f"event not written: id {event.id} stands for another event; see 'bladewatch rejects'")
        return event

    def forwarder(self) -> Forwarder | None:
        """What moves signals to the shared store, from a store of its own; None where none is configured.

        Raises ``UsageError``, and ``UnreachableError``.
        """
        told = self.config.store
        if told.forward_url is None:
            return None
        from bladewatch.forwarding import Forwarder
        from bladewatch.stores.influx import Influx, address_of

        address = address_of(told.forward_url)
        keep_us = self.config.retention.keep_raw_days * DAY_US
        return Forwarder(self._open_store(), Influx(address), self.clock, keep_us, address.looks)

    def moment(self, at_us: int | None = None, past: Moment | None = None, memory: Memory | None = None) -> Moment:
        """All that is known at a moment; to be used within a snapshot or transaction of the store.

        ``past``, an earlier moment of this shop, hands on its ledger: only rows that are new are folded. ``memory``
        goes with a run over moments of the past.
        """
        from bladewatch.assess.moment import Moment

        return Moment(self.config, self.store, self.clock() if at_us is None else at_us, past=past, memory=memory)

    def spot(self, saw: str, spindle: str, at_us: int) -> Spot:
        """A spindle by its saw's id or alias. Raises ``UsageError`` on one that the configuration lacks."""
        found = self.config.saw_of(saw, at_us)
        row = self.config.saws.ever(found, at_us)
        if row is None:
            raise UsageError(f"saw: found {saw!r}, expected one of {', '.join(self.config.saws)}")
        if spindle not in row.spindles:
            raise UsageError(f"spindle: found {spindle!r}, saw {found} has {', '.join(row.spindles)}")
        return found, spindle

    def write(self, events: Sequence[Event]) -> None:
        """Write ledger events, by the rules of a row. Raises ``UsageError`` that lists every mistake."""
        try:
            rows = [event_of(row_of(event, self.zone), self.zone, entered_us=event.known_us) for event in events]
        except ValueError as error:
            raise UsageError(f"not written: {error}") from error
        if enter(rows, self.store).rejected:
            raise UsageError("not written: its rows stand already with other content; see 'bladewatch rejects'")

    # Questions

    def questions(self, at_us: int | None = None) -> list[Question]:
        """What only a person can settle, as it was known at a moment: open and settled, the oldest first."""
        from bladewatch.assess.moment import Moment

        with self.store.snapshot():
            return Moment(self.config, self.store, self.clock() if at_us is None else at_us).questions()

    def answer(
        self,
        question_id: str,
        word: str,
        plate: str | None = None,
        at_us: int | None = None,
        by: str | None = None,
        reason: str | None = None,
    ) -> Settlement:
        """Settle a question, and write what follows from the answer. Raises ``UsageError`` on an unknown id."""
        from bladewatch.assess.asking import refuse_answer, rows_of_answer
        from bladewatch.assess.fitting import misfits
        from bladewatch.assess.moment import Moment
        from bladewatch.assess.question import as_json
        from bladewatch.stores.protocols import Answer

        now_us = self.clock()
        plate = plate.strip() or None if plate is not None else None
        by = one_line(by).strip() or None if by is not None else None
        with self.store.transaction():
            moment = Moment(self.config, self.store, now_us)
            asked = {question.id: question for question in moment.questions()}
            question = asked.get(question_id)
            if question is None:
                raise UsageError(f"no question has the id {question_id!r}; see 'bladewatch questions'")
            known = moment.known()
            refuse_answer(known, question, word, plate, at_us, by, reason)
            events = rows_of_answer(known, question, word, plate, at_us, by, reason)
            change = plate is not None and question.kind == "probable-change"
            against = misfits(known.config, known.fleet, plate or "", question.spot, question.to_us) if change else []
            wrote = replace(question, wrote=tuple(event.id for event in events))
            told = msgspec.json.encode(as_json(wrote, self.zone)).decode()
            self.store.books.answer(Answer(question_id, now_us, word, plate, at_us, by, told))
            self.write(events)
        return Settlement(question, events, against)

    # Rejections

    def replay(self, ids: Sequence[int] | None, receipt_time: bool) -> tuple[int, list[tuple[int, str]]]:
        """Take refused messages again after a cure: how many were taken, and why the others were not."""
        from bladewatch.replaying import Replay

        return Replay(self.store, self.config, self.translator(), self.clock()).take(ids, receipt_time)


def _check_part(config: Config) -> None:
    """What a collector needs that hears a part of its site's messages. Raises ``UsageError``."""
    needed = (
        ("[store] forward_url", config.store.forward_url, "where a desk reads what it hears"),
        ("[store] ledger_url", config.store.ledger_url, "the books of the whole site"),
        ("[mqtt] client_id", config.mqtt.client_id, "its own name at the broker: of two of one name one is cut off"),
    )
    for name, value, why in needed:
        if value is None:
            raise UsageError(f"{name}: missing; with [store] part = true it has to be given: {why}")
