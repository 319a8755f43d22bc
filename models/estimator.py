"""The joint fit behind scikit-learn's interface, so that its tools for validation work on it.

A sample is a grind cycle (``CycleEvidence``); the target is its wear at the end in shares of the limit, taken from its
bench readings. Prediction leaves those readings out and says what areas and load tell. Split by blade
(``GroupKFold(...).split(cycles, groups=groups_of(cycles))``): cycles of one blade are not independent.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray
from sklearn.base import BaseEstimator, RegressorMixin

from models.evidence import BY_ALLOY, CycleEvidence, design_of, names_of
from models.fitting import fit_joint
from models.joint import JointFit
from models.running import standing

Floats = NDArray[np.float64]


class WearModel(RegressorMixin, BaseEstimator):  # type: ignore[misc]
    """Wear by area (or the teeth's way) and load, learnt from ended cycles.

    ``usage``: what wear goes with, one of ``evidence.USAGES``. ``ratios``: stated wear ratios of alloys,
    1 where none is given. ``fit_`` is the ``JointFit``.
    """

    fit_: JointFit

    def __init__(self, usage: str = BY_ALLOY, ratios: Mapping[str, float] | None = None) -> None:
        self.usage = usage
        self.ratios = ratios

    def fit(self, X: Sequence[CycleEvidence], y: Any = None) -> Self:  # noqa: ARG002, N803
        """Fit to ended cycles; ``y`` is ignored, the readings stand in the evidence."""
        ratios = self.ratios or {}
        names = names_of(X, ratios, self.usage)
        self.fit_ = fit_joint(design_of(X, names), names)
        return self

    def predict(self, X: Sequence[CycleEvidence]) -> Floats:  # noqa: N803
        """Wear at the end of each cycle [limits], most likely by its areas and load, its readings unknown."""
        ratios = self.ratios or {}
        blind = [replace(cycle, readings=()) for cycle in X]
        return np.array([float(np.median(standing(self.fit_, cycle, ratios).wear)) for cycle in blind])


def groups_of(cycles: Sequence[CycleEvidence]) -> list[str]:
    """The blade of each cycle."""
    return [cycle.blade for cycle in cycles]


def target_of(cycles: Sequence[CycleEvidence]) -> Floats:
    """The wear that was measured at the end of each cycle [limits]; NaN where none was."""
    found = []
    for cycle in cycles:
        measured = [reading.wear for reading in cycle.readings if reading.kind == "measured"]
        found.append(max(measured, default=float("nan")))
    return np.array(found)
