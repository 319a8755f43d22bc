"""The errors of the joint fit: how much each row of evidence weighs, given how far off it lies.

Energies: most stints scatter by ``row``; one in five is something else (galling, a dry cut, a slipping clamp, bars
that were counted wrong) and may lie anywhere within ±0.4. All stints of one alloy from one lot of bars within a cycle
share an offset besides: nearly nought for most lots, and large for one in seven, a hard one. Of readings of wear one in
ten belongs to another cycle, or to one whose record is wrong, and may lie anywhere.

Offsets have two valleys, near nought and near the middle of a lot's rows: ``settle_lots`` looks into both. An offset is
eliminated as it comes: with weights W of its rows and the offset's precision q, the equations lose
(ΣWJ)(ΣWJ)ᵀ/(q + ΣW), as one more row of negative weight for each lot.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import pi, sqrt
from typing import Final, NamedTuple

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import NDArray

from models.evidence import PLACES, Design
from models.nested import Summing, summing

Floats = NDArray[np.float64]

CUT_NOISE: Final = 10.0
"""Cuts whose own scatter is as large as what all cuts of a stint share."""
DULL_SPREAD: Final = 0.15
"""How far from the limit a blade is that was declared dull [log]; also the edge of an upper bound."""
CYCLE_TAILS: Final = np.array([4.0] + PLACES * [1.0] + [30.0, 30.0, 1.0])
"""Degrees of freedom of a cycle's factor, its levels, the course and the rise of its load: one whose record or sensor
was rescaled, must not widen the rest. The effects of blades are normal."""
SURE_TAILS: Final = np.array([30.0, *CYCLE_TAILS[1:]])
"""The same where a story tells already what is wrong with a record: the factor has no more to answer for."""
USUAL_TAIL: Final = 4.0
USUAL_SHRINKS: Final = 1.3397
"""By how much the variance of normal effects is larger than one so weighted tells: E[w]/E[w·z²], by quadrature."""
NODES, NODE_WEIGHTS = (part / scale for part, scale in zip(hermegauss(15), (1.0, sqrt(2 * pi)), strict=True))
NOISE_WEIGHT: Final = 10.0
"""How many stints a cycle's noise counts as a mean one's for."""
ODD_SHARE: Final = 0.2
ODD_SPREAD: Final = 0.2
HARD_SHARE: Final = 0.15
HARD_SPREAD: Final = 0.15
WRONG_SHARE: Final = 0.1
WRONG_SPREAD: Final = 0.5
"""A reading that belongs to another cycle, or a cycle whose record is wrong."""


@dataclass(frozen=True, slots=True)
class Spreads:
    """Standard deviations [log] of the effects and errors; ``lot`` is the half width of a Cauchy."""

    cycle: float = 0.28
    blade: float = 0.10
    edge: float = 0.02
    body: float = 0.005
    mount: float = 0.004
    course: float = 0.02
    rise: float = 0.01
    row: float = 0.012
    lot: float = 0.006
    bench: float = 0.03


class Variances(NamedTuple):
    """Of each row (n,): its plain variance in a mean cycle, its own, and that of an odd one.

    ``log_near`` and ``log_far`` are the logs of being either, with the densities at their middles, but for a constant.
    """

    plain: Floats
    near: Floats
    far: Floats
    log_near: Floats
    log_far: Floats


WEIGHT: Final = Spreads(cycle=4, blade=3, edge=2, body=6, mount=12, course=4, rise=6, row=150, lot=20, bench=30)
"""How many effects or errors the stated spreads count for. The bench is known best: it repeats within a few per cent
(common practice, no source), and must not explain by its own error what blades do."""


class Weighed(NamedTuple):
    """Weights of rows (n,) and lots (l,), the latter below nought; the variance of the lots' offsets; the loss.

    ``squares`` (n,) are residuals as the spreads should see them: an odd row counts for nothing. ``sure`` is how much
    of each row counts.
    """

    rows: Floats
    lots: Floats
    offset_variance: Floats
    loss: float
    squares: Floats
    sure: Floats


def collect(design: Design) -> Summing:
    """The matrix (l, n) that sums rows by lot."""
    return summing(design.lot, int(design.batch.max(initial=-1)) + 1)


def with_hard_lots(design: Design, offsets: Floats, spreads: Spreads) -> Design:
    """The design with the hardness of each stint's lot: its offset (l,), as far as it is no plain lot."""
    plain, _ = lot_sureness(offsets, spreads)
    return replace(design, hard=np.append((1 - plain) * offsets, 0.0)[design.batch])


def weigh(
    design: Design, off: Floats, lots: Summing, offsets: Floats, variances: Variances, spreads: Spreads
) -> Weighed:
    """Weigh rows by their residuals ``off``; ``offsets`` (l,) are the lots' as known so far."""
    left = _left(design, off, offsets)
    sure, each, log_both = _row_weights(left, variances)
    told = _tells(design, off)
    weights = np.where(told, each, 0.0)
    plain_lot, lot_loss = lot_sureness(offsets, spreads)
    precision, total = _lot_precision(plain_lot, spreads), lots @ weights
    return Weighed(
        rows=weights,
        lots=-(total**2) / (precision + total),
        offset_variance=1 / (precision + total),
        loss=float(np.sum(lot_loss)) - float(np.sum(log_both[told])),
        squares=sure * left**2 * np.where(design.energy, spreads.row**2 / variances.plain, 1.0),
        sure=sure,
    )


def variances_of(design: Design, noise: Floats, spreads: Spreads) -> Variances:
    """The variances of rows; ``noise`` (c,) is how much larger that of a cycle's energies is than a mean one's."""
    plain = spreads.row**2 * (1 + CUT_NOISE / np.maximum(design.cuts, 1.0))
    bench = np.where(design.bound | design.dull, DULL_SPREAD**2, spreads.bench**2 + design.blur**2)
    near = np.where(design.energy, plain * noise[design.cycle], bench)
    far = near + np.where(design.energy, ODD_SPREAD, WRONG_SPREAD) ** 2
    odd = np.where(design.energy, ODD_SHARE, WRONG_SHARE)
    return Variances(plain, near, far, np.log1p(-odd) - 0.5 * np.log(near), np.log(odd) - 0.5 * np.log(far))


def _left(design: Design, off: Floats, offsets: Floats) -> Floats:
    """What is left of residuals (n,) beside the offsets of lots (…, l)."""
    by_lot = np.concatenate([offsets, np.zeros((*offsets.shape[:-1], 1))], axis=-1)[..., design.lot]
    return np.where(design.energy, off - by_lot, off)


def _tells(design: Design, off: Floats) -> NDArray[np.bool_]:
    """Which rows tell anything: energies, and readings but for upper bounds that are kept."""
    return design.energy | (design.reading & ~(design.bound & (off > 0)))


def row_loss(design: Design, left: Floats, variances: Variances) -> Floats:
    """Minus the log likelihood of residuals ``left`` (…, n), but for constants; nought where a row tells nothing."""
    return np.where(_tells(design, left), -_log_likelihood(left, variances)[1], 0.0)


def losses(design: Design, off: Floats, offsets: Floats, variances: Variances, spreads: Spreads) -> Floats:
    """The loss that ``weigh`` gives, of residuals (…, n) with the offsets (…, l) of the lots."""
    of_rows = row_loss(design, _left(design, off, offsets), variances)
    return np.asarray(np.sum(of_rows, axis=-1) + np.sum(lot_sureness(offsets, spreads)[1], axis=-1))


def _log_likelihood(left: Floats, variances: Variances) -> tuple[Floats, Floats]:
    """Of each row what is left of it by being as it should, and by being that or odd."""
    squares = 0.5 * left**2
    log_near = variances.log_near - squares / variances.near
    return log_near, np.logaddexp(log_near, variances.log_far - squares / variances.far)


def _row_weights(left: Floats, variances: Variances) -> tuple[Floats, Floats, Floats]:
    """Of each row how surely it is as it should be, its weight if it tells anything, and its log likelihood."""
    log_near, log_both = _log_likelihood(left, variances)
    sure = np.exp(log_near - log_both)
    return sure, sure / variances.near + (1 - sure) / variances.far, log_both


def near_lots(
    design: Design, off: Floats, lots: Summing, offsets: Floats, variances: Variances, spreads: Spreads
) -> Floats:
    """The offsets of the lots, of the shape (…, l) of those given, that go with residuals weighed at these."""
    if not offsets.shape[-1]:
        return offsets
    _, each, _ = _row_weights(_left(design, off, offsets), variances)
    weights = np.where(design.energy, each, 0.0)
    total = (lots @ weights.T).T + _lot_precision(lot_sureness(offsets, spreads)[0], spreads)
    return np.asarray((lots @ (weights * off).T).T / total)


def settle_lots(
    design: Design, off: Floats, lots: Summing, offsets: Floats, variances: Variances, spreads: Spreads
) -> Floats:
    """The likeliest offsets of the lots: near those given, near nought, or near the middle of their rows."""
    if not len(offsets):
        return offsets
    begun = np.stack([offsets, np.zeros_like(offsets), _middles(design, off, len(offsets))])
    told = near_lots(design, off, lots, begun, variances, spreads)
    log_both = np.where(design.energy, _log_likelihood(_left(design, off, told), variances)[1], 0.0)
    loss = lot_sureness(told, spreads)[1] - (lots @ log_both.T).T
    return np.asarray(told[np.argmin(loss, axis=0), np.arange(len(offsets))])


def _middles(design: Design, off: Floats, count: int) -> Floats:
    """The median of the rows of each lot."""
    rows = np.flatnonzero(design.lot >= 0)
    order = rows[np.lexsort((off[rows], design.lot[rows]))]
    sizes = np.bincount(design.lot[rows], minlength=count)
    first = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    middle = np.zeros(count)
    told = sizes > 0
    middle[told] = off[order[(first + sizes // 2)[told]]]
    return middle


def _lot_precision(plain: Floats, spreads: Spreads) -> Floats:
    """How closely each lot is held to nought, by how surely it is plain: closer than a hard one."""
    return np.asarray(plain / spreads.lot**2 + (1 - plain) / HARD_SPREAD**2)


def lot_sureness(offsets: Floats, spreads: Spreads) -> tuple[Floats, Floats]:
    """How surely each lot is a plain one, and minus the log likelihood of its offset."""
    log_plain = np.log1p(-HARD_SHARE) - 0.5 * (offsets / spreads.lot) ** 2 - np.log(spreads.lot)
    log_hard = np.log(HARD_SHARE) - 0.5 * (offsets / HARD_SPREAD) ** 2 - np.log(HARD_SPREAD)
    both = np.logaddexp(log_plain, log_hard)
    return np.exp(log_plain - both), -both


def noise_of(design: Design, weighed: Weighed, spreads: Spreads) -> Floats:
    """How noisy each cycle is: the variance of its energies beside a mean cycle's, drawn towards one.

    A cycle whose record is wrong, or whose sensor was, so speaks softly and bends nothing.
    """
    count = len(design.cycles)
    rows = design.energy
    squares = np.bincount(design.cycle[rows], weighed.squares[rows], count)
    sure = np.bincount(design.cycle[rows], weighed.sure[rows], count)
    return np.asarray((NOISE_WEIGHT + squares / spreads.row**2) / (NOISE_WEIGHT + sure))


def heavy(own: Floats, spread: Floats, tails: Floats = CYCLE_TAILS) -> Floats:
    """Weights (c, e) that make the normal effects of cycles ones of Student's t."""
    return np.asarray((tails + 1) / (tails + (own / spread) ** 2))


def usual(mean: Floats, variance: Floats, spread: Floats) -> tuple[Floats, Floats]:
    """What effects, known by their means and variances, tell of the spread of their kind: squares, and their weights.

    One blade to which a wrong record is laid must not tell that blades differ: then its record would pass for true.
    """
    off = (mean[..., None] + np.sqrt(variance)[..., None] * NODES) / spread[..., None]
    weight = (USUAL_TAIL + 1) / (USUAL_TAIL + off**2) * NODE_WEIGHTS
    return np.sum(weight * off**2, axis=-1) * spread**2, np.sum(weight, axis=-1) / USUAL_SHRINKS


def heavy_loss(own: Floats, spread: Floats, tails: Floats = CYCLE_TAILS) -> Floats:
    """Minus the log likelihood of effects (…, e), summed over e, but for constants."""
    return np.asarray(np.sum(0.5 * (tails + 1) * np.log1p((own / spread) ** 2 / tails), axis=-1))


def with_lots(lots: Summing, weights: Floats, rows: Floats) -> Floats:
    """Rows of derivatives or residuals with those of the lots beneath."""
    total = np.maximum(lots @ weights, 1e-300)
    shape = (-1,) + (1,) * (rows.ndim - 1)
    means = (lots @ (weights.reshape(shape) * rows)) / total.reshape(shape)
    return np.concatenate([rows, means])
