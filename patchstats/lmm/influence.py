"""What one level of a group, or one row, does to the answer."""

from __future__ import annotations

import numpy as np
import pandas as pd

from patchstats.lmm.fit import find_optimum
from patchstats.lmm.parallel import each
from patchstats.lmm.refit import for_workers, problem_of, rows_of
from patchstats.lmm.result import MixedFit
from patchstats.remarks import ModelError


def influence(fit: MixedFit, group: str, *, workers: int = 1, progress: bool | None = None) -> pd.DataFrame:
    """Leave out one level of ``group`` after the other and fit again, starting from the whole fit's answer.

    One line a level: n_rows; ``cook``, the squared move of the fixed effects in units of their covariance, divided by
    their number (Cook 1977, Technometrics 19:15); ``largest`` and ``moved_se``, the fixed effect that moves most and
    its move in standard errors; ``sigma``; and one column a fixed effect, its estimate without the level.
    """
    number = fit.terms_of(group)[0]
    random = fit.design.random[number]
    slim = for_workers(fit)
    rows = each(_without, [(slim, number, level) for level in range(len(random.labels))], workers, progress)
    beta = np.array([row[0] for row in rows])
    moved = beta - fit.fixed.to_numpy()
    covariance = fit.fixed_covariance.to_numpy()
    in_se = moved / np.sqrt(np.diag(covariance))
    place = np.abs(in_se).argmax(axis=1)
    table = pd.DataFrame({
        "n_rows": np.bincount(random.codes, minlength=len(random.labels)),
        "cook": np.einsum("ij,jk,ik->i", moved, np.linalg.inv(covariance), moved) / moved.shape[1],
        "largest": np.asarray(fit.design.names, dtype=object)[place],
        "moved_se": in_se[np.arange(len(place)), place],
        "sigma": [row[1] for row in rows]}, index=pd.Index(random.labels, name=group))
    return pd.concat([table, pd.DataFrame(beta, index=table.index, columns=list(fit.design.names))], axis=1)


def _without(fit: MixedFit, number: int, level: int) -> tuple[np.ndarray, float]:
    """Fixed effects and residual sd without one level; a fixed effect that needs the level is missing (NaN)."""
    keep = fit.design.random[number].codes != level
    rows = rows_of(fit, keep=keep)
    beta = np.full(len(fit.design.names), np.nan)
    if np.linalg.matrix_rank(rows.fixed[:, :-1]) < len(beta):
        return beta, np.nan
    problem = problem_of(fit, rows)
    scaling = problem.scaling
    optimum = find_optimum(problem, rows, fit.design.x[keep] @ scaling.start, fit.optimum)
    beta = scaling.start + scaling.unit * scaling.fixed_map @ optimum.point.beta
    if problem.fixed_scale:
        return beta, float(abs(optimum.theta[-1]) * scaling.unit)
    return beta, float(np.sqrt(optimum.point.sigma2) * scaling.unit)


def leverage(fit: MixedFit) -> pd.Series:
    """Each row's pull on its own fitted value, variances taken as known; they sum to the effective parameters."""
    if fit.errors != "independent":
        raise ModelError("The leverage of single rows is worked out for independent errors.")
    error = fit.predict()["se"].to_numpy() ** 2
    weight = np.ones(fit.n_rows) if fit.weight is None else fit.weight
    return pd.Series(error * weight / fit.sigma ** 2, index=fit.design.index, name="leverage")
