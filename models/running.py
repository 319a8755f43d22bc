"""Where the edge of a running cycle stands: the joint model with what this cycle has told so far.

What a fit learnt is the prior: the shared parameters with their covariance, what the blade on the saw has shown in its
earlier cycles, and the spread of cycles. The running cycle's stints and bench readings then speak for its own factor,
its own level, and a little for all the rest. The result is a mixture of normal distributions around the likely states
(``search``), of which equally likely draws are taken.

Beside the plain story stand others, each with its odds: the saw's load has the level of the cycle before (a rescaled
sensor, a slipping belt); it stepped in mid-cycle (that, or a lost tip); and, where the load is far from anything usual,
that the record is wrong: the blade on the saw was sharp later than it says, or was worn before.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from math import sqrt
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.errors import CYCLE_TAILS, SURE_TAILS
from models.evidence import UNKNOWN, CycleEvidence, Names, after, design_of, up_to
from models.joint import OF_LOAD, UNSEEN_RATIO, JointFit, Layout
from models.search import Mode, Search, search_of
from models.wearlaw import course, exposure_of

Floats = NDArray[np.float64]

DRAWS: Final = 400
SEED: Final = 20_310_501
AS_TOLD: Final = "as told"
LEVEL_STAYS: Final = "level stays"
STEPPED: Final = "stepped"
SHARP_LATER: Final = "sharp later"
WORN_BEFORE: Final = "worn before"
ODDS: Final = {AS_TOLD: 0.0, LEVEL_STAYS: 0.0, STEPPED: -7.0, SHARP_LATER: -3.0, WORN_BEFORE: -3.0}
"""Log odds of the stories before the cycle has told anything; that of a step also allows for its wider level.
One record in twenty is taken to name another start than the true one, set on invented shops (seeds 101, 103, 801)."""
STRANGE: Final = 0.03
"""From such a level of load on [log] the record is doubted."""
LONGEST_RUN: Final = 1.25
PAST_SPREAD: Final = 0.1
"""Nobody cuts on far past the limit: so much further on, it is the record that is wrong."""
DOUBTED: Final = 3
"""How many climbs a blade that came on later is given, before and since."""
WORN_CLIMBED: Final = 6
"""And how many there are for all wear that may have been there before."""
WORN_AT: Final = tuple(round(0.05 * place, 2) for place in range(1, 19))
"""With steps of 0.15 a true state between two of them looked unlikely (an invented shop, seed 825)."""
WIDER: Final = 1.25
"""How much wider the draws are than the curvature at the modes says: stints are not as independent of each other as the
likelihood takes them. Set on invented shops (seeds 101 to 104, and 821 to 824), checked on others by
``bench_truth.py``."""
FEW: Final = 10.0
"""From so few cycles as this the spreads themselves are not known: draws are wider by √(1 + this over the cycles)."""


@dataclass(frozen=True, slots=True)
class Standing:
    """Equally likely draws, shape (k,): ``exposure`` and ``wear`` now [limits].

    ``factor`` is this cycle's beside a mean one, ``rise`` that of its edge force from sharp to the limit. ``rates``
    gives the exposure that a unit of usage of an alloy adds on the saw that the blade is on, ``base`` that of an alloy
    of ratio one; ``loaded`` is how many comparable cuts spoke for this cycle. ``stories`` is how likely each story is.
    """

    exposure: Floats
    wear: Floats
    factor: Floats
    rise: Floats
    rates: Mapping[str, Floats]
    base: Floats
    loaded: int
    stories: Mapping[str, float]

    def rate(self, alloy: str) -> Floats:
        """Exposure per unit of usage of an alloy; one without a name takes the mean of alloys."""
        return self.rates.get(alloy, self.base)

    @property
    def misfit(self) -> str | None:
        """The story that the load tells against the record, where it is the likelier one."""
        told = {story: self.stories.get(story, 0.0) for story in (SHARP_LATER, WORN_BEFORE)}
        return max(told, key=lambda story: told[story]) if sum(told.values()) > 0.5 else None


class _Told(NamedTuple):
    """A mode and the story it belongs to."""

    story: str
    mode: Mode


def standing(fit: JointFit, cycle: CycleEvidence, ratios: Mapping[str, float], saw: str | None = None) -> Standing:
    """The standing of a cycle after its last stint. ``ratios`` are stated, for alloys that the fit has not seen."""
    ground = _Ground.of(fit, _widened(fit.names, cycle, ratios))
    search = ground.search(cycle, cycle.start)
    modes = search.modes()
    told = [_Told(AS_TOLD, mode) for mode in modes]
    as_before = search.as_before(cycle, fit)
    if as_before is not None:
        told.extend(_Told(LEVEL_STAYS, mode) for mode in as_before.modes())
    told.extend(_Told(STEPPED, mode) for mode in search.stepped())
    likeliest = max(told, key=lambda one: one.mode.log_weight + ODDS[one.story]).mode
    strange = likeliest.search.strangeness(likeliest) > STRANGE or ground.exposure(likeliest) > LONGEST_RUN
    if strange and search.design.energy.any():
        told.extend(ground.against_record(cycle, [one.mode.search for one in told]))
    return _drawn(ground, told, saw)


@dataclass(frozen=True, slots=True)
class _Ground:
    """What a fit says before a cycle has told anything."""

    fit: JointFit
    names: Names
    layout: Layout
    mean: Floats
    covariance: Floats

    @classmethod
    def of(cls, fit: JointFit, names: Names) -> _Ground:
        layout = Layout(names)
        return cls(fit, names, layout, *_shared_prior(fit, names, layout))

    def search(self, cycle: CycleEvidence, worn: float = 0.0, tails: Floats = CYCLE_TAILS) -> Search:
        """The search for a cycle whose edge was so worn before its first stint [limits]."""
        design = design_of([cycle], self.names)
        return search_of(self.fit, cycle, design, self.layout, self.mean, self.covariance, self.worn(worn), tails)

    def worn(self, share: float) -> Floats:
        """The exposure (1,) of an edge so worn [limits]."""
        bends = (float(self.mean[self.layout.place[name]][0]) for name in ("break_in", "last_stage"))
        return np.array([exposure_of(share, *bends) if share > 0 else 0.0])

    def exposure(self, mode: Mode) -> float:
        """The exposure now at the middle of a mode."""
        return float(_exposure(self, mode.search, mode.middle[None, :])[0])

    def log_weight(self, told: _Told) -> float:
        """The weight of a mode by what the cycle told, the odds of its story, and how seldom a blade runs on so far."""
        past = max(self.exposure(told.mode) - LONGEST_RUN, 0.0) / PAST_SPREAD
        return told.mode.log_weight + ODDS[told.story] - 0.5 * past**2

    def against_record(self, cycle: CycleEvidence, searches: list[Search]) -> Iterator[_Told]:
        """Modes by the stories that the record is wrong; only where the load is then nothing strange."""
        for told in self._against_record(cycle, searches):
            if told.mode.search.strangeness(told.mode) <= STRANGE:
                yield told

    def _against_record(self, cycle: CycleEvidence, searches: list[Search]) -> Iterator[_Told]:
        sharp = self.search(cycle, tails=SURE_TAILS)
        worn = [replace(sharp, start=self.worn(share)) for share in WORN_AT]
        worn += [other for search in worn if (other := search.as_before(cycle, self.fit)) is not None]
        starts = [(search.starts()[0], search) for search in worn]
        for start, search in sorted(starts, key=lambda one: one[0].loss)[:WORN_CLIMBED]:
            mode = search.climb(start.z)
            yield _Told(WORN_BEFORE, mode._replace(log_weight=mode.log_weight - float(np.log(len(WORN_AT)))))
        for area_m2 in sorted(_boundaries(cycle, searches)):
            before = self.search(replace(up_to(cycle, area_m2), blade=UNKNOWN), tails=SURE_TAILS)
            earlier = max(mode.log_weight for mode in before.modes(DOUBTED)) + before.normaliser()
            for mode in self.search(after(cycle, area_m2), tails=SURE_TAILS).modes(DOUBTED):
                yield _Told(SHARP_LATER, mode._replace(log_weight=mode.log_weight + earlier))


def _boundaries(cycle: CycleEvidence, searches: list[Search]) -> set[float]:
    """Areas at which another blade may have come on: a change of saw, and where a search has the load step."""
    found, total = set(), 0.0
    for work, follower in zip(cycle.works, cycle.works[1:], strict=False):
        total += work.area_m2
        if follower.saw != work.saw:
            found.add(total)
    for search in searches:
        place, told = search.design.place, np.flatnonzero(search.design.energy)
        steps = told[1:][place[told][1:] > place[told][:-1]]
        found.update(float(area) for area in np.cumsum(search.design.x)[steps - 1])
    return {area for area in found if 0 < area < total}


def _widened(names: Names, cycle: CycleEvidence, ratios: Mapping[str, float]) -> Names:
    """The names of a fit, and alloys that only the running cycle or the coming work has."""
    new = sorted(({work.alloy for work in cycle.works} | set(ratios)) - set(names.alloys))
    feed = float(np.mean(names.log_feed)) if names.log_feed else float(np.log(0.01))
    return replace(
        names,
        alloys=(*names.alloys, *new),
        log_feed=(*names.log_feed, *(feed for _ in new)),
        log_ratio=(*names.log_ratio, *(0.0 if names.plain else float(np.log(ratios.get(alloy, 1.0))) for alloy in new)),
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
        if alloy not in fit.names.alloys and alloy != UNKNOWN and not names.plain:
            covariance[layout.place["ratio"].start + number, layout.place["ratio"].start + number] = UNSEEN_RATIO**2
    return mean, covariance


def _drawn(ground: _Ground, told: list[_Told], saw: str | None) -> Standing:
    """Draws of each mode in proportion to its weight, put together."""
    logs = np.array([ground.log_weight(one) for one in told])
    shares = np.exp(logs - logs.max())
    shares /= np.sum(shares)
    ends = np.round(np.cumsum(shares) * DRAWS).astype(int)
    half = np.random.default_rng(SEED).standard_normal((DRAWS // 2, len(told[0].mode.middle)))
    normal = np.stack([half, -half], axis=1).reshape(DRAWS, -1)
    values, exposures, wider = [], [], WIDER * sqrt(1 + FEW / ground.fit.cycles)
    for (_, mode), first, last in zip(told, [0, *ends[:-1]], ends, strict=True):
        if first < last:
            z = mode.middle + wider * normal[first:last] @ _root(mode.spread).T
            values.append(z)
            exposures.append(_exposure(ground, mode.search, z))
    z, exposure = np.vstack(values), np.concatenate(exposures)
    names, g, at = ground.names, ground.layout.size, ground.layout.place
    break_in, last_stage = (np.maximum(z[:, at[name].start], 0.0) for name in ("break_in", "last_stage"))
    base = np.exp(z[:, g + 3] + z[:, at["base"].start])
    here = np.exp(z[:, at["pace"].start + names.saws.index(saw)]) if saw in names.saws else np.ones(len(z))
    ratio = np.exp(z[:, at["ratio"]])
    loaded = told[0].mode.search.design
    stories: dict[str, float] = {}
    for (story, _), share in zip(told, shares, strict=True):
        stories[story] = stories.get(story, 0.0) + float(share)
    return Standing(
        exposure=exposure,
        wear=course(exposure, break_in, last_stage).wear,
        factor=np.exp(z[:, g + 3]),
        rise=np.exp(z[:, at["kappa"].start] + z[:, g + 1] + z[:, g + 3 + OF_LOAD["kappa"]]),
        rates={alloy: base * ratio[:, number] * here for number, alloy in enumerate(names.alloys)},
        base=base * here,
        loaded=int(np.sum(loaded.cuts[loaded.energy])),
        stories=stories,
    )


def _root(spread: Floats) -> Floats:
    """A matrix whose square is a covariance; also of one that is singular to the last digits."""
    even = (spread + spread.T) / 2
    try:
        return np.asarray(np.linalg.cholesky(even + 1e-14 * np.eye(len(even))))
    except np.linalg.LinAlgError:
        values, vectors = np.linalg.eigh(even)
        return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def _exposure(ground: _Ground, search: Search, z: Floats) -> Floats:
    """The exposure of each draw after all that its search was given."""
    names, design, at = ground.names, search.design, ground.layout.place
    usage = np.zeros((len(names.alloys) + 1, len(names.saws) + 1))
    np.add.at(usage, (design.alloy, design.saw), np.where(design.hard == 0, design.x, 0.0))
    ratio = np.hstack([np.exp(z[:, at["ratio"]]), np.ones((len(z), 1))])
    pace = np.exp(np.hstack([z[:, at["pace"]], np.zeros((len(z), 1))]))
    total = np.einsum("ka,as,ks->k", ratio, usage, pace)
    for row in np.flatnonzero(design.hard):
        faster = np.exp(z[:, at["hard"].start] * design.hard[row])
        total += design.x[row] * ratio[:, design.alloy[row]] * pace[:, design.saw[row]] * faster
    return np.asarray(search.start[0] + np.exp(z[:, ground.layout.size + 3] + z[:, at["base"].start]) * total)
