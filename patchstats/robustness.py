"""Robustness: does a finding survive other reasonable ways of working it out?

One effect, many fits: without each grower and each season in turn, with other ages, other weight tables, other ways
with missing soil temperatures, and with rows weighed up for the fruits that were lost. None of these repairs bad data;
together they show on how much the answer leans.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy import stats
from statsmodels.imputation.mice import MICEData

from patchstats.drivermodels import MODELS, fitted_to, with_last_days
from patchstats.drivers import SOIL_REFERENCE_C, Drivers, driver_rows, fit_model, scaled_tape, start_for
from patchstats.lmm.formula import columns_used, parse_formula
from patchstats.lmm.influence import influence
from patchstats.lmm.many import asked_terms
from patchstats.lmm.parallel import each
from patchstats.stretches import join_gains
from patchstats.tables import LOSSES, STORED, table_of

FOLLOWED_DAYS = 14  # a loss within so many days of a fruit's last row belongs to that row's week


def leave_one_out(found: Drivers, group: str, *, terms: Iterable[str] | None = None, jobs: int = 1) -> pd.DataFrame:
    """The effects with each level of ``group`` ("grower", "season") left out in turn.

    The middle curve and the columns are kept, so that only the comparison changes; each fit starts from the whole
    one's answer. One row a level and term: left_out, term, estimate, and ``moved``: the change in standard errors.
    """
    terms = list(terms or [t for t in found.fit.coef.index if t.endswith("_within")])
    table = influence(found.fit, group, workers=jobs)[terms]
    out = table.melt(var_name="term", value_name="estimate", ignore_index=False).rename_axis("left_out").reset_index()
    whole = found.fit.coef.loc[out["term"]]
    out["moved"] = (out["estimate"] - whole["estimate"].to_numpy()) / whole["se"].to_numpy()
    return out.astype({"left_out": str})


AGES = ((15, 80), (20, 60), (25, 80))


def specifications(club, found: Drivers, *, gains: Callable[..., pd.DataFrame], terms: Mapping[str, float],
                   jobs: int = 1) -> pd.DataFrame:
    """Effects by many specifications, for specification curves (Simonsohn, Simmons and Nelson 2020, *Specification
    curve analysis*, Nature Human Behaviour 4:1208-1214).

    ``gains`` makes the gains of a club (:func:`patchstats.gains.daily_gains`), here by another weight table. ``terms``
    and how much of each is asked. One row a specification and term: term, specification, estimate, se, low, high, and
    the choices ``ages``, ``table``, ``soil``, ``weights``, ``age_curve``, ``stretches`` (how gains are joined) and
    ``tapings`` (all, or without those that the grower marked as doubtful, where there are any). The first of a term is
    the one reported.
    """
    alike, survival, own, other, curve = "all alike", "by survival", "of the season", "of 2013-16", "4 bends"
    bends = {curve: "spline(day, 4)", "7 bends": "spline(day, 7)"}
    joined, taped = f"{found.stretch_days:g} days", "as taped"
    kept, sure = "all", "sure ones only"
    made = {(own, joined, kept): found.rows}

    def prepare(table: str, stretch: str, tapings: str) -> pd.DataFrame:
        key = (table, stretch, tapings)
        if key not in made:
            of = {"table": "pumpkin 2013-16"} if table == other else {}
            rows = gains(_sure(club) if tapings == sure else club, **of)
            rows = join_gains(rows, least_days=found.stretch_days if stretch == joined else 0.0)
            rows = with_last_days(rows, club, found.model)
            made[key] = driver_rows(scaled_tape(rows, found.tape_factor), found.curve)
        return made[key]

    plans = [(ages, own, soil, weights, curve, joined, kept) for soil in ("logged", "left out")
             for weights in (alike, survival) for ages in AGES]
    plans += [(ages, other, "logged", alike, curve, joined, kept) for ages in AGES]
    plans += [(ages, own, "logged", alike, "7 bends", joined, kept) for ages in AGES]
    plans += [(AGES[0], own, "logged", alike, curve, taped, kept)]
    if table_of(club, "readings")["doubtful"].fillna(False).any():
        plans += [(ages, own, "logged", alike, curve, joined, sure) for ages in AGES]
    weight, structure = survival_weights(club, found.rows), found.fit.structure

    def tasks() -> Iterator[tuple]:
        for (first, last), table, soil, weights, age_curve, stretch, tapings in plans:
            rows = prepare(table, stretch, tapings)
            rows = rows[rows["day"].between(first, last)].assign(survival_weight=weight)
            formula = fitted_to(MODELS["without soil"] if soil == "left out" else found.model, rows).formula
            formula = formula.replace("spline(day, 4)", bends[age_curve])
            weighed = "survival_weight" if weights == survival else None
            used = {*columns_used(parse_formula(formula), rows), *structure.columns, weighed}
            yield (formula, rows[[c for c in rows.columns if c in used]], list(terms), structure, found.level,
                   weighed, start_for(formula, found.fit))

    choices = pd.DataFrame([(f"days {first} to {last}", *rest) for (first, last), *rest in plans],
                           columns=["ages", "table", "soil", "weights", "age_curve", "stretches", "tapings"])
    choices.insert(0, "specification", choices.agg(", ".join, axis=1))
    out = []
    for plan, effects in enumerate(each(asked_terms, tasks(), jobs, of=len(plans))):
        asked = effects.set_index("term")[["estimate", "se", "low", "high"]].mul(pd.Series(terms), axis=0).reset_index()
        out.append(asked.join(choices.iloc[[plan] * len(asked)].reset_index(drop=True)))
    return pd.concat(out, ignore_index=True)


def _sure(club) -> dict[str, pd.DataFrame]:
    """The club's tables without the tapings that the grower marked as doubtful."""
    tables = {name: table_of(club, name) for name in STORED}
    readings = tables["readings"]
    return {**tables, "readings": readings[~readings["doubtful"].fillna(False).astype(bool)]}


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
    # A fruit lost long after its last row here (past the ages looked at, or no longer taped) came through that week.
    since = (fruits["end_date"] - rows.groupby("fruit")["date"].max()).dt.days
    lost &= ~(since.reindex(lost.index) > FOLLOWED_DAYS)
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

    Chained equations by predictive mean matching (statsmodels ``MICEData``): soil from age, set date, plant size, pace
    and what the club's other patches read on those days and how far the patch lies from them; plant size, one a fruit,
    from the fruit's set date and pace and its grower's other fruits. The fits are pooled by :func:`pooled`. Index:
    term; columns estimate, se, low, high for both ways, rows used by each, and the fraction of missing information.
    Right only where what is missing depends on what is in the table. Believe it for plant size and set date, less for
    the soil's own effect: a patch that never had a probe is given the soil of others, and an effect of what was made up
    comes out weaker than it is.
    """
    rows = found.rows
    club_soil = rows.groupby(["season", "date"])["soil_c"].transform("mean")
    patch_soil = (rows["soil_c"] - club_soil).groupby(rows["patch"]).transform("mean")
    frame = pd.DataFrame({
        "soil_c": rows["soil_c"], "secondaries": rows["secondaries"], "club_soil_c": club_soil,
        "patch_soil_c": patch_soil,
        "day": rows["day"], "set_day": rows["set_day"], "pace_percent": rows["pace_percent"]}).astype(float)
    whole = frame[["club_soil_c", "day", "set_day", "pace_percent"]].notna().all(axis=1)
    drawn = np.random.default_rng(seed)
    sizes = _plant_sizes(rows[whole], drawn)
    frame["secondaries"] = next(sizes)
    data = MICEData(frame[whole].reset_index(drop=True), rng=drawn)
    fits = []
    for _ in range(imputations):
        size = next(sizes)
        data.data["secondaries"] = size.to_numpy()
        data.update_all(3)
        filled = rows[whole].assign(soil_c=data.data["soil_c"].to_numpy(), secondaries=size)
        filled["soil_from_20_c"] = filled["soil_c"] - SOIL_REFERENCE_C
        mean = filled.drop_duplicates("fruit").groupby("grower")["secondaries"].mean()
        filled["secondaries_between"] = filled["grower"].map(mean)
        filled["secondaries_within"] = filled["secondaries"] - filled["secondaries_between"]
        fits.append(fit_model(found.model.formula, filled, errors=found.fit.errors, level=found.level,
                              start=found.fit.optimum))
    terms = [t for t in found.fit.coef.index if t != "(Intercept)" and not t.startswith("spline")]
    made = pooled(np.array([fit.coef.loc[terms, "estimate"] for fit in fits]),
                  np.array([fit.coef.loc[terms, "se"] for fit in fits]),
                  np.mean([fit.coef.loc[terms, "df"] for fit in fits], axis=0), level=found.level)
    complete = found.fit.coef.loc[terms]
    return pd.DataFrame({
        "complete": complete["estimate"], "complete_se": complete["se"], "complete_low": complete["low"],
        "complete_high": complete["high"], "complete_rows": found.fit.n_rows,
        **{f"imputed{name}": made[part].to_numpy() for name, part in
           (("", "estimate"), ("_se", "se"), ("_low", "low"), ("_high", "high"))},
        "imputed_rows": fits[0].n_rows, "missing_information": made["missing_information"].to_numpy()},
        index=pd.Index(terms, name="term"))


def pooled(estimates: np.ndarray, ses: np.ndarray, df: np.ndarray, *, level: float = 0.9) -> pd.DataFrame:
    """Estimates from several imputed tables as one: estimate, se, df, low, high, missing_information.

    ``estimates`` and ``ses`` have a row an imputation and a column a term; ``df`` are those of a table without gaps.
    Rubin's rules (Rubin 1987, *Multiple Imputation for Nonresponse in Surveys*, ch. 3) with the degrees of freedom of
    Barnard and Rubin 1999, Biometrika 86:948-955, which never exceed those of the whole table.
    """
    count = len(estimates)
    between = (1 + 1 / count) * estimates.var(axis=0, ddof=1)
    total = (ses**2).mean(axis=0) + between
    share = between / total
    whole = np.minimum(np.asarray(df, dtype=float), 1e12)
    known = (whole + 1) / (whole + 3) * whole * (1 - share)
    used = 1 / (share**2 / (count - 1) + 1 / np.maximum(known, 1e-12))
    middle, se = estimates.mean(axis=0), np.sqrt(total)
    half = stats.t.ppf(0.5 + level / 2, used) * se
    return pd.DataFrame({"estimate": middle, "se": se, "df": used, "low": middle - half, "high": middle + half,
                         "missing_information": share})


def _plant_sizes(rows: pd.DataFrame, drawn: np.random.Generator) -> Iterator[pd.Series]:
    """Plant size by row, filled in anew each time: drawn once a fruit, since a fruit has one plant."""
    fruits = rows.groupby("fruit").agg(secondaries=("secondaries", "first"), set_day=("set_day", "first"),
                                       pace_percent=("pace_percent", "mean"), grower=("grower", "first"))
    by = fruits.groupby("grower")
    frame = fruits.drop(columns="grower").astype(float)
    for column in ("secondaries", "pace_percent"):
        own = frame[column]
        others = by[column].transform("count") - own.notna()
        mean = (by[column].transform("sum").astype(float) - own.fillna(0.0)) / others.where(others > 0)
        frame[f"grower_{column}"] = mean.fillna(own.mean())
    data = MICEData(frame.reset_index(drop=True), rng=drawn) if frame["secondaries"].isna().any() else None
    while True:
        if data is not None:
            data.update_all(3)
            frame["secondaries"] = data.data["secondaries"].to_numpy()
        yield rows["fruit"].map(frame["secondaries"]).astype(float)
