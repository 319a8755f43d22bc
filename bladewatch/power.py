"""Power beside and inside strokes: what a saw takes in air, and what a stroke took that tells no energy itself."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple, Protocol

from bladewatch.config.tables import Config
from bladewatch.contact import POWER_SIGNALS, hour_of, start_of
from collectors.facts import Stroke
from collectors.instants import HOUR_US, SECOND_US

IDLE_HOURS: Final = 7 * 24
IDLE_READINGS: Final = 3
Spot = tuple[str, str]
"""Saw and spindle."""


class IdleHour(Protocol):
    """Power readings outside strokes over an hour."""

    @property
    def hour(self) -> int:
        """The hour."""
        ...

    @property
    def n(self) -> int:
        """How many readings."""
        ...

    @property
    def total(self) -> int:
        """Their sum in millionths of the unit."""
        ...

    @property
    def known_us(self) -> int:
        """The newest instant that this rests on."""
        ...


class TimedValue(Protocol):
    """A reading of a signal."""

    @property
    def ts_us(self) -> int:
        """When."""
        ...

    @property
    def value(self) -> float:
        """What."""
        ...

    @property
    def known_us(self) -> int:
        """When it became known."""
        ...


class Source(Protocol):
    """Where strokes and power are read from: as much of a store as this module needs."""

    def strokes(self, spot: Spot, after_us: int, until_us: int, known_us: int) -> Iterator[Stroke]:
        """Strokes with ``after_us`` < ts ≤ ``until_us``, in order."""
        ...

    def strokes_before(self, spot: Spot, until_us: int, known_us: int, count: int) -> list[Stroke]:
        """The last strokes with ts ≤ ``until_us``, in order."""
        ...

    def idle_hours(self, spot: Spot, signal: str, first: int, last: int, known_us: int) -> Sequence[IdleHour]:
        """Power outside strokes by hour."""
        ...

    def readings(
        self, spot: Spot, signal: str, point: str, after_us: int, until_us: int, known_us: int
    ) -> Sequence[TimedValue]:
        """Raw readings with ``after_us`` < ts ≤ ``until_us``."""
        ...


class IdlePower:
    """Idle power by hour: the newest whole hour before with three readings outside strokes, within a week.

    The first hour after a pause counts only where there is no other: a cold spindle takes more.
    """

    def __init__(self, config: Config, signals: Source, spot: Spot, known_us: int) -> None:
        self._config = config
        self._signals = signals
        self._spot = spot
        self._known_us = known_us
        self._span: tuple[int, int] | None = None
        self._hours: dict[str, tuple[_Hours, _Hours]] = {}
        self._found: dict[int, float | None] = {}
        self._waiting: deque[tuple[int, int]] = deque()
        self._passed = 0

    def newest(self, ts_us: int) -> int:
        """The newest instant that idle power before ``ts_us`` may rest on."""
        self.at(ts_us)
        hour = hour_of(ts_us)
        while self._waiting and self._waiting[0][0] < hour:
            self._passed = max(self._passed, self._waiting.popleft()[1])
        return self._passed

    def at(self, ts_us: int) -> float | None:
        """Idle power before an instant [kW]."""
        hour = hour_of(ts_us)
        if hour not in self._found:
            self._found[hour] = self._look_up(hour)
        return self._found[hour]

    def _look_up(self, hour: int) -> float | None:
        self._load(hour)
        for signal in POWER_SIGNALS:
            warm, every = self._hours[signal]
            found = warm.before(hour) or every.before(hour)
            if found is None:
                continue
            if signal == "power_kw":
                return found.mean
            saw = self._config.saws.ever(self._spot[0], found.hour * HOUR_US)
            if saw is not None and saw.load_base_kw is not None:
                return found.mean / 100 * saw.load_base_kw
        return None

    def _load(self, hour: int) -> None:
        """Bring the hours around ``hour`` into memory: a month at a time."""
        if self._span is not None and self._span[0] <= hour - IDLE_HOURS and hour <= self._span[1]:
            return
        first, last = hour - IDLE_HOURS, min(hour + 30 * 24, hour_of(self._known_us))
        self._span = (first, max(last, hour))
        known: list[tuple[int, int]] = []
        for signal in POWER_SIGNALS:
            rows = self._signals.idle_hours(self._spot, signal, first - 1, last - 1, self._known_us)
            known.extend((row.hour, row.known_us) for row in rows)
            good = {row.hour: row.total / row.n / 1e6 for row in rows if row.n >= IDLE_READINGS}
            warm = {hour: mean for hour, mean in good.items() if hour - 1 in good}
            self._hours[signal] = _Hours.of(warm), _Hours.of(good)
        self._waiting = deque(sorted(known))


class _Mean(NamedTuple):
    """The mean power of an hour, in the signal's unit."""

    hour: int
    mean: float


class _Hours(NamedTuple):
    """Means by hour, in order."""

    hours: list[int]
    means: list[float]

    @classmethod
    def of(cls, means: dict[int, float]) -> _Hours:
        return cls(list(means), list(means.values()))

    def before(self, hour: int) -> _Mean | None:
        """The newest before an hour, within a week."""
        place = bisect_left(self.hours, hour) - 1
        if place < 0 or self.hours[place] < hour - IDLE_HOURS:
            return None
        return _Mean(self.hours[place], self.means[place])


class PowerInside:
    """Mean power in a stroke by the readings inside it, for strokes whose message carries no energy."""

    MIN_READINGS = 3

    def __init__(self, signals: Source, spot: Spot, known_us: int) -> None:
        self._signals = signals
        self._spot = spot
        self._known_us = known_us
        self._hour: int | None = None
        self._instants: list[int] = []
        self._values: list[float] = []
        self.newest = 0

    def mean_kw(self, stroke: Stroke) -> float | None:
        """Mean power over the time in metal; None where fewer than three readings lie in it."""
        if stroke.duration_s is None or stroke.ts_us > self._known_us:
            return None
        hour = hour_of(stroke.ts_us)
        if hour != self._hour:
            self._hour = hour
            until = min((hour + 1) * HOUR_US - 1, self._known_us)
            after = hour * HOUR_US - 600 * SECOND_US
            readings = self._signals.readings(self._spot, "power_kw", "", after, until, self._known_us)
            self._instants = [reading.ts_us for reading in readings]
            self._values = [reading.value for reading in readings]
            self.newest = max((reading.known_us for reading in readings), default=0)
        start = bisect_left(self._instants, start_of(stroke, None))
        end = bisect_right(self._instants, stroke.ts_us)
        if end - start < self.MIN_READINGS:
            return None
        return sum(self._values[start:end]) / (end - start)
