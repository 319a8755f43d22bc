"""What share of a cycle is known: strokes seen, alloy, feed, and the blade of what its saws cut."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from bladewatch.assess.assessment import Coverage
from bladewatch.ledger.fleet import Cycle, Mount
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


def _bare(mounts: Sequence[Mount], opened_us: int) -> Iterator[tuple[int, int]]:
    """Times since just before a cycle opened in which no blade was on record."""
    for place, mount in enumerate(mounts):
        if mount.from_us >= opened_us:
            before = mounts[place - 1].to_us if place else -(2**62)
            if before is not None and before < mount.from_us:
                yield before, mount.from_us
