"""Fair comparison: who did well for the conditions they had, and how sure the order is.

A plain average says who won. Here a grower, a patch in a season or an entry is compared with what plant size, set
date, soil, age (and, for entries, the season and the patch) lead one to expect. Shifts are shrunken towards the
middle by what their own data can carry, so that a member with one lucky fruit is not first by luck.

Chances and ranks come from joint draws of all levels, with the covariance of their errors; separate intervals
cannot tell two growers apart who share seasons and seed lines.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats
from statsmodels.stats.multitest import multipletests

from patchstats.lmm import MixedFit
from patchstats.lmm.joint import joint_shifts
from patchstats.remarks import ModelError

DRAWS = 20000

# Whose shifts make up the comparison: an entry's own skill is its grower's, its seed line's and its own.
COMPARED = {
    "grower": ("grower",),
    "patch_season": ("patch_season",),
    "season": ("season",),
    "seed": ("seed",),
    "fruit": ("fruit", "grower", "seed"),
}


def shifts(fit: MixedFit, group: str, *, rows: pd.DataFrame | None = None, parts: Sequence[str] | None = None,
           level: float = 0.9) -> pd.DataFrame:
    """Each level of ``group`` against what its conditions lead one to expect.

    ``rows``: the gains fitted to (with the group columns), needed for an entry, whose shift adds up several parts.
    Index: the level; columns shift, se, low, high [response unit], ``raw`` (before shrinkage: the mean of what the
    model's fixed part leaves, which the group's other shifts still colour) and n_rows. Best first.
    """
    shift, covariance = _joint(fit, group, rows, parts)
    se = np.sqrt(np.diag(covariance))
    z = stats.norm.ppf(0.5 + level / 2)
    table = pd.DataFrame({"shift": shift, "se": se, "low": shift - z * se, "high": shift + z * se})
    left = fit.residuals["marginal"]
    codes = _labels_of_rows(fit, group)
    by = left.groupby(codes)
    table["raw"] = by.mean().reindex(table.index)
    table["n_rows"] = by.size().reindex(table.index).fillna(0).astype("int64")
    return table.sort_values("shift", ascending=False, kind="stable")


def chance_better(fit: MixedFit, group: str, *, rows: pd.DataFrame | None = None,
                  parts: Sequence[str] | None = None) -> pd.DataFrame:
    """The chance that the level of a row is better than that of a column: a square table, 0.5 on the diagonal.

    From the joint normal distribution of the prediction errors, P(A > B) = Phi(d / sd(d)); no draws needed.
    """
    shift, covariance = _joint(fit, group, rows, parts)
    v = covariance.to_numpy()
    spread = np.sqrt(np.maximum(np.diag(v)[:, None] + np.diag(v)[None, :] - 2 * v, 0.0))
    gap = shift.to_numpy()[:, None] - shift.to_numpy()[None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(spread > 0, gap / spread, np.where(gap == 0, 0.0, np.sign(gap) * np.inf))
    return pd.DataFrame(stats.norm.cdf(z), index=shift.index, columns=shift.index)


def ranks(fit: MixedFit, group: str, *, rows: pd.DataFrame | None = None, parts: Sequence[str] | None = None,
          top: int = 3, level: float = 0.9, draws: int = DRAWS, seed: int = 1) -> pd.DataFrame:
    """How sure the order is: rank (middle of the draws), low, high, first, top_<top>, best first.

    ``first`` and ``top_3`` are the shares of draws in which the level comes first, or among the first three.
    """
    shift, covariance = _joint(fit, group, rows, parts)
    rng = np.random.default_rng(seed)
    root = np.linalg.cholesky(covariance.to_numpy() + 1e-10 * np.trace(covariance) / len(shift) * np.eye(len(shift)))
    drawn = shift.to_numpy() + rng.standard_normal((draws, len(shift))) @ root.T
    rank = stats.rankdata(-drawn, axis=1, method="ordinal")
    low, middle, high = np.quantile(rank, [0.5 - level / 2, 0.5, 0.5 + level / 2], axis=0, method="nearest")
    table = pd.DataFrame({"rank": middle, "low": low, "high": high, "first": (rank == 1).mean(axis=0),
                          f"top_{top}": (rank <= top).mean(axis=0)}, index=shift.index)
    return table.sort_values([f"top_{top}", "rank"], ascending=[False, True], kind="stable")


def all_pairs(fit: MixedFit, group: str, *, rows: pd.DataFrame | None = None, parts: Sequence[str] | None = None,
              method: str = "holm", level: float = 0.9) -> pd.DataFrame:
    """Every pair of levels: better, worse, difference, se, low, high, p, p_adjusted, told_apart.

    ``method`` "holm" (no false difference at all, with chance ``level``) or "fdr_bh" (few false ones among those
    told; Benjamini and Hochberg 1995, JRSS B 57:289-300). low and high are simultaneous by Bonferroni's inequality.
    """
    if method not in ("holm", "fdr_bh"):
        raise ModelError(f"Pairs are adjusted by 'holm' or 'fdr_bh', not {method!r}.")
    shift, covariance = _joint(fit, group, rows, parts)
    order = np.argsort(-shift.to_numpy(), kind="stable")
    first, second = np.triu_indices(len(order), 1)
    a, b = order[first], order[second]
    v = covariance.to_numpy()
    difference = shift.to_numpy()[a] - shift.to_numpy()[b]
    se = np.sqrt(np.maximum(v[a, a] + v[b, b] - 2 * v[a, b], 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        p = 2 * stats.norm.sf(np.where(se > 0, difference / se, 0.0))
    told, adjusted, _, _ = multipletests(p, alpha=1 - level, method=method)
    wide = stats.norm.ppf(1 - (1 - level) / (2 * len(p)))
    return pd.DataFrame({"better": shift.index[a], "worse": shift.index[b], "difference": difference, "se": se,
                         "low": difference - wide * se, "high": difference + wide * se, "p": p,
                         "p_adjusted": adjusted, "told_apart": told})


def season_table(fit: MixedFit, *, level: float = 0.9) -> pd.DataFrame:
    """Season to season with the change of members, patches, seed and conditions taken out: season, estimate, se, low,
    high [response unit], in order of time."""
    table = shifts(fit, "season", level=level).reset_index(names="season").rename(columns={"shift": "estimate"})
    return table[["season", "estimate", "se", "low", "high"]].sort_values("season", ignore_index=True)


def _joint(fit: MixedFit, group: str, rows: pd.DataFrame | None, parts: Sequence[str] | None):
    parts = COMPARED.get(group, (group,)) if parts is None else tuple(parts)
    have = {info.group for info in fit.terms}
    if parts[0] not in have:
        raise ModelError(f"The model has no shifts by {group!r}; it has {', '.join(sorted(have))}.")
    parts = [part for part in parts if part in have]
    if len(parts) == 1:
        labels = next(info.labels for info in fit.terms if info.group == parts[0])
        frame = pd.DataFrame({parts[0]: labels}, index=pd.Index(labels, name=group))
    else:
        if rows is None:
            raise ModelError(f"To compare by {group!r} the rows fitted to are needed, to know each level's "
                             f"{', '.join(parts[1:])}.")
        used = set(next(info.labels for info in fit.terms if info.group == parts[0]))
        frame = rows[rows[parts[0]].isin(used)].drop_duplicates(parts[0]).set_index(parts[0], drop=False)[parts]
        frame.index.name = group
    return joint_shifts(fit, frame)


def _labels_of_rows(fit: MixedFit, group: str) -> pd.Series:
    number = next(k for k, info in enumerate(fit.terms) if info.group == COMPARED.get(group, (group,))[0])
    random = fit.design.random[number]
    return pd.Series(np.asarray(random.labels)[random.codes], index=fit.design.index)
