"""The joint fit as an estimator of scikit-learn, with its own tools upon it."""

from __future__ import annotations

import numpy as np
from sklearn.base import clone
from sklearn.model_selection import GroupKFold, cross_val_predict
from sklearn.utils.estimator_checks import (
    check_get_params_invariance,
    check_no_attributes_set_in_init,
    check_parameters_default_constructible,
    check_set_params,
)
from test_joint import STATED, cycles

from models.estimator import WearModel, groups_of, target_of


def test_it_keeps_the_rules_of_the_interface() -> None:
    """Those of scikit-learn's checks that do not ask for a table of numbers: a sample here is a cycle."""
    model = WearModel(usage="travel", ratios=STATED)
    for check in (check_get_params_invariance, check_no_attributes_set_in_init, check_set_params):
        check("WearModel", model)
    check_parameters_default_constructible("WearModel", WearModel())
    assert clone(model).get_params() == model.get_params()


def test_blades_that_were_left_out_are_told_by_area_and_load() -> None:
    """Every blade left out in turn: wear at the end within four per cent in the middle, by area alone within twenty."""
    found = {}
    for load in (True, False):
        told = [made.evidence for made in cycles(36, 21, load=load)]
        data = np.empty(len(told), object)
        data[:] = told
        said = cross_val_predict(WearModel(ratios=STATED), data, groups=groups_of(told), cv=GroupKFold(4))
        found[load] = float(np.median(np.abs(said / target_of(told) - 1)))
    assert found[True] < 0.05
    assert found[True] < 0.5 * found[False] < 0.2


def test_a_model_that_was_fitted_predicts_the_same_again() -> None:
    """No dice."""
    told = [made.evidence for made in cycles(15, 22)]
    model = WearModel(ratios=STATED).fit(told)
    assert list(model.predict(told[:3])) == list(WearModel(ratios=STATED).fit(told).predict(told[:3]))
