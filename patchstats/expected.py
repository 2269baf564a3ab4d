"""What the model expects: gain under other conditions, at which age an effect acts, and what explains the differences.

All of it is read off the fitted drivers (:func:`patchstats.drivers.fit_drivers`). What is said of plant size and set
date is the effect *within* growers, the one that a member can act on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import norm

from patchstats.drivermodels import SOIL_TERMS, SPLIT
from patchstats.drivers import ASKED, SLOPE_CENTRE_DAY, SOIL_REFERENCE_C, Drivers, fit_model
from patchstats.lmm import MixedFit
from patchstats.lmm.contrasts import contrast, f_test, marginal_means
from patchstats.remarks import ModelError

_DRAWS = 4000


def expected_gain(found: Drivers, by: str, values: Sequence[float], *, day: float = SLOPE_CENTRE_DAY,
                  level: float | None = None) -> pd.DataFrame:
    """Gain to expect at some values of one condition, the others at the middle of the club (marginal means).

    ``by``: "secondaries", "set_day" or "soil_c"; ``values`` in its unit. ``day``: age of the fruit. The grower is a
    typical one, plant size and set date act by their effect within growers. Columns: ``by``, day, pace_percent,
    pace_percent_low, pace_percent_high, and the same turned back into kilograms with the club's middle gain at that
    age, which is taken as known: gain_kg_day, gain_kg_day_low, gain_kg_day_high.

    Raises :class:`ModelError` for a condition that the model lacks, or an age outside the middle curve.
    """
    rows, curve = found.rows.loc[found.fit.design.index], found.curve
    if not curve["day"].min() <= day <= curve["day"].max():
        raise ModelError(f"The club's middle gain is known from day {curve['day'].min():g} to {curve['day'].max():g}, "
                         f"not at day {day:g}.")
    asked = np.asarray(values, dtype=float)
    fruits = rows.drop_duplicates("fruit")
    at: dict[str, object] = {"day": day}
    if by == "soil_c" and found.model.has(SOIL_TERMS[0]):
        term, settings = SOIL_TERMS[0], asked - SOIL_REFERENCE_C
    elif by in SPLIT and found.model.has(f"{by}_within"):
        term, settings = f"{by}_within", asked - float(fruits[f"{by}_between"].mean())
    elif by in SPLIT:
        term, settings = by, asked
    else:
        raise ModelError(f"The model {found.model.name!r} cannot be asked by {by!r}; ask by secondaries, set_day or "
                         "soil_c (where the model has the soil).")
    at[term] = settings.tolist()
    means = marginal_means(found.fit, term, at=at, level=level)
    middle = float(np.interp(day, curve["day"], curve["gain_kg_day"]))
    out = pd.DataFrame({by: asked, "day": day})
    for name, part in (("", "estimate"), ("_low", "low"), ("_high", "high")):
        out[f"pace_percent{name}"] = means[part].to_numpy()
    for name in ("", "_low", "_high"):
        out[f"gain_kg_day{name}"] = out[f"pace_percent{name}"] * middle / 100.0
    return out


@dataclass(frozen=True)
class ByAge:
    """At which age effects act: ``table`` with effect, term, day, estimate, se, low, high [percent of gain] and
    estimate_kg_day, low_kg_day, high_kg_day; ``changes``: by effect, whether it changes with age (f, df1, df2, p);
    ``fit``: the model with the effects let free to change with age, in a straight line."""

    table: pd.DataFrame
    changes: pd.DataFrame
    fit: MixedFit
    level: float


def effects_by_age(found: Drivers, *, days: Sequence[float] = (20, 30, 40, 50, 60, 70),
                   level: float | None = None) -> ByAge:
    """The effects within growers at several ages of the fruit, from the model with each effect times age added.

    On the scale of pace an effect that multiplies is the same at every age; ``changes`` tests that. In kilograms a
    day it still follows the club's middle gain. Raises :class:`ModelError` for a model without plant size and set
    date.
    """
    level = found.level if level is None else level
    asked: list[tuple[str, float, str]] = []
    for term, per, words in ASKED:
        name = f"{term}_within" if found.model.has(f"{term}_within") else term
        if name in found.fit.coef.index:
            asked.append((name, per, words))
    formula = found.model.formula.replace(" + (1 + age10", "".join(f" + {name}:age10" for name, *_ in asked)
                                          + " + (1 + age10", 1)
    fit = fit_model(formula, found.rows, errors=found.fit.errors, level=level)
    out, changes = [], {}
    for name, per, words in asked:
        product = next(c for c in (f"{name}:age10", f"age10:{name}") if c in fit.coef.index)
        age = (np.asarray(days, dtype=float) - SLOPE_CENTRE_DAY) / 10.0
        rows = contrast(fit, {str(day): {name: per, product: per * a} for day, a in zip(days, age, strict=True)},
                        level=level)
        middle = np.interp(days, found.curve["day"], found.curve["gain_kg_day"]) / 100.0
        table = rows[["estimate", "se", "low", "high"]].reset_index(drop=True)
        table[[f"{c}_kg_day" for c in ("estimate", "low", "high")]] = table[["estimate", "low", "high"]].mul(
            middle, axis=0)
        table.insert(0, "day", np.asarray(days, dtype=float))
        table.insert(0, "term", name)
        table.insert(0, "effect", words)
        out.append(table)
        changes[words] = f_test(fit, (np.array(fit.design.names) == product).astype(float))
    return ByAge(pd.concat(out, ignore_index=True), pd.DataFrame.from_dict(changes, orient="index"), fit, level)


_PARTS = {"grower": "the grower", "patch_season": "the patch in that season", "season": "the season",
          "seed": "the seed line", "fruit": "the fruit itself"}


def explained(found: Drivers, *, level: float | None = None, seed: int = 1) -> pd.DataFrame:
    """How much of the lasting differences between fruits each thing explains.

    A fruit's lasting pace (at day 40; its days and the tape apart) is the sum of what plant size, set date and soil
    add, and of the shifts of grower, patch in the season, season, seed line and the fruit itself. The share of a
    condition is its covariance with the sum over the variance of the sum, so shares add up to one; it may be negative
    where two conditions work against each other (a late set goes with a large plant). The shares of the shifts are
    their variances. Plant size and set date count with their effect within growers; what growers who keep bigger
    plants gain beyond it counts as the grower's.

    Columns: what, sd_percent (spread of its part [percent of gain]), share, low, high. Intervals by simulation: fixed
    effects from their joint normal law, standard deviations log-normal about the estimate; one estimated as none, or
    that the logs cannot bound, has no interval (low 0, high missing). Shares within this club: a club whose members all
    kept twelve secondary vines would find that plant size explains nothing.
    """
    level = found.level if level is None else level
    fit, rng = found.fit, np.random.default_rng(seed)
    rows = found.rows.loc[fit.design.index]
    fruits = rows.groupby("fruit")
    terms = [t for t in fit.fixed.index if t in (*SOIL_TERMS, *SPLIT) or t.removesuffix("_within") in SPLIT
             or t.removesuffix("_between") in SPLIT]
    # What each term is multiplied by in each part: (terms, fruits), centred.
    parts = {"plant size": _columns(fruits, terms, "secondaries"), "set date": _columns(fruits, terms, "set_day"),
             "soil temperature": _columns(fruits, terms, "soil"), "the grower": _between(fruits, terms)}
    parts = {name: part for name, part in parts.items() if np.any(part)}
    sds = fit.variances.xs("(Intercept)", level="column")
    drawn = rng.multivariate_normal(fit.fixed[terms], fit.fixed_covariance.loc[terms, terms], size=_DRAWS)
    beta = np.vstack([fit.fixed[terms].to_numpy(), drawn])  # the estimate first, then the draws
    fixed = {name: beta @ part for name, part in parts.items()}
    total = sum(fixed.values())
    amount = {name: (value * total).mean(axis=1) for name, value in fixed.items()}
    spread = {name: value.std(axis=1) for name, value in fixed.items()}
    z = float(norm.ppf(0.5 + fit.level / 2))
    vague = set()  # parts whose spread the logs cannot bound
    for group, words in _PARTS.items():
        if group not in sds.index:
            continue
        row = sds.loc[group]
        known = row["sd"] > 0 and np.isfinite(row["low"]) and np.isfinite(row["high"]) and row["low"] > 0
        if not known:
            vague.add(words)
        log_se = np.log(row["high"] / row["low"]) / (2 * z) if known else 0.0
        sd = row["sd"] * np.exp(log_se * np.r_[0.0, rng.standard_normal(_DRAWS)])
        amount[words] = amount.get(words, 0.0) + sd**2
        spread[words] = np.hypot(spread.get(words, 0.0), sd)
    whole = sum(amount.values())
    out = []
    for name, value in amount.items():
        share = value / whole
        low, high = np.quantile(share[1:], [0.5 - level / 2, 0.5 + level / 2])
        if spread[name][0] == 0 or name in vague:
            low, high = 0.0, np.nan
        out.append((name, spread[name][0], share[0], low, high))
    return pd.DataFrame(out, columns=["what", "sd_percent", "share", "low", "high"]).sort_values(
        "share", ascending=False, kind="stable", ignore_index=True)


def _columns(fruits, terms: list[str], about: str) -> np.ndarray:
    """What the terms of one condition are multiplied by, a fruit each, from the middle of the fruits."""
    part = np.zeros((len(terms), fruits.ngroups))
    for place, term in enumerate(terms):
        if about == "soil" and term in SOIL_TERMS:
            soil = fruits["soil_from_20_c"]
            part[place] = soil.mean() if term == SOIL_TERMS[0] else soil.apply(lambda v: (v**2).mean())
        elif term in (about, f"{about}_within"):
            part[place] = fruits[about].first()  # the whole plant size, by the effect within
    return part - part.mean(axis=1, keepdims=True)


def _between(fruits, terms: list[str]) -> np.ndarray:
    """The effect between growers less the one within, times the grower's mean: what goes with the grower."""
    part = np.zeros((len(terms), fruits.ngroups))
    for place, term in enumerate(terms):
        if term.endswith("_between"):
            mean = fruits[term].first().to_numpy(float)
            part[place] += mean
            part[terms.index(term.replace("_between", "_within"))] -= mean
    return part - part.mean(axis=1, keepdims=True)
