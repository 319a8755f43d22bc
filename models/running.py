"""Where the edge of a running cycle stands: the joint model with what this cycle has told so far.

What a fit learnt is the prior: the shared parameters with their covariance, what the blade on the saw has shown in its
earlier cycles, and the spread of cycles. The running cycle's stints and bench readings then speak for its own factor,
its own level, and a little for all the rest. The result is a normal distribution around the most likely values, of
which ``draws`` takes equally likely ones.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.errors import Spreads, Weighed, collect, heavy, heavy_loss, weigh, with_lots
from models.evidence import EFFECTS, UNKNOWN, CycleEvidence, Design, Names, design_of
from models.joint import LONGEST_STEP, UNSEEN_RATIO, Effects, JointFit, Layout, expected, own_scales, predict
from models.nested import Summing
from models.wearlaw import course, exposure_of

Floats = NDArray[np.float64]

DRAWS: Final = 400
SEED: Final = 20_310_501
MOST_STEPS: Final = 12
STARTS: Final = 9
FARTHEST: Final = 3.0
"""The loss is tried at so many factors, up to this many spreads to either side of the mean."""
CLIMBED: Final = 3
"""The search begins at the best of them; where it ends at factors further apart than ``SAME`` [log], both stay."""
SAME: Final = 0.05
CLOSE: Final = 2e-3
WIDER: Final = 1.35
"""How much wider the draws are than the curvature at the modes says: stints are not as independent of each other as the
likelihood takes them. Set on invented shops (seeds 101 to 104), checked on others by ``bench_truth.py``."""


class Mode(NamedTuple):
    """A likely state: log of its weight, the values, their covariance."""

    log_weight: float
    middle: Floats
    spread: Floats


@dataclass(frozen=True, slots=True)
class Standing:
    """Equally likely draws, shape (k,): ``exposure`` and ``wear`` now [limits].

    ``factor`` is this cycle's beside a mean one, ``rise`` that of its edge force from sharp to the limit. ``rates``
    gives the exposure that a unit of usage of an alloy adds on the saw that the blade is on, ``base`` that of an alloy
    of ratio one; ``loaded`` is how many comparable cuts spoke for this cycle.
    """

    exposure: Floats
    wear: Floats
    factor: Floats
    rise: Floats
    rates: Mapping[str, Floats]
    base: Floats
    loaded: int

    def rate(self, alloy: str) -> Floats:
        """Exposure per unit of usage of an alloy; one without a name takes the mean of alloys."""
        return self.rates.get(alloy, self.base)


def standing(fit: JointFit, cycle: CycleEvidence, ratios: Mapping[str, float], saw: str | None = None) -> Standing:
    """The standing of a cycle after its last stint. ``ratios`` are stated, for alloys that the fit has not seen."""
    names = _widened(fit.names, cycle, ratios)
    layout = Layout(names)
    design = design_of([cycle], names)
    mean, covariance = _shared_prior(fit, names, layout)
    start = np.zeros(1)
    if cycle.start > 0:
        at = layout.place
        start[0] = exposure_of(cycle.start, float(mean[at["break_in"]][0]), float(mean[at["last_stage"]][0]))
    modes = _modes(_search(fit, cycle, design, layout, mean, covariance, start))
    return _drawn(names, layout, design, modes, start, saw)


def _widened(names: Names, cycle: CycleEvidence, ratios: Mapping[str, float]) -> Names:
    """The names of a fit, and alloys that only the running cycle or the coming work has."""
    new = sorted(({work.alloy for work in cycle.works} | set(ratios)) - set(names.alloys))
    feed = float(np.mean(names.log_feed)) if names.log_feed else float(np.log(0.01))
    return replace(
        names,
        alloys=(*names.alloys, *new),
        log_feed=(*names.log_feed, *(feed for _ in new)),
        log_ratio=(*names.log_ratio, *(float(np.log(ratios.get(alloy, 1.0))) for alloy in new)),
    )


def _shared_prior(fit: JointFit, names: Names, layout: Layout) -> tuple[Floats, Floats]:
    """Mean and covariance of the shared parameters, with those of new alloys by their stated priors."""
    old = Layout(fit.names)
    level = np.array(fit.shared)[old.place["level"]]
    mean, deviation = layout.prior(names, float(np.mean(level)) if len(level) else 0.0)
    covariance = np.diag(deviation**2)
    places = np.concatenate(
        [np.arange(layout.place[n].start, layout.place[n].start + p.stop - p.start) for n, p in old.place.items()]
    )
    mean[places] = fit.shared
    covariance[np.ix_(places, places)] = np.array(fit.covariance)
    for number, alloy in enumerate(names.alloys):
        if alloy not in fit.names.alloys and alloy != UNKNOWN:
            covariance[layout.place["ratio"].start + number, layout.place["ratio"].start + number] = UNSEEN_RATIO**2
    return mean, covariance


@dataclass(frozen=True, slots=True)
class _Search:
    """The penalised loss of one cycle over shared parameters, blade and cycle in one vector z.

    ``prior`` (z, z) draws z towards ``centre``; ``tie`` (e, z) gives the cycle's own effects, which have
    heavy tails of the widths ``scale``.
    """

    design: Design
    layout: Layout
    start: Floats
    spreads: Spreads
    prior: Floats
    centre: Floats
    tie: Floats
    scale: Floats
    lots: Summing

    def expected(self, z: Floats) -> Floats:
        """What the rows should tell."""
        return expected(z[: self.layout.size], self._effects(z), self.design, self.layout, self.start)

    def _effects(self, z: Floats) -> Effects:
        g = self.layout.size
        return Effects(z[None, g : g + 3], z[None, g + 3 :])

    def _weighed(self, off: Floats, offsets: Floats) -> Weighed:
        return weigh(self.design, off, self.lots, offsets, np.ones(1), self.spreads)

    def penalty(self, z: Floats) -> float:
        """What draws z towards the centre."""
        gap = z - self.centre
        return 0.5 * float(gap @ self.prior @ gap) + heavy_loss((self.tie @ z)[None, :], self.scale)

    def loss(self, z: Floats, off: Floats, offsets: Floats | None = None) -> tuple[float, Floats]:
        """The loss at residuals ``off``, and the lots' offsets that go with it."""
        offsets = np.zeros(self.lots.shape[0]) if offsets is None else offsets
        offsets = self._weighed(off, offsets).offsets
        return self._weighed(off, offsets).loss + self.penalty(z), offsets

    def linearised(self, z: Floats, offsets: Floats) -> tuple[Floats, Floats]:
        """The normal matrix and the gradient of a Gauss-Newton step."""
        p = predict(z[: self.layout.size], self._effects(z), self.design, self.layout, self.start)
        off = self.design.y - p.value
        found = self._weighed(off, offsets)
        slopes = with_lots(self.lots, found.rows, np.hstack([p.by_shared, p.by_blade, p.by_cycle]))
        weights = np.concatenate([found.rows, found.lots])
        own = self.tie @ z
        ties = heavy(own[None, :], self.scale)[0] / self.scale**2
        normal = slopes.T @ (weights[:, None] * slopes) + self.prior + self.tie.T @ (ties[:, None] * self.tie)
        pull = self.prior @ (z - self.centre) + self.tie.T @ (ties * own)
        return (normal + normal.T) / 2, slopes.T @ (weights * with_lots(self.lots, found.rows, off)) - pull

    def climb(self, z: Floats) -> Mode:
        """Gauss-Newton steps from z, each halved until the loss falls."""
        loss, offsets = self.loss(z, self.design.y - self.expected(z))
        for _ in range(MOST_STEPS):
            normal, gradient = self.linearised(z, offsets)
            step = np.linalg.solve(normal, gradient)
            longest = float(np.max(np.abs(step)))
            length = min(1.0, LONGEST_STEP / longest) if longest > 0 else 1.0
            for _halving in range(8):
                new = z + length * step
                self.layout.keep(new)
                fallen, new_offsets = self.loss(new, self.design.y - self.expected(new), offsets)
                if fallen <= loss + 1e-9:
                    z, loss, offsets = new, fallen, new_offsets
                    break
                length /= 2
            if length * longest < CLOSE:
                break
        normal, _ = self.linearised(z, offsets)
        weight = -loss - 0.5 * float(np.linalg.slogdet(normal)[1])
        return Mode(weight, z, np.asarray(np.linalg.inv(normal), float))

    def starts(self) -> list[Floats]:
        """Where to begin, the best first: factors on either side of the mean, each with and without its own levels."""
        own = self.layout.size + 3
        design, found = self.design, []
        for away in np.linspace(-FARTHEST, FARTHEST, STARTS):
            z = self.centre.copy()
            z[own] += away * self.spreads.cycle
            off = design.y - self.expected(z)
            found.append((self.loss(z, off)[0], z))
            if design.energy.any():
                z = z.copy()
                for place in np.unique(design.place[design.energy]):
                    rows = design.energy & (design.place == place)
                    z[own + 1 + place] = np.median(off[rows])
                level = np.where(design.energy, z[own + 1 + design.place], 0.0)
                found.append((self.loss(z, off - level)[0], z))
        return [z for _, z in sorted(found, key=lambda one: one[0])]


def _search(
    fit: JointFit, cycle: CycleEvidence, design: Design, layout: Layout, mean: Floats, covariance: Floats, start: Floats
) -> _Search:
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
    return _Search(design, layout, start, spreads, prior, centre, tie, scale, collect(design))


def _modes(search: _Search) -> list[Mode]:
    """The likely states, each where a search ended."""
    own = search.layout.size + 3
    found: list[Mode] = []
    for start in search.starts()[:CLIMBED]:
        mode = search.climb(start)
        if all(abs(mode.middle[own] - other.middle[own]) >= SAME for other in found):
            found.append(mode)
    return found


def _draws(modes: list[Mode]) -> Floats:
    """Equally likely draws, each mode in proportion to its weight."""
    logs = np.array([mode.log_weight for mode in modes])
    shares = np.exp(logs - logs.max())
    ends = np.round(np.cumsum(shares) / np.sum(shares) * DRAWS).astype(int)
    generator = np.random.default_rng(SEED)
    half = generator.standard_normal((DRAWS // 2, len(modes[0].middle)))
    normal = np.stack([half, -half], axis=1).reshape(DRAWS, -1)
    found = []
    for mode, first, last in zip(modes, [0, *ends[:-1]], ends, strict=True):
        root = np.linalg.cholesky(mode.spread + 1e-14 * np.eye(len(mode.middle)))
        found.append(mode.middle + WIDER * normal[first:last] @ root.T)
    return np.vstack(found)


def _drawn(names: Names, layout: Layout, design: Design, modes: list[Mode], start: Floats, saw: str | None) -> Standing:
    z = _draws(modes)
    g, at = layout.size, layout.place
    own = np.exp(z[:, g + 3])
    base = own * np.exp(z[:, at["base"].start])
    ratio = np.exp(z[:, at["ratio"]])
    pace = np.exp(np.hstack([z[:, at["pace"]], np.zeros((len(z), 1))]))
    usage = np.zeros((len(names.alloys) + 1, len(names.saws) + 1))
    np.add.at(usage, (design.alloy, design.saw), design.x)
    ratio = np.hstack([ratio, np.ones((len(z), 1))])
    exposure = start[0] + base * np.einsum("ka,as,ks->k", ratio, usage, pace)
    break_in, last = (np.maximum(z[:, at[name].start], 0.0) for name in ("break_in", "last_stage"))
    wear = course(exposure, break_in, last).wear
    here = pace[:, names.saws.index(saw)] if saw in names.saws else np.ones(len(z))
    rates = {alloy: base * ratio[:, number] * here for number, alloy in enumerate(names.alloys)}
    rise = np.exp(z[:, at["kappa"].start] + z[:, g + 1])
    return Standing(exposure, wear, own, rise, rates, base * here, int(np.sum(design.cuts[design.energy])))
