"""Leaving out rows may leave levels of other groups without any: criterion, gradient and refit stay exact."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from patchstats.lmm import fit_mixed
from patchstats.lmm.influence import influence
from patchstats.lmm.refit import problem_of, rows_of

FORMULA = "y ~ x + (1 + x | fruit) + (1 | grower) + (1 | seed) + (1 | season)"


@pytest.fixture(scope="module")
def data():
    rng = np.random.default_rng(4)
    n = 700
    fruit = rng.integers(0, 80, n)
    table = pd.DataFrame({"fruit": fruit, "grower": fruit // 8, "seed": (fruit * 7) % 31,
                          "season": rng.integers(0, 5, n),
                          "x": rng.normal(size=n)})
    table["y"] = (rng.normal(size=80)[fruit] + rng.normal(size=10)[table["grower"]] + rng.normal(size=31)[table["seed"]]
                  + 0.3 * table["x"] + rng.normal(size=n))
    return table


@pytest.mark.parametrize("left_out", [0, 4, 9])
def test_gradient_with_levels_that_have_no_rows(data, left_out):
    """Law: the exact gradient agrees with five-point differences of the criterion."""
    fit = fit_mixed(FORMULA, data)
    keep = (data["grower"] != left_out).to_numpy()
    problem = problem_of(fit, rows_of(fit, keep=keep))
    theta = fit.optimum.theta * 0.8 + 0.05
    found = problem.evaluate(theta).gradient
    for j in range(len(theta)):
        ends = []
        for step, weight in ((-2, 1.0), (-1, -8.0), (1, 8.0), (2, -1.0)):
            moved = theta.copy()
            moved[j] += step * 1e-3
            ends.append(weight * problem.evaluate(moved, gradient=False).value)
        assert found[j] == pytest.approx(sum(ends) / 12e-3, rel=1e-7, abs=1e-6)


def test_leaving_out_equals_fitting_without(data):
    """Law: influence's estimates are those of a fresh fit to the other rows."""
    table = influence(fit_mixed(FORMULA, data), "grower")
    for grower in (0, 4, 9):
        fresh = fit_mixed(FORMULA, data[data["grower"] != grower])
        assert table.loc[grower, "x"] == pytest.approx(fresh.fixed["x"], rel=1e-5)
