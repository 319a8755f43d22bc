"""The joint fit of the cycles of a blade type.

Of a large shop some blades are fitted first, and all from where these end (``maximising``); of others the valleys
beside are looked into (``valleys``).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from math import sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.errors import Spreads
from models.evidence import OF_ROWS, Design, Names
from models.joint import BladeEffect, JointFit, Layout
from models.maximising import Found, first, maximised, problem_of
from models.valleys import best

Floats = NDArray[np.float64]

SAMPLED: Final = 1000
"""Of more cycles than so many the fit begins with about that many."""
FIRST_ROW: Final = 0.04
"""Where the spread of energies begins: wide, so that no good start is thrown out as odd."""
LEAST_LEVEL_ROWS: Final = 5


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
        problem = problem_of(_some_blades(design, every), layout, mean, deviation)
        begun = maximised(problem, first(problem, None), spreads)
        start, spreads = begun.state.shared, begun.spreads
    problem = problem_of(design, layout, mean, deviation)
    found = maximised(problem, first(problem, start), spreads)
    return _fitted(best(found) if every == 1 else found, names)


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


def _levels(found: Found, names: Names) -> Iterator[tuple[str, tuple[float, float]]]:
    """The level of the newest cycle on each saw, where it was seen often enough."""
    design, weights = found.problem.design, found.weighed().rows
    for number, saw in enumerate(names.saws):
        rows = np.flatnonzero(design.energy & (design.saw == number))
        if not len(rows):
            continue
        newest = max(design.cycle[rows], key=lambda cycle: (design.ended[cycle], cycle))
        rows = rows[design.cycle[rows] == newest]
        place = design.place[rows[-1]]
        rows = rows[design.place[rows] == place]
        if len(rows) >= LEAST_LEVEL_ROWS:
            level = float(found.state.effects.cycles[newest, 1 + place])
            yield saw, (level, sqrt(1 / float(np.sum(weights[rows]))))


def _fitted(found: Found, names: Names) -> JointFit:
    problem, state, solved, spreads = found
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
        cycles=len(told) or len(design.cycles),
        bounds=len(bounds),
        energies=int(design.energy.sum()),
        levels=dict(_levels(found, names)),
    )


def _rows(matrix: Floats) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(float(v) for v in row) for row in matrix)
