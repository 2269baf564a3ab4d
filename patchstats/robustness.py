"""Robustness: does a finding survive other reasonable ways of working it out?

One effect, many fits: without each grower and each season in turn, with other ages, other weight tables, other ways
with missing soil temperatures, and with rows weighed up for the fruits that were lost. None of these repairs bad data;
together they show on how much the answer leans.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
import pandas as pd
import statsmodels.api as sm
from joblib import Parallel, delayed
from scipy import stats
from statsmodels.imputation.mice import MICEData

from patchstats.drivers import MODELS, Drivers, driver_rows, fit_model
from patchstats.lmm import MixedFit
from patchstats.remarks import ModelError
from patchstats.tables import LOSSES, table_of

ESTIMATE = ["estimate", "se", "df", "low", "high"]


def leave_one_out(found: Drivers, group: str, *, terms: Iterable[str] | None = None, jobs: int = 1) -> pd.DataFrame:
    """The effects with each level of ``group`` (such as "grower" or "season") left out in turn.

    The middle curve is kept, so that only the comparison changes. One row a level and term: left_out, term, estimate,
    se, df, low, high, and ``moved``: the change against the whole, in the whole's standard errors.
    """
    if group not in found.rows.columns:
        raise ModelError(f"There is no column {group!r} to leave levels out of.")
    terms = list(terms or _split_terms(found.fit))
    levels = sorted(found.rows.loc[found.fit.design.index, group].dropna().unique())
    formulas = {level: _enough_levels(found.model.formula, found.rows[found.rows[group] != level]) for level in levels}

    def one(level):
        fit = fit_model(formulas[level], found.rows[found.rows[group] != level], errors=found.fit.errors,
                        level=found.level)
        return fit.coef.loc[terms, ESTIMATE].reset_index(names="term").assign(left_out=str(level))

    table = pd.concat(Parallel(n_jobs=jobs)(delayed(one)(level) for level in levels), ignore_index=True)
    whole = found.fit.coef.loc[table["term"]]
    table["moved"] = (table["estimate"] - whole["estimate"].to_numpy()) / whole["se"].to_numpy()
    return table[["left_out", "term", *ESTIMATE, "moved"]]


def specifications(club, found: Drivers, term: str, *, gains: Callable[..., pd.DataFrame], per: float = 1.0,
                   jobs: int = 1) -> pd.DataFrame:
    """One effect by many specifications, for a specification curve (Simonsohn, Simmons and Nelson 2020, *Specification
    curve analysis*, Nature Human Behaviour 4:1208-1214).

    ``gains`` makes the gains of a club (:func:`patchstats.gains.daily_gains`), called once for each weight table.
    ``per`` multiplies. Columns: specification, estimate, se, low, high, and the choices ``ages``, ``table``, ``soil``,
    ``weights``. The first row is the specification reported.
    """
    def by(fit: MixedFit, ages: str, table: str, soil: str, weights: str) -> dict:
        row = fit.coef.loc[term, ESTIMATE] * [per, per, 1.0, per, per]
        return {"specification": f"{ages}, {table}, {soil}, {weights}", **row.to_dict(), "ages": ages, "table": table,
                "soil": soil, "weights": weights}

    made = {"table of the season": found.rows, "table of 2013-16": driver_rows(
        gains(club, table="pumpkin 2013-16"), found.curve)}
    weight = {name: survival_weights(club, rows) for name, rows in made.items()}
    plans = [(first, last, table, soil, weights)
             for first, last in ((15, 80), (20, 60), (25, 80)) for table in made
             for soil in ("soil logged", "soil left out") for weights in ("all alike", "by survival")]

    def one(first, last, table, soil, weights):
        rows = made[table].assign(survival_weight=weight[table])
        rows = rows[rows["day"].between(first, last)]
        model = MODELS["without soil"] if soil == "soil left out" else found.model
        fit = fit_model(model.formula, rows, level=found.level,
                        weights="survival_weight" if weights == "by survival" else None)
        return by(fit, f"days {first} to {last}", table, soil, weights)

    return pd.DataFrame(Parallel(n_jobs=jobs)(delayed(one)(*plan) for plan in plans)).drop(columns="df")


def survival_weights(club, rows: pd.DataFrame, *, largest: float = 5.0) -> pd.Series:
    """One over the chance that a fruit like this was still whole at that row's day, by what was seen before.

    A weekly logistic hazard (Cox 1972, JRSS B 34:187-220, section 7: the discrete model) of loss on age, set date,
    plant size and the pace of the week before, fitted by statsmodels; the weights are stabilised by the hazard on age
    alone (Robins, Hernan and Brumback 2000, Epidemiology 11:550-560) and capped at ``largest``. Mean near 1. They
    mend only what these columns explain; a fruit lost without warning leaves no trace.
    """
    fruits = table_of(club, "fruits").set_index("fruit")
    lost = fruits["end_reason"].isin(LOSSES)
    table = rows[["fruit", "day", "set_day", "secondaries", "pace_percent"]].dropna().copy()
    table["week"] = (table["day"] // 7).astype(int)
    weeks = table.groupby(["fruit", "week"]).mean().reset_index().sort_values(["fruit", "week"])
    last = weeks.groupby("fruit")["week"].transform("max")
    weeks["lost"] = (weeks["week"].eq(last) & weeks["fruit"].map(lost).fillna(False).astype(bool)).astype(float)
    weeks["before"] = weeks.groupby("fruit")["pace_percent"].shift().fillna(100.0).clip(0.0, 200.0)
    weeks["age"] = weeks["week"] - weeks["week"].mean()
    if weeks["lost"].sum() < 10:
        return pd.Series(1.0, index=rows.index)
    full = sm.add_constant(weeks[["age", "set_day", "secondaries", "before"]].astype(float))
    chance = sm.GLM(weeks["lost"], full, family=sm.families.Binomial()).fit().fittedvalues
    plain = sm.GLM(weeks["lost"], full[["const", "age"]], family=sm.families.Binomial()).fit().fittedvalues
    stayed = np.log1p(-plain) - np.log1p(-chance)
    # The weight of a week is that of having come through the weeks before it.
    weeks["log_weight"] = stayed.groupby(weeks["fruit"]).cumsum() - stayed
    by_week = weeks.set_index(["fruit", "week"])["log_weight"]
    key = pd.MultiIndex.from_arrays([rows["fruit"], (rows["day"] // 7).fillna(-1).astype(int)])
    weight = np.exp(by_week.reindex(key).fillna(0.0).to_numpy())
    return pd.Series(np.clip(weight, 1.0 / largest, largest), index=rows.index)


def imputed(found: Drivers, *, imputations: int = 5, seed: int = 1) -> pd.DataFrame:
    """Complete cases beside multiple imputation of soil temperature and plant size.

    Chained equations by predictive mean matching (statsmodels ``MICEData``) from age, set date, pace and what the
    club's other patches read on those days; the fits are pooled by Rubin's rules (Rubin 1987, *Multiple Imputation
    for Nonresponse in Surveys*, ch. 3). Index: term; columns estimate, se, low, high for both ways, rows used by each,
    and the fraction of missing information. Right only where what is missing depends on what is in the table.
    """
    rows = found.rows
    club_soil = rows.groupby(["season", "date"])["soil_c"].transform("mean")
    frame = pd.DataFrame({
        "soil_c": rows["soil_c"], "secondaries": rows["secondaries"], "club_soil_c": club_soil,
        "day": rows["day"], "set_day": rows["set_day"], "pace_percent": rows["pace_percent"]}).astype(float)
    whole = frame[["club_soil_c", "day", "set_day", "pace_percent"]].notna().all(axis=1)
    state = np.random.get_state()  # MICEData draws from numpy's global stream: borrow it, then give it back
    np.random.seed(seed)
    try:
        data = MICEData(frame[whole].reset_index(drop=True))
        fits = []
        for _ in range(imputations):
            data.update_all(3)
            filled = rows[whole].copy()
            filled["soil_c"] = data.data["soil_c"].to_numpy()
            filled["soil_from_20_c"] = filled["soil_c"] - 20.0
            filled["secondaries"] = data.data["secondaries"].to_numpy()
            mean = filled.drop_duplicates("fruit").groupby("grower")["secondaries"].mean()
            filled["secondaries_between"] = filled["grower"].map(mean)
            filled["secondaries_within"] = filled["secondaries"] - filled["secondaries_between"]
            fits.append(fit_model(found.model.formula, filled, errors=found.fit.errors, level=found.level))
    finally:
        np.random.set_state(state)
    terms = [t for t in found.fit.coef.index if t != "(Intercept)" and not t.startswith("spline")]
    each = np.array([fit.fixed[terms].to_numpy() for fit in fits])
    within = np.mean([np.diag(fit.fixed_covariance.loc[terms, terms]) for fit in fits], axis=0)
    between = each.var(axis=0, ddof=1)
    total = within + (1 + 1 / imputations) * between
    share = (1 + 1 / imputations) * between / total
    df = (imputations - 1) / np.maximum(share, 1e-9) ** 2
    half = stats.t.ppf(0.5 + found.level / 2, np.minimum(df, found.fit.coef.loc[terms, "df"])) * np.sqrt(total)
    complete = found.fit.coef.loc[terms]
    return pd.DataFrame({
        "complete": complete["estimate"], "complete_se": complete["se"], "complete_low": complete["low"],
        "complete_high": complete["high"], "complete_rows": found.fit.n_rows, "imputed": each.mean(axis=0),
        "imputed_se": np.sqrt(total), "imputed_low": each.mean(axis=0) - half, "imputed_high": each.mean(axis=0) + half,
        "imputed_rows": fits[0].n_rows, "missing_information": share}, index=pd.Index(terms, name="term"))


def _split_terms(fit: MixedFit) -> list[str]:
    return [t for t in fit.coef.index if t.endswith("_within")]


def _enough_levels(formula: str, rows: pd.DataFrame) -> str:
    """The formula without groups that have one level left, as when one of two seasons is left out."""
    for group in ("season", "seed", "grower"):
        if rows[group].nunique() < 2:
            formula = formula.replace(f" + (1 | {group})", "")
    return formula
