"""Do the intervals of the drivers cover the truth? Simulates clubs and counts.

    python tests/benchmarks/coverage_drivers.py --clubs 200 --jobs 2

For each club: tables as if every log were perfectly read, the club's model, and the plain regression beside it. The
truth is that of the invented club's model, turned to the scale of the club's middle fruit (a percent of the middle
fruit's gain is not quite a percent of the baseline's). Prints a table: truth, mean estimate, mean standard error,
spread of the estimates, cover of the intervals, its band by chance, and the same for the plain regression.
"""

from __future__ import annotations

import argparse

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from scipy import stats

from patchstats import demo
from patchstats.drivers import SOIL_TERMS, fit_drivers, soil_terms
from patchstats.fairness import joint
from patchstats.launch import one_thread
from patchstats.ranking import chances, ranks

TERMS = {"secondaries": "secondaries_within", "set_day": "set_day_within", "soil_c": SOIL_TERMS[0],
         "soil_c_squared": SOIL_TERMS[1]}


def one_club(seed: int, errors: str, level: float) -> list[dict]:
    one_thread()
    club = demo.simulate(seed)
    found = fit_drivers(club.tables, errors=errors, level=level)
    truth, model = club.truth["effects"]["percent"], club.truth["model"]
    used = club.latent["fruits"][club.latent["fruits"]["fruit"].isin(found.rows["fruit"])]
    lasting = used[["grower_percent", "patch_season_percent", "season_percent", "seed_percent", "fruit_percent"]].sum(1)
    middle = 1 + (model.secondaries_percent * (used["secondaries"] - model.secondaries_mid)
                  + model.set_day_percent * (used["set_day"] - model.set_day_mid) + lasting).mean() / 100
    naive_rows = found.effects[found.effects["side"] == "naive"].set_index("term")
    out = []
    soil, covariance, df = soil_terms(found.fit, found.rows, cluster="patch_season")
    reach = stats.t.ppf(0.5 + level / 2, df)
    by_patch = {name: pd.Series({"estimate": b, "se": se, "low": b - reach * se, "high": b + reach * se})
                for name, b, se in zip(SOIL_TERMS, soil, np.sqrt(np.diag(covariance)), strict=True)}
    for term, name in TERMS.items():
        row = by_patch.get(name, found.fit.coef.loc[name])
        line = {"term": term, "truth": truth[term] / middle, "estimate": row["estimate"], "se": row["se"],
                "low": row["low"], "high": row["high"]}
        if term in naive_rows.index:
            plain = naive_rows.loc[term]
            per = plain["per"]
            line |= {"naive": plain["estimate"] / per, "naive_low": plain["low"] / per,
                     "naive_high": plain["high"] / per}
        out.append(line)
    out += compared(club, found, used, level)
    best = found.soil_best
    out.append({"term": "soil_best_c", "truth": club.truth["soil_best_c"], "estimate": best["estimate"],
                "se": best["se"], "low": best["low"], "high": best["high"]})
    return out


def compared(club, found, used: pd.DataFrame, level: float) -> list[dict]:
    """Shifts of growers against their true skill, and chances said against what was true."""
    skill = used.groupby("grower")["grower_percent"].first()
    shift, covariance = joint(found.fit, "grower", rows=found.rows)
    se = pd.Series(np.sqrt(np.diag(covariance)), index=shift.index)
    true, z = skill[shift.index] - skill[shift.index].mean(), stats.norm.ppf(0.5 + level / 2)
    centred = shift - shift.mean()
    out = [{"term": "a grower's shift", "truth": 0.0, "estimate": centred[g] - true[g], "se": se[g],
            "low": centred[g] - true[g] - z * se[g], "high": centred[g] - true[g] + z * se[g]} for g in shift.index]
    chance = chances(shift, covariance)
    for i, first in enumerate(shift.index):
        for second in shift.index[i + 1:]:
            p, right = chance.loc[first, second], true[first] > true[second]
            out.append({"chance": max(p, 1 - p), "right": bool(right) if p >= 0.5 else not right})
    order = ranks(shift, covariance)
    leaders = set(true.nlargest(3).index)
    out += [{"top_3": order.loc[g, "top_3"], "right": g in leaders} for g in order.index]
    return out


def reliability(rows: pd.DataFrame, column: str, edges) -> pd.DataFrame:
    """Chances said, in bins, beside how often they came true."""
    said = rows.dropna(subset=[column])
    by = said.groupby(pd.cut(said[column], edges, include_lowest=True), observed=True)
    table = by.agg(said=(column, "mean"), true=("right", lambda r: r.astype(float).mean()), cases=("right", "size"))
    return table.rename_axis(column).round(3)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--clubs", type=int, default=200)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--errors", default="tape")
    parser.add_argument("--level", type=float, default=0.9)
    parser.add_argument("--first-seed", type=int, default=1)
    asked = parser.parse_args()
    seeds = range(asked.first_seed, asked.first_seed + asked.clubs)
    made = Parallel(n_jobs=asked.jobs, verbose=1)(delayed(one_club)(s, asked.errors, asked.level) for s in seeds)
    every = pd.DataFrame([line for club in made for line in club])
    rows = every.dropna(subset=["term"])
    low, high = stats.binom.ppf([0.025, 0.975], asked.clubs, asked.level) / asked.clubs
    lines = []
    for term, group in rows.groupby("term", sort=False):
        inside = (group["low"] <= group["truth"]) & (group["truth"] <= group["high"])
        line = {"term": term, "truth": group["truth"].mean(), "estimate": group["estimate"].mean(),
                "mean se": group["se"].mean(), "spread": group["estimate"].std(), "cover": inside.mean()}
        if group["naive"].notna().any():
            plain = (group["naive_low"] <= group["truth"]) & (group["truth"] <= group["naive_high"])
            line |= {"naive": group["naive"].mean(), "naive cover": plain.mean()}
        lines.append(line)
    print(f"{asked.clubs} clubs, errors {asked.errors!r}, intervals at {asked.level:.0%}; by chance a true cover of "
          f"{asked.level:.0%} shows as {low:.1%} to {high:.1%}")
    print(pd.DataFrame(lines).set_index("term").round(3).to_string(na_rep="-"))
    print("\nThe chance said that one grower is better than another, and how often that was so:")
    print(reliability(every, "chance", [0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99, 1.0]).to_string())
    print("\nThe chance said of being among the first three growers, and how often that was so:")
    print(reliability(every, "top_3", [0.0, 0.01, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 1.0]).to_string())


if __name__ == "__main__":
    main()
