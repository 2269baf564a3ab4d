"""Comparing models: likelihood ratio with its boundary, information criteria, shares of variance explained."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from patchstats.lmm.effects import _mean_variances, _residual_variances
from patchstats.lmm.result import MixedFit
from patchstats.remarks import ModelError


def compare(smaller: MixedFit, larger: MixedFit) -> pd.DataFrame:
    """Likelihood-ratio test of two nested fits of the same rows.

    One line for each model: n_parameters, loglik, aic, bic, and in the larger's line chi2, df, p. A variance tested
    against zero lies on the edge of what it may be, and the usual p is too large there: where the larger model adds one
    variance to a group (with or without its correlations), ``p_boundary`` is the even mixture of chi-square with k - 1
    and k degrees of freedom (Self & Liang 1987, JASA 82:605; Stram & Lee 1994, Biometrics 50:1171).
    """
    if smaller.n_rows != larger.n_rows or not np.array_equal(smaller.design.y, larger.design.y):
        raise ModelError("The two fits are of different rows or responses; a comparison needs the same.")
    if smaller.method != larger.method:
        raise ModelError(f"One fit is by {smaller.method}, the other by {larger.method}; fit both the same way.")
    if smaller.method == "REML" and not _same_fixed(smaller, larger):
        raise ModelError("Fits by REML with different fixed effects have likelihoods of different data and cannot be "
                         'compared; fit both with method="ML".')
    if smaller.n_parameters > larger.n_parameters:
        smaller, larger = larger, smaller
    df = larger.n_parameters - smaller.n_parameters
    if df == 0:
        raise ModelError("Both fits have the same number of parameters: neither is a part of the other. Compare aic.")
    chi2 = max(0.0, 2.0 * (larger.loglik - smaller.loglik))
    p = float(stats.chi2.sf(chi2, df))
    new_variances = _variances(larger) - _variances(smaller)
    on_edge = new_variances == 1 and larger.problem.n_fixed == smaller.problem.n_fixed
    mixture = 0.5 * float(stats.chi2.sf(chi2, df)) + 0.5 * (float(stats.chi2.sf(chi2, df - 1)) if df > 1
                                                            else float(chi2 == 0.0))
    return pd.DataFrame({"n_parameters": [smaller.n_parameters, larger.n_parameters],
                         "loglik": [smaller.loglik, larger.loglik], "aic": [smaller.aic, larger.aic],
                         "bic": [smaller.bic, larger.bic], "chi2": [np.nan, chi2], "df": [np.nan, df],
                         "p": [np.nan, p], "p_boundary": [np.nan, mixture if on_edge else np.nan]},
                        index=pd.Index([smaller.formula, larger.formula], name="model"))


def _variances(fit: MixedFit) -> int:
    return sum(len(info.columns) for info in fit.terms)


def _same_fixed(a: MixedFit, b: MixedFit) -> bool:
    """Whether two designs span the same space of fixed effects."""
    if a.design.x.shape != b.design.x.shape:
        return False
    qa = a.design.x @ a.problem.scaling.fixed_map / np.sqrt(a.n_rows)
    qb = b.design.x @ b.problem.scaling.fixed_map / np.sqrt(b.n_rows)
    overlap = np.linalg.svd(qa.T @ qb, compute_uv=False)
    return bool(overlap.size == 0 or overlap.min() > 1.0 - 1e-8)


def r_squared(fit: MixedFit) -> pd.Series:
    """Marginal and conditional R-squared (Nakagawa & Schielzeth 2013, Methods in Ecology and Evolution 4:133).

    Terms with slopes count with their mean variance over the rows (Johnson 2014, ibid. 5:944). ``marginal`` is the
    share of the fixed part, ``conditional`` that of fixed and random part together.
    """
    fixed = float(np.var(fit.design.x @ fit.fixed.to_numpy(), ddof=1))
    random = float(sum(_mean_variances(fit)))
    residual = float(sum(_residual_variances(fit, fit.optimum.theta, fit.optimum.point.sigma2).values()))
    whole = fixed + random + residual
    return pd.Series({"marginal": fixed / whole, "conditional": (fixed + random) / whole}, name="r_squared")


def effective_parameters(fit: MixedFit) -> float:
    """Trace of the matrix that turns y into fitted values, variances taken as known (Hodges & Sargent 2001)."""
    system = fit.system
    n_effects, n_fixed = system.lam.shape[0], fit.problem.n_fixed
    if n_effects == 0:
        return float(n_fixed)
    # trace of the inverse of the mixed-model equations' u-block
    inverse = 0.0
    for start in range(0, n_effects, 512):
        stop = min(start + 512, n_effects)
        unit = np.zeros((n_effects, stop - start))
        unit[range(start, stop), range(stop - start)] = 1.0
        inverse += float(np.trace(system.solve(unit)[start:stop]))
    inverse += float(np.einsum("ij,jk,ik->", system.solved_couple, system.inner_inverse, system.solved_couple))
    return n_effects + n_fixed - inverse


def conditional_aic(fit: MixedFit) -> float:
    """Akaike's criterion for predicting the same levels again (Vaida & Blanchard 2005, Biometrika 92:351).

    ``-2 log f(y | b) + 2 (rho + 1)`` with rho the effective number of parameters and the residual variance estimated;
    independent errors only.
    """
    if fit.errors != "independent":
        raise ModelError("The conditional AIC is worked out for independent errors.")
    residual = fit.residuals["conditional"].to_numpy()
    weight = np.ones(fit.n_rows) if fit.weight is None else fit.weight
    deviance = float((weight * residual ** 2).sum()) / fit.sigma ** 2
    log_norm = fit.n_rows * np.log(2.0 * np.pi * fit.sigma ** 2) - float(np.log(weight).sum())
    return deviance + log_norm + 2.0 * (effective_parameters(fit) + 1.0)
