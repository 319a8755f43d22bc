"""Everything at one moment: a pure function of the facts with ``at`` and ``known`` up to it, and the configuration."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import NamedTuple

from bladewatch.assess.assessment import Assessment, Coverage
from bladewatch.assess.condition import Condition, conditions_of
from bladewatch.assess.cycles import CycleReader
from bladewatch.assess.life import BenchPoint, Life, life_of
from bladewatch.assess.recent import WEEK_H, HourOfWork, recent_work
from bladewatch.assess.training import Training, train
from bladewatch.assess.verdict import dangers_of, measured_share, since_of, verdict_of
from bladewatch.config.tables import BladeType, Config
from bladewatch.contact import hour_of
from bladewatch.ledger.fold import KEEPS_CYCLE, Cycle, Fleet, Mount, Plate, Problem, fold
from bladewatch.stores.blocks import Reading
from bladewatch.stores.protocols import Issued, Spot, Store
from bladewatch.units import m2_of
from collectors.instants import HOUR_US, MINUTE_US, to_datetime, to_us
from collectors.signals import STATES
from models.cycle import CycleState
from models.energy import Index
from models.forecast import Quantity

RUNNING = float(STATES.index("running"))
Latest = dict[tuple[str, str], Reading]
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


class Moment:
    """The shop as it was known at ``now_us``. ``keep`` stores checkpoints and fits that had to be made.

    ``past``, an earlier moment of the same shop, hands on what it had worked out, for a screen that looks again and
    again: the ledger's state and the fits, while no event came, for ten minutes at most.
    """

    def __init__(
        self, config: Config, store: Store, now_us: int, keep: bool = False, past: Moment | None = None
    ) -> None:
        self._config = config
        self._store = store
        self._now_us = now_us
        self._keep = keep
        self._reader = CycleReader(config, store, now_us, keep)
        self._revision = store.books.revision(now_us, now_us)
        self._trained: dict[str, Training] = {}
        self._trained_us = now_us
        fresh = past is not None and 0 <= now_us - past._trained_us <= TRAINED_FOR_US
        if past is not None and fresh and past._revision == self._revision:
            self._fleet: Fleet = past._fleet
            self._trained, self._trained_us = past._trained, past._trained_us
            return
        self._fleet = fold(store.books.events(now_us, now_us), config.saw_aliases())
        self._note_unknown_spots()

    def review(self) -> Review:
        """Assess every saw and spindle."""
        found = self.with_spares([self.assess(spot) for spot in self.spots()])
        return Review(self._now_us, tuple(found), tuple(self._fleet.problems))

    def with_spares(self, assessments: list[Assessment]) -> list[Assessment]:
        """A sharp plate of its type for each that needs one, each plate given once, in the order of the list."""
        given: set[str] = set()
        found = []
        for a in assessments:
            plate = self._spare(a.blade_type, given) if a.needs_spare else None
            if plate is not None:
                given.add(plate.id)
                place = plate.id if plate.place is None else f"{plate.id} in {plate.place}"
                found.append(replace(a, spare=place))
            else:
                found.append(a if a.spare is None else replace(a, spare=None))
        return found

    def bring_up_to_date(self, open_only: bool = False) -> Iterator[str]:
        """Make the checkpoints of every cycle and the fit of every blade type; yields a line for each plate.

        Each plate is a transaction of its own, so that a collector beside never waits long. ``open_only`` leaves
        ended cycles alone.
        """
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

    def _note_unknown_spots(self) -> None:
        """Records of saws and spindles that the configuration lacks."""
        known = set(self.spots())
        for saw, spindle in sorted(set(self._fleet.mounts) - known):
            mount = self._fleet.mounts[saw, spindle][-1]
            text = f"saw {saw} spindle {spindle} is not in the configuration"
            self._fleet.problems.append(Problem(f"mounted {mount.plate}", text, mount.from_us, mount.plate, saw))

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
                self._config, self._store, self._reader, self._fleet, blade, self._now_us, self._keep
            )
        return self._trained[blade_type]

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
        life = self._life(cycle, state, plate, blade, training, recent)
        return Running(mount, plate, cycle, state, training, blade, recent, life)

    def assess(self, spot: Spot) -> Assessment:
        """One saw and spindle."""
        return self.examine(spot)[0]

    def examine(self, spot: Spot) -> tuple[Assessment, Running | None]:
        """One saw and spindle, with the running cycle that the answer rests on; None where no blade is on record."""
        latest = self._store.signals.latest(spot, self._now_us, self._now_us)
        stroke_us = self._last_stroke(spot)
        last_us = self._last_message(spot, latest, stroke_us)
        recent = recent_work(self._config, self._store.signals, spot, self._now_us)
        seen = self._seen(latest, last_us, stroke_us, recent)
        conditions = self._conditions(spot, latest, recent, seen)
        running = self._running(spot, recent)
        if running is None:
            return self._without_blade(spot, seen, last_us, conditions), None
        mount, plate, cycle, state, life = running.mount, running.plate, running.cycle, running.state, running.life
        alerts, blade = self._config.alerts, running.blade
        dangers = dangers_of(plate, blade, self._config.saws.ever(spot[0], self._now_us))
        wear_verdict, why = verdict_of(alerts, life, measured_share(cycle, state, blade), self._now_us)
        reasons = [*dangers, *why, *life.reasons]
        if seen in ("blind", "never"):
            unseen = {"blind": "not seen: the saw was running when its messages stopped", "never": "no message yet"}
            reasons.insert(0, unseen[seen])
            wear_verdict = "cannot-tell" if wear_verdict == "good" else wear_verdict
        urgent = any(condition.level == "act" for condition in conditions)
        verdict = "act" if dangers or urgent else wear_verdict
        reasons.extend(self._record_problems(plate, spot))
        summarised_us = self._store.signals.summarised_to(spot, self._now_us)
        if summarised_us is not None and summarised_us > cycle.opened_us:
            day = to_datetime(summarised_us, self._config.zone).date().isoformat()
            reasons.append(f"power and vibration up to {day} rest on summaries a minute, the readings have gone")
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
            coverage=self._coverage(state, spot, cycle),
            last_message_us=last_us,
            unseen_us=None if last_us is None else last_us + round(self._config.alerts.gap_minutes * MINUTE_US),
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
        self, spot: Spot, seen: str, last_us: int | None, conditions: tuple[Condition, ...]
    ) -> Assessment:
        mounts = self._fleet.mounts.get(spot, [])
        since_us = mounts[-1].to_us if mounts else None
        strokes = self._count(spot, since_us if since_us is not None else -(2**62), self._now_us)
        reason = "no blade on record"
        if strokes:
            reason = f"{strokes} strokes with no blade on record: record the change with 'bladewatch blade mounted'"
        blade = 0.0 if strokes else None
        first = next(self._store.signals.strokes(spot, since_us or -(2**62), self._now_us, self._now_us), None)
        return Assessment(
            saw=spot[0],
            spindle=spot[1],
            reasons=(reason, *self._record_problems(None, spot)),
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
    ) -> Life:
        if blade is None or training is None:
            name = plate.blade_type
            what = (
                "has no blade type on record" if name is None else f"is of type {name}, which the configuration lacks"
            )
            return Life(None, None, 0, reasons=(f"cannot tell: plate {plate.id} {what}",))
        bench = None
        if cycle.readings:
            last = max(cycle.readings)
            then = self._reader.at(cycle, plate.blade_type, last.at_us)
            bench = BenchPoint(last.wear_um, dict(then.area_cmm2))
        return life_of(cycle, state, blade, training, recent, self._now_us, bench)

    def _record_problems(self, plate: Plate | None, spot: Spot) -> list[str]:
        """The newest problem of the records of this plate or saw."""
        mine = [p for p in self._fleet.problems if p.saw == spot[0] or (plate is not None and p.plate == plate.id)]
        return [f"record: {mine[-1].where}: {mine[-1].message}"] if mine else []

    def _last_message(self, spot: Spot, latest: Latest, stroke_us: int | None) -> int | None:
        moments = [reading.ts_us for reading in latest.values()]
        report_us = self._store.books.last_report_us(spot, self._now_us, self._now_us)
        moments.extend(us for us in (stroke_us, report_us) if us is not None)
        return max(moments, default=None)

    def _last_stroke(self, spot: Spot) -> int | None:
        rows = self._store.signals.strokes_before(spot, self._now_us, self._now_us, 1)
        return rows[0].ts_us if rows else None

    def _seen(self, latest: Latest, last_us: int | None, stroke_us: int | None, recent: dict[int, HourOfWork]) -> str:
        """Live, quiet, blind (messages stopped while it was running) or never.

        A state that strokes have outrun tells nothing, nor does a saw that never sends one. Such a saw is blind when it
        misses an hour in which it worked a week ago, and after a week in any case.
        """
        if last_us is None:
            return "never"
        gap_us = self._config.alerts.gap_minutes * MINUTE_US
        if self._now_us - last_us <= gap_us:
            return "live"
        state = latest.get(("state", ""))
        if state is not None and (stroke_us is None or stroke_us <= state.ts_us + gap_us or state.value == RUNNING):
            return "blind" if state.value == RUNNING else "quiet"
        missed = range(hour_of(last_us) + 1, hour_of(self._now_us))
        if len(missed) >= WEEK_H or any(self._week_before(hour) in recent for hour in missed):
            return "blind"
        return "quiet"

    def _week_before(self, hour: int) -> int:
        """The hour that the site's clocks showed a week before."""
        then = to_datetime(hour * HOUR_US, self._config.zone) - timedelta(days=7)
        return hour_of(to_us(then))

    def _coverage(self, state: CycleState, spot: Spot, cycle: Cycle) -> Coverage:
        total = state.total_cmm2
        without = sum(
            self._count(spot, after_us, until_us)
            for after_us, until_us in _bare(self._fleet.mounts.get(spot, []), cycle.opened_us)
        )
        return Coverage(
            strokes=state.seen / state.strokes if state.strokes else None,
            alloy=1 - state.area_cmm2.get("unknown", 0) / total if total else 0.0 if state.cuts else None,
            feed=state.feed_known / state.cuts if state.cuts else None,
            blade=state.strokes / (state.strokes + without) if state.strokes + without else None,
        )

    def _count(self, spot: Spot, after_us: int, until_us: int) -> int:
        return self._store.signals.count(spot, after_us, until_us, self._now_us)

    def _spare(self, blade_type: str | None, given: set[str]) -> Plate | None:
        """A sharp plate of the type that no other saw was given."""
        for plate_id in sorted(self._fleet.plates.keys() - given):
            plate = self._fleet.plates[plate_id]
            if plate.blade_type == blade_type and plate.state == "sharp" and not plate.cracked:
                return plate
        return None


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


def _bare(mounts: list[Mount], opened_us: int) -> Iterator[tuple[int, int]]:
    """Times since just before a cycle opened in which no blade was on record."""
    for place, mount in enumerate(mounts):
        if mount.from_us >= opened_us:
            before = mounts[place - 1].to_us if place else -(2**62)
            if before is not None and before < mount.from_us:
                yield before, mount.from_us


def _index_quantity(index: Index | None) -> Quantity | None:
    if index is None:
        return None
    band, bound = 1.645 * index.error, 1.282 * index.error
    value = index.value
    return Quantity(value, max(value - band, 0.0), value + band, max(value - bound, 0.0))
