"""Practices: what did the best patches do differently from the middle ones?

The patches of each season are put in order by how their fruits gained, with nothing taken into account but age (what
conditions explain is just what is asked here). A season's best quarter is set against the middle half of the same
season, so that a good summer is not taken for good practice, one practice at a time. That practices differ does not
say which of them did it: the best growers do many things at once.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import statsmodels.formula.api as smf

from patchstats.drivers import Drivers, fit_model
from patchstats.ranking import adjust
from patchstats.remarks import ModelError
from patchstats.tables import table_of

_PLAIN = "pace_percent ~ spline(day, 4) + season + (1 + age10 | fruit) + (1 | patch_season)"
FEWEST = 8  # patches in a season, on either side, below which nothing is said

# Practice and its meaning; each is one number a patch and season.
PRACTICES = {
    "secondaries": "secondary vines at set",
    "set_day": "pollination date (day of the year)",
    "main_vine_cm": "main vine at set",
    "distance_out_cm": "distance of the fruit from the stump",
    "soil_c": "soil temperature",
    "soil_heated_percent": "soil heated",
    "covered_percent": "female flower covered",
    "males": "male flowers used",
    "covered_hours": "hours covered",
    "fruits": "fruits kept a while on the patch",
    "tapings_week": "tapings a week",
}


def best_against_middle(club, found: Drivers, *, level: float = 0.9) -> pd.DataFrame:
    """Practices of the best quarter of a season's patches against the middle half of that season's.

    One row a practice with data: practice, meaning, best, middle (means), difference (best less middle, within
    season), se, low, high, p, p_adjusted (Holm, over all practices asked: chance finds something in eleven), patches.
    Differences by least squares with seasons as dummies; standard errors by grower (cluster-robust, statsmodels),
    since a grower's seasons are alike. Raises :class:`ModelError` with too few patches.
    """
    rows = found.rows.assign(season=found.rows["season"].astype(int).astype(str))
    fit = fit_model(_PLAIN, rows, errors=found.fit.errors, level=level)
    table = patch_practices(club, found).join(fit.levels("patch_season")["shift"], how="inner")
    low, high = (table.groupby("season")["shift"].transform("quantile", q) for q in (0.25, 0.75))
    table["group"] = np.where(table["shift"] > high, "best", np.where(table["shift"] >= low, "middle", ""))
    table = table[table["group"] != ""]
    counts = table["group"].value_counts()
    if counts.reindex(["best", "middle"]).fillna(0).min() < FEWEST:
        raise ModelError(f"There are {int(counts.get('best', 0))} best and {int(counts.get('middle', 0))} middle "
                         f"patches in a season; {FEWEST} of each are needed to compare what they did.")
    made = []
    for practice, meaning in PRACTICES.items():
        data = table[[practice, "group", "season", "grower"]].dropna()
        sides = data["group"].value_counts().reindex(["best", "middle"]).fillna(0)
        if sides.min() < FEWEST or data[practice].nunique() < 2 or data["grower"].nunique() < 3:
            continue
        data = data.assign(value=data[practice].astype(float), season=data["season"].astype(int),
                           best=(data["group"] == "best").astype(float))
        by = smf.ols("value ~ best + C(season)", data).fit(
            cov_type="cluster", cov_kwds={"groups": pd.factorize(data["grower"])[0]}, use_t=True)
        bounds = by.conf_int(1 - level).loc["best"]
        means = data.groupby("group")["value"].mean()
        made.append((practice, meaning, means["best"], means["middle"], by.params["best"], by.bse["best"],
                     bounds[0], bounds[1], by.pvalues["best"], len(data)))
    out = pd.DataFrame(made, columns=["practice", "meaning", "best", "middle", "difference", "se", "low", "high", "p",
                                      "patches"])
    out.insert(9, "p_adjusted", adjust(out["p"], level=level)[1])
    return out.sort_values("p", ignore_index=True)


def patch_practices(club, found: Drivers) -> pd.DataFrame:
    """What was done on each patch in each season, one row each (index: patch_season): grower, season, practices."""
    rows = found.rows
    key = rows.drop_duplicates("fruit")[["fruit", "plant", "patch", "patch_season", "grower", "season"]]
    fruits = key.merge(table_of(club, "fruits")[["fruit", "main_vine_cm", "distance_out_cm"]], on="fruit", how="left")
    fruits = fruits.merge(rows.groupby("fruit")[["secondaries", "set_day"]].first().reset_index(), on="fruit")
    out = fruits.groupby("patch_season").agg(
        grower=("grower", "first"), season=("season", "first"), patch=("patch", "first"),
        secondaries=("secondaries", "mean"), set_day=("set_day", "mean"), main_vine_cm=("main_vine_cm", "mean"),
        distance_out_cm=("distance_out_cm", "mean"), fruits=("fruit", "size"))
    out["soil_c"] = rows.groupby("patch_season")["soil_c"].mean()
    out["tapings_week"] = _tapings_week(table_of(club, "readings"), key.set_index("fruit")["patch_season"])
    heated = table_of(club, "patches").drop_duplicates("patch").set_index("patch")["soil_heated"]
    out["soil_heated_percent"] = 100.0 * out["patch"].map(heated.astype("Float64")).astype(float)
    flowers = table_of(club, "flowers").merge(key[["plant", "patch_season"]].drop_duplicates("plant"), on="plant")
    if len(flowers):
        by = flowers.assign(covered=(flowers["cover"] != "none").where(flowers["cover"].notna()).astype(float) * 100.0)
        by = by.astype({"males": float, "covered_hours": float}).groupby("patch_season")
        out["covered_percent"], out["males"] = by["covered"].mean(), by["males"].mean()
        out["covered_hours"] = by["covered_hours"].mean()
    return out.reindex(columns=["grower", "season", *PRACTICES])


def _tapings_week(readings: pd.DataFrame, patch_season: pd.Series) -> pd.Series:
    """Tapings a week between a fruit's first and its last, over the fruits of each patch in a season."""
    days = readings[["fruit", "date"]].drop_duplicates().groupby("fruit")["date"].agg(["size", "min", "max"])
    days = days[days["size"] > 1]
    spans = pd.DataFrame({"patch_season": patch_season.reindex(days.index), "between": days["size"] - 1,
                          "days": (days["max"] - days["min"]).dt.days})
    by = spans.groupby("patch_season")[["between", "days"]].sum()
    return 7.0 * by["between"] / by["days"]
