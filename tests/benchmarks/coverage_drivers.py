"""Do the intervals of the drivers cover the truth? Simulates clubs and counts.

    python tests/benchmarks/coverage_drivers.py --clubs 200 --jobs 2

For each club: tables as if every log were perfectly read, the club's model, and the plain regression beside it. The
truth is that of the invented club's model, turned to the scale of the club's middle fruit (a percent of the middle
fruit's gain is not quite a percent of the baseline's). Prints a table: truth, mean estimate, mean standard error,
spread of the estimates, cover of the intervals, its band by chance, and the same for the plain regression.
"""

from __future__ import annotations

import argparse

import pandas as pd
from joblib import Parallel, delayed
from scipy import stats

from patchstats import demo
from patchstats.drivers import SOIL_TERMS, what_drives_gain
from patchstats.launch import one_thread

TERMS = {"secondaries": "secondaries_within", "set_day": "set_day_within", "soil_c": SOIL_TERMS[0],
         "soil_c_squared": SOIL_TERMS[1]}


def one_club(seed: int, errors: str, level: float) -> list[dict]:
    one_thread()
    club = demo.simulate(seed)
    found = what_drives_gain(club.tables, errors=errors, level=level)
    truth, model = club.truth["effects"]["percent"], club.truth["model"]
    used = club.latent["fruits"][club.latent["fruits"]["fruit"].isin(found.rows["fruit"])]
    lasting = used[["grower_percent", "patch_season_percent", "season_percent", "seed_percent", "fruit_percent"]].sum(1)
    middle = 1 + (model.secondaries_percent * (used["secondaries"] - model.secondaries_mid)
                  + model.set_day_percent * (used["set_day"] - model.set_day_mid) + lasting).mean() / 100
    naive_rows = found.effects[found.effects["side"] == "naive"].set_index("term")
    out = []
    for term, name in TERMS.items():
        row = found.fit.coef.loc[name]
        line = {"term": term, "truth": truth[term] / middle, "estimate": row["estimate"], "se": row["se"],
                "low": row["low"], "high": row["high"]}
        if term in naive_rows.index:
            plain = naive_rows.loc[term]
            per = plain["per"]
            line |= {"naive": plain["estimate"] / per, "naive_low": plain["low"] / per,
                     "naive_high": plain["high"] / per}
        out.append(line)
    best = found.soil_best
    out.append({"term": "soil_best_c", "truth": club.truth["soil_best_c"], "estimate": best["estimate"],
                "se": best["se"], "low": best["low"], "high": best["high"]})
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--clubs", type=int, default=200)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--errors", default="independent")
    parser.add_argument("--level", type=float, default=0.9)
    parser.add_argument("--first-seed", type=int, default=1)
    asked = parser.parse_args()
    seeds = range(asked.first_seed, asked.first_seed + asked.clubs)
    made = Parallel(n_jobs=asked.jobs, verbose=1)(delayed(one_club)(s, asked.errors, asked.level) for s in seeds)
    rows = pd.DataFrame([line for club in made for line in club])
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


if __name__ == "__main__":
    main()
