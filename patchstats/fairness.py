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
from patchstats.drivers import Drivers, fit_model
from patchstats.lmm import MixedFit
from patchstats.lmm.joint import joint_shifts
from patchstats.remarks import ModelError

FEWEST_SEASONS = 4  # below which no line's error can be told from the seasons about it
# Whose shifts make up the comparison: an entry's own skill is its grower's, its seed line's and its own.
COMPARED = {
    "grower": ("grower",),
    "patch_season": ("patch_season",),
    "patch": ("patch_season", "grower"),  # its ground over its seasons, and the hand that works it
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

    A "patch" is the mean over the seasons it was grown in, and its grower's shift: ground and hand together, since a
    grower with one patch cannot be told from it.
    """
    if group == "patch":
        return _patches(fit, rows, parts, level)
    frame, fixed = _asked(fit, group, rows, parts)
    shift, covariance = joint_shifts(fit, frame, fixed=fixed)
    table = _bounds(shift, covariance, level)
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
    high [response unit], in order of time. Raises :class:`ModelError` where the model knows one season alone."""
    if "season" not in {info.group for info in fit.terms}:
        raise ModelError("One season alone cannot be compared with others; hand in the logs of a second.")
    table = shifts(fit, "season", level=level).reset_index(names="season").rename(columns={"shift": "estimate"})
    return table[["season", "estimate", "se", "low", "high"]].sort_values("season", ignore_index=True)


def joint(fit: MixedFit, group: str, *, rows: pd.DataFrame | None = None,
          parts: Sequence[str] | None = None) -> tuple[pd.Series, pd.DataFrame]:
    """Shifts of the levels of ``group`` and the covariance of their errors, as :func:`shifts` uses them."""
    if group == "patch":
        return _joint_patches(fit, rows, parts)
    frame, fixed = _asked(fit, group, rows, parts)
    return joint_shifts(fit, frame, fixed=fixed)


def progress(found: Drivers, *, level: float = 0.9) -> pd.Series:
    """How the club's gain moved from season to season, members, patches, seed and conditions taken out.

    The model with a straight line in the season added, the season's own shift kept: so the seasons, not the gains, are
    what the line is drawn through; its degrees of freedom are at most the seasons' less two, also where the seasons'
    own spread is estimated as none. estimate, se, df, low, high [response unit a season] and ``seasons``. Raises
    :class:`ModelError` with fewer than four seasons, which no line's error can be told from.
    """
    rows = found.rows.loc[found.fit.design.index]
    count = int(rows["season"].nunique())
    if count < FEWEST_SEASONS:
        raise ModelError(f"There are {count} seasons; {FEWEST_SEASONS} are needed to say whether the club is getting "
                         "better.")
    season = rows["season"].astype(float)
    formula = found.model.formula.replace(" + (1 + age10", " + seasons_on + (1 + age10", 1)
    fit = fit_model(formula, rows.assign(seasons_on=season - season.mean()), errors=found.fit.errors, level=level)
    row = fit.coef.loc["seasons_on", ["estimate", "se", "df"]].astype(float)
    row["df"] = min(row["df"], count - 2.0)
    half = stats.t.ppf(0.5 + level / 2, row["df"]) * row["se"]
    return pd.Series({**row, "low": row["estimate"] - half, "high": row["estimate"] + half, "seasons": count},
                     name="progress")


def _bounds(shift: pd.Series, covariance: pd.DataFrame, level: float) -> pd.DataFrame:
    se = np.sqrt(np.diag(covariance))
    z = stats.norm.ppf(0.5 + level / 2)
    return pd.DataFrame({"shift": shift, "se": se, "low": shift - z * se, "high": shift + z * se})


def _patches(fit: MixedFit, rows: pd.DataFrame | None, parts: Sequence[str] | None, level: float) -> pd.DataFrame:
    table = _bounds(*_joint_patches(fit, rows, parts), level)
    each = shifts(fit, "patch_season", rows=rows, parts=parts or COMPARED["patch"], level=level)
    patch = _patch_of(fit, rows).reindex(each.index)
    table["raw"], table["n_rows"] = each["raw"].groupby(patch).mean(), each["n_rows"].groupby(patch).sum()
    return table.sort_values("shift", ascending=False, kind="stable")


def _joint_patches(fit: MixedFit, rows: pd.DataFrame | None,
                   parts: Sequence[str] | None) -> tuple[pd.Series, pd.DataFrame]:
    """The mean of a patch's seasons, each with its grower, and the covariance of such means."""
    shift, covariance = joint(fit, "patch_season", rows=rows, parts=parts or COMPARED["patch"])
    patch = _patch_of(fit, rows).reindex(shift.index)
    mean = pd.crosstab(patch, patch.index, normalize="index").reindex(columns=shift.index)
    return (mean @ shift).rename("shift"), mean @ covariance @ mean.T


def _patch_of(fit: MixedFit, rows: pd.DataFrame | None) -> pd.Series:
    if rows is None:
        raise ModelError("To compare by 'patch' the rows fitted to are needed, as fit_drivers(...).rows.")
    return rows.loc[fit.design.index].drop_duplicates("patch_season").set_index("patch_season")["patch"]


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
