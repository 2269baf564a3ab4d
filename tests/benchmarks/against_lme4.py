"""The engine's optima beside lme4's on random designs: crossed and nested groups, slopes, variances of zero, perfect
correlations.

    python tests/benchmarks/against_lme4.py                  # 120 designs; Rscript with lme4 must be there
    python tests/benchmarks/against_lme4.py --designs 600 --seed 7

Prints every design on which lme4 (the better of its optimisers nloptwrap and bobyqa) reaches a REML criterion lower by
more than 1e-6, and how often the engine's is the lower one. Exit code 1 where there is any of the former.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from patchstats.lmm import fit_mixed

FORMULAS = ("y ~ x + (1 + z | g) + (1 | h)", "y ~ x + (z || g) + (1 | g:h)", "y ~ x + (1 + z | g) + (1 + x | h)",
            "y ~ x + (1 + z + x | g)", "y ~ x + (1 | g/h) + (0 + z | h)", "y ~ x + (1 | k/g) + (1 + z | h)")
NEAR = 1e-6

PEER = """
suppressMessages(library(lme4))
plan <- read.csv(file.path(folder, "plan.csv"))
for (i in seq_len(nrow(plan))) {
  d <- read.csv(file.path(folder, sprintf("%d.csv", plan$design[i])))
  for (v in c("g", "h", "k")) d[[v]] <- factor(d[[v]])
  fitted <- function(m) REMLcrit(lmer(as.formula(plan$formula[i]), d,
                                      control = lmerControl(optimizer = m, calc.derivs = FALSE)))
  best <- tryCatch(suppressWarnings(suppressMessages(min(sapply(c("nloptwrap", "bobyqa"), fitted)))),
                   error = function(e) NA)
  cat(plan$design[i], sprintf("%.9f", best), "\\n")
}
"""


def design(seed: int) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    n, n_g, n_h = int(rng.integers(60, 500)), int(rng.integers(4, 25)), int(rng.integers(3, 12))
    g, h = rng.integers(0, n_g, n), rng.integers(0, n_h, n)
    x, z = rng.normal(size=n), rng.normal(size=n)
    correlation = rng.choice([0.0, 0.3, 0.9, 1.0, -1.0])
    level = rng.normal(size=n_g)
    slope = correlation * level + np.sqrt(1.0 - correlation ** 2) * rng.normal(size=n_g)
    sd = rng.choice([0.0, 0.0, 0.05, 0.3, 1.0, 5.0], 4)
    y = (1.0 + 0.2 * x + sd[0] * level[g] + sd[1] * slope[g] * z + sd[2] * rng.normal(size=n_h)[h]
         + sd[3] * rng.normal(size=n_g * n_h)[g * n_h + h] + rng.normal(size=n))
    return pd.DataFrame({"y": y, "x": x, "z": z, "g": g, "h": h, "k": g // 2})


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--designs", type=int, default=120)
    parser.add_argument("--seed", type=int, default=1000)
    asked = parser.parse_args()
    ours = {}
    with tempfile.TemporaryDirectory() as folder:
        plan = pd.DataFrame({"design": range(asked.designs)})
        plan["formula"] = [FORMULAS[number % len(FORMULAS)] for number in plan["design"]]
        for number, formula in plan.itertuples(index=False):
            data = design(asked.seed + number)
            data.to_csv(Path(folder) / f"{number}.csv", index=False)
            ours[number] = fit_mixed(formula, data).criterion
            if (number + 1) % 20 == 0:
                print(f"{number + 1} of {asked.designs} fitted here", file=sys.stderr, flush=True)
        plan.to_csv(Path(folder) / "plan.csv", index=False)
        print("now in R", file=sys.stderr, flush=True)
        said = subprocess.run(["Rscript", "-e", f'folder <- "{folder}"\n{PEER}'], capture_output=True, text=True,
                              check=True).stdout
    lines = [line.split() for line in said.splitlines()]
    theirs = {int(number): float(value) for number, value in lines if value != "NA"}
    apart = {number: ours[number] - theirs[number] for number in theirs}
    behind = {number: gap for number, gap in apart.items() if gap > NEAR}
    for number, gap in behind.items():
        print(f"design {asked.seed + number}, {plan['formula'][number]}: ours is higher by {gap:.2g}")
    print(f"{len(apart)} designs: {len(behind)} higher than lme4's best by more than {NEAR:g}, "
          f"{sum(gap < -NEAR for gap in apart.values())} lower by as much, the rest alike; "
          f"{len(lines) - len(theirs)} more that lme4 refuses")
    return 1 if behind else 0


if __name__ == "__main__":
    sys.exit(main())
