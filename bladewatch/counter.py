"""From one counter value to the next: how many strokes lie between, and what happened to the counter.

Controllers' counters roll over, are reset with each job, are set back by one or two after scrap, and are edited.
Each of these looks like a drop or a jump; they are told apart by size and by how many strokes a saw can make in
the time between.
"""

from __future__ import annotations

from typing import Final, NamedTuple

MIN_STROKE_S: Final = 0.5
"""No cut-off saw strokes faster than this. Common practice, no source."""
MODULI: Final = (2**15, 2**16, 2**31, 2**32)
"""Where counters roll over: 15, 16, 31 and 32 bits."""
STEP_BACK: Final = 2
"""Set back by at most this many: an operator's correction after scrap."""


class Step(NamedTuple):
    """What lies between two counter values.

    ``kind``: ``first``, ``next``, ``gap``, ``same``, ``rollover``, ``reset``, ``step-back`` or ``edited``.
    ``strokes``: strokes counted by the second value, its own included; more than one means that the others
    were made unseen.
    """

    kind: str
    strokes: int


def step(before: int | None, after: int, elapsed_us: int) -> Step:
    """Tell what happened between two counter values, ``elapsed_us`` apart.

    >>> step(41, 42, 9_000_000), step(41, 45, 30_000_000)
    (Step(kind='next', strokes=1), Step(kind='gap', strokes=4))
    >>> step(65_530, 4, 120_000_000), step(5_000, 1, 120_000_000), step(100, 99, 9_000_000)
    (Step(kind='rollover', strokes=10), Step(kind='reset', strokes=1), Step(kind='step-back', strokes=0))
    """
    if before is None:
        return Step("first", 1)
    if after == before:
        return Step("same", 0)
    possible = 1 + int(elapsed_us / (MIN_STROKE_S * 1_000_000))
    if after > before:
        strokes = after - before
        if strokes == 1:
            return Step("next", 1)
        return Step("gap", strokes) if strokes <= possible else Step("edited", 1)
    for modulus in MODULI:
        strokes = after + modulus - before
        if before < modulus and strokes <= min(possible, modulus // 16):
            return Step("rollover", strokes)
    if after > 1 and before - after <= STEP_BACK:
        return Step("step-back", 0)
    if after <= possible:
        return Step("reset", after)
    return Step("edited", 1)
