"""How many pieces a bar gives, and what of it is lost: trim, kerf, and the end that the clamp needs."""

from __future__ import annotations

from math import floor
from typing import NamedTuple


class BarPlan(NamedTuple):
    """Pieces of one bar, and lengths [mm]: ``loss_mm`` is what is neither piece nor kerf."""

    pieces: int
    cuts: int
    kerf_mm: float
    loss_mm: float


def bar_plan(stock_mm: float, piece_mm: float, kerf_mm: float, trim_mm: float = 0.0, clamp_mm: float = 0.0) -> BarPlan:
    """Cut a bar of ``stock_mm`` to pieces; the nose is trimmed first, the last ``clamp_mm`` cannot be sawn.

    Each piece costs its length and a kerf, the trim its length and a kerf. All lengths [mm], stock and piece above
    zero. Raises ``ValueError`` otherwise.

    >>> bar_plan(3000.0, 290.0, 4.0, trim_mm=10.0, clamp_mm=40.0)
    BarPlan(pieces=10, cuts=11, kerf_mm=44.0, loss_mm=56.0)
    """
    if not (stock_mm > 0 and piece_mm > 0 and kerf_mm >= 0 and trim_mm >= 0 and clamp_mm >= 0):
        raise ValueError("expected stock and piece above zero, the other lengths not below")
    trim_cuts = 1 if trim_mm > 0 else 0
    usable_mm = stock_mm - trim_mm - trim_cuts * kerf_mm - clamp_mm
    pieces = max(floor(usable_mm / (piece_mm + kerf_mm) + 1e-9), 0)
    cuts = pieces + trim_cuts
    return BarPlan(pieces, cuts, cuts * kerf_mm, stock_mm - pieces * piece_mm - cuts * kerf_mm)
