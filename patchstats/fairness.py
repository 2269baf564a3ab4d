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

from patchstats import ranking
from patchstats.lmm import MixedFit
from patchstats.lmm.joint import joint_shifts
from patchstats.remarks import ModelError

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
    shift, covariance = joint(fit, group, rows=rows, parts=parts)
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
    """The chance that the level of a row is better than that of a column, see :func:`patchstats.ranking.chances`."""
    return ranking.chances(*joint(fit, group, rows=rows, parts=parts))


def ranks(fit: MixedFit, group: str, *, rows: pd.DataFrame | None = None, parts: Sequence[str] | None = None,
          top: int = 3, level: float = 0.9, draws: int = ranking.DRAWS, seed: int = 1) -> pd.DataFrame:
    """How sure the order of the levels is, see :func:`patchstats.ranking.ranks`."""
    return ranking.ranks(*joint(fit, group, rows=rows, parts=parts), top=top, level=level, draws=draws, seed=seed)


def all_pairs(fit: MixedFit, group: str, *, rows: pd.DataFrame | None = None, parts: Sequence[str] | None = None,
              method: str = "holm", level: float = 0.9) -> pd.DataFrame:
    """Every pair of levels, told apart or not, see :func:`patchstats.ranking.pairs`."""
    return ranking.pairs(*joint(fit, group, rows=rows, parts=parts), method=method, level=level)


def season_table(fit: MixedFit, *, level: float = 0.9) -> pd.DataFrame:
    """Season to season with the change of members, patches, seed and conditions taken out: season, estimate, se, low,
    high [response unit], in order of time."""
    table = shifts(fit, "season", level=level).reset_index(names="season").rename(columns={"shift": "estimate"})
    return table[["season", "estimate", "se", "low", "high"]].sort_values("season", ignore_index=True)


def joint(fit: MixedFit, group: str, *, rows: pd.DataFrame | None = None,
          parts: Sequence[str] | None = None) -> tuple[pd.Series, pd.DataFrame]:
    """Shifts of the levels of ``group`` and the covariance of their errors, as :func:`shifts` uses them."""
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
