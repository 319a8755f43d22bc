"""Roll-ups of an hour, from messages only: what the strokes say of themselves, and the counter.

``HourFold`` takes strokes in order of instant and counter. Strokes that come in order are folded onto what
stands; anything late has the hour folded anew from its rows. Sums are whole numbers, so both give the same.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from functools import lru_cache
from math import floor
from typing import Final

from bladewatch.contact import gross_kj, mean_kw
from bladewatch.counter import step
from bladewatch.stores.protocols import CounterHour, WorkHour
from collectors.facts import Stroke

_NO_POWER: Final = 2**62


def work_of(stroke: Stroke) -> str:
    """What a stroke says of itself, as far as its area and alloy follow from it.

    >>> work_of(Stroke("S1", "1", 0, 1, 0, part="A", alloy="6063", area_cmm2=100))
    '["A","6063",null,true,null,null]'
    """
    if stroke.area_cmm2 is not None:
        return _work_text(stroke.part, stroke.alloy, stroke.kind, True, None, None)
    return _work_text(stroke.part, stroke.alloy, stroke.kind, False, stroke.bars, stroke.mitre_deg)


@lru_cache(maxsize=4096)
def _work_text(*content: str | bool | float | None) -> str:
    return json.dumps(content, separators=(",", ":"))


class HourFold:
    """The roll-up of one hour of one spindle."""

    def __init__(self, hour: int) -> None:
        self.hour = hour
        self.works: dict[str, list[int]] = {}
        self.first: tuple[int, int] | None = None
        self.last: tuple[int, int] | None = None
        self.last_stroke: Stroke | None = None
        self.plain = True
        self.known_us = 0

    @classmethod
    def resume(cls, counter: CounterHour, works: Iterable[WorkHour], last: Stroke) -> HourFold:
        """Go on from stored rows; ``last`` is the hour's last stroke."""
        fold = cls(counter.hour)
        for work in works:
            low = _NO_POWER if work.power_min_w is None else work.power_min_w
            fold.works[work.work] = [work.strokes, work.filled, work.area_cmm2, work.energy_j, work.pieces, low]
        fold.first = (counter.first_us, counter.first_stroke)
        fold.last = (counter.last_us, counter.last_stroke)
        fold.last_stroke = last
        fold.plain = counter.plain
        fold.known_us = counter.known_us
        return fold

    def add(self, stroke: Stroke) -> None:
        """Take the next stroke."""
        before = self.last_stroke
        sums = self.works.setdefault(work_of(stroke), [0, 0, 0, 0, 0, _NO_POWER])
        if before is not None:
            made = step(before.stroke, stroke.stroke, stroke.ts_us - before.ts_us)
            if made.kind == "gap" and before.part == stroke.part and before.part is not None:
                between = self.works[work_of(before)]
                between[1] += made.strokes - 1
                between[2] += (made.strokes - 1) * (before.area_cmm2 or 0)
            elif made.kind != "next":
                self.plain = False
        sums[0] += 1
        sums[2] += stroke.area_cmm2 or 0
        sums[3] += round((gross_kj(stroke) or 0.0) * 1000)
        sums[4] += stroke.pieces or 0
        power = mean_kw(stroke)
        if power is not None:
            sums[5] = min(sums[5], floor(power * 1000))
        if self.first is None:
            self.first = (stroke.ts_us, stroke.stroke)
        self.last = (stroke.ts_us, stroke.stroke)
        self.last_stroke = stroke
        self.known_us = max(self.known_us, stroke.known_us)

    def work_rows(self) -> list[WorkHour]:
        """The rows to store."""
        return [
            WorkHour(self.hour, work, n, filled, area, energy, pieces, None if low == _NO_POWER else low)
            for work, (n, filled, area, energy, pieces, low) in sorted(self.works.items())
        ]

    def counter_row(self) -> CounterHour | None:
        """The counter row to store; None for an hour without strokes."""
        if self.first is None or self.last is None:
            return None
        return CounterHour(self.hour, *self.first, *self.last, self.plain, self.known_us)
