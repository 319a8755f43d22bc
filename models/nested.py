"""Normal equations of a model with effects of cycles within blades within all: solved block by block.

Rows belong to cycles, cycles to blades. The effects of a cycle meet those of its own blade and the shared parameters
and no others, so they are eliminated first, each cycle by itself, then those of each blade; what is left is a small
dense system. Cost: rows × shared parameters².
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

Summing: TypeAlias = Any
"""A matrix, plain or sparse, that is only ever multiplied from the left."""
PLAIN_UP_TO: Final = 200_000
"""Entries of a matrix that is kept plain: small ones spare the import of sparse ones."""
RATE: Final = 0
"""The effect of a cycle, and that of its blade, which the first is drawn towards."""


@dataclass(frozen=True, slots=True)
class Nest:
    """Which rows belong to which cycle and blade, and cycles to which blade."""

    rows_to_cycles: Gathering
    rows_to_blades: Gathering
    cycles_to_blades: Summing
    blade_of_cycle: Ints

    @classmethod
    def of(cls, cycle: Ints, blade_of_cycle: Ints, blades: int) -> Nest:
        """From the cycle of each row and the blade of each cycle."""
        return cls(
            Gathering(cycle, len(blade_of_cycle)),
            Gathering(blade_of_cycle[cycle], blades),
            summing(blade_of_cycle, blades),
            blade_of_cycle,
        )


class Gathering:
    """Sums of products by group: each row (n) belongs to the group in ``index``, one of ``count``."""

    def __init__(self, index: Ints, count: int) -> None:
        self._index = index
        self._count = count
        self._order: dict[int, tuple[Summing, Ints]] = {}

    def products(self, left: Floats, right: Floats) -> Floats:
        """Of left (n, e) and right (n, k): each group's leftᵀ·right, shape (count, e, k)."""
        n, e = left.shape
        if self._count * e * n <= PLAIN_UP_TO:
            wide = np.zeros((self._count, e, n))
            wide[self._index, :, np.arange(n)] = left
            return np.asarray(wide @ right)
        matrix, order = self._sparse(e)
        matrix.data = left.reshape(-1)[order]
        return np.asarray(matrix @ right).reshape(self._count, e, -1)

    def _sparse(self, e: int) -> tuple[Summing, Ints]:
        """A sparse matrix (count·e, n) with an entry for each of (n, e), and the order in which it holds them."""
        if e not in self._order:
            from scipy.sparse import csr_array

            n = len(self._index)
            rows = (self._index[:, None] * e + np.arange(e)).reshape(-1)
            numbered = csr_array((np.arange(n * e), (rows, np.repeat(np.arange(n), e))), shape=(self._count * e, n))
            self._order[e] = numbered.astype(float), numbered.data.astype(np.int64)
        return self._order[e]


def summing(index: Ints, count: int) -> Summing:
    """The matrix (count, n) that sums rows by their index; rows with an index below nought belong nowhere."""
    rows = np.flatnonzero(index >= 0)
    if count * len(index) <= PLAIN_UP_TO:
        plain = np.zeros((count, len(index)))
        plain[index[rows], rows] = 1.0
        return plain
    from scipy.sparse import csr_array

    return csr_array((np.ones(len(rows)), (index[rows], rows)), shape=(count, len(index)))


HELD: Final = 1e15
"""The precision of a parameter whose step is given."""


@dataclass(slots=True)
class Blocks:
    """Normal equations. c cycles of e effects, b blades of three, g shared parameters.

    ``cycle`` (c, e, e), ``cycle_wide`` (c, e, 3 + g), ``blade`` (b, 3, 3), ``blade_wide`` (b, 3, g), ``shared``
    (g, g); the gradients (c, e), (b, 3), (g,).
    """

    cycle: Floats
    cycle_wide: Floats
    cycle_gradient: Floats
    blade: Floats
    blade_wide: Floats
    blade_gradient: Floats
    shared: Floats
    shared_gradient: Floats

    @classmethod
    def of_rows(cls, off: Floats, weights: Floats, slopes: Floats, g: int, nest: Nest) -> Blocks:
        """From residuals (n,), weights (n,) and derivatives (n, g + 3 + e) of the rows."""
        by_shared, by_blade, by_cycle = slopes[:, :g], slopes[:, g : g + 3], slopes[:, g + 3 :]
        weighted_cycle, weighted_blade = weights[:, None] * by_cycle, weights[:, None] * by_blade
        of_cycle = nest.rows_to_cycles.products(weighted_cycle, slopes)
        of_blade = nest.rows_to_blades.products(weighted_blade, slopes)
        return cls(
            cycle=of_cycle[:, :, g + 3 :],
            cycle_wide=np.concatenate([of_cycle[:, :, g : g + 3], of_cycle[:, :, :g]], axis=2),
            cycle_gradient=nest.rows_to_cycles.products(weighted_cycle, off[:, None])[:, :, 0],
            blade=of_blade[:, :, g : g + 3],
            blade_wide=of_blade[:, :, :g],
            blade_gradient=nest.rows_to_blades.products(weighted_blade, off[:, None])[:, :, 0],
            shared=by_shared.T @ (weights[:, None] * by_shared),
            shared_gradient=by_shared.T @ (weights * off),
        )

    def with_priors(
        self, cycle_precision: Floats, cycle_off: Floats, blade_precision: Floats, blade_off: Floats,
        shared_precision: Floats, shared_off: Floats, nest: Nest,
    ) -> Blocks:  # fmt: skip
        """Add what draws the effects towards none: (c, e), (c, e), (3,), (b, 3), (g,), (g,).

        The first effect of a cycle is drawn towards the first of its blade: ``cycle_off`` is what lies between.
        """
        each = np.arange(self.cycle.shape[1])
        self.cycle[:, each, each] += cycle_precision
        self.cycle_gradient -= cycle_precision * cycle_off
        self.cycle_wide[:, 0, RATE] -= cycle_precision[:, 0]
        up = nest.cycles_to_blades
        self.blade[:, RATE, RATE] += up @ cycle_precision[:, 0]
        self.blade_gradient[:, RATE] += up @ (cycle_precision * cycle_off)[:, 0]
        self.blade[:, [0, 1, 2], [0, 1, 2]] += blade_precision
        self.blade_gradient -= blade_precision * blade_off
        self.shared[np.diag_indices(len(self.shared))] += shared_precision
        self.shared_gradient -= shared_precision * shared_off
        return self

    def hold(self, which: NDArray[np.bool_], step: Floats) -> None:
        """Let these of the shared parameters (g,) take this step."""
        self.shared[which, which] = HELD
        self.shared_gradient[which] = HELD * step[which]


@dataclass(frozen=True, slots=True)
class Solved:
    """The solution, and what the inverse says of it.

    ``blade_covariance`` (b, 3, 3) is that of a blade's effects where the shared parameters are known, and
    ``blade_by_shared`` (b, 3, g) how they move with them; the variances (c, e), (b, 3) are those of nothing known.
    ``own_variance`` (c,) is that of a cycle's first effect beside its blade's. ``log_det`` is that of the whole matrix.
    """

    log_det: float
    shared: Floats
    blades: Floats
    cycles: Floats
    shared_covariance: Floats
    blade_covariance: Floats
    blade_by_shared: Floats
    blade_variance: Floats
    cycle_variance: Floats
    own_variance: Floats


def eliminate(blocks: Blocks, nest: Nest) -> Solved:
    """Solve the equations."""
    up, blade_of = nest.cycles_to_blades, nest.blade_of_cycle
    inverse = np.linalg.inv(blocks.cycle)
    lean = inverse @ blocks.cycle_wide
    own = np.einsum("cij,cj->ci", inverse, blocks.cycle_gradient)
    blade_part, shared_part = blocks.cycle_wide[:, :, :3], blocks.cycle_wide[:, :, 3:]
    taken = np.einsum("cia,cib->cab", blade_part, lean)
    count, width = taken.shape[0], taken.shape[2]
    from_cycles = (up @ taken.reshape(count, -1)).reshape(-1, 3, width)
    blade = blocks.blade - from_cycles[:, :, :3]
    blade_wide = blocks.blade_wide - from_cycles[:, :, 3:]
    blade_gradient = blocks.blade_gradient - up @ np.einsum("cia,ci->ca", blade_part, own)
    flat, flat_lean = shared_part.reshape(-1, shared_part.shape[2]), lean[:, :, 3:].reshape(-1, shared_part.shape[2])
    shared = blocks.shared - flat.T @ flat_lean
    shared_gradient = blocks.shared_gradient - flat.T @ own.reshape(-1)
    blade_inverse = np.linalg.inv(blade)
    blade_lean = blade_inverse @ blade_wide
    blade_own = np.einsum("bij,bj->bi", blade_inverse, blade_gradient)
    wide = blade_wide.reshape(-1, blade_wide.shape[2])
    shared = shared - wide.T @ blade_lean.reshape(-1, blade_lean.shape[2])
    shared_gradient = shared_gradient - wide.T @ blade_own.reshape(-1)
    covariance = np.linalg.inv((shared + shared.T) / 2)
    log_det = sum(float(np.sum(np.linalg.slogdet(part)[1])) for part in (blocks.cycle, blade, shared))
    step = covariance @ shared_gradient
    blades = blade_own - blade_lean @ step
    both = np.hstack([blades[blade_of], np.broadcast_to(step, (len(own), len(step)))])
    cycles = own - np.einsum("cia,ca->ci", lean, both)
    reach = blade_lean @ covariance
    blade_full = blade_inverse + np.einsum("big,bjg->bij", reach, blade_lean)
    # a cycle moves with its blade and with the shared parameters; the blade moves with these too
    direct = lean[:, :, 3:] - lean[:, :, :3] @ blade_lean[blade_of]
    cycle_full = (
        inverse
        + lean[:, :, :3] @ blade_inverse[blade_of] @ np.swapaxes(lean[:, :, :3], 1, 2)
        + (direct @ covariance) @ np.swapaxes(direct, 1, 2)
    )
    beside = lean[:, 0, :3] + np.array([1.0, 0.0, 0.0])
    beside_shared = lean[:, 0, 3:] - np.einsum("ca,cag->cg", beside, blade_lean[blade_of])
    own_variance = (
        inverse[:, 0, 0]
        + np.einsum("ca,cab,cb->c", beside, blade_inverse[blade_of], beside)
        + np.einsum("cg,gh,ch->c", beside_shared, covariance, beside_shared)
    )
    return Solved(
        log_det=log_det,
        shared=step,
        blades=blades,
        cycles=cycles,
        shared_covariance=covariance,
        blade_covariance=blade_inverse,
        blade_by_shared=-blade_lean,
        blade_variance=np.einsum("bii->bi", blade_full),
        cycle_variance=np.einsum("cii->ci", cycle_full),
        own_variance=own_variance,
    )
