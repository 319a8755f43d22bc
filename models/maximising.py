"""The search of the joint fit: what maximises the penalised likelihood of ``joint``, and spreads as they show.

Gauss-Newton steps, between them expectation maximisation of the spreads; the effects of cycles and blades are
eliminated block by block (``nested``), so the cost grows with the rows alone.
"""

from __future__ import annotations

from dataclasses import asdict, astuple
from math import log, sqrt
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.errors import (
    NOISE_WEIGHT,
    WEIGHT,
    Spreads,
    Weighed,
    collect,
    heavy,
    heavy_loss,
    lot_sureness,
    near_lots,
    noise_of,
    settle_lots,
    usual,
    variances_of,
    weigh,
    with_hard_lots,
    with_lots,
)
from models.evidence import EFFECTS, PLACES, Design
from models.joint import BOUNDED, Effects, Layout, Marks, marks_of, own_scales, run, slopes_of
from models.nested import Blocks, Nest, Solved, Summing, eliminate

Floats = NDArray[np.float64]

MOST_STEPS: Final = 60
DONE: Final = 0.01
FASTER: Final = 1.8
MOST_CHANGE: Final = 3.0
"""Expectation maximisation creeps: each spread goes so much further [log] than it says, and not beyond a threefold."""
SMALL_SPREAD: Final = 0.005
MOST_CYCLES: Final = 0.99
SETTLED: Final = 0.03
"""The search ends where no parameter moves further [log] and no spread by a larger share of itself."""
LONGEST_STEP: Final = 0.7
FARTHEST_START: Final = 0.8
OF_BLADES: Final = ("blade", "edge", "body")


class State(NamedTuple):
    """Where a search stands: shared parameters, effects, the lots' offsets, how noisy each cycle is."""

    shared: Floats
    effects: Effects
    offsets: Floats
    noise: Floats


class Problem(NamedTuple):
    """What stays the same through a fit."""

    design: Design
    layout: Layout
    mean: Floats
    deviation: Floats
    lots: Summing
    nest: Nest
    marks: Marks


class Found(NamedTuple):
    """Where a search ended: hard lots are in the problem's design."""

    problem: Problem
    state: State
    solved: Solved
    spreads: Spreads

    def weighed(self) -> Weighed:
        """How much each row counts."""
        return weighed(self.problem, self.state, self.spreads)


def problem_of(design: Design, layout: Layout, mean: Floats, deviation: Floats) -> Problem:
    """The problem of a design; parameters are drawn to ``mean``, as closely as ``deviation``."""
    lots = collect(design)
    of_lot = np.zeros(lots.shape[0], np.int64)
    of_lot[design.batch[design.batch >= 0]] = design.cycle[design.batch >= 0]
    nest = Nest.of(np.concatenate([design.cycle, of_lot]), design.blade_of_cycle, len(design.blades))
    return Problem(design, layout, mean, deviation, lots, nest, marks_of(design, layout))


def maximised(problem: Problem, state: State, spreads: Spreads) -> Found:
    """The most likely state and spreads, and the equations there."""
    for _ in range(MOST_STEPS):
        solved, loss = _solve(problem, state, spreads, bounded=True)
        state, moved = _step(problem, state, solved, spreads, loss)
        shown, state = _spread(problem, state, solved, spreads)
        problem = problem._replace(design=with_hard_lots(problem.design, state.offsets, spreads))
        changed = max(
            abs(new - old) / (old + SMALL_SPREAD) for new, old in zip(astuple(shown), astuple(spreads), strict=True)
        )
        spreads = shown
        if moved < DONE and changed < SETTLED:
            break
    return Found(problem, state, _solve(problem, state, spreads)[0], spreads)


def _solve(problem: Problem, state: State, spreads: Spreads, bounded: bool = False) -> tuple[Solved, float]:
    """The Gauss-Newton step at a state, rows, lots and priors in one system of equations; and the loss there.

    Where it is ``bounded``, a parameter that would go below nought goes there, and the others step as that allows: a
    step that counts on its going further leads nowhere.
    """
    design = problem.design
    told = run(state.shared, state.effects, design, problem.layout, design.start)
    slopes = slopes_of(told, state.effects, design, problem.layout, problem.marks)
    variances = variances_of(design, state.noise, spreads)
    weighed = weigh(design, design.y - told.value, problem.lots, state.offsets, variances, spreads)
    blades = state.effects.blades
    cycle_off = _own(problem, state)
    by_cycle_spread, by_blade_spread = _scales(spreads)
    off, slopes = (with_lots(problem.lots, weighed.rows, part) for part in (design.y - told.value, slopes))
    weights = np.concatenate([weighed.rows, weighed.lots])
    blocks = Blocks.of_rows(off, weights, slopes, problem.layout.size, problem.nest).with_priors(
        cycle_precision=heavy(cycle_off, by_cycle_spread) / by_cycle_spread**2,
        cycle_off=cycle_off,
        blade_precision=1 / by_blade_spread**2,
        blade_off=blades,
        shared_precision=1 / problem.deviation**2,
        shared_off=state.shared - problem.mean,
        nest=problem.nest,
    )
    solved = eliminate(blocks, problem.nest)
    for _ in BOUNDED if bounded else ():
        beyond = problem.layout.below(state.shared + solved.shared)
        if not beyond.any():
            break
        blocks.hold(beyond, -state.shared)
        solved = eliminate(blocks, problem.nest)
    return solved, weighed.loss + _penalty(problem, state, spreads)


def _step(problem: Problem, state: State, solved: Solved, spreads: Spreads, before: float) -> tuple[State, float]:
    """The step, halved until the penalised loss falls; and how far it went, but for a few odd cycles."""
    design, layout = problem.design, problem.layout
    longest = max(
        layout.longest(solved.shared),
        *(float(np.max(np.abs(part), initial=0.0)) for part in (solved.blades, solved.cycles)),
    )
    length = min(1.0, LONGEST_STEP / longest) if longest > 0 else 1.0
    most = float(np.quantile(np.abs(solved.cycles[:, 0]), MOST_CYCLES))
    moving = max(layout.longest(solved.shared), most)
    variances = variances_of(design, state.noise, spreads)
    for _ in range(8):
        shared = state.shared + length * solved.shared
        layout.keep(shared)
        effects = Effects(state.effects.blades + length * solved.blades, state.effects.cycles + length * solved.cycles)
        off = design.y - run(shared, effects, design, layout, design.start).value
        offsets = near_lots(design, off, problem.lots, state.offsets, variances, spreads)
        new = State(shared, effects, offsets, state.noise)
        loss = weigh(design, off, problem.lots, offsets, variances, spreads).loss + _penalty(problem, new, spreads)
        if loss <= before + 1e-9:
            return new, length * moving
        length /= 2
    return state, 0.0


def first(problem: Problem, shared: Floats | None) -> State:
    """Where to begin.

    At the base rate and the factors of cycles at which the readings would be met, and at the levels of alloys at which
    half of their energies lie to either side; with ``shared`` at these values, and the factors alone.
    """
    design, layout = problem.design, problem.layout
    effects = Effects(np.zeros((len(design.blades), 3)), np.zeros((len(design.cycles), EFFECTS)))
    known = shared is not None
    values = problem.mean.copy() if shared is None else shared.copy()
    told = run(values, effects, design, layout, design.start)
    rows = design.reading & ~design.bound
    if not rows.any():
        rows = design.reading
    if rows.any():
        off = design.y[rows] - np.log(np.maximum(told.exposure[rows], 1e-12))
        middle = 0.0 if known else float(np.median(off))
        values[layout.place["base"]] += middle
        effects.cycles[design.cycle[rows], 0] = np.clip(off - middle, -FARTHEST_START, FARTHEST_START)
    if not known:
        off = design.y - run(values, effects, design, layout, design.start).value
        for alloy in np.unique(design.alloy[design.energy]):
            rows = design.energy & (design.alloy == alloy)
            values[layout.place["level"].start + alloy] += np.median(off[rows])
    return State(values, effects, np.zeros(problem.lots.shape[0]), np.ones(len(design.cycles)))


def evidence(found: Found) -> float:
    """How likely the rows are by a fit, its effects taken together (Laplace), but for what all fits share."""
    problem, state, solved, spreads = found
    design = problem.design
    by_cycle, by_blade = _scales(spreads)
    widths = len(design.cycles) * float(np.sum(np.log(by_cycle))) + len(design.blades) * float(np.sum(np.log(by_blade)))
    stated = Spreads()
    held = sum(
        float(getattr(WEIGHT, name)) * (log(width) + 0.5 * (float(getattr(stated, name)) / width) ** 2)
        for name, width in asdict(spreads).items()
    )
    noise = 0.5 * NOISE_WEIGHT * float(np.sum(np.log(state.noise) + 1 / state.noise))
    return -float(
        found.weighed().loss + _penalty(problem, state, spreads) + widths + held + noise + 0.5 * solved.log_det
    )


def residuals(problem: Problem, state: State) -> Floats:
    """How far the rows lie from what they should tell."""
    design = problem.design
    return design.y - run(state.shared, state.effects, design, problem.layout, design.start).value


def weighed(problem: Problem, state: State, spreads: Spreads) -> Weighed:
    """How much each row counts at a state."""
    off = residuals(problem, state)
    variances = variances_of(problem.design, state.noise, spreads)
    return weigh(problem.design, off, problem.lots, state.offsets, variances, spreads)


def settled(problem: Problem, state: State, spreads: Spreads) -> State:
    """A state with the likeliest offsets of its lots."""
    off = residuals(problem, state)
    variances = variances_of(problem.design, state.noise, spreads)
    offsets = settle_lots(problem.design, off, problem.lots, state.offsets, variances, spreads)
    return state._replace(offsets=offsets)


def _penalty(problem: Problem, state: State, spreads: Spreads) -> float:
    by_cycle, by_blade = _scales(spreads)
    normal = np.sum(((state.shared - problem.mean) / problem.deviation) ** 2)
    normal += np.sum((state.effects.blades / by_blade) ** 2)
    return 0.5 * float(normal) + float(np.sum(heavy_loss(_own(problem, state), by_cycle)))


def _own(problem: Problem, state: State) -> Floats:
    """The effects of cycles beside those of their blades."""
    own = state.effects.cycles.copy()
    own[:, 0] -= state.effects.blades[problem.design.blade_of_cycle, 0]
    return own


def _scales(spreads: Spreads) -> tuple[Floats, Floats]:
    """Of the effects of cycles and of blades."""
    return own_scales(spreads), np.array([spreads.blade, spreads.edge, spreads.body])


def _spread(problem: Problem, state: State, solved: Solved, spreads: Spreads) -> tuple[Spreads, State]:
    """The spreads that effects and errors show, each drawn towards the stated one; the state with offsets and noise."""
    design = problem.design
    own, blades = _own(problem, state), state.effects.blades
    by_cycle, by_blade = _scales(spreads)
    cycle_weight = heavy(own, by_cycle)
    of_blades, blade_counts = usual(blades, solved.blade_variance, by_blade)
    spread_out = cycle_weight * own**2 + solved.cycle_variance
    state = settled(problem, state, spreads)
    told = weighed(problem, state, spreads)
    bench = design.benched & (design.blur == 0)
    plain_lot, _ = lot_sureness(state.offsets, spreads)
    lot = plain_lot * (state.offsets**2 + told.offset_variance)
    noise = noise_of(design, told, spreads)
    squares = {
        "cycle": cycle_weight[:, 0] * own[:, 0] ** 2 + solved.own_variance,
        "mount": spread_out[:, 1 : 1 + PLACES][places(design)],
        "course": spread_out[:, 1 + PLACES : 3 + PLACES][places(design).any(axis=1)],
        "rise": spread_out[:, 3 + PLACES][places(design).any(axis=1)],
        **dict(zip(OF_BLADES, of_blades.T, strict=True)),
        "bench": told.squares[bench],
        "row": told.squares[design.energy] / noise[design.cycle[design.energy]],
        "lot": lot,
    }
    counts = {name: float(found.size) for name, found in squares.items()} | {
        "row": float(np.sum(told.sure[design.energy])),
        "bench": float(np.sum(told.sure[bench])),
        "lot": float(np.sum(plain_lot)),
        **dict(zip(OF_BLADES, np.sum(blade_counts, axis=0), strict=True)),
    }
    stated = Spreads()

    def drawn(name: str) -> float:
        weight = float(getattr(WEIGHT, name))
        total = weight * getattr(stated, name) ** 2 + float(np.sum(squares[name]))
        found, before = sqrt(total / (weight + counts[name])), float(getattr(spreads, name))
        further = float((found / before) ** FASTER)
        return before * min(max(further, 1 / MOST_CHANGE), MOST_CHANGE)

    return Spreads(**{name: drawn(name) for name in squares}), state._replace(noise=noise)


def places(design: Design) -> NDArray[np.bool_]:
    """On which of its saws each cycle has energies, shape (c, places)."""
    found = np.zeros((len(design.cycles), PLACES), bool)
    found[design.cycle[design.energy], design.place[design.energy]] = True
    return found
