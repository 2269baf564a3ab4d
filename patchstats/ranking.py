"""Ranking: chances, ranks and pairs from shifts and the joint covariance of their errors. Knows no pumpkins.

Separate intervals cannot tell two levels apart whose errors go together, so all here works on the covariance of all
levels at once.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats
from statsmodels.stats.multitest import multipletests

from patchstats.remarks import ModelError

DRAWS = 20000


def chances(shift: pd.Series, covariance: pd.DataFrame) -> pd.DataFrame:
    """The chance that the level of a row is above that of a column: a square table, 0.5 on the diagonal.

    P(A > B) = Phi(d / sd(d)) for jointly normal errors; no draws needed.
    """
    v = covariance.to_numpy()
    spread = np.sqrt(np.maximum(np.diag(v)[:, None] + np.diag(v)[None, :] - 2 * v, 0.0))
    gap = shift.to_numpy()[:, None] - shift.to_numpy()[None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(spread > 0, gap / spread, np.where(gap == 0, 0.0, np.sign(gap) * np.inf))
    return pd.DataFrame(stats.norm.cdf(z), index=shift.index, columns=shift.index)


def ranks(shift: pd.Series, covariance: pd.DataFrame, *, top: int = 3, level: float = 0.9, draws: int = DRAWS,
          seed: int = 1) -> pd.DataFrame:
    """How sure the order is: rank (middle of the draws), low, high, first, top_<top>; the likeliest first.

    ``first`` and ``top_3`` are the shares of joint draws in which the level comes first, or among the first three;
    their simulation error is at most ``0.5 / sqrt(draws)``.
    """
    size = len(shift)
    v = covariance.to_numpy()
    # Levels whose errors go together exactly make the matrix singular: the root by eigenvalues takes that.
    values, vectors = np.linalg.eigh(v)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    rng = np.random.default_rng(seed)
    drawn = shift.to_numpy() + rng.standard_normal((draws, size)) @ root.T
    rank = np.empty(drawn.shape, dtype=np.int32)
    order = np.argsort(-drawn, axis=1, kind="stable")
    if len(np.unique(drawn[0])) < size:  # levels that nothing tells apart: who comes first is drawn by lot
        order = np.lexsort((rng.random(drawn.shape), -drawn), axis=1)
    np.put_along_axis(rank, order, np.arange(1, size + 1, dtype=np.int32)[None], 1)
    low, middle, high = np.quantile(rank, [0.5 - level / 2, 0.5, 0.5 + level / 2], axis=0, method="nearest")
    table = pd.DataFrame({"rank": middle, "low": low, "high": high, "first": (rank == 1).mean(axis=0),
                          f"top_{top}": (rank <= top).mean(axis=0)}, index=shift.index)
    return table.sort_values([f"top_{top}", "rank"], ascending=[False, True], kind="stable")


def pairs(shift: pd.Series, covariance: pd.DataFrame, *, method: str = "holm", level: float = 0.9) -> pd.DataFrame:
    """Every pair of levels: better, worse, difference, se, low, high, p, p_adjusted, told_apart.

    ``method`` as in :func:`adjust`. low and high are simultaneous by Bonferroni's inequality, which is the wider: a
    pair that Holm's steps tell apart may have an interval that still holds zero.
    """
    order = np.argsort(-shift.to_numpy(), kind="stable")
    first, second = np.triu_indices(len(order), 1)
    a, b = order[first], order[second]
    v = covariance.to_numpy()
    difference = shift.to_numpy()[a] - shift.to_numpy()[b]
    se = np.sqrt(np.maximum(v[a, a] + v[b, b] - 2 * v[a, b], 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        p = 2 * stats.norm.sf(np.where(se > 0, difference / se, 0.0))
    told, adjusted = adjust(p, method=method, level=level)
    wide = stats.norm.ppf(1 - (1 - level) / (2 * max(len(p), 1)))
    return pd.DataFrame({"better": shift.index[a], "worse": shift.index[b], "difference": difference, "se": se,
                         "low": difference - wide * se, "high": difference + wide * se, "p": p,
                         "p_adjusted": adjusted, "told_apart": told})


def adjust(p, *, method: str = "holm", level: float = 0.9) -> tuple[np.ndarray, np.ndarray]:
    """p-values adjusted for how many are asked at once: which are told apart at ``level``, and the adjusted values.

    ``method`` "holm" (no false difference at all, with chance ``level``; Holm 1979, Scand. J. Stat. 6:65-70) or
    "fdr_bh" (few false ones among those told; Benjamini and Hochberg 1995, JRSS B 57:289-300). By statsmodels.

    >>> adjust([0.01, 0.04, 0.03, 0.005])[1].round(4).tolist()
    [0.03, 0.06, 0.06, 0.02]
    """
    if method not in ("holm", "fdr_bh"):
        raise ModelError(f"The p-values are adjusted by 'holm' or 'fdr_bh', not {method!r}.")
    if len(p) == 0:
        return np.zeros(0, dtype=bool), np.zeros(0)
    told, adjusted, _, _ = multipletests(np.asarray(p, dtype=float), alpha=1 - level, method=method)
    return told, adjusted
