"""A running grind cycle, stroke by stroke: what it has cut, and what its energy says. Constant time a stroke.

Feeding the strokes one by one, or a stored state and the strokes after it, gives the same to the last bit.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import log
from typing import Any, Final, NamedTuple

from models.energy import EdgeIndex, metal_term
from models.steps import STOP_US, StepWatch
from models.stints import Stints
from models.unitstep import UnitWatch

WARM_UP_US: Final = 15 * 60 * 1_000_000
"""A spindle is warm a quarter of an hour after its first stroke (common practice, no source)."""
COLD_AFTER_US: Final = 60 * 60 * 1_000_000
"""After an hour without a stroke it counts as cold again."""


class Cut(NamedTuple):
    """One counted stroke as the model sees it.

    ``seen`` is false for a stroke known only from the counter, ``contact`` for one in air. ``area_cmm2`` is in
    hundredths of a square millimetre; ``guessed`` marks an area that nothing told. ``specific_n_mm2`` and
    ``feed_tooth_mm`` are None where energy, idle power or feed are not known. ``known_us`` is when its message became
    known, ``inferred`` marks bars that the energy told. ``paced_mm_s`` is the feed by the clock: height over time in
    metal.
    """

    ts_us: int
    seen: bool
    contact: bool
    alloy: str
    area_cmm2: int
    guessed: bool = False
    feed_known: bool = False
    specific_n_mm2: float | None = None
    feed_tooth_mm: float | None = None
    part: str | None = None
    lot: str | None = None
    known_us: int = 0
    feed_mm_s: float | None = None
    duration_s: float | None = None
    inferred: bool = False
    paced_mm_s: float | None = None


@dataclass(slots=True)
class CycleState:
    """What a grind cycle has done so far.

    Areas are exact sums; ``known_us`` is the newest moment at which a fact in it became known.
    """

    strokes: int = 0
    seen: int = 0
    cuts: int = 0
    feed_known: int = 0
    area_cmm2: dict[str, int] = field(default_factory=dict)
    guessed_cmm2: int = 0
    inferred: int = 0
    warm_from_us: int | None = None
    last_us: int | None = None
    seen_us: int | None = None
    index: EdgeIndex = field(default_factory=EdgeIndex)
    steps: StepWatch = field(default_factory=StepWatch)
    units: UnitWatch = field(default_factory=UnitWatch)
    stints: Stints = field(default_factory=Stints)
    spots: list[str] = field(default_factory=list)
    spot: int = 0

    def update(self, cut: Cut) -> None:
        """Take the next stroke."""
        self.strokes += 1
        self.seen += cut.seen
        if self.last_us is None or cut.ts_us - self.last_us > COLD_AFTER_US:
            self.warm_from_us = cut.ts_us + WARM_UP_US
        self.last_us = cut.ts_us
        if cut.seen:
            if self.seen_us is not None and cut.ts_us - self.seen_us >= STOP_US:
                self.steps.stop(self.seen_us, cut.ts_us)
            self.seen_us = cut.ts_us
        if not cut.contact:
            return
        self.cuts += 1
        if cut.feed_mm_s is not None and cut.part is not None:
            self.units.update(cut.ts_us, cut.known_us, cut.part, cut.feed_mm_s)
        in_doubt = self.units.doubtful
        self.feed_known += cut.feed_known and not in_doubt
        self.area_cmm2[cut.alloy] = self.area_cmm2.get(cut.alloy, 0) + cut.area_cmm2
        self.inferred += cut.inferred
        if cut.guessed:
            self.guessed_cmm2 += cut.area_cmm2
        self._stint(cut, in_doubt)
        if cut.specific_n_mm2 is None or cut.feed_tooth_mm is None or in_doubt:
            return
        if self.warm_from_us is not None and cut.ts_us >= self.warm_from_us and cut.specific_n_mm2 > 0:
            self.index.update(cut.alloy, cut.specific_n_mm2, cut.feed_tooth_mm, self.total_cmm2)
            if cut.part is not None:
                load = log(metal_term(cut.specific_n_mm2, cut.feed_tooth_mm))
                travel_mm = None
                if cut.feed_mm_s is not None and cut.duration_s is not None:
                    travel_mm = cut.feed_mm_s * cut.duration_s
                self.steps.update(cut.ts_us, cut.known_us, cut.part, cut.alloy, cut.lot, load, travel_mm)

    def _stint(self, cut: Cut, in_doubt: bool) -> None:
        """The cut as part of a stint. A feed whose unit is in doubt counts where the clock can set it right."""
        fz, log_fz, log_u, log_pace = cut.feed_tooth_mm, None, None, None
        if cut.paced_mm_s is not None and cut.feed_mm_s is not None:
            log_pace = log(cut.paced_mm_s / cut.feed_mm_s)
        if fz is not None and not (in_doubt and log_pace is None):
            log_fz = log(fz)
            warm = self.warm_from_us is not None and cut.ts_us >= self.warm_from_us
            if warm and cut.specific_n_mm2 is not None and cut.specific_n_mm2 > 0:
                log_u = log(cut.specific_n_mm2)
        self.stints.update(cut.ts_us, cut.part, cut.alloy, cut.lot, self.spot, cut.area_cmm2, log_fz, log_u, log_pace)

    def remount(self, spot: str) -> None:
        """The blade goes on, here or on another saw: its load before tells nothing of steps to come."""
        self.steps.remount()
        if spot not in self.spots:
            self.spots.append(spot)
        self.spot = self.spots.index(spot)

    @property
    def total_cmm2(self) -> int:
        """All area cut."""
        return sum(self.area_cmm2.values())

    def state(self) -> dict[str, Any]:
        """Everything, as plain JSON values."""
        return {
            "strokes": self.strokes,
            "seen": self.seen,
            "cuts": self.cuts,
            "feed_known": self.feed_known,
            "area_cmm2": dict(self.area_cmm2),
            "guessed_cmm2": self.guessed_cmm2,
            "inferred": self.inferred,
            "warm_from_us": self.warm_from_us,
            "last_us": self.last_us,
            "seen_us": self.seen_us,
            "index": self.index.state(),
            "steps": self.steps.state(),
            "units": self.units.state(),
            "stints": self.stints.state(),
            "spots": list(self.spots),
            "spot": self.spot,
        }

    @classmethod
    def restore(cls, state: dict[str, Any]) -> CycleState:
        """The cycle as it was."""
        plain = dict(state)
        plain["index"] = EdgeIndex.restore(state["index"])
        plain["steps"] = StepWatch.restore(state["steps"])
        plain["units"] = UnitWatch.restore(state["units"])
        plain["stints"] = Stints.restore(state["stints"])
        return cls(**plain)
