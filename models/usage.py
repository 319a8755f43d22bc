"""What wear goes with: area by alloy, the teeth's way in metal, plain area, or plain cuts. Chosen by cross-validation.

Each candidate is a regression of the wear that was measured at the ends of cycles (e for the cycle) ::

    log w_e = log Σ exp(base + ratio_alloy) · usage_alloy + error

with the ratios shrunk towards the stated ones, and none for the plain rules. Its score is the error of each cycle by
the fit to all others (leave-one-out; for a linear fit exactly r/(1 - h), Allen 1974, here at the last Gauss-Newton
step). Area by alloy stands unless another's squared errors are smaller by more than their standard error (the
one-standard-error rule of Breiman et al. 1984; both from memory); three of them for a plain rule. Errors beyond 2.5
plain ones count as such: a cycle whose record is wrong must not choose.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.evidence import BY_ALLOY, PLAIN, USAGES, CycleEvidence, Names, names_of, usage_of
from models.scatter import scatter

Floats = NDArray[np.float64]

LEAST: Final = 9
"""So many measured ends are needed to choose; before, wear goes with area by alloy."""
LEAST_GAIN: Final = 0.05
"""A candidate that is better by a smaller share of the squared error is no better."""
SURE_PLAIN: Final = 3.0
"""A plain rule, to which all alloys are alike, must win by so many standard errors: alloys are known to differ."""
FARTHEST: Final = 2.5
"""Errors beyond so many plain ones count as that many: a cycle whose record is wrong must not choose."""
RATIO_SPREAD: Final = 0.5
FIRST_ERROR: Final = 0.28
STEPS: Final = 8


class Choice(NamedTuple):
    """The usage that foretells best; ``errors`` are root mean squares of leave-one-out errors [log] by candidate."""

    usage: str
    errors: Mapping[str, float]
    cycles: int


def choose(cycles: Sequence[CycleEvidence], ratios: Mapping[str, float]) -> Choice:
    """Choose by the cycles whose end was measured."""
    ends = [(cycle, worn) for cycle in cycles if (worn := end_of(cycle)) is not None and cycle.start == 0]
    ends = [(cycle, worn) for cycle, worn in ends if sum(work.area_m2 for work in cycle.works) > 0]
    if len(ends) < LEAST:
        return Choice(BY_ALLOY, {}, len(ends))
    off = {usage: _left_out(ends, names_of(cycles, ratios, usage)) for usage in USAGES}
    squares = {usage: _bounded(values) for usage, values in off.items()}
    best = BY_ALLOY
    for usage in USAGES:
        gain = squares[BY_ALLOY] - squares[usage]
        sure = (SURE_PLAIN if usage in PLAIN else 1.0) * float(np.std(gain, ddof=1)) / len(ends) ** 0.5
        clear = float(np.mean(gain)) > max(sure, LEAST_GAIN * float(np.mean(squares[BY_ALLOY])))
        if clear and np.sum(squares[usage]) < np.sum(squares[best]):
            best = usage
    return Choice(best, {usage: float(np.sqrt(np.mean(values**2))) for usage, values in off.items()}, len(ends))


def _bounded(off: Floats) -> Floats:
    """Squared errors, none further off than ``FARTHEST`` plain ones."""
    return np.asarray(np.minimum(np.abs(off), FARTHEST * scatter(off, 0.0)) ** 2)


def end_of(cycle: CycleEvidence) -> float | None:
    """The wear that was measured after the last cut of a cycle."""
    return max((r.wear for r in cycle.readings if r.kind == "measured" and r.area_m2 is None), default=None)


def _left_out(ends: Sequence[tuple[CycleEvidence, float]], names: Names) -> Floats:
    """The error of each end by a fit to the others, shape (n,)."""
    used = np.zeros((len(ends), len(names.alloys)))
    for row, (cycle, _) in enumerate(ends):
        for work in cycle.works:
            used[row, names.alloys.index(work.alloy)] += usage_of(work, names)
    wear = np.log([worn for _, worn in ends])
    stated = np.array(names.log_ratio)
    plain = names.plain
    values = np.append(np.median(wear - np.log(used @ np.exp(stated))), stated)
    error = FIRST_ERROR
    for _ in range(STEPS):
        terms = used * np.exp(values[1:])
        total = np.sum(terms, axis=1)
        slopes = np.ones((len(ends), 1)) if plain else np.column_stack([np.ones(len(ends)), terms / total[:, None]])
        prior = np.zeros(slopes.shape[1])
        prior[1:] = (error / RATIO_SPREAD) ** 2
        normal = slopes.T @ slopes + np.diag(prior)
        off = wear - values[0] - np.log(total)
        gap = np.append(0.0, stated - values[1:])[: slopes.shape[1]]
        values[: slopes.shape[1]] += np.linalg.solve(normal, slopes.T @ off + prior * gap)
        error = max(float(np.sqrt(np.mean(off**2))), 0.05)
    leverage = np.einsum("np,pq,nq->n", slopes, np.linalg.inv(normal), slopes)
    off = wear - values[0] - np.log(used @ np.exp(values[1:]))
    return np.asarray(off / np.maximum(1 - leverage, 0.05))
