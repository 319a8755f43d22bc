"""Since when the loads of a spindle are read otherwise than before: by its idle power, and by its belt.

Four hundred days back from the newest reading, an hour of idle power and a day of the spindle's pace at a time; of the
running day the pace is not known yet.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from statistics import median
from typing import Final, NamedTuple

from bladewatch.assess.memory import EVERYTHING_US, Memory, Settled
from bladewatch.contact import POWER_SIGNALS, hour_of
from bladewatch.power import IDLE_READINGS
from bladewatch.stores.protocols import Idle, Signals, Spot
from collectors.instants import DAY_US, HOUR_US, MINUTE_US
from models.gauge import behind, scale_steps

LOOK_BACK_H: Final = 400 * 24
LEAST_READINGS: Final = 3
ENOUGH: Final = 8
SPELL_US: Final = 20 * MINUTE_US


class Gauge(NamedTuple):
    """How energies are read: so much more than at first [log], by a spindle so far behind its own pace [share]."""

    log_scale: float
    slip: float


class Change(NamedTuple):
    """From an instant on energies read so much more [log], or the spindle lies so far behind [share].

    One of the two: ``slip`` is None where the sensor was rescaled.
    """

    at_us: int
    log_scale: float
    slip: float | None = None


class Gauges:
    """The changes of every spindle as they were known at ``now_us``, each looked for when it is asked for."""

    def __init__(self, signals: Signals, now_us: int, memory: Memory | None = None) -> None:
        self._signals = signals
        self._now_us = now_us
        self._memory = memory
        self._found: dict[str, tuple[Change, ...]] = {}

    def at(self, spot_name: str, at_us: int) -> Gauge:
        """What reads a spindle, named ``saw/spindle``, at an instant."""
        past = [change for change in self.changes(spot_name) if change.at_us <= at_us]
        slips = [change.slip for change in past if change.slip is not None]
        return Gauge(sum(change.log_scale for change in past), slips[-1] if slips else 0.0)

    def changes(self, spot_name: str) -> tuple[Change, ...]:
        """What changed on a spindle, in order."""
        if spot_name not in self._found:
            saw, _, spindle = spot_name.rpartition("/")
            self._found[spot_name] = tuple(sorted(self._look((saw, spindle)), key=lambda change: change.at_us))
        return self._found[spot_name]

    def _look(self, spot: Spot) -> Iterator[Change]:
        hours = self._idle(spot)
        for step in scale_steps([hour.total / hour.n for hour in hours]):
            yield Change(hours[step.place].hour * HOUR_US, step.log_scale)
        today = hour_of(self._now_us) // 24
        pace = self._pace(spot, sorted({hour.hour // 24 for hour in hours} - {today}))
        before = 0.0
        for day, slip in zip(pace, behind(list(pace.values())), strict=True):
            if slip != before:
                yield Change(day * DAY_US, 0.0, slip)
            before = slip

    def _idle(self, spot: Spot) -> list[Idle]:
        """Hours of idle power up to the newest, but for the first after a pause and of a sensor that stands still."""
        told = self._signals.latest(spot, self._now_us, self._now_us)
        for signal in POWER_SIGNALS:
            if (signal, "") not in told:
                continue
            last = min(hour_of(told[signal, ""].ts_us), hour_of(self._now_us) - 1)
            rows = self._signals.idle_hours(spot, signal, last - LOOK_BACK_H, last, self._now_us)
            hours = {row.hour: row for row in rows if row.n >= IDLE_READINGS and row.total > 0}
            if hours:
                return [row for hour, row in hours.items() if _goes_on(hours.get(hour - 1), row)]
        return []

    def _pace(self, spot: Spot, days: list[int]) -> Mapping[int, float]:
        """The spindle's speed of each day, beside its motor's where that is told."""
        told = self._signals.latest(spot, self._now_us, self._now_us)
        if ("spindle_rpm", "") not in told:
            return {}
        found = {}
        for day in days:
            spindle = self._of_day(spot, "spindle_rpm", day)
            motor = self._of_day(spot, "motor_rpm", day) if ("motor_rpm", "") in told else 1.0
            if spindle and motor:
                found[day] = spindle / motor
        return found

    def _of_day(self, spot: Spot, signal: str, day: int) -> float | None:
        if self._memory is not None:
            key = ("median", spot, signal, day)
            settled = self._memory.settled(key, self._now_us, lambda: self._median(spot, signal, day, EVERYTHING_US))
            if settled is not None:
                return settled.found
        return self._median(spot, signal, day, self._now_us).found

    def _median(self, spot: Spot, signal: str, day: int, known_us: int) -> Settled[float | None]:
        """The middle of a day's readings above nought: of some minutes where these hold enough, else of all of it."""
        newest_us = 0
        for from_us, to_us in (
            (day * DAY_US + DAY_US // 2 - SPELL_US, day * DAY_US + DAY_US // 2),
            (day * DAY_US, (day + 1) * DAY_US),
        ):
            rows = self._signals.readings(spot, signal, "", from_us, min(to_us, known_us), known_us)
            newest_us = max(newest_us, *(max(row.ts_us, row.known_us) for row in rows), 0)
            values = [row.value for row in rows if row.value > 0]
            if len(values) >= ENOUGH:
                return Settled(median(values), newest_us)
        return Settled(median(values) if len(values) >= LEAST_READINGS else None, newest_us)


def _goes_on(before: Idle | None, hour: Idle) -> bool:
    return before is not None and before.total * hour.n != hour.total * before.n
