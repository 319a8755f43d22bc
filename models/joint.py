"""One fit of wear and of cutting energy together, over all grind cycles of a blade type.

With x the usage of each stint (area, or the teeth's way), the exposure of cycle i of blade p after it is ::

    e = c_i · Σ exp(base + ratio_alloy + pace_saw + hard·lot) · x      exposure, in shares of the limit
    w = W(e)                                                    wear, in shares of the limit (``wearlaw.course``)

and what is measured of it ::

    log(wear at the bench)   = log w + error                                       spread ``bench``
    log(energy per volume)   = level_alloy + part + gauge_saw + slip·behind + l_p + d_i + lot
                               + log(1 - s_a + s_a·(f_a/f_z)·(1 + κ·k_p·k_i·h(w)))
                               + error                                             spread ``row``·√(1 + 10/cuts)

s_a is the edge's share of the energy at the alloy's own feed f_a (u = K_c + K_e/f_z, ``cutting``), κ the rise of edge
force at the limit, and h, how it comes about along the way, is bent by two numbers (``wearlaw.force_of``). Errors and
lots have heavy tails (``errors``): galling, a hard lot, a record that is wrong are outliers, not averages. The random
effects are shrunk towards none ::

    log c_i ~ t₄(r_p, cycle)   d_i ~ Cauchy(0, mount), one by each saw of a cycle
    h of a cycle is bent beside the shared one by t₃₀(0, course), twice      log k_i ~ Cauchy(0, rise)
    r_p ~ N(0, blade²)         log k_p ~ N(0, edge²)         l_p ~ N(0, body²)

and so are alloys towards their stated ratios, saws and parts towards none (``PRIORS``). What maximises the
penalised likelihood is found in ``fitting``. The same evidence gives the same fit, whatever its order.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from math import log, sqrt
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.energy import EDGE_SHARE_MM
from models.errors import HARD_SPREAD, Spreads
from models.evidence import EFFECTS, PLACES, UNKNOWN, Design, Names
from models.wearlaw import LEAST, Course, Force, course, force_of

Floats = NDArray[np.float64]

PRIORS: Final = {
    # mean, standard deviation
    "base": (0.0, 3.0),
    "kappa": (log(0.8), 0.7),
    "bend": (0.0, 0.3),
    "skew": (0.0, 0.3),
    "break_in": (0.02, 0.04),
    "last_stage": (0.02, 0.08),
    "hard": (1.5, 0.8),
    "slip": (0.0, 1.5),
    "ratio": (0.0, 0.5),
    "level": (0.0, 1.0),
    "share": (0.0, 0.5),
    "pace": (0.0, 0.08),
    "gauge": (0.0, 0.05),
    "part": (0.0, 0.08),
}
"""Of the logs, but for ``bend``, ``skew``, ``break_in`` and ``last_stage``, which are plain, and ``share`` (logit).

``hard`` is how much faster a hard lot wears the edge [log] for each unit that its energy is higher by [log].
``slip`` is how the load goes with how far a spindle lies behind its own pace [log by share], up or down: a slower one
feeds more per tooth, and a slipping belt eats work."""
UNSEEN_RATIO: Final = 0.7
"""Spread of the ratio of an alloy that no ended cycle has cut [log]."""
ALIKE: Final = 1e-3
"""Spread of the ratios of alloys that a plain rule takes for alike."""
UNTOLD_RATIO: Final = 0.15
"""Spread of the ratio of area whose alloy nothing tells [log], beside the mean of all that was cut."""
OF_LOAD: Final = {"bend": 1 + PLACES, "skew": 2 + PLACES, "kappa": 3 + PLACES}
"""Shared parameters that each cycle may have beside its own effects, and where these stand."""
BOUNDED: Final = ("break_in", "last_stage")
"""Shared parameters that cannot be below nought."""
SCALARS: Final = ("base", "kappa", "bend", "skew", "break_in", "last_stage", "hard", "slip")


class Layout:
    """Where the shared parameters of a fit lie in one vector: scalars, then those of alloys, saws and parts."""

    def __init__(self, names: Names) -> None:
        counts = {
            "ratio": len(names.alloys), "level": len(names.alloys), "share": len(names.alloys),
            "pace": len(names.saws), "gauge": len(names.saws), "part": len(names.parts),
        }  # fmt: skip
        self.place = {name: slice(number, number + 1) for number, name in enumerate(SCALARS)}
        end = len(SCALARS)
        for name, count in counts.items():
            self.place[name] = slice(end, end + count)
            end += count
        self.size = end

    def prior(self, names: Names, level: float) -> tuple[Floats, Floats]:
        """Means and standard deviations. ``level`` is the middle of the log energies."""
        mean, spread = np.zeros(self.size), np.ones(self.size)
        for name, place in self.place.items():
            mean[place], spread[place] = PRIORS[name]
        mean[self.place["ratio"]] = names.log_ratio
        mean[self.place["level"]] = level
        share = EDGE_SHARE_MM / (EDGE_SHARE_MM + np.exp(np.array(names.log_feed)))
        mean[self.place["share"]] = np.log(share / (1 - share))
        if names.plain:
            spread[self.place["ratio"]] = ALIKE
        elif UNKNOWN in names.alloys:
            spread[self.place["ratio"].start + names.alloys.index(UNKNOWN)] = UNTOLD_RATIO
        return mean, spread

    def longest(self, step: Floats) -> float:
        """The longest part of a step, as far as it moves what rows tell [log]; the step begins with the shared ones."""
        reach = np.abs(step)
        reach[self.place["hard"]] *= HARD_SPREAD
        return float(np.max(reach, initial=0.0))

    def below(self, values: Floats) -> NDArray[np.bool_]:
        """Which of the shared parameters (g,) would be below what they can be."""
        found = np.zeros(self.size, bool)
        for name in BOUNDED:
            found[self.place[name]] = values[self.place[name]] < -LEAST
        return found

    def keep(self, values: Floats) -> None:
        """Hold what cannot be below nought there, in a vector that begins with the shared parameters."""
        for name in BOUNDED:
            values[self.place[name]] = np.maximum(values[self.place[name]], 0.0)


class Effects(NamedTuple):
    """Effects of blades, shape (b, 3): log rate, log rise of edge force, level; of cycles (c, e): ``EFFECTS``."""

    blades: Floats
    cycles: Floats


class Run(NamedTuple):
    """What the rows should tell, shape (n,), and what that is made of; of stints with energy from ``share`` on."""

    value: Floats
    step: Floats
    since: Floats
    exposure: Floats
    wear: Course
    share: Floats
    slow: Floats
    kappa: Floats
    force: Force
    whole: Floats


class Marks(NamedTuple):
    """What the derivatives of a design hold at every state.

    ``slopes`` (n, g + 3 + e) are by shared parameters, then by what the row's blade and its cycle have; ``paced`` are
    those of the log rate, shape (n, p), by the shared parameters at ``columns`` (p,), but for the hardness of lots.
    """

    slopes: Floats
    paced: Floats
    columns: NDArray[np.int64]


def run(shared: Floats, effects: Effects, design: Design, layout: Layout, start: Floats) -> Run:
    """Run the model over a design. ``start`` is the exposure before each cycle's first stint."""
    at, rows = layout.place, design.energy
    log_rate = shared[at["base"]] + _of(shared, at["ratio"], design.alloy) + _of(shared, at["pace"], design.saw)
    log_rate += shared[at["hard"]] * design.hard
    step = design.x * np.exp(log_rate)
    since = np.exp(effects.cycles[design.cycle, 0]) * _along(step[:, None], design)[:, 0]
    exposure = start[design.cycle] + since
    wear = course(exposure, shared[at["break_in"]], shared[at["last_stage"]])
    alloy, blade = design.alloy[rows], design.blade[rows]
    share = 1 / (1 + np.exp(-_of(shared, at["share"], alloy)))
    slow = np.exp(design.log_slow[rows])
    bend, skew, rise = (shared[at[name]] + effects.cycles[design.cycle[rows], k] for name, k in OF_LOAD.items())
    kappa = np.exp(rise + effects.blades[blade, 1])
    force = force_of(wear.wear[rows], bend, skew)
    whole = 1 - share + share * slow * (1 + kappa * force.value)
    value = np.log(wear.wear)
    value[rows] = (
        _of(shared, at["level"], alloy) + _of(shared, at["part"], design.part[rows])
        + _of(shared, at["gauge"], design.saw[rows]) + shared[at["slip"]] * design.slip[rows] + effects.blades[blade, 2]
        + effects.cycles[design.cycle[rows], 1 + design.place[rows]] + np.log(whole)
    )  # fmt: skip
    return Run(value, step, since, exposure, wear, share, slow, kappa, force, whole)


def marks_of(design: Design, layout: Layout) -> Marks:
    """What the derivatives of a design hold at every state."""
    n, at, rows = len(design.x), layout.place, np.flatnonzero(design.energy)
    paced = np.zeros((n, layout.size))
    paced[:, at["base"]] = 1.0
    _mark(paced, at["ratio"], design.alloy)
    _mark(paced, at["pace"], design.saw)
    columns = np.concatenate([np.arange(layout.size)[at[name]] for name in ("base", "ratio", "pace", "hard")])
    told = np.zeros((len(rows), layout.size))
    told[:, at["slip"].start] = design.slip[rows]
    for name, index in (("level", design.alloy), ("part", design.part), ("gauge", design.saw)):
        _mark(told, at[name], index[rows])
    slopes = np.zeros((n, layout.size + 3 + EFFECTS))
    slopes[rows, : layout.size] = told
    slopes[rows, layout.size + 2] = 1.0
    slopes[rows, layout.size + 4 + design.place[rows]] = 1.0
    return Marks(slopes, paced[:, columns], columns)


def slopes_of(told: Run, effects: Effects, design: Design, layout: Layout, marks: Marks) -> Floats:
    """The derivatives of what the rows should tell, of the shape of ``marks.slopes``."""
    at, rows = layout.place, np.flatnonzero(design.energy)
    slopes = marks.slopes.copy()
    paced = told.step[:, None] * marks.paced
    paced[:, -1] = told.step * design.hard
    grown = np.exp(effects.cycles[design.cycle, 0])[:, None] * _along(paced, design)
    edge = told.share * told.slow / told.whole
    rise = told.kappa * told.force.value
    by_wear = 1 / told.wear.wear
    by_wear[rows] = edge * told.kappa * told.force.by_wear
    slope = by_wear * told.wear.by_exposure
    slopes[:, marks.columns] = slope[:, None] * grown
    slopes[:, at["break_in"].start] = by_wear * told.wear.by_break_in
    slopes[:, at["last_stage"].start] = by_wear * told.wear.by_last_stage
    by_share = (1 - told.share) * (edge * (1 + rise) - told.share / told.whole)
    slopes[rows, at["share"].start + design.alloy[rows]] = by_share
    slopes[rows, layout.size + 1] = edge * rise
    slopes[:, layout.size + 3] = slope * told.since
    by_load = {
        "kappa": edge * rise,
        "bend": edge * told.kappa * told.force.by_bend,
        "skew": edge * told.kappa * told.force.by_skew,
    }
    for name, values in by_load.items():
        slopes[rows, at[name].start] = slopes[rows, layout.size + 3 + OF_LOAD[name]] = values
    return slopes


def _of(shared: Floats, place: slice, index: NDArray[np.int64]) -> Floats:
    """The parameter of each row; nought where the row has none."""
    values = np.concatenate((shared[place], (0.0,)))
    return np.asarray(values[index])


def _mark(matrix: Floats, place: slice, index: NDArray[np.int64]) -> None:
    rows = np.flatnonzero(index >= 0)
    matrix[rows, place.start + index[rows]] = 1.0


def _along(steps: Floats, design: Design) -> Floats:
    """Sums within each cycle up to the middle of a stint, or up to a reading."""
    total = np.cumsum(steps, axis=0)
    before = np.vstack([np.zeros((1, steps.shape[1])), total])[design.first]
    return np.asarray(total - before[design.cycle] - design.half[:, None] * steps)


@dataclass(frozen=True, slots=True)
class BladeEffect:
    """What a blade has of its own: log rate, log rise of edge force, level.

    Given the shared parameters s it is normal with ``mean`` + ``by_shared``·(s - ŝ) and ``covariance``.
    """

    mean: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    by_shared: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class JointFit:
    """A fitted model: shared parameters with their covariance in the order of ``Layout``, spreads, blades.

    ``cycles`` is how many told their wear (or, where none did, how many there were), ``bounds`` how many told an upper
    bound and no more, ``energies`` how many stints told a load.
    ``levels`` is the level of load that the newest cycle on each saw had of its own, and its error: where a sensor
    was rescaled, or a belt slips, and nothing else told it, the next cycle has it too.
    """

    names: Names
    shared: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    spreads: Spreads
    blades: dict[str, BladeEffect]
    cycles: int
    bounds: int
    energies: int
    levels: dict[str, tuple[float, float]]
    version: int = 7

    def rate(self, alloy: str) -> tuple[float, float]:
        """The exposure that a unit of usage of an alloy adds at a mean cycle, and the error of its log.

        Raises ``KeyError`` on an alloy that no cycle has cut.
        """
        if alloy not in self.names.alloys:
            raise KeyError(alloy)
        place = Layout(self.names).place["ratio"].start + self.names.alloys.index(alloy)
        rows = np.array(self.covariance)[[0, place]][:, [0, place]]
        return float(np.exp(self.shared[0] + self.shared[place])), float(np.sqrt(np.sum(rows)))

    def ratio(self, alloy: str, base: str) -> tuple[float, float]:
        """How much faster an alloy wears than another, each at its own feed, and the error of its log."""
        names = self.names.alloys
        first = Layout(self.names).place["ratio"].start
        one, other = first + names.index(alloy), first + names.index(base)
        c = np.array(self.covariance)
        variance = c[one, one] + c[other, other] - 2 * c[one, other]
        return float(np.exp(self.shared[one] - self.shared[other])), sqrt(max(float(variance), 0.0))

    def saw_pace(self, saw: str) -> tuple[float, float]:
        """How much faster blades wear on a saw than on a mean one, and the error of its log."""
        place = Layout(self.names).place["pace"].start + self.names.saws.index(saw)
        return float(np.exp(self.shared[place])), sqrt(self.covariance[place][place])

    def blade_ways(self, blade: str) -> tuple[tuple[float, float], tuple[float, float]]:
        """How much faster a blade wears than a mean one, and how much more its edge force rises, with log errors."""
        ways = self.blades[blade]
        reach = np.array(ways.by_shared)
        full = np.array(ways.covariance) + reach @ np.array(self.covariance) @ reach.T
        (pace, pace_error), (rise, rise_error) = (
            (float(np.exp(ways.mean[k])), sqrt(max(float(full[k, k]), 0.0))) for k in (0, 1)
        )
        return (pace, pace_error), (rise, rise_error)

    def to_json(self) -> dict[str, Any]:
        """Plain JSON values."""
        return asdict(self)

    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> JointFit:
        """The fit as it was."""
        plain = dict(value)
        names = value["names"]
        lists = ("alloys", "parts", "saws", "log_feed", "log_ratio")
        plain["names"] = Names(**dict(names) | {key: tuple(names[key]) for key in lists})
        plain["spreads"] = Spreads(**value["spreads"])
        plain["blades"] = {
            blade: BladeEffect(tuple(row["mean"]), _tuples(row["covariance"]), _tuples(row["by_shared"]))
            for blade, row in value["blades"].items()
        }
        plain["levels"] = {saw: tuple(level) for saw, level in value["levels"].items()}
        plain["covariance"], plain["shared"] = _tuples(value["covariance"]), tuple(value["shared"])
        return cls(**plain)


def _tuples(rows: Sequence[Sequence[Any]]) -> tuple[tuple[Any, ...], ...]:
    return tuple(tuple(row) for row in rows)


def own_scales(spreads: Spreads) -> Floats:
    """The spreads of what a cycle has of its own."""
    return np.array([spreads.cycle] + PLACES * [spreads.mount] + 2 * [spreads.course] + [spreads.rise])
