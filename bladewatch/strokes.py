"""Stroke accounting: from counter readings to counted strokes with contact, alloy and area.

``SpotWork`` reads one spindle as it was known at one moment. The counter decides how many strokes there were
(``counter.step``); a stroke that only the counter tells lies evenly in time between its neighbours and takes part,
alloy and area of the stroke before where both neighbours cut the same part. A stroke whose mean power is that of
idling is in air.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from typing import Final, NamedTuple, Protocol

from bladewatch.config.tables import BladeType, Config
from bladewatch.contact import POWER_SIGNALS, gross_kj, hour_of, mean_kw, start_of
from bladewatch.counter import Step, step
from collectors.facts import Stroke
from collectors.instants import HOUR_US, SECOND_US
from models.cutting import feed_per_tooth_mm
from models.cycle import Cut
from models.energy import specific_energy_n_mm2
from models.sections import mitred

UNKNOWN: Final = "unknown"
AIR_RATIO: Final = 1.1
"""Mean power up to this much of idle: no metal was cut."""
IDLE_HOURS: Final = 7 * 24
IDLE_READINGS: Final = 3
MEAN_OVER: Final = 500


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


class Counted(NamedTuple):
    """A counted stroke. ``stroke`` is its message, None where only the counter tells it."""

    ts_us: int
    contact: bool
    part: str | None
    alloy: str
    area_cmm2: int
    guessed: bool
    stroke: Stroke | None


class SpotWork:
    """The strokes of one spindle, as they were known at ``known_us``."""

    def __init__(self, config: Config, signals: Source, spot: Spot, known_us: int) -> None:
        self.config = config
        self.spot = spot
        self.known_us = known_us
        self.edited: list[int] = []
        self.newest = 0
        self._signals = signals
        self._recent: deque[int | None] | None = None
        self._idle = _IdlePower(config, signals, spot, known_us)
        self._power = _PowerInside(signals, spot, known_us)
        self._described: dict[tuple[object, ...], tuple[str, int | None]] = {}
        self._changes = sorted({*config.parts.changes(), *config.alloys.changes()})

    def between(self, after_us: int, until_us: int) -> Iterator[Counted]:
        """Counted strokes with ``after_us`` < ts ≤ ``until_us``, in order of the messages that tell them.

        The stroke that follows the window, where it is known, tells how many were made unseen before its end.
        ``newest`` grows with every stroke to the newest instant that the strokes so far rest on.
        """
        self._recent = None
        rows: Iterable[Stroke] = self._signals.strokes(self.spot, after_us, until_us, self.known_us)
        before = next(iter(self._signals.strokes_before(self.spot, after_us, self.known_us, 1)), None)
        if before is not None:
            self.newest = max(self.newest, before.known_us)
        yield from self._count(before, rows, after_us, until_us)

    def follower(self, until_us: int) -> Stroke | None:
        """The first stroke after a window, where it is known."""
        return next(self._signals.strokes(self.spot, until_us, self.known_us, self.known_us), None)

    def _count(self, before: Stroke | None, rows: Iterable[Stroke], after_us: int, until_us: int) -> Iterator[Counted]:
        for stroke in rows:
            yield from self._made(before, stroke, after_us, until_us)
            before = stroke
        if before is not None:
            following = self.follower(until_us)
            if following is not None:
                yield from self._made(before, following, after_us, until_us)

    def _made(self, before: Stroke | None, stroke: Stroke, after_us: int, until_us: int) -> Iterator[Counted]:
        """The strokes that a message counts: those made unseen since the one before, then its own."""
        made = _step(before, stroke)
        if made.kind == "edited":
            self.edited.append(stroke.ts_us)
        self.newest = max(self.newest, stroke.known_us, stroke.ts_us, self._idle.newest(stroke.ts_us))
        if before is not None and made.strokes > 1:
            for filled in self._filled(before, stroke, made.strokes):
                if after_us < filled.ts_us <= until_us:
                    yield filled
        if made.strokes and after_us < stroke.ts_us <= until_us:
            yield self._told(stroke)
        self._remember(stroke)

    def _told(self, stroke: Stroke) -> Counted:
        if self._in_air(stroke):
            return Counted(stroke.ts_us, False, stroke.part, UNKNOWN, 0, False, stroke)
        alloy, area = self._describe(stroke)
        guessed = area is None
        if area is None:
            area = self._mean_area(stroke.ts_us, stroke.stroke)
        return Counted(stroke.ts_us, True, stroke.part, alloy, area, guessed, stroke)

    def _filled(self, before: Stroke, stroke: Stroke, strokes: int) -> Iterator[Counted]:
        span = stroke.ts_us - before.ts_us
        same = before.part is not None and before.part == stroke.part
        alloy, known_area = self._describe(before) if same else (UNKNOWN, None)
        guessed = known_area is None
        area = self._mean_area(stroke.ts_us, stroke.stroke) if known_area is None else known_area
        part = before.part if same else None
        for place in range(1, strokes):
            yield Counted(before.ts_us + span * place // strokes, True, part, alloy, area, guessed, None)

    def _in_air(self, stroke: Stroke) -> bool:
        if stroke.kind is not None:
            return stroke.kind == "air"
        power = mean_kw(stroke)
        idle = None if power is None else self._idle.at(stroke.ts_us)
        return power is not None and idle is not None and power <= AIR_RATIO * idle

    def _describe(self, stroke: Stroke) -> tuple[str, int | None]:
        """Alloy and area by the message, else by the part table at that time."""
        era = bisect_right(self._changes, stroke.ts_us)
        key = (era, stroke.part, stroke.alloy, stroke.area_cmm2, stroke.bars, stroke.mitre_deg)
        found = self._described.get(key)
        if found is None:
            found = self._described[key] = describe(
                self.config, stroke.ts_us, stroke.part, stroke.alloy, stroke.area_cmm2, stroke.bars, stroke.mitre_deg
            )
            if len(self._described) > 20_000:
                self._described.clear()
        return found

    def _mean_area(self, ts_us: int, counter: int) -> int:
        """The mean known area of the spindle's 500 strokes before."""
        if self._recent is None:
            rows = self._signals.strokes_before(self.spot, ts_us, self.known_us, MEAN_OVER + 50)
            earlier = [row for row in rows if (row.ts_us, row.stroke) < (ts_us, counter)]
            self.newest = max(self.newest, *(row.known_us for row in earlier), 0)
            self._recent = deque((self._describe(row)[1] for row in earlier), maxlen=MEAN_OVER)
        known = [area for area in self._recent if area is not None]
        return sum(known) // len(known) if known else 0

    def _remember(self, stroke: Stroke) -> None:
        if self._recent is not None:
            self._recent.append(self._describe(stroke)[1])

    def cut(self, counted: Counted, blade: BladeType | None, kerf_mm: float | None) -> Cut:
        """A counted stroke as the cycle model takes it."""
        stroke = counted.stroke
        if stroke is None:
            return Cut(counted.ts_us, False, counted.contact, counted.alloy, counted.area_cmm2, counted.guessed)
        feed = self._feed(stroke)
        specific = feed_tooth = None
        if counted.contact and feed is not None and not counted.guessed and counted.area_cmm2 > 0:
            feed_tooth = self._feed_tooth(stroke, feed, blade)
            net_kj = self._net_kj(stroke) if feed_tooth is not None else None
            if net_kj is not None:
                specific = specific_energy_n_mm2(net_kj, counted.area_cmm2 / 100, kerf_mm or 4.0)
        return Cut(
            counted.ts_us, True, counted.contact, counted.alloy, counted.area_cmm2, counted.guessed,
            feed is not None, specific, feed_tooth,
        )  # fmt: skip

    def _feed(self, stroke: Stroke) -> float | None:
        """The feed of a stroke. Under an override its time in metal tells whether what was sent is the actual feed."""
        feed = stroke.feed_mm_s
        if feed is None or feed <= 0:
            return None
        share = (stroke.feed_override_pct or 100.0) / 100
        height_mm = stroke.height_mm
        if height_mm is None and stroke.part is not None:
            row = self.config.parts.at(stroke.part, stroke.ts_us)
            height_mm = row.height_mm if row is not None else None
        if share == 1 or height_mm is None or not stroke.duration_s:
            return feed
        by_time = height_mm / stroke.duration_s
        return min((feed, feed * share), key=lambda told: abs(told / by_time - 1))

    def _feed_tooth(self, stroke: Stroke, feed_mm_s: float, blade: BladeType | None) -> float | None:
        rpm = stroke.spindle_rpm
        if rpm is None:
            saw = self.config.saws.ever(self.spot[0], stroke.ts_us)
            rpm = saw.rated_rpm if saw is not None else None
        if blade is None or blade.teeth is None or not rpm:
            return None
        return feed_per_tooth_mm(feed_mm_s, rpm, blade.teeth)

    def _net_kj(self, stroke: Stroke) -> float | None:
        """Energy of the stroke less idle power over its time in metal."""
        if stroke.duration_s is None:
            return None
        gross = gross_kj(stroke)
        if gross is None:
            mean = self._power.mean_kw(stroke)
            self.newest = max(self.newest, self._power.newest)
            gross = None if mean is None else mean * stroke.duration_s
        idle = self._idle.at(stroke.ts_us)
        if gross is None or idle is None:
            return None
        return gross - idle * stroke.duration_s

    def idle_kw(self, ts_us: int) -> float | None:
        """Idle power before an instant, where it is known."""
        return self._idle.at(ts_us)


def _step(before: Stroke | None, stroke: Stroke) -> Step:
    if before is None:
        return Step("first", 1)
    return step(before.stroke, stroke.stroke, stroke.ts_us - before.ts_us)


def describe(
    config: Config,
    ts_us: int,
    part: str | None,
    alloy: str | None,
    area_cmm2: int | None,
    bars: int | None,
    mitre_deg: float | None,
) -> tuple[str, int | None]:
    """Alloy and area [hundredths of mm²] of a stroke: as sent, else by the part table in force then."""
    row = config.parts.at(part, ts_us) if part is not None else None
    name = alloy or (row.alloy if row is not None else None)
    metal = UNKNOWN if name is None else config.alloy_of(name)
    if area_cmm2 is not None or row is None or row.area_mm2 is None:
        return metal, area_cmm2
    area_mm2 = row.area_mm2 * (bars / (row.bars or 1) if bars is not None else 1.0)
    turn = mitre_deg if mitre_deg is not None else row.mitre_deg
    if turn is not None and -90 < turn < 90:
        area_mm2 = mitred(area_mm2, turn)
    return metal, round(area_mm2 * 100)


class _IdlePower:
    """Idle power by hour: the newest whole hour before with three readings outside strokes, within a week."""

    def __init__(self, config: Config, signals: Source, spot: Spot, known_us: int) -> None:
        self._config = config
        self._signals = signals
        self._spot = spot
        self._known_us = known_us
        self._span: tuple[int, int] | None = None
        self._hours: dict[str, tuple[list[int], list[float]]] = {}
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
        hour = hour_of(ts_us)
        if hour not in self._found:
            self._found[hour] = self._look_up(hour)
        return self._found[hour]

    def _look_up(self, hour: int) -> float | None:
        self._load(hour)
        for signal in POWER_SIGNALS:
            hours, means = self._hours[signal]
            place = bisect_left(hours, hour) - 1
            if place < 0 or hours[place] < hour - IDLE_HOURS:
                continue
            if signal == "power_kw":
                return means[place]
            saw = self._config.saws.ever(self._spot[0], hours[place] * HOUR_US)
            if saw is not None and saw.load_base_kw is not None:
                return means[place] / 100 * saw.load_base_kw
        return None

    def _load(self, hour: int) -> None:
        """Bring the hours around ``hour`` into memory: a month at a time."""
        if self._span is not None and self._span[0] <= hour - IDLE_HOURS and hour <= self._span[1]:
            return
        first, last = hour - IDLE_HOURS, min(hour + 30 * 24, hour_of(self._known_us))
        self._span = (first, max(last, hour))
        known: list[tuple[int, int]] = []
        for signal in POWER_SIGNALS:
            rows = self._signals.idle_hours(self._spot, signal, first, last - 1, self._known_us)
            known.extend((row.hour, row.known_us) for row in rows)
            good = [row for row in rows if row.n >= IDLE_READINGS]
            self._hours[signal] = ([row.hour for row in good], [row.total / row.n / 1e6 for row in good])
        self._waiting = deque(sorted(known))


class _PowerInside:
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
