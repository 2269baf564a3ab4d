"""Laws of a mixed-model fit: what may be done to the data without changing what they say."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from patchstats.lmm import ar1, fit_mixed

_FORMULA = "y ~ x + (1 + x | fruit) + (1 | grower) + (1 | season)"
_QUIET = settings(max_examples=12, deadline=None, derandomize=True)


def _table(seed, n=120):
    rng = np.random.default_rng(seed)
    fruit = rng.integers(0, 15, n)
    data = pd.DataFrame({"fruit": fruit, "grower": fruit % 4, "season": rng.integers(0, 3, n), "x": rng.normal(size=n)})
    data["y"] = (3.0 + data["x"] * (1.0 + 0.5 * rng.normal(size=15)[fruit]) + rng.normal(size=15)[fruit]
                 + 0.7 * rng.normal(size=4)[fruit % 4] + rng.normal(size=n))
    return data


def _same(a, b, scale=1.0):
    columns = ["estimate", "se"]
    np.testing.assert_allclose(b.coef[columns], scale * a.coef[columns], rtol=1e-6, atol=1e-7 * scale)
    np.testing.assert_allclose(b.variances["sd"], scale * a.variances["sd"], rtol=1e-5, atol=1e-6 * scale)


@_QUIET
@given(st.integers(0, 10_000))
def test_row_order_and_labels_mean_nothing(seed):
    data = _table(seed)
    fit = fit_mixed(_FORMULA, data)
    shuffled = data.sample(frac=1.0, random_state=seed)
    renamed = shuffled.assign(fruit="f" + (997 - shuffled["fruit"]).astype(str), grower=-shuffled["grower"])
    again = fit_mixed(_FORMULA, renamed)
    assert again.criterion == pytest.approx(fit.criterion, rel=1e-9)
    _same(fit, again)


@_QUIET
@given(st.integers(0, 10_000), st.sampled_from([1e-3, 1e3, 0.45359237]))
def test_the_unit_of_the_response_changes_no_verdict(seed, scale):
    data = _table(seed)
    fit, again = fit_mixed(_FORMULA, data), fit_mixed(_FORMULA, data.assign(y=scale * data["y"]))
    _same(fit, again, scale)
    np.testing.assert_allclose(again.coef["t"], fit.coef["t"], rtol=1e-6)
    np.testing.assert_allclose(again.coef["df"], fit.coef["df"], rtol=1e-3)
    assert list(again.check()["doubt"]) == list(fit.check()["doubt"])
    assert list(again.check()["about"]) == list(fit.check()["about"])


@_QUIET
@given(st.integers(0, 10_000), st.floats(-1e5, 1e5))
def test_a_constant_moves_the_intercept_alone(seed, constant):
    data = _table(seed)
    fit, again = fit_mixed(_FORMULA, data), fit_mixed(_FORMULA, data.assign(y=data["y"] + constant))
    assert again.criterion == pytest.approx(fit.criterion, rel=1e-8)
    np.testing.assert_allclose(again.fixed - fit.fixed, [constant, 0.0], rtol=1e-9, atol=1e-6)


@_QUIET
@given(st.integers(0, 10_000))
def test_splitting_a_weighted_row_into_its_copies_changes_no_effect(seed):
    # A row of weight two and two rows of weight one at its value tell the same of the effects, given the variances.
    data = _table(seed)
    weight = np.random.default_rng(seed).integers(1, 4, len(data))
    whole = fit_mixed("y ~ x + (1 | fruit)", data.assign(w=weight.astype(float)), weights="w")
    split = fit_mixed("y ~ x + (1 | fruit)", data.loc[data.index.repeat(weight)])
    theta = whole.optimum.theta * whole.terms[0].transform[0, 0] / split.terms[0].transform[0, 0]
    point = split.problem.evaluate(theta)
    scaling = split.problem.scaling
    beta = scaling.start + scaling.unit * scaling.fixed_map @ point.beta
    np.testing.assert_allclose(beta, whole.fixed, rtol=1e-8)


@_QUIET
@given(st.integers(0, 10_000), st.floats(-50.0, 50.0), st.floats(0.1, 30.0))
def test_moving_and_stretching_a_slope_variable_keeps_the_fit(seed, move, stretch):
    data = _table(seed)
    fit = fit_mixed(_FORMULA, data)
    again = fit_mixed(_FORMULA, data.assign(x=move + stretch * data["x"]))
    # only the Jacobian of the fixed part enters the restricted likelihood
    assert again.criterion - 2.0 * np.log(stretch) == pytest.approx(fit.criterion, rel=1e-8)
    np.testing.assert_allclose(again.residuals["conditional"], fit.residuals["conditional"], rtol=1e-4, atol=1e-5)


@_QUIET
@given(st.integers(0, 10_000))
def test_ar1_is_blind_to_the_origin_of_time(seed):
    data = _table(seed).assign(day=lambda t: t.groupby("fruit").cumcount() * 2 + t["fruit"] % 3)
    fit = fit_mixed("y ~ x + (1 | grower)", data, errors=ar1("fruit", "day"))
    again = fit_mixed("y ~ x + (1 | grower)", data.assign(day=data["day"] + 1000), errors=ar1("fruit", "day"))
    assert again.criterion == pytest.approx(fit.criterion, rel=1e-10)
