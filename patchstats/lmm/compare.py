"""Comparing models: likelihood ratio with its boundary, information criteria, shares of variance explained."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pandas as pd

from patchstats.lmm.chance import chi2_above
from patchstats.lmm.effects import _mean_variances, _residual_variances
from patchstats.lmm.parallel import each
from patchstats.lmm.refit import draw, for_workers, refit
from patchstats.lmm.result import MixedFit
from patchstats.remarks import ModelError

METHODS = ("chi-square", "bootstrap")


def compare(smaller: MixedFit, larger: MixedFit, *, method: str = "chi-square", draws: int = 500, seed: int = 1,
            workers: int = 1, progress: bool | None = None) -> pd.DataFrame:
    """Likelihood-ratio test of two nested fits of the same rows.

    One line for each model: n_parameters, loglik, aic, bic, and in the larger's line chi2, df, p. A variance tested
    against zero lies on the edge of what it may be, and the usual p is too large there: where the larger model is the
    smaller with one random column more, alone or correlated with its group's others, ``p_boundary`` is the even
    mixture of chi-square with df - 1 and df degrees of freedom (Self & Liang 1987, JASA 82:605; Stram & Lee 1994,
    Biometrics 50:1171).

    Both p rely on many levels of every group. ``method="bootstrap"`` does not: ``draws`` responses are drawn from the
    smaller model and both models fitted to each, and ``p_bootstrap = (1 + k) / (1 + draws)``, where k draws have a
    likelihood ratio at least as large as that of the data (Davison & Hinkley 1997, *Bootstrap Methods and their
    Application*, section 4.2, from memory). ``p_bootstrap_se`` is what the number of draws leaves open. The answer
    depends on ``seed``, not on the number of ``workers``.
    """
    if method not in METHODS:
        raise ModelError(f"method is one of {', '.join(METHODS)}, not {method!r}.")
    if smaller.n_rows != larger.n_rows or not _same_response(smaller, larger):
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
    chi2 = _ratio(smaller, larger)
    p = chi2_above(chi2, df)
    mixture = 0.5 * p + 0.5 * (chi2_above(chi2, df - 1) if df > 1 else float(chi2 == 0.0))
    table = pd.DataFrame({"n_parameters": [smaller.n_parameters, larger.n_parameters],
                          "loglik": [smaller.loglik, larger.loglik], "aic": [smaller.aic, larger.aic],
                          "bic": [smaller.bic, larger.bic], "chi2": [np.nan, chi2], "df": [np.nan, df],
                          "p": [np.nan, p],
                          "p_boundary": [np.nan, mixture if _adds_one_variance(smaller, larger) else np.nan]},
                         index=pd.Index(_names(smaller, larger), name="model"))
    if method == "bootstrap":
        both = (for_workers(smaller), for_workers(larger))
        children = np.random.SeedSequence(seed).spawn(draws)
        drawn = np.array(each(_drawn_ratio, [(*both, child) for child in children], workers, progress))
        share = (1.0 + float((drawn >= chi2).sum())) / (1.0 + draws)
        table["p_bootstrap"] = [np.nan, share]
        table["p_bootstrap_se"] = [np.nan, float(np.sqrt(share * (1.0 - share) / draws))]
    return table


def _names(*fits: MixedFit) -> list[str]:
    """The formulas, and the errors where they differ."""
    alike = len({fit.errors for fit in fits}) == 1
    return [fit.formula if alike else f"{fit.formula}, {fit.errors} errors" for fit in fits]


def _ratio(smaller: MixedFit, larger: MixedFit) -> float:
    """Twice the gain in log-likelihood, zero where the search's last digits would make it less."""
    return max(0.0, 2.0 * (larger.loglik - smaller.loglik))


def _drawn_ratio(smaller: MixedFit, larger: MixedFit, child: np.random.SeedSequence) -> float:
    """The likelihood ratio of both models for one response drawn from the smaller."""
    y = draw(smaller, np.random.default_rng(child))
    return _ratio(refit(smaller, y), refit(larger, y))


def _adds_one_variance(smaller: MixedFit, larger: MixedFit) -> bool:
    """Whether the larger model is the smaller with one random column more, and nothing else."""
    if smaller.errors != larger.errors or smaller.problem.n_fixed != larger.problem.n_fixed:
        return False
    few, many = Counter(_blocks(smaller)), Counter(_blocks(larger))
    gone, new = list((few - many).elements()), list((many - few).elements())
    if len(new) != 1 or len(gone) > 1:
        return False
    group, columns = new[0]
    before = gone[0] if gone else (group, frozenset())
    return before[0] == group and before[1] < columns and len(columns) == len(before[1]) + 1


def _blocks(fit: MixedFit) -> list[tuple[str, frozenset[str]]]:
    """Group and columns of every set of random columns that are correlated with one another."""
    return [(info.group, frozenset(block)) for info in fit.terms
            for block in ([[column] for column in info.columns] if info.part.diagonal else [info.columns])]


def _same_response(a: MixedFit, b: MixedFit) -> bool:
    """Whether two fits have one response; of fits fed in pieces, its sum of squares alone is left to tell."""
    if len(a.design.y) or len(b.design.y):
        return np.array_equal(a.design.y, b.design.y)
    return bool(np.isclose(_sum_of_squares(a), _sum_of_squares(b), rtol=1e-9))


def _sum_of_squares(fit: MixedFit) -> float:
    """``y'y`` from the sums: y is ``unit`` times the scaled response plus the scaled columns times a start."""
    scaling, total = fit.problem.scaling, fit.problem.criterion.moments.total
    weights = np.append(np.linalg.solve(scaling.fixed_map, scaling.start), scaling.unit)
    return float(weights @ total @ weights)


def _same_fixed(a: MixedFit, b: MixedFit) -> bool:
    """Whether two designs span the same space of fixed effects."""
    if len(a.design.y) == 0:  # fed in pieces: no rows to look at
        return a.design.formula.fixed == b.design.formula.fixed and a.design.names == b.design.names
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
