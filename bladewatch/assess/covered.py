"""What share of a cycle is known: strokes seen, alloy, feed, and the blade of what its saws cut."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from bladewatch.assess.assessment import Coverage
from bladewatch.counter import step
from bladewatch.ledger.fleet import Cycle, Mount
from bladewatch.stores.protocols import Signals, Spot
from models.cycle import CycleState


def coverage_of(state: CycleState, mounts: Sequence[Mount], cycle: Cycle, count: Callable[[int, int], int]) -> Coverage:
    """The coverage of a cycle on a spindle. ``count`` gives the strokes there between two instants."""
    total = state.total_cmm2
    without = sum(count(after_us, until_us) for after_us, until_us in _bare(mounts, cycle.opened_us))
    return Coverage(
        strokes=state.seen / state.strokes if state.strokes else None,
        alloy=1 - state.area_cmm2.get("unknown", 0) / total if total else 0.0 if state.cuts else None,
        feed=state.feed_known / state.cuts if state.cuts else None,
        blade=state.strokes / (state.strokes + without) if state.strokes + without else None,
    )


def strokes_made(signals: Signals, spot: Spot, after_us: int, until_us: int, known_us: int) -> int:
    """Strokes of a spindle between two instants by its counter; by its messages where the counter was set or reset."""
    told = signals.count(spot, after_us, until_us, known_us)
    last = next(iter(signals.strokes_before(spot, until_us, known_us, 1)), None)
    first = next(signals.strokes(spot, after_us, until_us, known_us), None)
    if first is None or last is None:
        return told
    made = step(first.stroke, last.stroke, last.ts_us - first.ts_us)
    return max(told, made.strokes + 1) if made.kind in ("gap", "rollover") else told


def _bare(mounts: Sequence[Mount], opened_us: int) -> Iterator[tuple[int, int]]:
    """Times since just before a cycle opened in which no blade was on record."""
    for place, mount in enumerate(mounts):
        if mount.from_us >= opened_us:
            before = mounts[place - 1].to_us if place else -(2**62)
            if before is not None and before < mount.from_us:
                yield before, mount.from_us
