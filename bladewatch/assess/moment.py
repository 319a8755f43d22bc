"""Everything at one moment: a pure function of the facts with ``at`` and ``known`` up to it, and the configuration."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

from bladewatch.assess import remarks
from bladewatch.assess.asking import accepted_counters, asked, asked_changes, in_force, settled_rows
from bladewatch.assess.assessment import Assessment, Coverage
from bladewatch.assess.condition import Condition, conditions_of
from bladewatch.assess.covered import coverage_of, strokes_made
from bladewatch.assess.cycles import CycleReader
from bladewatch.assess.gauges import Change, Gauges
from bladewatch.assess.hearing import RUNNING, Latest, last_message_us, last_stroke_us, seen_of
from bladewatch.assess.known import Known
from bladewatch.assess.life import Life, life_of
from bladewatch.assess.memory import Memory
from bladewatch.assess.opening import book_at, keep_book
from bladewatch.assess.question import Given, Question, given
from bladewatch.assess.queue import Queue
from bladewatch.assess.recent import HourOfWork, recent_work
from bladewatch.assess.spares import with_spares
from bladewatch.assess.training import Fitted, Training, evidence_of, ratios_of, readings_of, train
from bladewatch.assess.verdict import dangers_of, measured_share, since_of, verdict_of
from bladewatch.config.tables import BladeType, Config
from bladewatch.contact import hour_of
from bladewatch.errors import UsageError
from bladewatch.ledger.book import Book
from bladewatch.ledger.fleet import KEEPS_CYCLE, Cycle, Fleet, Mount, Plate, Problem
from bladewatch.stores.protocols import Books, Issued, Spot, Store
from bladewatch.units import m2_of
from collectors.instants import MINUTE_US, to_datetime
from collectors.signals import STATES
from models.cycle import CycleState
from models.energy import Index
from models.forecast import Quantity

TRAINED_FOR_US = 10 * MINUTE_US
"""A screen that looks again and again trains anew so often, or when the ledger has changed."""


@dataclass(frozen=True, slots=True)
class Review:
    """What is known at a moment: one assessment a saw and spindle, in the order of the configuration."""

    at_us: int
    assessments: tuple[Assessment, ...]
    problems: tuple[Problem, ...]


class EndedCycle(NamedTuple):
    """A grind cycle that has ended: why, and what it cut."""

    blade_type: str
    reason: str
    area_m2: float
    cuts: int


class Called(NamedTuple):
    """What the blade on a spindle calls for by itself: its wear, and what is dangerous whatever the wear."""

    plate: str
    cycle: int
    verdict: str
    reasons: list[str]
    dangers: list[str]


@dataclass(frozen=True, slots=True)
class Running:
    """A running grind cycle with all that an answer about it rests on."""

    mount: Mount
    plate: Plate
    cycle: Cycle
    state: CycleState
    training: Training | None
    blade: BladeType | None
    recent: dict[int, HourOfWork]
    life: Life
    changes: tuple[tuple[str, Change], ...]
    """What changed since it was sharp in how energies are read, each with its ``saw/spindle``."""


class Moment:
    """The shop as it was known at ``now_us``. ``keep`` stores checkpoints and fits that had to be made.

    ``past``, an earlier moment of the same shop, hands on what it had worked out, for a screen that looks again and
    again: the ledger's state, the last fit of each blade type while its cycles tell the same, and, while no event came,
    for ten minutes at most, that they do. ``memory`` goes with a run over moments of the past. ``queue`` is what each
    saw will cut next, where somebody gave it.
    """

    def __init__(
        self,
        config: Config,
        store: Store,
        now_us: int,
        keep: bool = False,
        past: Moment | None = None,
        queue: Queue | None = None,
        memory: Memory | None = None,
    ) -> None:
        if config.store.part:
            raise UsageError("[store] part: this collector hears a part of the site; ask a desk, see the guide")
        store = store if memory is None else memory.over(store)
        books = store.books
        self._config = config
        self._store = store
        self._now_us = now_us
        self._keep = keep
        self._queue = queue or {}
        answers = given(books.answers(now_us))
        self._accepted = accepted_counters(answers)
        self._memory = memory
        self._reader = CycleReader(config, store, now_us, keep, self._accepted, memory)
        self._revision = books.revision(now_us, now_us)
        self._trained: dict[str, Training] = {}
        self._trained_us = now_us
        fresh = past is not None and 0 <= now_us - past._trained_us <= TRAINED_FOR_US
        if past is not None and fresh and past._revision == self._revision:
            self._trained, self._trained_us = past._trained, past._trained_us
        self._gauges: Gauges = past._gauges if past is not None and fresh else Gauges(store.signals, now_us, memory)
        self._fitted: dict[str, Fitted] = {} if past is None else past._fitted
        if past is not None and past._now_us <= now_us and past._is_whole(self._revision, books):
            self._book: Book = past._book
            if past._revision != self._revision:
                self._book.add(books.news(past._now_us, past._now_us, now_us))
        else:
            self._book = book_at(config, books, now_us)
        self._fleet: Fleet = self._book.fleet
        self._answers = in_force(self._book, answers)
        self._settled_rows = settled_rows(self._answers)
        self._problems = (*self._fleet.problems, *self._unknown_spots())
        spots = tuple(self.spots())
        self._known = Known(config, store.signals, self._book, self._reader, spots, now_us, self._accepted)

    def review(self) -> Review:
        """Assess every saw and spindle."""
        found = self.with_spares([self.assess(spot) for spot in self.spots()])
        return Review(self._now_us, tuple(found), self._problems)

    def known(self) -> Known:
        """What questions are asked of."""
        return self._known

    @property
    def answers(self) -> Sequence[Given]:
        """What people have answered, as far as it holds."""
        return self._answers

    def questions(self, all_cycles: bool = True) -> list[Question]:
        """What only a person can settle, open and settled, the oldest first.

        Without ``all_cycles`` a change of blade is asked only of what runs now.
        """
        return asked(self._known, self._answers, all_cycles)

    def rack_shares(self) -> dict[str, float]:
        """How much of its limit each part-used plate on the rack has used, where it can be told."""
        found = {}
        for plate in self._fleet.plates.values():
            if plate.state != "part-used" or plate.cycle is None or plate.blade_type is None:
                continue
            state = self._reader.at(plate.cycle, plate.blade_type, self._now_us)
            blade = self._config.blade_types.ever(plate.blade_type, self._now_us)
            life = self._life(plate.cycle, state, plate, blade, self._training(plate.blade_type), {})
            if life.used_share is not None:
                found[plate.id] = life.used_share.estimate
        return found

    def changes(self, spot: Spot) -> list[Question]:
        """The changes of blade that are asked about of what runs on a spindle now."""
        return asked_changes(self._known, self._answers, spot)

    def with_spares(self, assessments: list[Assessment]) -> list[Assessment]:
        """A sharp plate for each that needs one, each plate given once, in the order of the list."""
        return with_spares(self._config, self._fleet, assessments, self._now_us)

    def bring_up_to_date(self, open_only: bool = False) -> Iterator[str]:
        """Make the checkpoints of every cycle and the fit of every blade type; yields a line for each plate.

        Each plate is a transaction of its own, so that a collector beside never waits long. ``open_only`` leaves
        ended cycles alone.
        """
        with self._store.transaction():
            keep_book(self._config, self._store.books, self._book)
        for plate in self._fleet.plates.values():
            cycles = [cycle for cycle in plate.cycles if cycle.open or not open_only]
            if not cycles:
                continue
            with self._store.transaction():
                for cycle in cycles:
                    self._reader.at(cycle, plate.blade_type, self._now_us if cycle.open else cycle.ended_us or 0)
            yield f"plate {plate.id}: {len(cycles)} cycles"
        for blade_type in self._config.blade_types:
            with self._store.transaction():
                self._training(blade_type)

    def ended_cycles(self) -> Iterator[EndedCycle]:
        """The cycles that had ended with a reason."""
        for plate in self._fleet.plates.values():
            for cycle in plate.cycles:
                if plate.blade_type is not None and cycle.ended_us is not None and cycle.reason not in KEEPS_CYCLE:
                    state = self._reader.at(cycle, plate.blade_type, cycle.ended_us)
                    reason = cycle.reason or "unknown"
                    yield EndedCycle(plate.blade_type, reason, m2_of(state.total_cmm2), state.cuts)

    def _is_whole(self, revision: tuple[int, ...], books: Books) -> bool:
        """Whether what this moment knew of the ledger is still all that was known then."""
        return self._revision in (revision, books.revision(self._now_us, self._now_us))

    def _unknown_spots(self) -> Iterator[Problem]:
        """Records of saws and spindles that the configuration lacks."""
        known = set(self.spots())
        for saw, spindle in sorted(set(self._fleet.mounts) - known):
            mounts = self._fleet.mounts[saw, spindle]
            if mounts:
                mount = mounts[-1]
                text = f"saw {saw} spindle {spindle} is not in the configuration"
                yield Problem(f"mounted {mount.plate}", text, mount.from_us, mount.plate, saw)

    def spots(self) -> Iterator[Spot]:
        """Every saw and spindle of the configuration, in its order."""
        for saw_id in self._config.saws:
            saw = self._config.saws.ever(saw_id, self._now_us)
            for spindle in saw.spindles if saw is not None else ():
                yield saw_id, spindle

    def _training(self, blade_type: str) -> Training | None:
        blade = self._config.blade_types.ever(blade_type, self._now_us)
        if blade is None:
            return None
        if blade_type not in self._trained:
            self._trained[blade_type] = train(
                self._config, self._store, self._reader, self._gauges, self._fleet, blade, self._now_us, self._keep,
                self._fitted, self._memory,
            )  # fmt: skip
        return self._trained[blade_type]

    def models(self) -> Iterator[tuple[BladeType, Training]]:
        """What each blade type of the configuration has learnt, in its order."""
        for blade_type in self._config.blade_types:
            blade, training = self._config.blade_types.ever(blade_type, self._now_us), self._training(blade_type)
            if blade is not None and training is not None:
                yield blade, training

    @property
    def now_us(self) -> int:
        """The moment."""
        return self._now_us

    def said(self, spot: Spot, count: int) -> list[Issued]:
        """The forecasts issued last, the newest first."""
        return self._store.books.forecasts(spot, self._now_us, self._now_us, count)

    def _running(self, spot: Spot, recent: dict[int, HourOfWork]) -> Running | None:
        """The grind cycle that runs on a spindle, and what can be said of it; None where no blade is on record."""
        mount = self._fleet.on(*spot)
        if mount is None:
            return None
        plate = self._fleet.plates[mount.plate]
        cycle = self._fleet.cycle_of(mount)
        state = self._reader.at(cycle, plate.blade_type, self._now_us)
        training = None if plate.blade_type is None else self._training(plate.blade_type)
        blade = None if plate.blade_type is None else self._config.blade_types.ever(plate.blade_type, self._now_us)
        life = self._life(cycle, state, plate, blade, training, recent, spot)
        changes = tuple(
            (name, change)
            for name in state.spots
            for change in self._gauges.changes(name)
            if change.at_us > cycle.opened_us
        )
        return Running(mount, plate, cycle, state, training, blade, recent, life, changes)

    def _recent(self, spot: Spot) -> dict[int, HourOfWork]:
        accepted = self._accepted.get(spot, ())
        return recent_work(
            self._config, self._store.signals, spot, self._now_us, accepted=accepted, memory=self._memory
        )

    def called(self, spot: Spot) -> Called | None:
        """What the blade on a spindle calls for, the rest left alone; None where no blade is on record."""
        running = None if self._fleet.on(*spot) is None else self._running(spot, self._recent(spot))
        return None if running is None else self._called(spot, running)

    def _called(self, spot: Spot, running: Running) -> Called:
        cycle, blade = running.cycle, running.blade
        dangers = dangers_of(running.plate, blade, self._config.saws.ever(spot[0], self._now_us))
        measured = measured_share(cycle, running.state, blade)
        verdict, why = verdict_of(self._config.alerts, running.life, measured, self._now_us)
        return Called(running.plate.id, cycle.number, verdict, why, dangers)

    def assess(self, spot: Spot) -> Assessment:
        """One saw and spindle."""
        return self.examine(spot)[0]

    def examine(self, spot: Spot) -> tuple[Assessment, Running | None]:
        """One saw and spindle, with the running cycle that the answer rests on; None where no blade is on record."""
        latest = self._store.signals.latest(spot, self._now_us, self._now_us)
        stroke_us = last_stroke_us(self._store, spot, self._now_us)
        last_us = last_message_us(self._store, spot, self._now_us, latest, stroke_us)
        recent = self._recent(spot)
        gap_us = self._config.alerts.gap_minutes * MINUTE_US
        seen = seen_of(latest, last_us, stroke_us, recent, self._now_us, gap_us, self._config.zone)
        conditions = self._conditions(spot, latest, recent, seen)
        running = self._running(spot, recent)
        asks = tuple(question for question in self.changes(spot) if question.open)
        if running is None:
            return self._without_blade(spot, seen, last_us, conditions, asks), None
        mount, plate, cycle, state, life = running.mount, running.plate, running.cycle, running.state, running.life
        alerts, blade = self._config.alerts, running.blade
        _, _, wear_verdict, why, dangers = self._called(spot, running)
        along = remarks.along_queue(self._queue.get(spot[0], ()), life.remaining_cuts)
        reasons = [*dangers, *why, *along, *life.reasons]
        if seen in ("blind", "never"):
            unseen = {"blind": "not seen: the saw was running when its messages stopped", "never": "no message yet"}
            reasons.insert(0, unseen[seen])
            wear_verdict = "cannot-tell" if wear_verdict == "good" else wear_verdict
        urgent = any(condition.level == "act" for condition in conditions)
        verdict = "act" if dangers or urgent else wear_verdict
        reasons.extend(remarks.hazards(self._config, recent, self._now_us))
        reasons.extend(q.text for q in asks)
        reasons.extend(remarks.revised(self._known, mount))
        reasons.extend(remarks.of_record(self._problems, self._settled_rows, plate, spot, cycle.opened_us))
        summarised_us = self._store.signals.summarised_to(spot, self._now_us)
        if summarised_us is not None and summarised_us > cycle.opened_us:
            day = to_datetime(summarised_us, self._config.zone).date().isoformat()
            reasons.append(f"power and vibration up to {day} rest on summaries a minute, the readings have gone")
        count = partial(self._count, spot)
        since_us = since_of(alerts, life, wear_verdict, mount, cycle, self._now_us)
        assessment = Assessment(
            saw=spot[0],
            spindle=spot[1],
            plate=plate.id,
            blade_type=plate.blade_type,
            cycle=cycle.number,
            mounted_us=mount.from_us,
            strokes=state.strokes,
            cuts=state.cuts,
            area_by_alloy_cmm2=dict(state.area_cmm2),
            wear_um=life.wear_um,
            wear_limit_um=blade.wear_limit_um if blade is not None else None,
            limit_kind=life.limit_kind,
            edge_index=_index_quantity(state.index.now),
            used_share=life.used_share,
            remaining_area_m2=life.remaining_area_m2,
            remaining_cuts=life.remaining_cuts,
            due=life.due,
            verdict=verdict,
            wear_verdict=wear_verdict,
            since_us=since_us,
            dangers=tuple(dangers),
            conditions=conditions,
            basis=life.basis,
            cycles_behind=life.cycles,
            reasons=tuple(reasons),
            gaps=tuple(_gaps(life, state)),
            seen=seen,
            coverage=coverage_of(state, self._fleet.mounts.get(spot, []), cycle, count),
            last_message_us=last_us,
            unseen_us=None if last_us is None else last_us + round(gap_us),
            asks=asks,
        )
        return assessment, running

    def _conditions(
        self, spot: Spot, latest: Latest, recent: dict[int, HourOfWork], seen: str
    ) -> tuple[Condition, ...]:
        state = latest.get(("state", ""))
        running = seen == "live" and (state is None or STATES[int(state.value)] != "off")
        running = running or (seen == "blind" and state is not None and state.value == RUNNING)
        worked = {hour: entry for hour, entry in recent.items() if hour_of(entry.last_us) == hour}  # in its own place
        return conditions_of(self._config, self._store.signals, spot, self._now_us, latest, worked, running)

    def _without_blade(
        self,
        spot: Spot,
        seen: str,
        last_us: int | None,
        conditions: tuple[Condition, ...],
        asks: tuple[Question, ...],
    ) -> Assessment:
        mounts = self._fleet.mounts.get(spot, [])
        since_us = mounts[-1].to_us if mounts else None
        strokes = self._count(spot, since_us if since_us is not None else -(2**62), self._now_us)
        reason = "no blade on record"
        if strokes:
            cure = f"bladewatch questions answer {asks[-1].id} yes --plate NUMBER" if asks else "bladewatch change"
            reason = f"{strokes} strokes with no blade on record: which one is on? {cure}"
        blade = 0.0 if strokes else None
        first = next(self._store.signals.strokes(spot, since_us or -(2**62), self._now_us, self._now_us), None)
        return Assessment(
            saw=spot[0],
            spindle=spot[1],
            reasons=(reason, *remarks.of_record(self._problems, self._settled_rows, None, spot, since_us or 0)),
            asks=asks,
            verdict="act" if any(condition.level == "act" for condition in conditions) else "cannot-tell",
            since_us=None if first is None else first.ts_us,
            bare_us=since_us,
            conditions=conditions,
            seen=seen,
            coverage=Coverage(blade=blade),
            last_message_us=last_us,
        )

    def _life(
        self,
        cycle: Cycle,
        state: CycleState,
        plate: Plate,
        blade: BladeType | None,
        training: Training | None,
        recent: dict[int, HourOfWork],
        spot: Spot | None = None,
    ) -> Life:
        if blade is None or training is None:
            name = plate.blade_type
            what = (
                "has no blade type on record" if name is None else f"is of type {name}, which the configuration lacks"
            )
            return Life(None, None, 0, reasons=(f"cannot tell: plate {plate.id} {what}",))
        on_scale = training.scale == "wear_um" and training.limit is not None
        readings = readings_of(cycle, self._reader, plate.blade_type, training.limit or 1.0) if on_scale else []
        evidence = evidence_of(cycle, state, self._gauges, readings, cycle.used_share)
        queue = self._queue.get(spot[0], ()) if spot is not None else ()
        alloys = {alloy for hour in recent.values() for alloy in hour.area_cmm2} | set(state.area_cmm2)
        ratios = ratios_of(self._config, alloys | {job.alloy for job in queue}, self._now_us)
        return life_of(cycle, state, blade, training, recent, self._now_us, evidence, ratios, queue)

    def _count(self, spot: Spot, after_us: int, until_us: int) -> int:
        return strokes_made(self._store.signals, spot, after_us, until_us, self._now_us)


def _gaps(life: Life, state: CycleState) -> Iterator[str]:
    """Why what is null is null, where no other reason says so."""
    if life.wear_um is None:
        yield "wear in µm: needs three ended cycles with a bench reading and a wear limit"
    if state.index.now is None:
        yield "edge index: needs some 225 warm cuts since sharp with energy, feed, teeth, speed and idle power"
    if life.used_share is not None and life.remaining_cuts is None:
        yield "area and cuts left: nothing tells yet what this saw will cut"
    if life.used_share is not None and life.due is None:
        yield "date: needs a day of work in the last four weeks"


def _index_quantity(index: Index | None) -> Quantity | None:
    if index is None:
        return None
    band, bound = 1.645 * index.error, 1.282 * index.error
    value = index.value
    return Quantity(value, max(value - band, 0.0), value + band, max(value - bound, 0.0))
