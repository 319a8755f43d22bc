"""The edge index: how much edge force a blade has now beside its own when it was sharp.

Specific energy of a stroke is u = K_c + K_e/f_z (``cutting.edge_energy_n_mm2``). With the metal's share of a sharp
edge known as f* = K_e/K_c [mm], u = K_c·(1 + I·f*/f_z), and I = 1 is sharp. The sharp cuts of a grind cycle give
K_c for each alloy; every later cut then gives I = (u/K_c - 1)·f_z/f*. The feed per tooth stands in the formula, so
an override does not look like wear; idle power is taken off before, so a cold spindle does not either.

Single cuts are noisy: the index is the median over blocks of cuts, with the spread of the blocks as its error.
"""

from __future__ import annotations

from math import sqrt
from statistics import median
from typing import Any, Final, NamedTuple

from models.scatter import scatter

EDGE_SHARE_MM: Final = 0.02
"""f* = K_e/K_c for carbide in aluminium: K_c 240-950 N/mm², K_e 7-28 N/mm in milling tests, collected in a review
(Chinese Journal of Mechanical Engineering, 2021); 15/750. Milling, not sawing: the index is a scale of its own, and
what it means in wear is learnt from each shop's bench readings."""

SKIP_CUTS: Final = 50
"""Cuts after sharpening that are not yet the sharp baseline (break-in; common practice, no source)."""
BASELINE_CUTS: Final = 100
BLOCK_CUTS: Final = 25
KEEP_BLOCKS: Final = 12
MIN_BLOCKS: Final = 3


class Index(NamedTuple):
    """The edge index with its standard error and the number of cuts it rests on.

    ``at_cmm2`` and ``sharp_cmm2`` say how much the cycle had cut where the index was read, and where its baseline was:
    neither lies at the ends. The index compares the edge at the one with the edge at the other.
    """

    value: float
    error: float
    cuts: int
    at_cmm2: int
    sharp_cmm2: int


def specific_energy_n_mm2(net_kj: float, area_mm2: float, kerf_mm: float) -> float:
    """Net energy over the metal removed [N/mm²].

    >>> specific_energy_n_mm2(3.0, 500.0, 4.0)
    1500.0
    """
    return net_kj * 1e6 / (area_mm2 * kerf_mm)


def metal_term(specific_n_mm2: float, feed_tooth_mm: float) -> float:
    """K_c of a stroke made with a sharp edge [N/mm²].

    >>> metal_term(1500.0, 0.02)
    750.0
    """
    return specific_n_mm2 / (1 + EDGE_SHARE_MM / feed_tooth_mm)


def edge_ratio(specific_n_mm2: float, feed_tooth_mm: float, sharp_kc_n_mm2: float) -> float:
    """I = (u/K_c - 1)·f_z/f* of one stroke.

    >>> edge_ratio(2250.0, 0.02, 750.0)
    2.0
    """
    return (specific_n_mm2 / sharp_kc_n_mm2 - 1) * feed_tooth_mm / EDGE_SHARE_MM


class Block(NamedTuple):
    """The median of a block of cuts, and the mean area at its cuts and at their baselines [hundredths of mm²]."""

    ratio: float
    at_cmm2: int
    sharp_cmm2: int


class EdgeIndex:
    """The edge index of a running grind cycle, updated stroke by stroke in constant time.

    ``update`` with the comparable strokes in order, then read ``now``. The state is a few dozen numbers;
    ``state`` and ``restore`` carry it without loss.
    """

    def __init__(self) -> None:
        self._cuts = 0
        self._learning: dict[str, list[tuple[float, int]]] = {}
        self._sharp: dict[str, tuple[float, int]] = {}
        self._open: list[Block] = []
        self._blocks: list[Block] = []

    def update(self, alloy: str, specific_n_mm2: float, feed_tooth_mm: float, at_cmm2: int) -> None:
        """Take one comparable cut: net energy known, feed known, spindle warm.

        ``at_cmm2`` is what the cycle has cut so far [hundredths of mm²].
        """
        self._cuts += 1
        if self._cuts <= SKIP_CUTS:
            return
        sharp = self._sharp.get(alloy)
        if sharp is None:
            self._learn(alloy, metal_term(specific_n_mm2, feed_tooth_mm), at_cmm2)
            return
        self._open.append(Block(edge_ratio(specific_n_mm2, feed_tooth_mm, sharp[0]), at_cmm2, sharp[1]))
        if len(self._open) == BLOCK_CUTS:
            middle = median(cut.ratio for cut in self._open)
            at, sharp_at = (sum(places) // BLOCK_CUTS for places in zip(*(cut[1:] for cut in self._open), strict=True))
            self._blocks.append(Block(middle, at, sharp_at))
            del self._blocks[:-KEEP_BLOCKS]
            self._open.clear()

    def _learn(self, alloy: str, kc_n_mm2: float, at_cmm2: int) -> None:
        """The baseline of an alloy: its first hundred comparable cuts."""
        values = self._learning.setdefault(alloy, [])
        values.append((kc_n_mm2, at_cmm2))
        if len(values) == BASELINE_CUTS:
            place = sum(at for _, at in values) // BASELINE_CUTS
            self._sharp[alloy] = (median(kc for kc, _ in values), place)
            del self._learning[alloy]

    @property
    def comparable(self) -> int:
        """How many comparable cuts it was given."""
        return self._cuts

    @property
    def now(self) -> Index | None:
        """The index, or None while there is too little to tell."""
        count = len(self._blocks)
        if count < MIN_BLOCKS:
            return None
        level = median(block.ratio for block in self._blocks)
        spread = scatter((block.ratio for block in self._blocks), level)
        error = max(1.25 * spread / sqrt(count), 0.01)
        at, sharp_at = (sum(places) // count for places in zip(*(block[1:] for block in self._blocks), strict=True))
        return Index(level, error, count * BLOCK_CUTS, at, sharp_at)

    def state(self) -> dict[str, Any]:
        """Everything, as plain JSON values."""
        return {
            "cuts": self._cuts,
            "learning": {alloy: [list(value) for value in values] for alloy, values in self._learning.items()},
            "sharp": {alloy: list(value) for alloy, value in self._sharp.items()},
            "open": [list(block) for block in self._open],
            "blocks": [list(block) for block in self._blocks],
        }

    @classmethod
    def restore(cls, state: dict[str, Any]) -> EdgeIndex:
        """The index as it was."""
        index = cls()
        index._cuts = state["cuts"]
        index._learning = {alloy: [(kc, at) for kc, at in values] for alloy, values in state["learning"].items()}
        index._sharp = {alloy: (kc, at) for alloy, (kc, at) in state["sharp"].items()}
        index._open = [Block(*block) for block in state["open"]]
        index._blocks = [Block(*block) for block in state["blocks"]]
        return index
