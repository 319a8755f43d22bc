"""A running grind cycle, stroke by stroke: what it has cut, and what its energy says. Constant time a stroke.

Feeding the strokes one by one, or a stored state and the strokes after it, gives the same to the last bit.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

from models.energy import EdgeIndex

WARM_UP_US: Final = 15 * 60 * 1_000_000
"""A spindle is warm a quarter of an hour after its first stroke (common practice, no source)."""
COLD_AFTER_US: Final = 60 * 60 * 1_000_000
"""After an hour without a stroke it counts as cold again."""


class Cut(NamedTuple):
    """One counted stroke as the model sees it.

    ``seen`` is false for a stroke known only from the counter, ``contact`` for one in air. ``area_cmm2`` is in
    hundredths of a square millimetre; ``guessed`` marks an area that nothing told. ``specific_n_mm2`` and
    ``feed_tooth_mm`` are None where energy, idle power or feed are not known.
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
    warm_from_us: int | None = None
    last_us: int | None = None
    index: EdgeIndex = field(default_factory=EdgeIndex)

    def update(self, cut: Cut) -> None:
        """Take the next stroke."""
        self.strokes += 1
        self.seen += cut.seen
        if self.last_us is None or cut.ts_us - self.last_us > COLD_AFTER_US:
            self.warm_from_us = cut.ts_us + WARM_UP_US
        self.last_us = cut.ts_us
        if not cut.contact:
            return
        self.cuts += 1
        self.feed_known += cut.feed_known
        self.area_cmm2[cut.alloy] = self.area_cmm2.get(cut.alloy, 0) + cut.area_cmm2
        if cut.guessed:
            self.guessed_cmm2 += cut.area_cmm2
        if cut.specific_n_mm2 is None or cut.feed_tooth_mm is None:
            return
        if self.warm_from_us is not None and cut.ts_us >= self.warm_from_us and cut.specific_n_mm2 > 0:
            self.index.update(cut.alloy, cut.specific_n_mm2, cut.feed_tooth_mm, self.total_cmm2)

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
            "warm_from_us": self.warm_from_us,
            "last_us": self.last_us,
            "index": self.index.state(),
        }

    @classmethod
    def restore(cls, state: dict[str, Any]) -> CycleState:
        """The cycle as it was."""
        plain = {name: value for name, value in state.items() if name != "index"}
        return cls(**plain, index=EdgeIndex.restore(state["index"]))
