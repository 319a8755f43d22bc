"""What one stroke's message tells of its time in metal and its energy, before anything else is known."""

from __future__ import annotations

from typing import Final

from collectors.facts import Stroke
from collectors.instants import HOUR_US, SECOND_US

LONGEST_UNTOLD_US: Final = 60 * SECOND_US
"""A stroke that tells no time in metal is taken to reach back to the stroke before, at most so far."""
POWER_SIGNALS: Final = ("power_kw", "load_pct")
"""The signals that idle power is read from, the better one first."""


def hour_of(ts_us: int) -> int:
    """The hour an instant lies in."""
    return ts_us // HOUR_US


def start_of(stroke: Stroke, before_us: int | None) -> int:
    """When the blade entered the metal; ``before_us`` is the end of the stroke before."""
    if stroke.duration_s is not None:
        return stroke.ts_us - round(stroke.duration_s * SECOND_US)
    start = stroke.ts_us - LONGEST_UNTOLD_US
    return start if before_us is None else max(start, before_us)


def gross_kj(stroke: Stroke) -> float | None:
    """The energy of a stroke: as sent, else mean power times its time in metal."""
    if stroke.energy_kj is not None:
        return stroke.energy_kj
    if stroke.mean_power_kw is not None and stroke.duration_s is not None:
        return stroke.mean_power_kw * stroke.duration_s
    return None


def mean_kw(stroke: Stroke) -> float | None:
    """The mean power over the stroke: as sent, else energy over its time in metal."""
    if stroke.mean_power_kw is not None:
        return stroke.mean_power_kw
    if stroke.energy_kj is not None and stroke.duration_s:
        return stroke.energy_kj / stroke.duration_s
    return None
