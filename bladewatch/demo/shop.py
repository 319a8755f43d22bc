"""The invented shop at work, day by day and saw by saw: what its saws tell, what its people write, what is true."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from math import exp
from random import Random
from typing import Any, Final, NamedTuple

import msgspec

from bladewatch.demo.edge import Body, Edge, Form
from bladewatch.demo.metal import METALS, WORKS, Work
from bladewatch.demo.records import Records
from bladewatch.demo.setting import RPM, BladeKind, Setting
from bladewatch.demo.troubles import HOUR_US, Episode
from bladewatch.demo.truth import CycleTruth, Mounted, Point, Truth

SECOND_US: Final = 1_000_000
MINUTE_US: Final = 60 * SECOND_US
NOISE: Final = 0.03
"""Spread of a stroke's energy that nothing explains."""
SHAKY: Final = 0.12
POINT_EVERY: Final = 40
POWER_EVERY_US: Final = 15 * MINUTE_US
STATE_EVERY_US: Final = 30 * MINUTE_US


class Message(NamedTuple):
    """A message as it is sent: when it reaches the other end, the saw, the kind of topic, the payload."""

    received_us: int
    saw: str
    kind: str
    payload: bytes


@dataclass(slots=True)
class Plate:
    """A plate of the shop, with the edge it has while a cycle runs."""

    id: str
    kind: BladeKind
    body: Body
    edge: Edge | None = None
    cycle: int = -1
    regrinds: int = 0
    chips_at: float = 9.0
    stop: float = 1.0
    swaps_at: float = 9.0


@dataclass(slots=True)
class Saw:
    """A saw with its counter and what is on it."""

    name: str
    kind: BladeKind
    warm_kw: float
    vibration: float
    counter: int
    modulus: int
    rng: Random
    plate: Plate | None = None
    job: Work | None = None
    left_in_job: int = 0
    order: int = 0
    chip_left: int = 0
    active: list[Episode] = field(default_factory=list)
    told: set[int] = field(default_factory=set)


class Shop:
    """A shop of a setting. ``days`` runs it and yields each day's messages; records and truth grow beside."""

    def __init__(self, setting: Setting) -> None:
        self.setting = setting
        self.form = Form.named(setting.form)
        self.truth = Truth(episodes=setting.planned())
        self.records = Records(setting, self.truth)
        self._rng = Random(f"{setting.seed}/shop")
        self._saws = [self._saw(place, name) for place, name in enumerate(setting.saw_names())]
        self._racks: dict[str, list[Plate]] = {}
        self._out: list[tuple[int, Plate]] = []
        self._next_plate = 400
        for saw in self._saws:
            for _ in range(setting.plates_per_saw):
                plate = self._new_plate(saw.kind)
                plate.regrinds = self._rng.randrange(0, 9)
                self.records.opened(plate.id, plate.kind, plate.regrinds)
                self._racks.setdefault(saw.kind.id, []).append(plate)
        self._mean_rate = sum(w.share * w.area_mm2 * METALS[w.metal].um_per_m2 for w in WORKS) / sum(
            w.share * w.area_mm2 for w in WORKS
        )
        self._mean_cut_m2 = sum(w.share * w.area_mm2 for w in WORKS) / sum(w.share for w in WORKS) / 1e6

    def days(self) -> Iterator[list[Message]]:
        """Each working day's messages, in the order they were sent."""
        setting = self.setting
        for day in range(setting.days):
            if not setting.works(day):
                continue
            found: list[Message] = []
            self._van(day)
            opens_us, closes_us = setting.at(day, setting.opens), setting.at(day, setting.closes)
            for saw in self._saws:
                saw.active = [e for e in self.truth.episodes if e.from_us < closes_us and e.to_us > opens_us]
                saw.active = [e for e in saw.active if e.saw in (saw.name, "*")]
                found.extend(self._shift(saw, day, opens_us, closes_us))
            yield found
        for saw in self._saws:
            if saw.plate is not None:
                self._point(saw, setting.ends_us)

    def _saw(self, place: int, name: str) -> Saw:
        setting = self.setting
        rng = Random(f"{setting.seed}/{name}")
        narrow = place < round(setting.size("rollover") * setting.saws)
        modulus = 65_536 if narrow else 2**32
        counter = 65_536 - rng.randrange(1500, 4000) if narrow else rng.randrange(40_000, 60_000)
        return Saw(name, setting.kind_of(place), rng.uniform(1.6, 2.3), rng.uniform(1.4, 2.2), counter, modulus, rng)

    def _new_plate(self, kind: BladeKind) -> Plate:
        self._next_plate += 1
        name = f"A-{self._next_plate:04d}"
        return Plate(name, kind, Body.drawn(self.form, Random(f"{self.setting.seed}/{name}")))

    # A shift at one saw

    def _shift(self, saw: Saw, day: int, opens_us: int, closes_us: int) -> Iterator[Message]:
        rng, season = saw.rng, self.form.season(day)
        now = opens_us + rng.randrange(0, 4 * MINUTE_US)
        yield self._tell(saw, now, "state", {"state": "running", **self._state(saw, now)})
        next_power, next_state = now + 3 * MINUTE_US, now + STATE_EVERY_US
        cold = max(self.setting.size("cold"), 0.06)
        while True:
            if saw.plate is None or self._finished(saw, day):
                now = self._change(saw, now)
            if saw.left_in_job == 0:
                self._next_job(saw)
                now += rng.randrange(3, 9) * MINUTE_US
            work, plate = saw.job, saw.plate
            assert work is not None
            assert plate is not None
            now += round(rng.uniform(*self.setting.pause_s) * SECOND_US)
            if now >= closes_us - 2 * MINUTE_US:
                break
            idle_kw = saw.warm_kw * (1 + cold * exp(-(now - opens_us) / (600 * SECOND_US))) * self._bearing(saw, now)
            while next_power < now - 20 * SECOND_US:
                told_kw = (idle_kw + rng.gauss(0, 0.02)) * self._size(saw, "rescale", next_power)
                yield self._tell(saw, next_power, "power", {"power_kw": round(told_kw, 3)})
                next_power += POWER_EVERY_US
            while next_state < now - 10 * SECOND_US:
                yield self._tell(saw, next_state, "state", self._state(saw, next_state))
                yield self._tell(saw, next_state + SECOND_US, "vibration", self._vibration(saw, next_state))
                next_state += STATE_EVERY_US
            stroke = self._stroke(saw, plate, work, now, idle_kw, season)
            now = stroke.pop("at_us")
            yield self._tell(saw, now, "cut", stroke)
            saw.left_in_job -= 1
        if day < self.setting.days - 1:  # the last day breaks off in the middle of its shift
            yield self._tell(saw, closes_us - MINUTE_US, "state", {"state": "off"})

    def _stroke(self, saw: Saw, plate: Plate, work: Work, now: int, idle_kw: float, season: float) -> dict[str, Any]:
        """One stroke: the edge wears, the counter goes on, and the message tells of it."""
        rng, metal, edge = saw.rng, METALS[work.metal], plate.edge
        assert edge is not None
        here = {e.kind: e for e in saw.active if e.on(saw.name, now) and e.metal in ("", work.metal)}
        override = here["override"].size if "override" in here else 1.0
        feed = metal.feed_mm_s * override
        fz = feed / (RPM / 60 * saw.kind.teeth)
        air = rng.random() < 0.004
        noise = NOISE * rng.gauss(0, 1)
        load = self._load(here, metal.galls, rng)
        u = (metal.kc_n_mm2 * plate.body.kc + metal.ke_n_mm * edge.edge_force / fz) * load
        seconds = work.height_mm / feed
        net_kj = 0.0 if air else u * work.area_mm2 * saw.kind.kerf_mm / 1e6 * exp(noise)
        now += round(seconds * SECOND_US)
        if not air:
            rate = metal.um_per_m2 * season * (1.5 if "lot" in here else 1.0) * (1.5 if "mist" in here else 1.0)
            edge.cut(work.metal, work.area_mm2, rate)
            self.truth.cuts += 1
            if len(self.truth.log_noise) < 20_000:
                self.truth.log_noise.append(noise)
        if "reset" in here and id(here["reset"]) not in saw.told:
            saw.told.add(id(here["reset"]))
            saw.counter = 0
        saw.counter = (saw.counter + 1) % saw.modulus
        self.truth.strokes += 1
        if edge.cuts % POINT_EVERY == 1:
            self._point(saw, now)
        factor = self._size(saw, "rescale", now)
        told: dict[str, Any] = {
            "at_us": now,
            "stroke": saw.counter,
            "part": work.id,
            "feed_mm_s": round(feed / (25.4 if "unit" in here else 1.0), 3),
            "duration_s": round(seconds, 2),
            "energy_kj": round((net_kj + idle_kw * seconds) * factor, 3),
            "pieces": 0 if air else work.bars,
            "order": f"N-{saw.order:05d}",
        }
        if override != 1:
            told["feed_override_pct"] = round(100 * override)
        if "bundle" in here and work.bars > 1:
            told["bars"] = 1
        if "lot" in here:
            told["lot"] = f"L-{here['lot'].from_us // HOUR_US % 10_000}"
        if not air and rng.random() < 0.03:
            told |= {"kind": "trim", "pieces": 0}
        elif rng.random() < 0.01:
            off = rng.gauss(0, 0.03 + (SHAKY if "clamp" in here else 0))
            told |= {"length_mm": work.length_mm, "measured_mm": round(work.length_mm + off, 2)}
        return told

    def _load(self, here: dict[str, Episode], galls: float, rng: Random) -> float:
        """What acts on the energy of a cut beside metal and edge."""
        load = 1.0
        if "lot" in here:
            load *= 1.18
        if "galling" in here:
            load *= 1 + (here["galling"].size - 1) * galls * rng.uniform(0.4, 1.2)
        if "mist" in here:
            load *= 1 + 0.15 * galls * rng.uniform(0.6, 1.2)
        if "clamp" in here:
            load *= exp(here["clamp"].size * rng.gauss(0, 0.5))
        return load

    def _state(self, saw: Saw, at_us: int) -> dict[str, Any]:
        """What the controller tells of the saw beside its strokes."""
        rng = saw.rng
        slip = 0.015 + (self._ramp(saw, "belt", at_us))
        hot = 24 * (self._bearing(saw, at_us) - 1) / 0.3
        return {
            "mist_ok": not any(e.kind == "mist" and e.on(saw.name, at_us) for e in saw.active),
            "bearing_c": round(44 + hot + rng.gauss(0, 0.5), 1),
            "clamp_bar": round(4.8 * (0.75 if self._here(saw, "clamp", at_us) else 1.0) + rng.gauss(0, 0.03), 2),
            "motor_rpm": round(2940 + rng.gauss(0, 2)),
            "spindle_rpm": round(RPM * (1 - slip + 0.015)),
        }

    def _vibration(self, saw: Saw, at_us: int) -> dict[str, Any]:
        chipped = saw.plate.edge.chipped if saw.plate is not None and saw.plate.edge is not None else 0
        level = saw.vibration * (1 + 0.5 * min(chipped, 2)) * (1 + 2.5 * (self._bearing(saw, at_us) - 1))
        return {"point": "spindle-front", "velocity_mm_s": round(level * exp(saw.rng.gauss(0, 0.05)), 2)}

    def _here(self, saw: Saw, kind: str, at_us: int) -> Episode | None:
        return next((e for e in saw.active if e.kind == kind and e.on(saw.name, at_us)), None)

    def _size(self, saw: Saw, kind: str, at_us: int) -> float:
        episode = self._here(saw, kind, at_us)
        return 1.0 if episode is None else episode.size

    def _ramp(self, saw: Saw, kind: str, at_us: int) -> float:
        """A trouble that grows: from nothing to its size over the time that it has."""
        episode = self._here(saw, kind, at_us)
        if episode is None:
            return 0.0
        return episode.size * (at_us - episode.from_us) / (episode.to_us - episode.from_us)

    def _bearing(self, saw: Saw, at_us: int) -> float:
        return 1 + self._ramp(saw, "bearing", at_us)

    def _tell(self, saw: Saw, at_us: int, kind: str, payload: dict[str, Any]) -> Message:
        """The message as sent, by the saw's own clock; it arrives a moment later."""
        wrong = self._here(saw, "clock", at_us)
        stamp_ms = (at_us + (0 if wrong is None else round(wrong.size * SECOND_US))) // 1000
        received_us = at_us + saw.rng.randrange(40_000, 400_000)
        return Message(received_us, saw.name, kind, msgspec.json.encode({"ts": stamp_ms, **payload}))

    # Jobs and blades

    def _next_job(self, saw: Saw) -> None:
        saw.job = saw.rng.choices(WORKS, [work.share for work in WORKS])[0]
        saw.left_in_job = saw.rng.randrange(25, 110)
        saw.order += 1

    def _finished(self, saw: Saw, day: int) -> bool:
        """Whether the blade comes off now. On the last day all stay on: what to do then is left to the reader."""
        plate = saw.plate
        if plate is None or plate.edge is None:
            return True
        edge = plate.edge
        if day >= self.setting.days - 1:
            return False
        if edge.chipped == 0 and edge.exposure >= plate.chips_at:
            edge.chipped, saw.chip_left = saw.rng.randrange(1, 4), saw.rng.randrange(50, 400)
        if edge.chipped:
            saw.chip_left -= 1
            return saw.chip_left <= 0
        return edge.wear >= min(plate.stop, plate.swaps_at)

    def _change(self, saw: Saw, now: int) -> int:
        """Take the blade off, put another on; minutes later the saw runs again."""
        rng, records = saw.rng, self.records
        minutes = rng.randrange(9, 19)
        written = rng.random() >= self.setting.size("unrecorded") or saw.plate is None
        if saw.plate is not None and saw.plate.edge is not None:
            self._take_off(saw, saw.plate, now, minutes, written)
        rack = self._racks.setdefault(saw.kind.id, [])
        if not rack:
            fresh = self._new_plate(saw.kind)
            records.bought(now - HOUR_US, fresh.id, fresh.kind)
            rack.append(fresh)
        plate = rack.pop(0)
        now += minutes * MINUTE_US
        if plate.edge is None:
            plate.edge = Edge.ground(self.form, plate.body, plate.kind.limit_um, self._rng)
            self._draw_end(plate)
            plate.cycle = len(self.truth.cycles)
            self.truth.cycles.append(CycleTruth(plate.id, plate.kind.id, plate.kind.limit_um))
        saw.plate, saw.chip_left = plate, 0
        self.truth.mounts.append(Mounted(saw.name, plate.id, now, None, plate.cycle, written))
        self.truth.cycles[plate.cycle].saws.append(saw.name)
        self._point(saw, now)
        if written:
            wrong = rack and rng.random() < self.setting.size("wrong-plate")
            records.mounted(now, rng.choice(rack).id if wrong else plate.id, saw.name, saw.counter)
        return now

    def _draw_end(self, plate: Plate) -> None:
        """How this cycle will end: by habit near the limit, early, for another job, or by a lost tip."""
        rng = self._rng
        draws = [rng.random() for _ in range(5)]
        least, most = self.setting.habit
        plate.stop, plate.swaps_at, plate.chips_at = least + (most - least) * draws[0], 9.0, 9.0
        if draws[1] < self.setting.size("early"):
            early = 0.4 + 0.4 * draws[2]
            if draws[3] < 0.3:
                plate.swaps_at = early
            else:
                plate.stop = early
        if rng.random() < self.setting.size("chip"):
            plate.chips_at = 0.1 + 0.85 * draws[4]

    def _take_off(self, saw: Saw, plate: Plate, now: int, minutes: int, written: bool) -> None:
        edge = plate.edge
        assert edge is not None
        self._point(saw, now)
        self.truth.mounts[self._mounted(saw)].to_us = now
        swap = edge.chipped == 0 and plate.swaps_at <= edge.wear < plate.stop
        reason = "job-swap" if swap else "chipped" if edge.chipped else self._reason(plate)
        if written:
            self.records.dismounted(now, plate.id, saw.name, saw.counter, reason, minutes, edge.chipped)
        if swap:
            plate.swaps_at = 9.0
            self._racks[plate.kind.id].append(plate)
            return
        self.truth.cycles[plate.cycle].reason = reason
        self._out.append((now, plate))

    def _mounted(self, saw: Saw) -> int:
        return max(place for place, mount in enumerate(self.truth.mounts) if mount.saw == saw.name)

    def _reason(self, plate: Plate) -> str:
        if plate.stop < self.setting.habit[0]:
            return "worn-plan"
        return self._rng.choices(("worn-plan", "worn-load", "worn-burr"), (6, 3, 1))[0]

    def _van(self, day: int) -> None:
        """Every Thursday the van takes the dull blades away and brings those of the week before."""
        if (self.setting.start + timedelta(days=day)).weekday() != 3 or day >= self.setting.days - 1:
            return
        came_us = self.setting.at(day, self.setting.opens + 0.5)
        for plate in self.records.came_back(came_us, self._rng):
            self._racks[plate.kind.id].append(plate)
        away = [plate for taken_us, plate in self._out if taken_us < came_us]
        self._out = [(taken_us, plate) for taken_us, plate in self._out if taken_us >= came_us]
        self.records.sent(came_us + 20 * MINUTE_US, away)

    def _point(self, saw: Saw, at_us: int) -> None:
        plate = saw.plate
        assert plate is not None
        edge = plate.edge
        assert edge is not None
        left = edge.left_m2(self._mean_rate)
        point = Point(at_us, edge.cuts, edge.area_m2, edge.wear_um, left, left / self._mean_cut_m2)
        self.truth.cycles[plate.cycle].points.append(point)
