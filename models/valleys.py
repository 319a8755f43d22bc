"""Fits in other valleys: what is odd laid to a wrong reading and not to its blade, or the other way round.

A search that began without knowing which of the two is true ends in the nearer valley; the likelier one is kept.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

import numpy as np

from models.errors import WRONG_SPREAD
from models.joint import Effects
from models.maximising import FARTHEST_START, Found, evidence, maximised, residuals, settled, weighed
from models.scatter import scatter

SURE: Final = 0.5
"""A reading that is less surely right is doubted."""
MOST_DOUBTED: Final = 4
RISES: Final = tuple(0.1 * step for step in range(-6, 7))
STRANGE: Final = 3.0
LEAST_STRANGE: Final = 0.1
"""A blade's own rise of edge force is strange if so many times the usual one, and so large at least [log]."""
ALIKE: Final = 0.02
UNLIKE: Final = 0.25
"""Where the spread of blades' rises begins."""


def best(found: Found) -> Found:
    """The likeliest fit in reach of one."""
    found = max(found, _unlike(found), key=evidence)
    found = max((found, *_as_wrong(found)), key=evidence)
    for row in _doubted(found)[:MOST_DOUBTED]:
        found = max(found, _as_true(found, row), key=evidence)
    return found


def _unlike(found: Found) -> Found:
    """The fit from where the load of blades may rise each in its own way."""
    spreads = replace(found.spreads, edge=max(found.spreads.edge, UNLIKE))
    return maximised(found.problem, found.state, spreads)


def _doubted(found: Found) -> list[int]:
    """The rows of readings that are more likely wrong than right, the surer first."""
    sure = found.weighed().sure
    rows = np.flatnonzero(found.problem.design.benched & (sure < SURE))
    return sorted(rows.tolist(), key=lambda row: (-sure[row], row))


def _as_true(found: Found, row: int) -> Found:
    """The fit from where a doubted reading is met, and its blade has the rise of edge force that goes with it."""
    problem, state, spreads, design = found.problem, found.state, found.spreads, found.problem.design
    cycle = design.cycle[row]
    cycles = state.effects.cycles.copy()
    cycles[cycle, 0] += np.clip(residuals(problem, state)[row], -FARTHEST_START, FARTHEST_START)
    tried = []
    for rise in RISES:
        blades = state.effects.blades.copy()
        blades[design.blade_of_cycle[cycle], 1] = rise
        begun = settled(problem, state._replace(effects=Effects(blades, cycles)), spreads)
        tried.append((weighed(problem, begun, spreads).loss, abs(rise), begun))
    _, rise, begun = min(tried, key=lambda one: one[:2])
    return maximised(problem, begun, replace(spreads, edge=max(spreads.edge, rise)))


def _as_wrong(found: Found) -> Iterator[Found]:
    """The fit from where readings of blades of a strange rise are not believed, and these blades are like others."""
    problem, state, design = found.problem, found.state, found.problem.design
    rise = np.abs(state.effects.blades[:, 1])
    usual_rise = scatter(rise, 0.0)
    strange = rise > max(STRANGE * usual_rise, LEAST_STRANGE)
    if strange.any():
        rows = design.benched & strange[design.blade_of_cycle][design.cycle]
        blades = np.where(strange[:, None] & [False, True, False], 0.0, state.effects.blades)
        blurred = problem._replace(design=replace(design, blur=np.where(rows, WRONG_SPREAD, design.blur)))
        spreads = replace(found.spreads, edge=max(usual_rise, ALIKE))
        begun = maximised(blurred, state._replace(effects=state.effects._replace(blades=blades)), spreads)
        yield maximised(problem, begun.state, begun.spreads)
