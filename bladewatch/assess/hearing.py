"""When a saw was last heard, and whether its silence is that of a saw that stands or of one that is not seen."""

from __future__ import annotations

from collections.abc import Container, Mapping
from datetime import timedelta, tzinfo
from typing import Final

from bladewatch.contact import hour_of
from bladewatch.stores.blocks import Reading
from bladewatch.stores.protocols import Spot, Store
from collectors.instants import HOUR_US, to_datetime, to_us
from collectors.signals import STATES

RUNNING: Final = float(STATES.index("running"))
WEEK_H: Final = 168
Latest = Mapping[tuple[str, str], Reading]


def last_stroke_us(store: Store, spot: Spot, now_us: int) -> int | None:
    """The newest stroke."""
    rows = store.signals.strokes_before(spot, now_us, now_us, 1)
    return rows[0].ts_us if rows else None


def last_message_us(store: Store, spot: Spot, now_us: int, latest: Latest, stroke_us: int | None) -> int | None:
    """When anything was last heard: a reading, a stroke, a report of a blade or a check."""
    moments = [reading.ts_us for reading in latest.values()]
    report_us = store.books.last_report_us(spot, now_us, now_us)
    moments.extend(us for us in (stroke_us, report_us) if us is not None)
    return max(moments, default=None)


def seen_of(
    latest: Latest,
    last_us: int | None,
    stroke_us: int | None,
    worked: Container[int],
    now_us: int,
    gap_us: float,
    zone: tzinfo,
) -> str:
    """Live, quiet, blind (messages stopped while it was running) or never.

    A state that strokes have outrun tells nothing, nor does a saw that never sends one. Such a saw is blind when it
    misses an hour in which it worked a week ago (``worked``), and after a week in any case.
    """
    if last_us is None:
        return "never"
    if now_us - last_us <= gap_us:
        return "live"
    state = latest.get(("state", ""))
    if state is not None and (stroke_us is None or stroke_us <= state.ts_us + gap_us or state.value == RUNNING):
        return "blind" if state.value == RUNNING else "quiet"
    missed = range(hour_of(last_us) + 1, hour_of(now_us))
    if len(missed) >= WEEK_H or any(_week_before(hour, zone) in worked for hour in missed):
        return "blind"
    return "quiet"


def _week_before(hour: int, zone: tzinfo) -> int:
    """The hour that the site's clocks showed a week before."""
    return hour_of(to_us(to_datetime(hour * HOUR_US, zone) - timedelta(days=7)))
