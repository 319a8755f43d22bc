"""How fast a spindle strokes by its own past: a counter that was set far up over a night, told from strokes unseen."""

from __future__ import annotations

from itertools import pairwise
from typing import Final, NamedTuple

from bladewatch.counter import Step, step
from bladewatch.power import Source, Spot
from collectors.facts import Stroke

FAR: Final = 1000
"""So many strokes at once are held against the pace; fewer are believed as far as any saw can make them."""
OVER: Final = 200
LEAST: Final = 20
"""The pace is that of so many strokes before; with fewer neighbours than this it is not known."""
FASTER: Final = 3.0
"""Nobody knows what was cut unseen: it may have been so many times as fast as the fastest tenth of what was seen."""


class Paced(NamedTuple):
    """What lies between two counter values, and the newest instant that the pace rests on."""

    step: Step
    newest_us: int = 0


def step_at_pace(signals: Source, spot: Spot, before: Stroke, stroke: Stroke, known_us: int) -> Paced:
    """Tell what happened between two strokes; what the spindle could not have made by far, somebody set."""
    elapsed_us = stroke.ts_us - before.ts_us
    made = step(before.stroke, stroke.stroke, elapsed_us)
    if made.strokes < FAR:
        return Paced(made)
    rows = signals.strokes_before(spot, before.ts_us, known_us, OVER)
    newest_us = max((row.known_us for row in rows), default=0)
    intervals = sorted(b.ts_us - a.ts_us for a, b in pairwise(rows) if b.stroke == a.stroke + 1)
    if len(intervals) < LEAST:
        return Paced(made, newest_us)
    fastest_us = max(intervals[len(intervals) // 10], 1)
    possible = made.strokes <= FASTER * elapsed_us / fastest_us
    return Paced(made if possible else Step("edited", 1), newest_us)
