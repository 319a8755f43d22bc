"""The invented shop at work, day by day and saw by saw: what its saws tell, what its people write, what is true."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from math import ceil, exp, log
from random import Random
from typing import Any, Final, NamedTuple

import msgspec

from bladewatch.demo.blades import Blades, Spindle
from bladewatch.demo.edge import Form
from bladewatch.demo.metal import METALS, WORKS, Metal, Work
from bladewatch.demo.records import Records
from bladewatch.demo.setting import RPM, Setting
from bladewatch.demo.troubles import EVERY_SAW, Episode
from bladewatch.demo.truth import Point, Truth
from bladewatch.demo.truth import Work as Done
from collectors.instants import HOUR_US, MINUTE_US, SECOND_US

NOISE: Final = 0.03
"""Spread of a stroke's energy that nothing explains."""
SHAKY: Final = 0.12
HARD: Final = 1.5
GUARD_AT_SETUP: Final = 0.3
"""How often the guard is opened where only the job changes."""
POINT_EVERY: Final = 20
POWER_EVERY_US: Final = 15 * MINUTE_US
STATE_EVERY_US: Final = 30 * MINUTE_US
COLD_US: Final = 12 * MINUTE_US
_BY_HAND: Final[dict[str, Callable[[int, int], int]]] = {
    "reset": lambda _counter, _when: 0,
    "correction": lambda counter, when: max(counter - 2 - when % 2, 0),
    "edit": lambda counter, when: counter + 10_000 + when % 5_000,
}
"""What somebody does to a counter: from its value, and when it is done."""


class Message(NamedTuple):
    """A message as it is sent: when it reaches the other end, the saw, the kind of topic, the payload."""

    received_us: int
    saw: str
    kind: str
    payload: bytes


@dataclass(slots=True)
class Saw:
    """A saw: its counter, its job, what acts on it today. Work, load and telling have dice of their own."""

    name: str
    spindle: Spindle
    warm_kw: float
    vibration: float
    counter: int
    modulus: int
    work_rng: Random
    load_rng: Random
    told_rng: Random
    guard_rng: Random
    clock_sign: int
    job: Work | None = None
    left_in_job: int = 0
    order: int = 0
    active: list[Episode] = field(default_factory=list)
    done: set[int] = field(default_factory=set)
    told: tuple[bool, bool] = (True, False)
    last_kw: float | None = None

    def here(self, kind: str, at_us: int) -> Episode | None:
        """The episode of a kind that acts now."""
        return next((e for e in self.active if e.kind == kind and e.from_us <= at_us < e.to_us), None)

    def size(self, kind: str, at_us: int) -> float:
        """Its size as a factor; 1 where there is none."""
        episode = self.here(kind, at_us)
        return 1.0 if episode is None else episode.size

    def ramp(self, kind: str, at_us: int) -> float:
        """A trouble that grows: from nothing to its size over the time that it has."""
        episode = self.here(kind, at_us)
        if episode is None:
            return 0.0
        return episode.size * (at_us - episode.from_us) / (episode.to_us - episode.from_us)


class Shop:
    """A shop of a setting. ``days`` runs it and yields each day's messages; records and truth grow beside."""

    def __init__(self, setting: Setting) -> None:
        self.setting = setting
        dice = Random(f"{setting.seed}/form")
        self.form = Form.named(setting.form, dice.random())
        self._grip = {work.id: exp(0.08 * dice.gauss(0, 1)) if self.form.travel else 1.0 for work in WORKS}
        self.truth = Truth(episodes=setting.planned())
        self.records = Records(setting, self.truth)
        self._blades = Blades(setting, self.form, self.truth, self.records)
        self._saws = [self._saw(place, name) for place, name in enumerate(setting.saw_names())]
        area = sum(work.share * work.area_mm2 for work in WORKS)
        self._mean_rate = sum(work.share * work.area_mm2 * METALS[work.metal].um_per_m2 for work in WORKS) / area
        self._mean_cut_m2 = area / sum(work.share for work in WORKS) / 1e6
        pause_s = sum(setting.pause_s) / 2 + 8
        self._cuts_a_day = (setting.closes - setting.opens) * 3600 / pause_s

    def days(self) -> Iterator[list[Message]]:
        """Each working day's messages, in the order they were sent."""
        setting = self.setting
        for day in range(setting.last_day + 1):
            if not setting.works(day):
                continue
            found: list[Message] = []
            self._blades.van(day)
            opens_us, closes_us = setting.at(day, setting.opens), setting.at(day, setting.closes)
            for saw in self._saws:
                today = [e for e in self.truth.episodes if e.from_us < closes_us and e.to_us > opens_us]
                saw.active = [e for e in today if e.saw in (saw.name, EVERY_SAW)]
                found.extend(self._shift(saw, day, opens_us, closes_us))
            yield found
        for saw in self._saws:
            if saw.spindle.plate is not None:
                self._point(saw, setting.last_day, setting.ends_us)

    def _saw(self, place: int, name: str) -> Saw:
        setting = self.setting
        rng = Random(f"{setting.seed}/{name}")
        narrow = place < ceil(setting.size("rollover") * setting.saws)
        counter = 65_536 - rng.randrange(300, 900) if narrow else rng.randrange(40_000, 60_000)
        work, load, told, blades, guard = (
            Random(f"{setting.seed}/{name}/{what}") for what in ("work", "load", "told", "blades", "guard")
        )
        return Saw(
            name=name,
            spindle=Spindle(name, setting.kind_of(place), rng=blades),
            warm_kw=rng.uniform(1.6, 2.3),
            vibration=rng.uniform(1.4, 2.2),
            counter=counter,
            modulus=65_536 if narrow else 2**32,
            work_rng=work,
            load_rng=load,
            told_rng=told,
            guard_rng=guard,
            clock_sign=rng.choice((-1, 1)),
        )

    # A shift at one saw

    def _shift(self, saw: Saw, day: int, opens_us: int, closes_us: int) -> Iterator[Message]:
        rng, season = saw.work_rng, self.form.season(day)
        now = opens_us + rng.randrange(0, 4 * MINUTE_US)
        yield self._tell(saw, now, "state", {"state": "running", **self._state(saw, now)})
        next_power, next_state = now + 3 * MINUTE_US, now + STATE_EVERY_US
        cold = max(self.setting.size("cold"), 0.06)
        while True:
            stopped_us, changed = now, False
            opened = self._cleans(saw, now)
            if opened:
                now += saw.guard_rng.randrange(6, 13) * MINUTE_US
            if self._blades.finished(saw.spindle, day):
                changed = opened = True
                now = self._blades.change(saw.spindle, now, saw.counter, lambda us: self._point(saw, day, us))
            if saw.left_in_job == 0:
                opened = opened or saw.guard_rng.random() < GUARD_AT_SETUP
                self._next_job(saw)
                now += rng.randrange(3, 9) * MINUTE_US
            if now > stopped_us and now < closes_us - 5 * MINUTE_US:
                yield self._tell(saw, stopped_us + 5 * SECOND_US, "state", {"state": "setup"})
                if opened:
                    yield self._guard(saw, stopped_us + 40 * SECOND_US, True)
                    yield self._guard(saw, now - 30 * SECOND_US, False)
                yield self._tell(saw, now - SECOND_US, "state", {"state": "running"})
            elif changed:
                yield self._guard(saw, stopped_us + 40 * SECOND_US, True)
                yield self._guard(saw, now - 30 * SECOND_US, False)
            work = saw.job
            assert work is not None
            now += round(rng.uniform(*self.setting.pause_s) * SECOND_US)
            if now >= closes_us - 2 * MINUTE_US:
                break
            idle_kw = saw.warm_kw * (1 + cold * exp(-(now - opens_us) / COLD_US)) * (1 + saw.ramp("bearing", now))
            while next_power < now - 20 * SECOND_US:
                yield self._tell(saw, next_power, "power", {"power_kw": self._power(saw, next_power, idle_kw)})
                next_power += POWER_EVERY_US
            while next_state < now - 10 * SECOND_US:
                yield self._tell(saw, next_state, "state", self._state(saw, next_state))
                yield self._tell(saw, next_state + SECOND_US, "vibration", self._vibration(saw, next_state))
                next_state += STATE_EVERY_US
            if self._switches(saw, now) != saw.told:
                yield self._tell(saw, now - 5 * SECOND_US, "state", self._state(saw, now))
            now, stroke = self._stroke(saw, work, day, now, idle_kw, season)
            yield self._tell(saw, now, "cut", stroke)
            saw.left_in_job -= 1
        if day < self.setting.last_day:  # the last day breaks off in the middle of its shift
            yield self._tell(saw, closes_us - MINUTE_US, "state", {"state": "off"})

    def _stroke(
        self, saw: Saw, work: Work, day: int, now: int, idle_kw: float, season: float
    ) -> tuple[int, dict[str, Any]]:
        """One stroke: the edge wears, the counter goes on, and the message tells of it."""
        rng, metal, edge = saw.work_rng, METALS[work.metal], saw.spindle.edge
        dice = [rng.random() for _ in range(3)]
        noise, off = NOISE * rng.gauss(0, 1), rng.gauss(0, 1)
        here = {e.kind: e for e in saw.active if e.from_us <= now < e.to_us and e.metal in ("", work.metal)}
        override = min((here[name].size for name in ("override", "unlogged") if name in here), default=1.0)
        feed = metal.feed_mm_s * override
        told_feed = metal.feed_mm_s if "unlogged" in here else feed
        fz = feed / (RPM / 60 * saw.spindle.kind.teeth)
        load, grip = self._load(saw, here, metal, now), self._grip[work.id]
        kc, ke = metal.kc_n_mm2 * edge.body.kc, metal.ke_n_mm * edge.edge_force
        seconds = work.height_mm / feed
        air = dice[0] < 0.004
        net_kj = (
            0.0 if air else (kc + ke / fz) * grip * load * work.area_mm2 * saw.spindle.kind.kerf_mm / 1e6 * exp(noise)
        )
        now += round(seconds * SECOND_US)
        if not air:
            rate = metal.um_per_m2 * season * (HARD if "lot" in here else 1.0) * (HARD if "mist" in here else 1.0)
            rate = rate / override if self.form.travel else rate
            edge.cut(work.metal, work.area_mm2, rate)
            area_m2 = work.area_mm2 / 1e6
            self.truth.work.setdefault(saw.name, Done()).add(now, area_m2, rate * area_m2, work.metal)
            self.truth.cuts += 1
            self.truth.unexplained.append(log(load) + noise)
        self._count(saw, now)
        self.truth.strokes += 1
        if edge.cuts % POINT_EVERY == 1:
            self._point(saw, day, now)
        told: dict[str, Any] = {
            "stroke": saw.counter,
            "part": work.id,
            "feed_mm_s": round(told_feed / (25.4 if "unit" in here else 1.0), 3),
            "duration_s": round(seconds, 2),
            "energy_kj": round((net_kj + idle_kw * seconds) * saw.size("rescale", now), 3),
            "pieces": 0 if air else work.bars,
            "order": f"N-{saw.order:05d}",
            "lot": f"H-{here['lot'].from_us // HOUR_US % 10_000}" if "lot" in here else f"L-{day // 5 + 1:03d}",
        }
        if override != 1 and "unlogged" not in here:
            told["feed_override_pct"] = round(100 * override)
        if "bundle" in here and work.bars > 1:
            told["bars"] = 1
        if "nameless" in here:
            del told["part"]
        if not air and dice[1] < 0.03:
            told |= {"kind": "trim", "pieces": 0}
        elif dice[2] < 0.02:
            error = off * (0.03 + (SHAKY if "clamp" in here else 0))
            told |= {"length_mm": work.length_mm, "measured_mm": round(work.length_mm + error, 2)}
        return now, told

    def _count(self, saw: Saw, now: int) -> None:
        """The counter goes on by one, unless somebody has had a hand in it since the last stroke."""
        for episode in saw.active:
            if episode.kind in _BY_HAND and episode.from_us <= now and id(episode) not in saw.done:
                saw.done.add(id(episode))
                saw.counter = _BY_HAND[episode.kind](saw.counter, episode.from_us)
        saw.counter = (saw.counter + 1) % saw.modulus

    def _power(self, saw: Saw, at_us: int, idle_kw: float) -> float:
        """A reading of power outside strokes, by a sensor that may be rescaled, stuck, or silent with a number."""
        dice = saw.told_rng.random(), saw.told_rng.gauss(0, 0.02)
        if dice[0] < self.setting.size("sentinel"):
            return -999.0
        if saw.here("frozen", at_us) is None or saw.last_kw is None:
            saw.last_kw = round((idle_kw + dice[1]) * saw.size("rescale", at_us), 3)
        return saw.last_kw

    def _load(self, saw: Saw, here: dict[str, Episode], metal: Metal, now: int) -> float:
        """What acts on the energy of a cut beside metal and edge. The dice fall whether anything acts or not."""
        rng, load = saw.load_rng, 1.0
        galled, dry, shake = rng.uniform(0.4, 1.2), rng.uniform(0.6, 1.2), rng.gauss(0, 0.5)
        if "lot" in here:
            load *= 1.18
        if "galling" in here:
            load *= 1 + (here["galling"].size - 1) * metal.galls * galled
        if "mist" in here:
            load *= 1 + 0.15 * metal.galls * dry
        if "clamp" in here:
            load *= exp(here["clamp"].size * shake)
        if "belt" in here:
            load *= 1 - 1.5 * saw.ramp("belt", now) * dry
        return load

    def _switches(self, saw: Saw, at_us: int) -> tuple[bool, bool]:
        """Mist on, clamp weak: a controller tells these when they change."""
        return saw.here("mist", at_us) is None, saw.here("clamp", at_us) is not None

    def _state(self, saw: Saw, at_us: int) -> dict[str, Any]:
        """What the controller tells of the saw beside its strokes."""
        rng, saw.told = saw.told_rng, self._switches(saw, at_us)
        mist, weak = saw.told
        return {
            "mist_ok": mist,
            "bearing_c": round(44 + 75 * saw.ramp("bearing", at_us) + rng.gauss(0, 0.5), 1),
            "clamp_bar": round(4.8 * (0.75 if weak else 1.0) + rng.gauss(0, 0.03), 2),
            "motor_rpm": round(2940 + rng.gauss(0, 3)),
            "spindle_rpm": round(RPM * (1 - saw.ramp("belt", at_us)) + rng.gauss(0, 3)),
        }

    def _cleans(self, saw: Saw, now: int) -> bool:
        """Whether somebody stops the saw to clean a galled blade: the episode has ended since the last stroke."""
        size = self.setting.size("cleaning")
        ended = [
            e
            for e in saw.active
            if id(e) not in saw.done
            if (e.kind == "galling" and e.to_us <= now) or (e.kind == "cleaning" and e.from_us <= now)
        ]
        saw.done.update(id(e) for e in ended)
        return any(
            e.kind == "cleaning" or Random(f"{self.setting.seed}/clean/{saw.name}/{e.from_us}").random() < size
            for e in ended
        )

    def _guard(self, saw: Saw, at_us: int, is_open: bool) -> Message:
        """The guard's switch, with dice of its own for the way."""
        return self._tell(saw, at_us, "state", {"guard_open": is_open}, saw.guard_rng)

    def _vibration(self, saw: Saw, at_us: int) -> dict[str, Any]:
        chipped = saw.spindle.edge.chipped if saw.spindle.plate is not None else 0
        level = saw.vibration * (1 + 0.5 * min(chipped, 2)) * (1 + 2.5 * saw.ramp("bearing", at_us))
        return {"point": "spindle-front", "velocity_mm_s": round(level * exp(saw.told_rng.gauss(0, 0.05)), 2)}

    def _tell(self, saw: Saw, at_us: int, kind: str, payload: dict[str, Any], dice: Random | None = None) -> Message:
        """The message as sent, by the saw's own clock; it arrives a moment later."""
        wrong = saw.here("clock", at_us)
        off_us = 0 if wrong is None else round(wrong.size * SECOND_US) * saw.clock_sign
        received_us = at_us + (dice or saw.told_rng).randrange(40_000, 400_000)
        return Message(received_us, saw.name, kind, msgspec.json.encode({"ts": (at_us + off_us) // 1000, **payload}))

    def _next_job(self, saw: Saw) -> None:
        saw.job = saw.work_rng.choices(WORKS, [work.share for work in WORKS])[0]
        saw.left_in_job = saw.work_rng.randrange(25, 110)
        saw.order += 1

    def _point(self, saw: Saw, day: int, at_us: int) -> None:
        """Note the truth of the edge that is on."""
        plate, edge = saw.spindle.plate, saw.spindle.edge
        assert plate is not None
        left_m2 = self._left_m2(edge.left_m2(self._mean_rate), day)
        point = Point(at_us, edge.cuts, edge.area_m2, edge.wear_um, left_m2, left_m2 / self._mean_cut_m2)
        self.truth.cycles[plate.cycle].points.append(point)

    def _left_m2(self, left_m2: float, day: int) -> float:
        """Area to the limit at the shop's mean mix and pace, with the seasons that are still to come."""
        if not self.form.seasonal or left_m2 <= 0:
            return left_m2
        pace_m2, found = self._cuts_a_day * self._mean_cut_m2, 0.0
        while True:
            season = self.form.season(day)
            if left_m2 <= pace_m2 * season:
                return found + left_m2 / season
            left_m2 -= pace_m2 * season
            found += pace_m2
            day += 1
            while not self.setting.works(day):
                day += 1
