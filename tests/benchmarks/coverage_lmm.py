"""Coverage in simulation: over many invented clubs, how often an interval holds what was put in.

    python tests/benchmarks/coverage_lmm.py --clubs 500 --workers 2

Gains are differences of taped weights: the tape's slips are shared by neighbouring gains, and a process noise of its
own comes on top. Each club is fitted twice, with tape errors and with independent errors. Intervals of fixed effects
are 95 % (Satterthwaite), those of standard deviations 90 % (Wald on the logarithm); a fit that puts a standard
deviation at zero counts as a miss. ``se ratio`` is the mean standard error over the true spread of the estimates.
"""

from __future__ import annotations

import argparse
import time
import warnings

import numpy as np
import pandas as pd

from patchstats.lmm import fit_mixed, interval, tape
from patchstats.lmm.parallel import each

TRUTH = {"(Intercept)": 8.0, "x": 0.5, "secondaries": 0.1, "sd(fruit, (Intercept))": 1.2, "sd(fruit, x)": 0.5,
         "sd(grower, (Intercept))": 0.9, "sd(residual)": 0.8}
FORMULA = "gain ~ x + secondaries + (1 + x || fruit) + (1 | grower)"
TAPE = tape("fruit", before_se="before_se", after_se="after_se", start="start", end="day")


def club(seed: np.random.SeedSequence, n_growers: int = 24, fruits: int = 5, readings: int = 25) -> pd.DataFrame:
    """Gains of 24 growers' fruits taped about every other day; the tape's error grows with the fruit."""
    rng = np.random.default_rng(seed)
    n_fruits, each_fruit = n_growers * fruits, readings - 1
    days = np.cumsum(rng.integers(1, 4, (n_fruits, readings)), axis=1).astype(float)
    se = 0.6 + 0.03 * days
    slip = rng.normal(size=days.shape) * se
    gap = np.diff(days, axis=1)
    fruit = np.repeat(np.arange(n_fruits), each_fruit)
    x = ((days[:, 1:] + days[:, :-1]) / 2.0 - 25.0).ravel() / 15.0
    secondaries = rng.integers(8, 30, n_fruits).astype(float)
    own = rng.normal(size=(n_fruits, 2)) * [TRUTH["sd(fruit, (Intercept))"], TRUTH["sd(fruit, x)"]]
    grower = rng.normal(size=n_growers) * TRUTH["sd(grower, (Intercept))"]
    gain = (TRUTH["(Intercept)"] + (TRUTH["x"] + own[fruit, 1]) * x + TRUTH["secondaries"] * (secondaries[fruit] - 19.0)
            + own[fruit, 0] + grower[fruit // fruits] + TRUTH["sd(residual)"] * rng.normal(size=len(fruit))
            + (np.diff(slip, axis=1) / gap).ravel())
    return pd.DataFrame({"gain": gain, "x": x, "secondaries": secondaries[fruit] - 19.0, "fruit": fruit,
                         "grower": fruit // fruits, "day": days[:, 1:].ravel(), "start": days[:, :-1].ravel(),
                         "before_se": se[:, :-1].ravel(), "after_se": se[:, 1:].ravel()})


def one(seed: np.random.SeedSequence) -> pd.DataFrame:
    """Estimates, standard errors and hits of both fits of one club."""
    data = club(seed)
    out = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for errors in (TAPE, "independent"):
            fit = fit_mixed(FORMULA, data, errors=errors)
            fixed = interval(fit, level=0.95)
            spread = interval(fit, level=0.90)
            for name, truth in TRUTH.items():
                low, high = (fixed if name in fit.fixed.index else spread).loc[name, ["low", "high"]]
                se = fit.coef["se"].get(name, np.nan)
                out.append((fit.errors, name, fixed.loc[name, "estimate"], se, bool(low <= truth <= high)))
    return pd.DataFrame(out, columns=["errors", "quantity", "estimate", "se", "hit"])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--clubs", type=int, default=500)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=20)
    chosen = parser.parse_args()
    clock = time.perf_counter()
    seeds = np.random.SeedSequence(chosen.seed).spawn(chosen.clubs)
    runs = pd.concat(each(one, [(seed,) for seed in seeds], chosen.workers))
    print(f"{chosen.clubs} clubs of {len(club(seeds[0])):,} gains, {time.perf_counter() - clock:.0f} s")
    print("| errors | quantity | truth | mean estimate | se ratio | nominal | covered | within 3 binomial se |")
    print("|---|---|---:|---:|---:|---:|---:|---|")
    for (errors, name), part in runs.groupby(["errors", "quantity"], sort=False):
        nominal = 0.90 if name.startswith("sd") else 0.95
        covered = part["hit"].mean()
        inside = abs(covered - nominal) <= 3.0 * np.sqrt(nominal * (1 - nominal) / len(part))
        ratio = part["se"].mean() / part["estimate"].std()
        ratio = "" if np.isnan(ratio) else f"{ratio:.3f}"
        print(f"| {errors} | {name} | {TRUTH[name]} | {part['estimate'].mean():.4f} | {ratio} | {nominal:.0%} "
              f"| {covered:.1%} | {'yes' if inside else 'no'} |")


if __name__ == "__main__":
    main()
