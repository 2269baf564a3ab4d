"""Fair comparison: who did well for the conditions they had, and how sure the order is.

A plain average says who won. Here a grower, a patch in a season or an entry is compared with what plant size, set
date, soil, age (and, for entries, the season and the patch) lead one to expect. Shifts are shrunken towards the
middle by what their own data can carry, so that a member with one lucky fruit is not first by luck.

What conditions lead one to expect is judged by the effects *within* growers. Where growers who keep bigger plants do
better than that alone explains, the rest is theirs: it is added to the grower's shift, as the between effect less
the within effect times the grower's distance from the mean grower.

Chances and ranks come from joint draws of all levels, with the covariance of their errors; separate intervals
cannot tell two growers apart who share seasons and seed lines.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from patchstats import ranking
from patchstats.drivermodels import SPLIT
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
    conditions leave, which the group's other shifts still colour) and n_rows. Best first.
    """
    frame, fixed = _asked(fit, group, rows, parts)
    shift, covariance = joint_shifts(fit, frame, fixed=fixed)
    se = np.sqrt(np.diag(covariance))
    z = stats.norm.ppf(0.5 + level / 2)
    table = pd.DataFrame({"shift": shift, "se": se, "low": shift - z * se, "high": shift + z * se})
    left = fit.residuals["marginal"]
    codes = _labels_of_rows(fit, group)
    by = left.groupby(codes)
    table["raw"] = by.mean().reindex(table.index)
    if fixed is not None:
        table["raw"] += (fixed * fit.fixed[list(fixed.columns)]).sum(axis=1)
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
    frame, fixed = _asked(fit, group, rows, parts)
    return joint_shifts(fit, frame, fixed=fixed)


def _asked(fit: MixedFit, group: str, rows: pd.DataFrame | None,
           parts: Sequence[str] | None) -> tuple[pd.DataFrame, pd.DataFrame | None]:
    """Which shifts make up each level, and the between-growers part that is a grower's own, as fixed effects."""
    parts = COMPARED.get(group, (group,)) if parts is None else tuple(parts)
    have = {info.group for info in fit.terms}
    if parts[0] not in have:
        raise ModelError(f"The model has no shifts by {group!r}; it has {', '.join(sorted(have))}.")
    parts = [part for part in parts if part in have]
    split = [term for term in SPLIT if f"{term}_between" in fit.fixed.index]
    if rows is None and (len(parts) > 1 or ("grower" in parts and split)):
        raise ModelError(f"To compare by {group!r} the rows fitted to are needed, as fit_drivers(...).rows.")
    if rows is None:
        labels = next(info.labels for info in fit.terms if info.group == parts[0])
        return pd.DataFrame({parts[0]: labels}, index=pd.Index(labels, name=group)), None
    used = rows.loc[fit.design.index].drop_duplicates(parts[0]).set_index(parts[0], drop=False)
    frame = used[parts].rename_axis(group)
    fixed = None
    if "grower" in parts and split:
        means = rows.loc[fit.design.index].drop_duplicates("grower").set_index("grower")
        fixed = pd.DataFrame(index=frame.index)
        for term in split:
            own = frame["grower"].map(means[f"{term}_between"]).to_numpy() - means[f"{term}_between"].mean()
            fixed[f"{term}_between"], fixed[f"{term}_within"] = own, -own
    return frame, fixed


def _labels_of_rows(fit: MixedFit, group: str) -> pd.Series:
    number = next(k for k, info in enumerate(fit.terms) if info.group == COMPARED.get(group, (group,))[0])
    random = fit.design.random[number]
    return pd.Series(np.asarray(random.labels)[random.codes], index=fit.design.index)
