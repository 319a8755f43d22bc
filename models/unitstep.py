"""A number that suddenly stands in another unit: inches for millimetres in the feed, horsepower for kilowatts.

Such a step is a fact about the sender, not about the saw. It is never taken over silently: while it is there, what was
told in the doubtful unit counts as not known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from statistics import median
from typing import Any, Final

INCH: Final = 25.4
"""Exact, mm: ISO 80000-3."""
POWER_UNITS: Final = {"hp": 0.745700, "PS": 0.735499}
"""Kilowatts in a mechanical and in a metric horsepower: NIST SP 811, appendix B.8."""
CLOSE: Final = 0.03
KEPT_PARTS: Final = 40
DAYS_BEFORE: Final = 5


@dataclass(slots=True)
class UnitStep:
    """A step by a factor between units: when, and the values before and after."""

    at_us: int
    known_us: int
    before: float
    after: float
    unit: str


class UnitWatch:
    """Watches the feed of each part, stroke by stroke. ``doubtful`` is whether its unit is in doubt now."""

    def __init__(self) -> None:
        self.found: list[UnitStep] = []
        self._feeds: dict[str, float] = {}
        self._scale = 0

    @property
    def doubtful(self) -> bool:
        """Whether the feed stands in another unit than at first."""
        return self._scale != 0

    def update(self, ts_us: int, known_us: int, part: str, feed_mm_s: float) -> None:
        """Take the feed of a stroke."""
        before = self._feeds.pop(part, None)
        self._feeds[part] = feed_mm_s
        if len(self._feeds) > KEPT_PARTS:
            del self._feeds[next(iter(self._feeds))]
        turn = 0 if before is None or before <= 0 else _turn(feed_mm_s / before)
        if turn and abs(self._scale + turn) <= 1:
            self._scale += turn
            self.found.append(UnitStep(ts_us, known_us, before or 0.0, feed_mm_s, "in"))
            factor = INCH if turn > 0 else 1 / INCH
            self._feeds = {name: feed * factor if name != part else feed for name, feed in self._feeds.items()}

    def state(self) -> dict[str, Any]:
        """Everything, as plain JSON values."""
        return {"found": [asdict(step) for step in self.found], "feeds": dict(self._feeds), "scale": self._scale}

    @classmethod
    def restore(cls, state: dict[str, Any]) -> UnitWatch:
        """The watch as it was."""
        watch = cls()
        watch.found = [UnitStep(**step) for step in state["found"]]
        watch._feeds, watch._scale = dict(state["feeds"]), state["scale"]
        return watch


def _turn(ratio: float) -> int:
    """1 for a step up by 25.4, -1 for one down, else 0.

    >>> _turn(25.4), _turn(1 / 25.0), _turn(0.7), _turn(0.0)
    (1, -1, 0, 0)
    """
    if abs(ratio / INCH - 1) <= CLOSE:
        return 1
    return -1 if abs(ratio * INCH - 1) <= CLOSE else 0


def power_step(days: Sequence[float]) -> tuple[int, str] | None:
    """The first day from which on idle power stands in another unit: its place in ``days``, and the unit.

    ``days`` are medians of idle power a day, in order. The step must hold for the two days that follow, as far as there
    are any, against the median of the five before.

    >>> power_step([2.0, 2.05, 1.98, 2.0, 2.0, 2.68, 2.69, 2.67])
    (5, 'hp')
    >>> power_step([2.0, 2.05, 1.98, 2.0, 2.0, 2.3, 2.3, 2.3])
    """
    for place in range(DAYS_BEFORE, len(days)):
        before = median(days[place - DAYS_BEFORE : place])
        after = days[place : place + 3]
        for unit, kw in POWER_UNITS.items():
            for factor in (1 / kw, kw):
                if before > 0 and all(abs(day / before / factor - 1) <= CLOSE for day in after):
                    return place, unit
    return None
