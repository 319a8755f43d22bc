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
    """The edge index with its standard error and the number of cuts it rests on."""

    value: float
    error: float
    cuts: int


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


class EdgeIndex:
    """The edge index of a running grind cycle, updated stroke by stroke in constant time.

    ``update`` with the comparable strokes in order, then read ``now``. The state is a few dozen numbers;
    ``state`` and ``restore`` carry it without loss.
    """

    def __init__(self) -> None:
        self._cuts = 0
        self._sharp: dict[str, list[float]] = {}
        self._kc: dict[str, float] = {}
        self._block: list[float] = []
        self._blocks: list[float] = []

    def update(self, alloy: str, specific_n_mm2: float, feed_tooth_mm: float) -> None:
        """Take one comparable cut: net energy known, feed known, spindle warm."""
        self._cuts += 1
        if self._cuts <= SKIP_CUTS:
            return
        kc = self._kc.get(alloy)
        if kc is None:
            self._learn(alloy, metal_term(specific_n_mm2, feed_tooth_mm))
            return
        self._block.append(edge_ratio(specific_n_mm2, feed_tooth_mm, kc))
        if len(self._block) == BLOCK_CUTS:
            self._blocks.append(median(self._block))
            del self._blocks[:-KEEP_BLOCKS]
            self._block.clear()

    def _learn(self, alloy: str, kc_n_mm2: float) -> None:
        """The sharp cuts of an alloy; one that comes late in the cycle has no sharp baseline and is left out."""
        if alloy not in self._sharp and self._cuts > SKIP_CUTS + 4 * BASELINE_CUTS:
            return
        values = self._sharp.setdefault(alloy, [])
        values.append(kc_n_mm2)
        if len(values) == BASELINE_CUTS:
            self._kc[alloy] = median(values)
            values.clear()

    @property
    def now(self) -> Index | None:
        """The index, or None while there is too little to tell."""
        if len(self._blocks) < MIN_BLOCKS:
            return None
        level = median(self._blocks)
        spread = 1.4826 * median(abs(block - level) for block in self._blocks)
        error = max(1.25 * spread / sqrt(len(self._blocks)), 0.01)
        return Index(level, error, len(self._blocks) * BLOCK_CUTS)

    def state(self) -> dict[str, Any]:
        """Everything, as plain JSON values."""
        return {
            "cuts": self._cuts,
            "sharp": {alloy: list(values) for alloy, values in self._sharp.items()},
            "kc": dict(self._kc),
            "block": list(self._block),
            "blocks": list(self._blocks),
        }

    @classmethod
    def restore(cls, state: dict[str, Any]) -> EdgeIndex:
        """The index as it was."""
        index = cls()
        index._cuts = state["cuts"]
        index._sharp = {alloy: list(values) for alloy, values in state["sharp"].items()}
        index._kc = dict(state["kc"])
        index._block = list(state["block"])
        index._blocks = list(state["blocks"])
        return index
