"""Stroke accounting: from counter readings to counted strokes with contact, alloy and area.

``SpotWork`` reads one spindle as it was known at one moment. The counter decides how many strokes there were
(``counter.step``); a stroke that only the counter tells lies evenly in time between its neighbours and takes part,
alloy and area of the stroke before where both neighbours cut the same part. A stroke whose mean power is that of
idling is in air.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Collection, Iterable, Iterator
from statistics import median
from typing import Final, NamedTuple

from bladewatch.config.tables import BladeType, Config, Part
from bladewatch.contact import gross_kj, hour_of, mean_kw
from bladewatch.counter import Step
from bladewatch.pace import step_at_pace
from bladewatch.power import IdlePower, PowerInside, Source, Spot
from collectors.facts import Stroke
from collectors.instants import HOUR_US, MINUTE_US
from models.cutting import feed_per_tooth_mm
from models.cycle import Cut
from models.energy import specific_energy_n_mm2
from models.sections import mitred

UNKNOWN: Final = "unknown"
AIR_RATIO: Final = 1.1
"""Mean power up to this much of idle: no metal was cut."""
MEAN_OVER: Final = 500
RESUME_US: Final = 30 * MINUTE_US
"""A stroke of the same part this soon after an aborted one may go on with it."""
MOST_AIR: Final = 20
"""So many strokes in air may lie between an aborted stroke and the rest of it."""
WHOLE: Final = 0.95
"""From this share of the section on a stroke after an aborted one is a new cut, not the rest of it."""
LEAST_WHOLE: Final = 10
MOST_BARS: Final = 50


class Counted(NamedTuple):
    """A counted stroke. ``stroke`` is its message, None where only the counter tells it.

    ``share`` is how much of the section was cut, below 1 for an aborted stroke and for the one that ends it; ``bars``
    is how many bars the energy tells, where nothing else does.
    """

    ts_us: int
    contact: bool
    part: str | None
    alloy: str
    area_cmm2: int
    guessed: bool
    stroke: Stroke | None
    share: float = 1.0
    bars: int | None = None


class SpotWork:
    """The strokes of one spindle, as they were known at ``known_us``.

    ``accepted`` are instants of counter values that look set by hand, and of which a person said that they were not:
    the strokes up to them were made.
    """

    def __init__(
        self, config: Config, signals: Source, spot: Spot, known_us: int, accepted: Collection[int] = ()
    ) -> None:
        self._accepted = accepted
        self.config = config
        self.spot = spot
        self.known_us = known_us
        self.edited: list[int] = []
        self.newest = 0
        self._signals = signals
        self._recent: deque[int | None] | None = None
        self._idle = IdlePower(config, signals, spot, known_us)
        self._power = PowerInside(signals, spot, known_us)
        self._usual: dict[tuple[int, str], float | None] = {}
        self._described: dict[tuple[object, ...], tuple[str, int | None]] = {}
        self._changes = sorted({*config.parts.changes(), *config.alloys.changes()})

    def as_known(self, known_us: int) -> SpotWork:
        """The same spindle, as it was known at another moment."""
        return SpotWork(self.config, self._signals, self.spot, known_us, self._accepted)

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
        made = self._step(before, stroke)
        if made.kind == "edited" and before is not None and stroke.ts_us in self._accepted:
            made = Step("gap", max(stroke.stroke - before.stroke, 1))
        if made.kind == "edited":
            self.edited.append(stroke.ts_us)
        self.newest = max(self.newest, stroke.known_us, stroke.ts_us, self._idle.newest(stroke.ts_us))
        if before is not None and made.strokes > 1:
            for filled in self._filled(before, stroke, made.strokes):
                if after_us < filled.ts_us <= until_us:
                    yield filled
        if made.strokes and after_us < stroke.ts_us <= until_us:
            yield self._told(before, stroke)
        self._remember(stroke)

    def _step(self, before: Stroke | None, stroke: Stroke) -> Step:
        if before is None:
            return Step("first", 1)
        paced = step_at_pace(self._signals, self.spot, before, stroke, self.known_us)
        self.newest = max(self.newest, paced.newest_us)
        return paced.step

    def _told(self, before: Stroke | None, stroke: Stroke) -> Counted:
        if self._in_air(stroke):
            return Counted(stroke.ts_us, False, stroke.part, UNKNOWN, 0, False, stroke)
        alloy, area = self._describe(stroke)
        guessed, share, bars = area is None, 1.0, None
        if area is None:
            area = self._mean_area(stroke.ts_us, stroke.stroke)
        else:
            row = self._varying(stroke) if stroke.area_cmm2 is None else None
            if row is not None:
                single = area / (row.bars or 1)
                bars = self._bars_by_energy(stroke, alloy, single)
                area = area if bars is None else round(single * bars)
            told = self._share_cut(before, stroke)
            share, guessed = told if told is not None else (1.0, stroke.kind == "aborted")
        return Counted(stroke.ts_us, True, stroke.part, alloy, round(area * share), guessed, stroke, share, bars)

    def _share_cut(self, before: Stroke | None, stroke: Stroke) -> tuple[float, bool] | None:
        """How much of the section an aborted stroke cut, or the one that goes on after it; None where it is whole.

        By the way that the blade fed through metal, else by net energy beside that of whole strokes of the part. Where
        neither is known an aborted stroke counts as whole, and as a guess.
        """
        aborted = stroke.kind == "aborted"
        if before is not None and before.kind == "air":
            before = self._before_air(before)
        resumed = (
            not aborted
            and before is not None
            and before.kind == "aborted"
            and before.part == stroke.part is not None
            and stroke.ts_us - before.ts_us <= RESUME_US
        )
        if not (aborted or resumed):
            return None
        share = self._share_by_travel(stroke)
        if share is None:
            share = self._share_by_energy(stroke)
        if share is None or (resumed and share >= WHOLE):
            return None
        return share, False

    def _before_air(self, stroke: Stroke) -> Stroke | None:
        """The last stroke in metal before some in air, of the last few."""
        rows = self._signals.strokes_before(self.spot, stroke.ts_us, self.known_us, MOST_AIR)
        self.newest = max(self.newest, *(row.known_us for row in rows), 0)
        return next((row for row in reversed(rows) if row.kind != "air"), None)

    def _share_by_travel(self, stroke: Stroke) -> float | None:
        feed, height_mm = self._feed(stroke), self._height(stroke)
        if feed is None or height_mm is None or not stroke.duration_s:
            return None
        return min(feed * stroke.duration_s / height_mm, 1.0)

    def _share_by_energy(self, stroke: Stroke) -> float | None:
        net = self._net_kj(stroke)
        if net is None:
            return None
        rows = self._signals.strokes_before(self.spot, stroke.ts_us - 1, self.known_us, MEAN_OVER)
        self.newest = max(self.newest, *(row.known_us for row in rows), 0)
        whole = [self._net_kj(row) for row in rows if row.part == stroke.part and row.kind not in ("aborted", "air")]
        usual = [energy for energy in whole if energy is not None and energy > 0]
        return min(max(net / median(usual), 0.0), 1.0) if len(usual) >= LEAST_WHOLE else None

    def _varying(self, stroke: Stroke) -> Part | None:
        """The part of a stroke, where it is sawn in bundles that nobody counts and the message tells no bars."""
        if stroke.bars is not None or stroke.part is None or stroke.kind == "aborted":
            return None
        row = self.config.parts.at(stroke.part, stroke.ts_us)
        return row if row is not None and row.bars_vary else None

    def _bars_by_energy(self, stroke: Stroke, alloy: str, area_cmm2: float) -> int | None:
        """How many bars of an area a stroke cut, by its net energy; None where that cannot be told.

        It is held against the energy an area of the alloy's other strokes, over the 500 before the hour.
        """
        net, usual = self._net_kj(stroke), self._usual_energy(hour_of(stroke.ts_us), alloy)
        if net is None or usual is None:
            return None
        return min(max(round(net / (usual * area_cmm2)), 1), MOST_BARS)

    def _usual_energy(self, hour: int, alloy: str) -> float | None:
        """Median net energy an area of an alloy, over strokes that tell their area or bars [kJ per 0.01 mm²]."""
        key = (hour, alloy)
        if key not in self._usual:
            rows = self._signals.strokes_before(self.spot, hour * HOUR_US - 1, self.known_us, MEAN_OVER)
            self.newest = max(self.newest, *(row.known_us for row in rows), 0)
            found = []
            for row in rows:
                metal, area = self._describe(row)
                part = None if row.part is None else self.config.parts.at(row.part, row.ts_us)
                counted = row.area_cmm2 is not None or row.bars is not None or part is None or not part.bars_vary
                net = self._net_kj(row) if metal == alloy and area and counted else None
                if net is not None and area and net > 0:
                    found.append(net / area)
            self._usual[key] = median(found) if len(found) >= LEAST_WHOLE else None
        return self._usual[key]

    def _height(self, stroke: Stroke) -> float | None:
        if stroke.height_mm is not None or stroke.part is None:
            return stroke.height_mm
        row = self.config.parts.at(stroke.part, stroke.ts_us)
        return row.height_mm if row is not None else None

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
        specific = feed_tooth = paced = None
        whole = counted.share == 1 and counted.bars is None and stroke.kind not in ("aborted", "test")
        if counted.contact and feed is not None and whole and not counted.guessed and counted.area_cmm2 > 0:
            feed_tooth = self._feed_tooth(stroke, feed, blade)
            net_kj = self._net_kj(stroke) if feed_tooth is not None else None
            height_mm = self._height(stroke)
            if height_mm is not None and stroke.duration_s:
                paced = height_mm / stroke.duration_s
            if net_kj is not None:
                specific = specific_energy_n_mm2(net_kj, counted.area_cmm2 / 100, kerf_mm or 4.0)
        return Cut(
            counted.ts_us, True, counted.contact, counted.alloy, counted.area_cmm2, counted.guessed,
            feed is not None, specific, feed_tooth, stroke.part, stroke.lot, stroke.known_us,
            feed, stroke.duration_s, counted.bars is not None, paced,
        )  # fmt: skip

    def _feed(self, stroke: Stroke) -> float | None:
        """The feed of a stroke. Under an override its time in metal tells whether what was sent is the actual feed."""
        feed = stroke.feed_mm_s
        if feed is None or feed <= 0:
            return None
        share = (stroke.feed_override_pct or 100.0) / 100
        height_mm = self._height(stroke)
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

    def idle_newest(self, ts_us: int) -> int:
        """The newest instant that idle power before an instant may rest on."""
        return self._idle.newest(ts_us)


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
    metal = UNKNOWN if name is None else config.alloy_of(name, ts_us)
    if area_cmm2 is not None or row is None or row.area_mm2 is None:
        return metal, area_cmm2
    area_mm2 = row.area_mm2 * (bars / (row.bars or 1) if bars is not None else 1.0)
    turn = mitre_deg if mitre_deg is not None else row.mitre_deg
    if turn is not None and -90 < turn < 90:
        area_mm2 = mitred(area_mm2, turn)
    return metal, round(area_mm2 * 100)
