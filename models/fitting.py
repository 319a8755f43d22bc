"""The joint fit: what maximises the penalised likelihood of ``joint``, and the spreads by expectation maximisation.

Gauss-Newton steps; the effects of cycles and blades are eliminated block by block (``nested``), so the cost grows with
the rows alone. Of a large shop some blades are fitted first, and all from where these end.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import astuple, replace
from math import sqrt
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.errors import (
    WEIGHT,
    Spreads,
    collect,
    heavy,
    heavy_loss,
    lot_sureness,
    noise_of,
    settle_lots,
    weigh,
    with_hard_lots,
    with_lots,
)
from models.evidence import EFFECTS, OF_ROWS, PLACES, Design, Names
from models.joint import BladeEffect, Effects, JointFit, Layout, expected, own_scales, predict, run
from models.nested import Blocks, Nest, Solved, Summing, eliminate

Floats = NDArray[np.float64]

SAMPLED: Final = 1000
"""Of more cycles than so many the fit begins with about that many."""
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
FIRST_ROW: Final = 0.04
"""Where the spread of energies begins: wide, so that no good start is thrown out as odd."""
LEAST_LEVEL_ROWS: Final = 5


class _State(NamedTuple):
    shared: Floats
    effects: Effects
    offsets: Floats
    noise: Floats


class _Problem(NamedTuple):
    """What stays the same through a fit."""

    design: Design
    layout: Layout
    mean: Floats
    deviation: Floats
    lots: Summing
    nest: Nest


def fit_joint(design: Design, names: Names, priors: Mapping[str, tuple[float | None, float]] | None = None) -> JointFit:
    """Fit the model. ``priors`` gives parameters of a kind another mean, if any, and another standard deviation."""
    layout = Layout(names)
    energies = design.y[design.energy]
    mean, deviation = layout.prior(names, float(np.median(energies)) if len(energies) else 0.0)
    for name, (value, spread) in (priors or {}).items():
        deviation[layout.place[name]] = spread
        if value is not None:
            mean[layout.place[name]] = value
    start, spreads = None, replace(Spreads(), row=FIRST_ROW)
    every = -(-len(design.cycles) // SAMPLED)
    if every > 1:
        problem = _problem_of(_some_blades(design, every), layout, mean, deviation)
        _, begun, _, spreads = _maximised(problem, _first(problem, None), spreads)
        start = begun.shared
    problem = _problem_of(design, layout, mean, deviation)
    problem, state, solved, spreads = _maximised(problem, _first(problem, start), spreads)
    return _fitted(problem, names, state, solved, spreads)


def _problem_of(design: Design, layout: Layout, mean: Floats, deviation: Floats) -> _Problem:
    lots = collect(design)
    of_lot = np.zeros(lots.shape[0], np.int64)
    of_lot[design.batch[design.batch >= 0]] = design.cycle[design.batch >= 0]
    nest = Nest.of(np.concatenate([design.cycle, of_lot]), design.blade_of_cycle, len(design.blades))
    return _Problem(design, layout, mean, deviation, lots, nest)


def _some_blades(design: Design, every: int) -> Design:
    """The evidence of each so many-th blade."""
    cycles = design.blade_of_cycle % every == 0
    rows = cycles[design.cycle]
    number = np.cumsum(cycles) - 1
    batch = np.cumsum(np.isin(np.arange(int(design.batch.max(initial=-1)) + 1), design.batch[rows])) - 1
    kept = {name: getattr(design, name)[rows] for name in OF_ROWS}
    cycle = number[design.cycle[rows]]
    return replace(
        design, **kept, cycle=cycle, first=np.searchsorted(cycle, np.arange(int(cycles.sum()))),
        cycles=tuple(key for key, chosen in zip(design.cycles, cycles, strict=True) if chosen),
        blades=design.blades[::every], blade_of_cycle=design.blade_of_cycle[cycles] // every,
        start=design.start[cycles], ended=design.ended[cycles],
        lot=np.append(batch, -1)[design.lot[rows]], batch=np.append(batch, -1)[design.batch[rows]],
    )  # fmt: skip


def _maximised(problem: _Problem, state: _State, spreads: Spreads) -> tuple[_Problem, _State, Solved, Spreads]:
    """The most likely state and spreads, and the equations there."""
    for _ in range(MOST_STEPS):
        solved, loss = _solve(problem, state, spreads)
        state, moved = _step(problem, state, solved, spreads, loss)
        settled, state = _settled(problem, state, solved, spreads)
        problem = problem._replace(design=with_hard_lots(problem.design, state.offsets, spreads))
        changed = max(
            abs(new - old) / (old + SMALL_SPREAD) for new, old in zip(astuple(settled), astuple(spreads), strict=True)
        )
        spreads = settled
        if moved < DONE and changed < SETTLED:
            break
    return problem, state, _solve(problem, state, spreads)[0], spreads


def _solve(problem: _Problem, state: _State, spreads: Spreads) -> tuple[Solved, float]:
    """The Gauss-Newton step at a state, rows, lots and priors in one system of equations; and the loss there."""
    design = problem.design
    predicted = predict(state.shared, state.effects, design, problem.layout, design.start)
    weighed = weigh(design, design.y - predicted.value, problem.lots, state.offsets, state.noise, spreads)
    blades = state.effects.blades
    cycle_off = _own(problem, state)
    by_cycle_spread, by_blade_spread = _scales(spreads)
    off, slopes = (
        with_lots(problem.lots, weighed.rows, part) for part in (design.y - predicted.value, predicted.slopes)
    )
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
    return eliminate(blocks, problem.nest), weighed.loss + _penalty(problem, state, spreads)


def _step(problem: _Problem, state: _State, solved: Solved, spreads: Spreads, before: float) -> tuple[_State, float]:
    """The step, halved until the penalised loss falls; and how far it went, but for a few odd cycles."""
    design, layout = problem.design, problem.layout
    longest = max(
        layout.longest(solved.shared),
        *(float(np.max(np.abs(part), initial=0.0)) for part in (solved.blades, solved.cycles)),
    )
    length = min(1.0, LONGEST_STEP / longest) if longest > 0 else 1.0
    most = float(np.quantile(np.abs(solved.cycles[:, 0]), MOST_CYCLES))
    moving = max(layout.longest(solved.shared), most)
    for _ in range(8):
        shared = state.shared + length * solved.shared
        layout.keep(shared)
        effects = Effects(state.effects.blades + length * solved.blades, state.effects.cycles + length * solved.cycles)
        off = design.y - expected(shared, effects, design, layout, design.start)
        offsets = weigh(design, off, problem.lots, state.offsets, state.noise, spreads).offsets
        new = _State(shared, effects, offsets, state.noise)
        loss = weigh(design, off, problem.lots, offsets, state.noise, spreads).loss + _penalty(problem, new, spreads)
        if loss <= before + 1e-9:
            return new, length * moving
        length /= 2
    return state, 0.0


def _first(problem: _Problem, shared: Floats | None) -> _State:
    """Where to begin.

    At the base rate and the factors of cycles at which the readings would be met, and at the levels of alloys at which
    half of their energies lie to either side; with ``shared`` at these values, and the factors alone.
    """
    design, layout = problem.design, problem.layout
    effects = Effects(np.zeros((len(design.blades), 3)), np.zeros((len(design.cycles), EFFECTS)))
    known = shared is not None
    values = problem.mean.copy() if shared is None else shared.copy()
    _, inner = run(values, effects, design, layout, design.start)
    rows = design.reading & ~design.bound
    if not rows.any():
        rows = design.reading
    if rows.any():
        off = design.y[rows] - np.log(np.maximum(inner.exposure[rows], 1e-12))
        middle = 0.0 if known else float(np.median(off))
        values[layout.place["base"]] += middle
        effects.cycles[design.cycle[rows], 0] = np.clip(off - middle, -FARTHEST_START, FARTHEST_START)
    if not known:
        off = design.y - expected(values, effects, design, layout, design.start)
        for alloy in np.unique(design.alloy[design.energy]):
            rows = design.energy & (design.alloy == alloy)
            values[layout.place["level"].start + alloy] += np.median(off[rows])
    return _State(values, effects, np.zeros(problem.lots.shape[0]), np.ones(len(design.cycles)))


def _penalty(problem: _Problem, state: _State, spreads: Spreads) -> float:
    by_cycle, by_blade = _scales(spreads)
    normal = np.sum(((state.shared - problem.mean) / problem.deviation) ** 2)
    normal += np.sum((state.effects.blades / by_blade) ** 2)
    return 0.5 * float(normal) + float(np.sum(heavy_loss(_own(problem, state), by_cycle)))


def _own(problem: _Problem, state: _State) -> Floats:
    """The effects of cycles beside those of their blades."""
    own = state.effects.cycles.copy()
    own[:, 0] -= state.effects.blades[problem.design.blade_of_cycle, 0]
    return own


def _scales(spreads: Spreads) -> tuple[Floats, Floats]:
    """Of the effects of cycles and of blades."""
    return own_scales(spreads), np.array([spreads.blade, spreads.edge, spreads.body])


def _settled(problem: _Problem, state: _State, solved: Solved, spreads: Spreads) -> tuple[Spreads, _State]:
    """The spreads that effects and errors show, each drawn towards the stated one; the state with offsets and noise."""
    design = problem.design
    own, blades = _own(problem, state), state.effects.blades
    by_cycle, _ = _scales(spreads)
    cycle_weight = heavy(own, by_cycle)
    spread_out = cycle_weight * own**2 + solved.cycle_variance
    value = expected(state.shared, state.effects, design, problem.layout, design.start)
    off = design.y - value
    state = state._replace(offsets=settle_lots(design, off, problem.lots, state.offsets, state.noise, spreads))
    weighed = weigh(design, off, problem.lots, state.offsets, state.noise, spreads)
    bench = design.reading & ~design.bound & ~design.dull & (design.blur == 0)
    plain_lot, _ = lot_sureness(state.offsets, spreads)
    lot = plain_lot * (state.offsets**2 + weighed.offset_variance)
    noise = noise_of(design, weighed, spreads)
    squares = {
        "cycle": cycle_weight[:, 0] * own[:, 0] ** 2 + solved.own_variance,
        "mount": spread_out[:, 1 : 1 + PLACES][_places(design)],
        "course": spread_out[:, 1 + PLACES :][_places(design).any(axis=1)],
        "blade": blades[:, 0] ** 2 + solved.blade_variance[:, 0],
        "edge": blades[:, 1] ** 2 + solved.blade_variance[:, 1],
        "body": blades[:, 2] ** 2 + solved.blade_variance[:, 2],
        "bench": weighed.squares[bench],
        "row": weighed.squares[design.energy] / noise[design.cycle[design.energy]],
        "lot": lot,
    }
    counts = {name: float(found.size) for name, found in squares.items()} | {
        "row": float(np.sum(weighed.sure[design.energy])),
        "bench": float(np.sum(weighed.sure[bench])),
        "lot": float(np.sum(plain_lot)),
    }
    stated = Spreads()

    def drawn(name: str) -> float:
        weight = float(getattr(WEIGHT, name))
        total = weight * getattr(stated, name) ** 2 + float(np.sum(squares[name]))
        found, before = sqrt(total / (weight + counts[name])), float(getattr(spreads, name))
        further = float((found / before) ** FASTER)
        return before * min(max(further, 1 / MOST_CHANGE), MOST_CHANGE)

    return Spreads(**{name: drawn(name) for name in squares}), state._replace(noise=noise)


def _levels(
    problem: _Problem, names: Names, state: _State, spreads: Spreads
) -> Iterator[tuple[str, tuple[float, float]]]:
    """The level of the newest cycle by each gauge, where it was seen often enough."""
    design = problem.design
    value = expected(state.shared, state.effects, design, problem.layout, design.start)
    weights = weigh(design, design.y - value, problem.lots, state.offsets, state.noise, spreads).rows
    for number, gauge in enumerate(names.gauges):
        rows = np.flatnonzero(design.energy & (design.gauge == number))
        if not len(rows):
            continue
        newest = max(design.cycle[rows], key=lambda cycle: (design.ended[cycle], cycle))
        rows = rows[design.cycle[rows] == newest]
        place = design.place[rows[-1]]
        rows = rows[design.place[rows] == place]
        if len(rows) >= LEAST_LEVEL_ROWS:
            level = float(state.effects.cycles[newest, 1 + place])
            yield gauge, (level, sqrt(1 / float(np.sum(weights[rows]))))


def _places(design: Design) -> NDArray[np.bool_]:
    """By which of its gauges each cycle has energies, shape (c, places)."""
    found = np.zeros((len(design.cycles), PLACES), bool)
    found[design.cycle[design.energy], design.place[design.energy]] = True
    return found


def _fitted(problem: _Problem, names: Names, state: _State, solved: Solved, spreads: Spreads) -> JointFit:
    design = problem.design
    told = {int(c) for c in design.cycle[design.reading & ~design.bound]}
    bounds = {int(c) for c in design.cycle[design.bound]} - told
    return JointFit(
        names=names,
        shared=tuple(float(v) for v in state.shared),
        covariance=_rows(solved.shared_covariance),
        spreads=spreads,
        blades={
            blade: BladeEffect(
                tuple(float(v) for v in state.effects.blades[place]),
                _rows(solved.blade_covariance[place]),
                _rows(solved.blade_by_shared[place]),
            )
            for place, blade in enumerate(design.blades)
        },
        bounds=len(bounds),
        energies=int(design.energy.sum()),
        levels=dict(_levels(problem, names, state, spreads)),
    )


def _rows(matrix: Floats) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(float(v) for v in row) for row in matrix)
