"""The search for the likely states of a running edge: the penalised loss of one cycle, and where it is least.

The loss has several valleys: a low level with much wear and a high one with little tell nearly the same. So the search
begins at several places, and every valley that it ends in stays, weighed by its likelihood (Laplace's method; Tierney &
Kadane 1986, from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import lgamma, log, pi
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.errors import (
    Spreads,
    Variances,
    Weighed,
    collect,
    heavy,
    heavy_loss,
    losses,
    near_lots,
    row_loss,
    settle_lots,
    variances_of,
    weigh,
    with_hard_lots,
    with_lots,
)
from models.evidence import EFFECTS, PLACES, CycleEvidence, Design, copies_of
from models.joint import PRIORS, Effects, JointFit, Layout, Marks, Run, marks_of, own_scales, run, slopes_of
from models.maximising import LONGEST_STEP
from models.nested import Summing

Floats = NDArray[np.float64]

MOST_STEPS: Final = 12
STARTS: Final = 9
FARTHEST: Final = 3.0
"""The loss is tried at so many factors, up to this many spreads to either side of the mean."""
CLIMBED: Final = 9
TIRED: Final = 2
"""The search begins at so many of the best of them, until so many in a row have ended where others had."""
SAME: Final = 0.05
"""States whose factors lie further apart [log] are two."""
CLOSE: Final = 2e-3
BESIDE: Final = 0.03
"""A climb is over after a step so small, or so near to where another one ended, in every value."""
PERSISTS: Final = 3.0
"""A saw's newest level counts as its own where it is so many times the usual spread of levels."""
HARD_FROM: Final = 0.02
"""Lots with a smaller offset [log] are plain."""
LEAST_BESIDE: Final = 3
STEPS: Final = 3
LEAST_GAIN: Final = 2.0
"""A step of the load has so many stints on either side; so many are climbed from, if they gain so much likelihood."""
LARGEST_STEP: Final = 0.4
"""No belt, tip or sensor steps further [log]: twice the energy is twice the bars, where the message tells too few."""
STEP_SPREAD: Final = 0.06
"""Half width of the level of load after a step [log]."""


class Mode(NamedTuple):
    """A likely state: log of its weight, the values, their covariance, and the search that found it."""

    log_weight: float
    middle: Floats
    spread: Floats
    search: Search


class Start(NamedTuple):
    """Where a climb may begin, and the loss there."""

    loss: float
    z: Floats


class Place(NamedTuple):
    """Where a climb stands: the values, what rows should tell, how far they lie off, their weights, and the loss."""

    z: Floats
    told: Run
    off: Floats
    offsets: Floats
    weighed: Weighed
    loss: float


@dataclass(frozen=True, slots=True)
class Search:
    """The penalised loss of one cycle over shared parameters, blade and cycle in one vector z.

    ``prior`` (z, z) draws z towards ``centre``; ``tie`` (e, z) gives the cycle's own effects, which lie around
    ``usual`` (e,) with ``tails`` of the widths ``scale``.
    """

    design: Design
    marks: Marks
    layout: Layout
    start: Floats
    spreads: Spreads
    prior: Floats
    centre: Floats
    tie: Floats
    scale: Floats
    usual: Floats
    lots: Summing
    variances: Variances
    tails: Floats

    def run(self, z: Floats) -> Run:
        """What the rows should tell."""
        return run(z[: self.layout.size], self._effects(z), self.design, self.layout, self.start)

    def _each(self, z: Floats) -> Floats:
        """What they should tell, shape (k, n), at states (k, z) that differ in what the cycle has of its own alone."""
        g = self.layout.size
        effects = Effects(z[:1, g : g + 3], z[:, g + 3 :])
        start = np.repeat(self.start, len(z))
        return run(z[0, :g], effects, copies_of(self.design, len(z)), self.layout, start).value.reshape(len(z), -1)

    def _effects(self, z: Floats) -> Effects:
        g = self.layout.size
        return Effects(z[None, g : g + 3], z[None, g + 3 :])

    def _own(self, z: Floats) -> Floats:
        """What the cycle has of its own beside what is usual, of states (…, z)."""
        return np.asarray(z @ self.tie.T - self.usual)

    def _weighed(self, off: Floats, offsets: Floats) -> Weighed:
        return weigh(self.design, off, self.lots, offsets, self.variances, self.spreads)

    def penalty(self, z: Floats) -> Floats:
        """What draws states (…, z) towards the centre."""
        gap = z - self.centre
        return np.asarray(0.5 * np.sum((gap @ self.prior) * gap, axis=-1)) + heavy_loss(
            self._own(z), self.scale, self.tails
        )

    def near(self, z: Floats, offsets: Floats) -> Place:
        """The place at z, with the lots' offsets that go with it, near those given."""
        told = self.run(z)
        off = self.design.y - told.value
        found = near_lots(self.design, off, self.lots, offsets, self.variances, self.spreads)
        return self._place(z, told, off, found)

    def settled(self, z: Floats, offsets: Floats | None = None, told: Run | None = None) -> Place:
        """The place at z, with the likeliest offsets of the lots, however far away; ``told`` as it runs there."""
        told = self.run(z) if told is None else told
        off = self.design.y - told.value
        begin = np.zeros(self.lots.shape[0]) if offsets is None else offsets
        found = settle_lots(self.design, off, self.lots, begin, self.variances, self.spreads)
        return self._place(z, told, off, found)

    def _place(self, z: Floats, told: Run, off: Floats, offsets: Floats) -> Place:
        weighed = self._weighed(off, offsets)
        return Place(z, told, off, offsets, weighed, weighed.loss + float(self.penalty(z)))

    def linearised(self, place: Place) -> tuple[Floats, Floats]:
        """The normal matrix and the gradient of a Gauss-Newton step."""
        z, found = place.z, place.weighed
        slopes = slopes_of(place.told, self._effects(z), self.design, self.layout, self.marks)
        slopes = with_lots(self.lots, found.rows, slopes)
        weights = np.concatenate([found.rows, found.lots])
        own = self._own(z)
        ties = heavy(own[None, :], self.scale, self.tails)[0] / self.scale**2
        normal = slopes.T @ (weights[:, None] * slopes) + self.prior + self.tie.T @ (ties[:, None] * self.tie)
        pull = self.prior @ (z - self.centre) + self.tie.T @ (ties * own)
        return (normal + normal.T) / 2, slopes.T @ (weights * with_lots(self.lots, found.rows, place.off)) - pull

    def climb(self, z: Floats) -> Mode:
        """The likely state that a climb from z ends at."""
        search, place = self._climbed(z)
        return search._mode(place)

    def _mode(self, place: Place) -> Mode:
        """The likely state at the end of a climb."""
        normal, _ = self.linearised(place)
        lots = float(np.sum(np.log(place.weighed.offset_variance)))
        weight = -place.loss - 0.5 * float(np.linalg.slogdet(normal)[1]) + 0.5 * lots
        return Mode(weight, place.z, np.asarray(np.linalg.inv(normal), float), self)

    def _climbed(self, z: Floats, ends: Sequence[Mode] = ()) -> tuple[Search, Place]:
        """Gauss-Newton steps from z, each halved until the loss falls; between them hard lots are told from plain.

        A climb that comes close to one of the ``ends`` of others goes no further.
        """
        search, place = self, self.settled(z)
        for _ in range(MOST_STEPS):
            normal, gradient = search.linearised(place)
            step = self.allowed(place.z, normal, gradient)
            longest = self.layout.longest(step)
            length = min(1.0, LONGEST_STEP / longest) if longest > 0 else 1.0
            for _halving in range(8):
                new = place.z + length * step
                self.layout.keep(new)
                tried = search.near(new, place.offsets)
                if tried.loss <= place.loss + 1e-9:
                    place = tried
                    break
                length /= 2
            if length * longest < CLOSE or any(np.max(np.abs(place.z - end.middle)) < BESIDE for end in ends):
                break
            if search.design.hard.any() or np.any(np.abs(place.offsets) > HARD_FROM):
                search = search.hardened(place.offsets)
                place = search.settled(place.z, place.offsets)
            else:
                place = search.settled(place.z, place.offsets, place.told)
        return search, place

    def allowed(self, z: Floats, normal: Floats, gradient: Floats) -> Floats:
        """The step from z; what would go below nought goes there, and the rest as that allows."""
        step = np.asarray(np.linalg.solve(normal, gradient), float)
        held = np.zeros(len(z), bool)
        while (beyond := self.layout.below((z + step)[: self.layout.size])).any():
            held[: self.layout.size] |= beyond
            step[held] = -z[held]
            free = np.ix_(~held, ~held)
            step[~held] = np.linalg.solve(normal[free], gradient[~held] - normal[np.ix_(~held, held)] @ step[held])
        return step

    def hardened(self, offsets: Floats) -> Search:
        """The same search with the hardness of lots that goes with their offsets."""
        return replace(self, design=with_hard_lots(self.design, offsets, self.spreads))

    def as_before(self, cycle: CycleEvidence, fit: JointFit) -> Search | None:
        """The same search where each saw has the level that the newest ended cycle had on it; None where none had."""
        usual, scale = self.usual.copy(), self.scale.copy()
        for number, saw in enumerate(cycle.saws[:PLACES]):
            level, error = fit.levels.get(saw, (0.0, 0.0))
            if abs(level) > PERSISTS * self.spreads.mount:
                usual[1 + number] = level
                scale[1 + number] = max(error, self.spreads.mount)
        return replace(self, usual=usual, scale=scale) if usual.any() else None

    def stepped(self) -> list[Mode]:
        """Likely states where the load steps at a stint of the newest place, of the few stints that this suits best."""
        place = int(self.design.place[self.design.energy].max(initial=0))
        rows = np.flatnonzero(self.design.energy & (self.design.place == place))
        if place + 1 >= PLACES or len(rows) < 2 * LEAST_BESIDE:
            return []
        scale = self.scale.copy()
        scale[2 + place] = STEP_SPREAD
        found = []
        for first, z in replace(self, scale=scale)._steps(place, rows):
            places = self.design.place.copy()
            places[first:] = place + 1
            design = replace(self.design, place=places)
            mode = replace(self, design=design, marks=marks_of(design, self.layout), scale=scale).climb(z)
            before, after = mode.middle[self.layout.size + 4 + place : self.layout.size + 6 + place]
            if abs(after - before) <= LARGEST_STEP:
                found.append(mode)
        return found

    def _steps(self, place: int, rows: NDArray[np.int64]) -> Iterator[tuple[int, Floats]]:
        """The likeliest rows at which the load may have stepped, and where to begin.

        Each pair of a factor and a row is tried, with the medians before and from it on as levels, and none before; the
        last of the rows is past the end: no step. Only what is so much likelier counts.
        """
        own = self.layout.size + 3
        factors = self._factors()
        off = self.design.y - self._each(factors)
        firsts = [*range(LEAST_BESIDE, len(rows) - LEAST_BESIDE + 1), len(rows)]
        before = np.stack([np.median(off[:, rows[:k]], axis=1) for k in firsts], axis=1)
        after = np.stack([np.median(off[:, rows[k:]], axis=1) for k in firsts[:-1]] + [np.zeros(len(off))], axis=1)
        late = np.arange(len(rows)) >= np.array(firsts)[:, None]
        befores = np.stack([before, np.zeros_like(before)])
        left = np.broadcast_to(off[:, None, :], (*befores.shape, off.shape[1])).copy()
        left[..., rows] -= np.where(late, after[:, :, None], befores[..., None])
        effects = np.zeros((*befores.shape, EFFECTS))
        effects[..., 0] = (factors[:, own] - self.centre[own])[:, None]
        effects[..., 1 + place], effects[..., 2 + place] = befores, after
        rough = np.sum(row_loss(self.design, left, self.variances), axis=-1)
        tried = rough + heavy_loss(effects - self.usual, self.scale, self.tails)
        *least, without = tried.min(axis=(0, 1))
        for k in np.argsort(least, kind="stable")[:STEPS]:
            if least[k] > without - LEAST_GAIN:
                return
            level, factor = np.unravel_index(np.argmin(tried[:, :, k]), tried.shape[:2])
            z = factors[factor].copy()
            z[own + 1 + place], z[own + 2 + place] = befores[level, factor, k], after[factor, k]
            yield int(rows[firsts[k]]), z

    def _factors(self) -> Floats:
        """The centre with factors on either side of the mean."""
        found = np.tile(self.centre, (STARTS, 1))
        found[:, self.layout.size + 3] += np.linspace(-FARTHEST, FARTHEST, STARTS) * self.spreads.cycle
        return found

    def starts(self) -> list[Start]:
        """Where to begin, the best first: factors on either side of the mean, each with and without its own levels."""
        own, design, z = self.layout.size + 3, self.design, self._factors()
        off = design.y - self._each(z)
        if design.energy.any():
            levelled = z.copy()
            for place in np.unique(design.place[design.energy]):
                rows = design.energy & (design.place == place)
                levelled[:, own + 1 + place] = np.median(off[:, rows], axis=1)
            level = np.where(design.energy, levelled[:, own + 1 + design.place], 0.0)
            z, off = np.vstack([z, levelled]), np.vstack([off, off - level])
        plain = np.zeros((len(z), self.lots.shape[0]))
        offsets = near_lots(design, off, self.lots, plain, self.variances, self.spreads)
        loss = losses(design, off, offsets, self.variances, self.spreads) + self.penalty(z)
        return [Start(float(loss[k]), z[k]) for k in np.argsort(loss, kind="stable")]

    def modes(self, most: int = CLIMBED) -> list[Mode]:
        """The likely states, each where a search ended that began at one of the best ``most`` places."""
        own = self.layout.size + 3
        found: list[Mode] = []
        again = 0
        for start in self.starts()[:most]:
            search, place = self._climbed(start.z, found)
            new = all(abs(place.z[own] - other.middle[own]) >= SAME for other in found)
            again = 0 if new else again + 1
            if new:
                found.append(search._mode(place))
            if again == TIRED:
                break
        return found

    def strangeness(self, mode: Mode) -> float:
        """How far the load lies from what is usual on these saws, at the strangest of them [log]."""
        seen = np.unique(self.design.place[self.design.energy])
        return float(np.max(np.abs(self._own(mode.middle)[1 + seen]), initial=0.0))

    def normaliser(self) -> float:
        """What makes a mode's weight the log likelihood of all that the search was given, but for the rows' own."""
        known = self.layout.size + 3
        normal = 0.5 * float(np.linalg.slogdet(self.prior[:known, :known])[1])
        tails = sum(lgamma((v + 1) / 2) - lgamma(v / 2) - 0.5 * log(pi * v) for v in self.tails)
        return normal + tails - float(np.sum(np.log(self.scale))) + 0.5 * EFFECTS * log(2 * pi)


def search_of(
    fit: JointFit, cycle: CycleEvidence, design: Design, layout: Layout, mean: Floats, covariance: Floats,
    start: Floats, tails: Floats,
) -> Search:  # fmt: skip
    """What a fit and a cycle's blade say beforehand."""
    g, spreads = layout.size, fit.spreads
    size = g + 3 + EFFECTS
    prior = np.zeros((size, size))
    prior[:g, :g] = np.linalg.inv(covariance)
    centre = np.concatenate([mean, np.zeros(3 + EFFECTS)])
    reach = np.zeros((3, size))
    reach[:, g : g + 3] = np.eye(3)
    blade = fit.blades.get(cycle.blade)
    if blade is None:
        precision = np.diag(1 / np.array([spreads.blade, spreads.edge, spreads.body]) ** 2)
    else:
        centre[g : g + 3] = blade.mean
        by_shared = np.array(blade.by_shared)
        for name, place in Layout(fit.names).place.items():
            target = layout.place[name].start
            reach[:, target : target + place.stop - place.start] = -by_shared[:, place]
        precision = np.linalg.inv(np.array(blade.covariance))
    prior += reach.T @ precision @ reach
    centre[g + 3] = centre[g]
    tie = np.zeros((EFFECTS, size))
    tie[:, g + 3 :] = np.eye(EFFECTS)
    tie[0, g] = -1.0
    scale = own_scales(spreads)
    for number, saw in enumerate(cycle.saws[:PLACES]):
        if saw not in fit.names.saws:
            scale[1 + number] = max(PRIORS["gauge"][1], spreads.mount)
    variances = variances_of(design, np.ones(1), spreads)
    usual = np.zeros(EFFECTS)
    marks, lots = marks_of(design, layout), collect(design)
    return Search(design, marks, layout, start, spreads, prior, centre, tie, scale, usual, lots, variances, tails)
