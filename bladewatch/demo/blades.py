"""The blades of the invented shop: racks, changes, the van. Each plate has an instant from which it can be had."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from math import exp
from random import Random
from typing import Final

from bladewatch.demo.edge import Body, Edge, Form
from bladewatch.demo.records import Records
from bladewatch.demo.setting import BladeKind, Setting
from bladewatch.demo.truth import CycleTruth, Mounted, Truth
from collectors.instants import HOUR_US, MINUTE_US

BENCH_NOISE: Final = 0.03
NEVER: Final = 99.0


@dataclass(slots=True)
class Plate:
    """A plate of the shop, with the edge it has while a cycle runs, and how that cycle will end."""

    id: str
    kind: BladeKind
    body: Body
    free_us: int = 0
    edge: Edge | None = None
    cycle: int = -1
    regrinds: int = 0
    grinds: int = 0
    chips_at: float = NEVER
    stop: float = 1.0
    swaps_at: float = NEVER
    reason: str = "worn-plan"
    bench: float = 1.0


@dataclass(slots=True)
class Spindle:
    """What is on a saw."""

    saw: str
    kind: BladeKind
    plate: Plate | None = None
    chip_left: int = 0
    mount: int = -1
    rng: Random = field(default_factory=Random)

    @property
    def edge(self) -> Edge:
        """The edge that cuts."""
        assert self.plate is not None
        assert self.plate.edge is not None
        return self.plate.edge


class Blades:
    """All plates of a shop."""

    def __init__(self, setting: Setting, form: Form, truth: Truth, records: Records) -> None:
        self._setting, self._form, self._truth, self._records = setting, form, truth, records
        self._racks: dict[str, list[Plate]] = {}
        self._out: list[tuple[int, Plate]] = []
        self._next = 400
        rng = Random(f"{setting.seed}/stock")
        for place, _ in enumerate(setting.saw_names()):
            kind = setting.kind_of(place)
            for _ in range(setting.plates_per_saw):
                plate = self._new(kind)
                plate.regrinds = rng.randrange(0, 9)
                records.opened(plate.id, kind, plate.regrinds)
                self._rack(kind).append(plate)

    def _new(self, kind: BladeKind) -> Plate:
        self._next += 1
        name = f"A-{self._next:04d}"
        return Plate(name, kind, Body.drawn(self._form, Random(f"{self._setting.seed}/{name}")))

    def _rack(self, kind: BladeKind) -> list[Plate]:
        return self._racks.setdefault(kind.id, [])

    def finished(self, spindle: Spindle, day: int) -> bool:
        """Whether the blade comes off now. On the last day all stay on: what to do then is left to the reader."""
        plate = spindle.plate
        if plate is None or plate.edge is None:
            return True
        edge = plate.edge
        if day >= self._setting.last_day:
            return False
        if edge.chipped == 0 and edge.exposure >= plate.chips_at:
            edge.chipped, spindle.chip_left = spindle.rng.randrange(1, 4), spindle.rng.randrange(50, 400)
        if edge.chipped:
            spindle.chip_left -= 1
            return spindle.chip_left <= 0
        return edge.wear >= min(plate.stop, plate.swaps_at)

    def change(self, spindle: Spindle, now: int, counter: int, point: Callable[[int], None]) -> int:
        """Take the blade off, put another on; when the saw runs again. ``point`` notes the truth at an instant."""
        rng = spindle.rng
        minutes = rng.randrange(9, 19)
        dice = [rng.random() for _ in range(3)]
        written = spindle.plate is None or dice[0] >= self._setting.size("unrecorded")
        half = Random(f"{self._setting.seed}/{spindle.saw}/{now}/half").random() < self._setting.size("half")
        if spindle.plate is not None:
            point(now)
            self._take_off(spindle, now, counter, minutes, written)
        plate = self._fetch(spindle.kind, now)
        now += minutes * MINUTE_US
        if plate.edge is None:
            self._sharpen(plate)
        spindle.plate, spindle.chip_left, spindle.mount = plate, 0, len(self._truth.mounts)
        told_on = written and not (half and now > self._setting.at(1))
        self._truth.mounts.append(Mounted(spindle.saw, plate.id, now, None, plate.cycle, told_on))
        self._truth.cycles[plate.cycle].saws.append(spindle.saw)
        point(now)
        if told_on:
            others = [other.id for other in self._rack(spindle.kind)]
            wrong = others and dice[1] < self._setting.size("wrong-plate")
            told = others[int(dice[2] * len(others))] if wrong else plate.id
            self._records.mounted(now, told, spindle.saw, counter)
        return now

    def _fetch(self, kind: BladeKind, now: int) -> Plate:
        """The first plate on the rack that is there by now, else a new one."""
        rack = self._rack(kind)
        for place, plate in enumerate(rack):
            if plate.free_us <= now:
                return rack.pop(place)
        fresh = self._new(kind)
        self._records.bought(now - HOUR_US, fresh.id, kind)
        return fresh

    def _sharpen(self, plate: Plate) -> None:
        """A new grind cycle: its edge and its end are drawn from a stream of its own, whatever else happens."""
        setting = self._setting
        plate.grinds += 1
        rng = Random(f"{setting.seed}/{plate.id}/{plate.grinds}")
        plate.edge = Edge.ground(self._form, plate.body, plate.kind.limit_um, rng)
        plate.bench = exp(rng.gauss(0, BENCH_NOISE))
        mean, spread = setting.habit
        plate.stop = min(max(mean + spread * rng.gauss(0, 1), 0.6), 1.3)
        plate.reason = rng.choices(("worn-plan", "worn-load", "worn-burr"), (6, 3, 1))[0]
        dice = [rng.random() for _ in range(5)]
        early = dice[0] < setting.size("early")
        at = 0.35 + 0.4 * dice[1]
        plate.swaps_at = at if early and dice[2] < 0.3 else NEVER
        if early and dice[2] >= 0.3:
            plate.stop, plate.reason = at, "worn-plan"
        plate.chips_at = 0.1 + 0.7 * dice[4] if dice[3] < setting.size("chip") else NEVER
        plate.cycle = len(self._truth.cycles)
        self._truth.cycles.append(CycleTruth(plate.id, plate.kind.id, plate.kind.limit_um, factor=plate.edge.factor))

    def _take_off(self, spindle: Spindle, now: int, counter: int, minutes: int, written: bool) -> None:
        plate, edge = spindle.plate, spindle.edge
        assert plate is not None
        self._truth.mounts[spindle.mount].to_us = now
        swap = edge.chipped == 0 and plate.swaps_at <= edge.wear < plate.stop
        reason = "job-swap" if swap else "chipped" if edge.chipped else plate.reason
        if written:
            self._records.dismounted(now, plate.id, spindle.saw, counter, reason, minutes, edge.chipped)
        if swap:
            plate.swaps_at, plate.free_us = NEVER, now
            self._rack(plate.kind).append(plate)
            return
        self._truth.cycles[plate.cycle].reason = reason
        self._out.append((now, plate))

    def van(self, day: int) -> None:
        """Every Thursday the van takes the dull blades away and brings those of the week before."""
        setting = self._setting
        if (setting.start + timedelta(days=day)).weekday() != 3 or day >= setting.last_day:
            return
        came_us = setting.at(day, setting.opens + 0.5)
        for plate, free_us in self._records.came_back(came_us):
            plate.edge, plate.regrinds, plate.free_us = None, plate.regrinds + 1, free_us
            self._rack(plate.kind).append(plate)
        away = [plate for taken_us, plate in self._out if taken_us < came_us]
        self._out = [(taken_us, plate) for taken_us, plate in self._out if taken_us >= came_us]
        self._records.sent(came_us + 20 * MINUTE_US, away)
