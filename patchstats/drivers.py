"""What drives daily gain: the club's model, its effects within and between growers, and the soil's curve.

The model works on pace (:mod:`patchstats.pace`): daily gain as a percentage of the club's middle gain at that age, so
that an effect in percent holds at every age; the middle curve turns it back into kilograms a day.

Plant size and set date are bound together (waiting gives a bigger plant and a later set), and better growers
keep bigger plants. Each is therefore split in two columns: the grower's own mean over fruits (*between* growers) and
the fruit's deviation from it (*within* a grower). If a grower's skill is alike for all of that grower's fruits, the
within effect is free of it and the between effect is not (Mundlak 1978, *On the pooling of time series and cross
section data*, Econometrica 46:69-85). A member acts on the within effect.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
import statsmodels.formula.api as smf
from scipy import stats
from scipy.optimize import minimize_scalar

from patchstats.drivermodels import SOIL_TERMS, SPLIT, Model, fitted_to, model_named, with_last_days
from patchstats.gains import daily_gains
from patchstats.lmm import MixedFit, fit_mixed, tape
from patchstats.lmm.contrasts import contrast
from patchstats.lmm.formula import parse_formula
from patchstats.lmm.optimise import Optimum
from patchstats.lmm.robust import clustered_covariance
from patchstats.pace import FIRST_DAY, LAST_DAY, middle_gain, with_pace
from patchstats.stretches import STRETCH_DAYS, join_gains

SOIL_REFERENCE_C = 20.0  # where the soil's curve is said to be level; the choice changes no fitted value
CLUSTERS = 30  # patches in a season, from which on their spread says how sure the soil's curve is
SLOPE_CENTRE_DAY = 40.0  # age at which a fruit's shift is taken, its slope in age apart


@dataclass(frozen=True)
class Drivers:
    """The answer to "what drives daily gain?".

    ``model`` and its ``fit``; ``rows``: the stretches of gain it was fitted to; ``curve``: the club's middle gain by
    day, for middle conditions and soil of 20 C. ``effects``: what a grower would ask (per 5 secondary vines, per week
    later), within and between growers, with the plain regression's word beside; ``sides``: between less within;
    ``soil``: the curve of soil temperature; ``soil_best``: its top [c]. ``left_out`` counts rows not used, by reason;
    ``tape_factor``: how many times the assumed tape error the logs themselves show; ``stretch_days``: how many days
    the gains were joined to span, at least. All intervals at ``level``.
    """

    model: Model
    fit: MixedFit
    rows: pd.DataFrame
    curve: pd.DataFrame
    effects: pd.DataFrame
    sides: pd.DataFrame
    soil: pd.DataFrame
    soil_best: pd.Series
    left_out: dict[str, int]
    level: float
    tape_factor: float = 1.0
    stretch_days: float = STRETCH_DAYS

    def _markdown(self) -> str:
        shown = self.effects[["effect", "side", "estimate", "low", "high"]].round(2)
        lines = [f"**What drives daily gain** (model: {self.model.name}; {self.fit.n_rows:,} stretches of gain "
                 f"of {self.rows['fruit'].nunique()} fruits; intervals at {self.level:.0%})", "",
                 "| change | side | % of gain | low | high |", "|---|---|---|---|---|"]
        lines += [f"| {r.effect} | {r.side} | {r.estimate:+.2f} | {r.low:+.2f} | {r.high:+.2f} |"
                  for r in shown.itertuples()]
        return "\n".join([*lines, "", f"Not for {self.model.not_for}."])

    def _repr_markdown_(self) -> str:
        return self._markdown()

    def __repr__(self) -> str:
        return self._markdown()


def fit_drivers(club, *, model: str = "club", gains: pd.DataFrame | None = None, first_day: float = FIRST_DAY,
                last_day: float = LAST_DAY, errors: str = "tape", stretch_days: float = STRETCH_DAYS,
                level: float = 0.9) -> Drivers:
    """Fit one of the club's models of daily gain and read its effects off.

    ``club``: an opened club or a dict of tables (not needed when ``gains`` are given). ``model``: a name in
    ``MODELS``. ``errors``: "tape" lets neighbouring gains share the error of the taping between them, weighs a gain
    by what the tape can see of it, and learns from the logs how large that error is; "independent" treats all rows
    alike. ``stretch_days``: gains are joined until they span so many days, since a fruit's days hang together (see
    :mod:`patchstats.stretches`); 0 takes them as taped. Raises :class:`ModelError` for a model not known and
    where too little is logged to fit it.
    """
    chosen = model_named(model)
    gains = join_gains(daily_gains(club) if gains is None else gains, least_days=stretch_days)
    gains = with_last_days(gains, club, chosen)
    tape_factor = 1.0
    curve = middle_gain(gains, first_day=first_day, last_day=last_day)
    # The first curve holds the soil of its weeks (late fruit grow in cooling ground). One correction by the model's
    # own curve of age turns it into the curve at the soil's reference; a second changes nothing to speak of.
    for turn in range(2):
        rows = driver_rows(gains, curve)
        chosen = fitted_to(chosen, rows)
        if turn == 0 and errors == "tape":
            tape_factor = learn_tape_factor(chosen.formula, rows)
            gains = scaled_tape(gains, tape_factor)
            rows = scaled_tape(rows, tape_factor)
        fit = fit_model(chosen.formula, rows, errors=errors, level=level)
        curve = _at_middle_conditions(fit, rows, curve)
    rows = driver_rows(gains, curve)
    fit = fit_model(chosen.formula, rows, errors=errors, level=level, start=start_for(chosen.formula, fit))
    naive = naive_fit(chosen, rows)
    return Drivers(chosen, fit, rows, curve, effects_table(fit, naive, level=level), sides_table(fit, level=level),
                   *soil_curve(fit, rows, level=level, cluster="patch_season"),
                   left_out=_left_out(gains, rows, fit), level=level, tape_factor=tape_factor,
                   stretch_days=stretch_days)


def fit_model(formula: str, rows: pd.DataFrame, *, errors: str = "tape", level: float = 0.9,
              weights: str | None = None, known: Mapping[str, pd.DataFrame] | None = None,
              start: Optimum | None = None) -> MixedFit:
    """Fit a formula to rows made by :func:`driver_rows`; ``start`` as in :func:`patchstats.lmm.fit.fit_mixed`.

    A pace is a difference of two weights over days and over the middle gain; so the tape's errors are those of the
    weights, divided by ``pace_days`` = days * middle gain / 100 instead of by the days.
    """
    structure = tape("fruit", days="pace_days") if errors == "tape" else errors
    return fit_mixed(formula, rows, errors=structure, level=level, weights=weights, known=known, start=start)


def start_for(formula: str, fit: MixedFit) -> Optimum | None:
    """Where the search for another formula's fit may begin: where ``fit`` ended, if the random terms are the same."""
    return fit.optimum if parse_formula(formula).random == fit.design.formula.random else None


def learn_tape_factor(formula: str, rows: pd.DataFrame, *, low: float = 0.4, high: float = 4.0) -> float:
    """How many times the assumed tape error the logs show: where the likelihood of the model is highest.

    A gain's tape error is tied to its neighbour's by -1/2 and shrinks with the days between, which day-to-day growth
    does neither; so the two can be told apart. Found within 3 % on the logarithm; 1 where the rows are too alike.
    """
    start = None

    def misfit(log_factor):
        nonlocal start
        fit = fit_model(formula, scaled_tape(rows, float(np.exp(log_factor))), start=start)
        start = fit.optimum
        return fit.criterion

    found = minimize_scalar(misfit, bounds=(np.log(low), np.log(high)), method="bounded", options={"xatol": 0.03})
    return float(np.exp(found.x))


def scaled_tape(rows: pd.DataFrame, factor: float) -> pd.DataFrame:
    """The rows with every tape error times ``factor`` (see :func:`learn_tape_factor`)."""
    errors = [c for c in rows.columns if c.endswith("_se")]
    scaled = rows.assign(**{c: rows[c] * factor for c in errors})
    scaled.attrs = dict(rows.attrs)
    return scaled


def driver_rows(gains: pd.DataFrame, curve: pd.DataFrame) -> pd.DataFrame:
    """The gains with pace and the models' columns.

    Adds ``pace_days`` (see :func:`fit_model`), ``age10`` (tens of days from day 40), ``soil_from_20_c``, and for
    plant size and set date ``_between`` (the grower's mean over fruits, in the unit of the column) and ``_within``
    (the fruit less that mean).
    """
    rows = with_pace(gains, curve)
    rows["age10"] = (rows["day"] - SLOPE_CENTRE_DAY) / 10.0
    rows["pace_days"] = rows["days"] * rows["middle_kg_day"] / 100.0
    rows["soil_from_20_c"] = rows["soil_c"] - SOIL_REFERENCE_C
    fruits = rows.drop_duplicates("fruit")
    for column in SPLIT:
        rows[column] = rows[column].astype(float)
        mean = fruits.assign(value=fruits[column].astype(float)).groupby("grower")["value"].mean()
        rows[f"{column}_between"] = rows["grower"].map(mean).astype(float)
        rows[f"{column}_within"] = rows[column] - rows[f"{column}_between"]
    return rows


def _at_middle_conditions(fit: MixedFit, rows: pd.DataFrame, curve: pd.DataFrame) -> pd.DataFrame:
    """The curve at the middle plant size and set date of the fruits and at the soil's reference."""
    fruits = rows.drop_duplicates("fruit")
    middle = {column: float(fruits[column].mean()) for term in SPLIT
              for column in (term, f"{term}_within", f"{term}_between")}
    weather = {name: float(rows[name].mean()) for name in WEATHER if name in rows}
    new = curve[["day"]].assign(age10=0.0, soil_from_20_c=0.0, **middle, **weather)
    pace = fit.predict(new, include=None)["estimate"].to_numpy()
    return curve.assign(gain_kg_day=curve["gain_kg_day"] * pace / 100.0)


def naive_fit(model: Model, rows: pd.DataFrame):
    """Plain least squares on the same rows without growers or any group: what a spreadsheet would say."""
    terms = [*SPLIT, *(term for term in (*SOIL_TERMS, *WEATHER) if model.has(term))]
    return smf.ols(f"{model.response} ~ cr(day, df=4, constraints='center') + {' + '.join(terms)}", rows).fit()


# What a grower asks: term, how much of it, in words.
ASKED = (("secondaries", 5.0, "5 more secondary vines at set"), ("set_day", 7.0, "set a week later"))
WEATHER = {"heat_7_c_day": (1.0, "1 more degree day (C) a day of heat in the last week"),
           "water_7_mm": (5.0, "5 mm a day more water in the last week")}


def effects_table(fit: MixedFit, naive, *, level: float) -> pd.DataFrame:
    """Effects as a grower would ask: effect, side ("within", "between", "naive"), term, per, estimate, se, low, high.

    A term that the model does not split (weather; all of them in the model without the split) stands under "unsplit".

    In the response's unit, for ``per`` units of the term.
    """
    out = []
    for term, per, words in (*ASKED, *((term, *asked) for term, asked in WEATHER.items())):
        if term not in naive.params:
            continue
        for side in ("within", "between"):
            name = f"{term}_{side}" if f"{term}_{side}" in fit.coef.index else term
            if name not in fit.coef.index or (name == term and side == "between"):
                continue
            row = fit.coef.loc[name]
            said = side if name != term else "unsplit"
            half = stats.t.ppf(0.5 + level / 2, row["df"]) * row["se"]
            out.append((words, said, name, per, per * row["estimate"], per * row["se"],
                        per * (row["estimate"] - half), per * (row["estimate"] + half)))
        low, high = per * naive.conf_int(1 - level).loc[term]
        out.append((words, "naive", term, per, per * naive.params[term], per * naive.bse[term], low, high))
    return pd.DataFrame(out, columns=["effect", "side", "term", "per", "estimate", "se", "low", "high"])


def sides_table(fit: MixedFit, *, level: float) -> pd.DataFrame:
    """Between less within for each split term (index): estimate, se, df, low, high, p, per unit of the term.

    As the contrast of the two coefficients, with the degrees of freedom of the fit's own kind.
    """
    columns = ["estimate", "se", "df", "low", "high", "p"]
    asked = {term: {f"{term}_between": 1.0, f"{term}_within": -1.0} for term in SPLIT
             if {f"{term}_between", f"{term}_within"} <= set(fit.coef.index)}
    return contrast(fit, asked, level=level)[columns] if asked else pd.DataFrame(columns=columns, dtype=float)


def soil_terms(fit: MixedFit, rows: pd.DataFrame, *,
               cluster: str | None = None) -> tuple[np.ndarray, np.ndarray, float]:
    """The two coefficients of the soil's curve, their covariance, and its degrees of freedom.

    Soil changes from week to week, and so do a fruit's good and bad days: how they hang together is more than the
    model knows. With ``cluster`` (a column of ``rows``) the covariance leans on the spread between clusters instead
    (:func:`patchstats.lmm.robust.clustered_covariance`), where there are at least ``CLUSTERS`` of them.
    """
    names = list(SOIL_TERMS)
    covariance, df = fit.fixed_covariance, float(fit.coef.loc[names, "df"].min())
    if cluster is not None:
        groups = rows.loc[fit.design.index, cluster]
        if groups.nunique() >= CLUSTERS:
            covariance, df = clustered_covariance(fit, groups), min(df, groups.nunique() - 1.0)
    return fit.fixed[names].to_numpy(), covariance.loc[names, names].to_numpy(), df


def soil_curve(fit: MixedFit, rows: pd.DataFrame, *, level: float,
               cluster: str | None = None) -> tuple[pd.DataFrame, pd.Series]:
    """Gain along soil temperature, and where it is highest.

    The curve is the difference from gain at 20 C [response unit], between the 1st and 99th hundredths of the soil
    logged: soil_c, estimate, se, low, high. The best temperature [c] has estimate, se, low, high by Fieller's
    theorem (Fieller 1954, *Some problems in interval estimation*, JRSS B 16:175-185), which is not fooled by a flat
    curve: where the curve cannot be told from a straight line, low and high are infinite and estimate is missing.
    ``cluster`` as in :func:`soil_terms`.
    """
    nothing = pd.DataFrame(columns=["soil_c", "estimate", "se", "low", "high"], dtype=float)
    best = pd.Series({"estimate": np.nan, "se": np.nan, "low": -np.inf, "high": np.inf}, name="best soil_c")
    if not set(SOIL_TERMS) <= set(fit.coef.index):
        return nothing, best
    beta, v, df = soil_terms(fit, rows, cluster=cluster)
    low, high = rows["soil_c"].quantile([0.01, 0.99])
    x = np.linspace(low, high, 61) - SOIL_REFERENCE_C
    design = np.column_stack([x, x**2])
    t = float(stats.t.ppf(0.5 + level / 2, df))
    se = np.sqrt(np.einsum("ij,jk,ik->i", design, v, design))
    curve = pd.DataFrame({"soil_c": x + SOIL_REFERENCE_C, "estimate": design @ beta, "se": se,
                          "low": design @ beta - t * se, "high": design @ beta + t * se})
    # The top is at x = -b1 / (2 b2): a ratio of two estimates with known covariance.
    up, down = -beta[0], 2.0 * beta[1]
    a = down**2 - t**2 * 4.0 * v[1, 1]
    b = up * down + t**2 * 2.0 * v[0, 1]
    c = up**2 - t**2 * v[0, 0]
    if a > 0 and beta[1] < 0:
        root = np.sqrt(max(b * b - a * c, 0.0))
        ratio = up / down
        gradient = np.array([-1.0 / down, -2.0 * up / down**2])
        best = pd.Series({"estimate": SOIL_REFERENCE_C + ratio, "se": float(np.sqrt(gradient @ v @ gradient)),
                          "low": SOIL_REFERENCE_C + (b - root) / a, "high": SOIL_REFERENCE_C + (b + root) / a},
                         name="best soil_c")
    return curve, best


def _left_out(gains: pd.DataFrame, rows: pd.DataFrame, fit: MixedFit) -> dict[str, int]:
    counts = dict(gains.attrs.get("left_out", {}))
    counts["outside the ages of the middle curve"] = len(gains) - len(rows)
    counts["a gap in plant size, set date or soil temperature"] = len(rows) - fit.n_rows
    return {reason: count for reason, count in counts.items() if count}
