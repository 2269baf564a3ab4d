"""Fair comparison: shifts of growers and patches with the errors of all their parts, and the club's progress."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from patchstats import demo
from patchstats.drivers import fit_drivers
from patchstats.fairness import all_pairs, chance_better, joint, progress, ranks, season_table, shifts
from patchstats.lmm import fit_mixed
from patchstats.remarks import ModelError


@pytest.fixture(scope="module")
def found():
    return fit_drivers(demo.simulate(members=14, seasons=5).tables)


def test_growers_with_their_between_part_by_dense_matrices():
    """Henderson's equations (Mrode 2014, section 3.2) inverted whole with numpy: a grower's shift is his own and what
    growers of plants such as his gain beyond the effect within growers; its error is that of all of it together."""
    rng = np.random.default_rng(8)
    grower = np.repeat([f"g{i}" for i in range(9)], [1, 2, 3, 4, 5, 6, 7, 8, 1])
    skill = dict(zip(pd.unique(grower), rng.normal(size=9), strict=True))
    frame = pd.DataFrame({"grower": grower, "season": np.tile([2020, 2021, 2022], 13)[:37].astype(str)})
    size = 17 + 2 * frame["grower"].map(skill) + rng.normal(size=37)
    frame["secondaries_between"] = size.groupby(frame["grower"]).transform("mean")
    frame["secondaries_within"] = size - frame["secondaries_between"]
    frame["y"] = 100 + 2 * size + 6 * frame["grower"].map(skill) + rng.normal(size=37) * 4
    frame["y"] += frame["season"].map({"2020": -6.0, "2021": 1.0, "2022": 5.0})
    fit = fit_mixed("y ~ secondaries_within + secondaries_between + (1 | grower) + (1 | season)", frame)
    table = shifts(fit, "grower", rows=frame, level=0.8)

    growers, seasons = pd.get_dummies(frame["grower"], dtype=float), pd.get_dummies(frame["season"], dtype=float)
    x = np.column_stack([np.ones(37), frame["secondaries_within"], frame["secondaries_between"]])
    z = np.column_stack([growers, seasons])
    variance = fit.variances.reset_index().set_index("group")["variance"]
    weight = np.r_[np.repeat(1 / variance["grower"], 9), np.repeat(1 / variance["season"], 3)]
    w = np.column_stack([x, z]) / np.sqrt(variance["residual"])
    left = w.T @ w + np.diag(np.r_[np.zeros(3), weight])
    inverse = np.linalg.inv(left)
    solution = inverse @ w.T @ (frame["y"].to_numpy() / np.sqrt(variance["residual"]))
    mean = frame.groupby("grower")["secondaries_between"].first()[growers.columns]
    own = mean.to_numpy() - mean.mean()
    combine = np.column_stack([np.zeros(9), -own, own, np.eye(9), np.zeros((9, 3))])
    told = pd.Series(combine @ solution, index=growers.columns)
    se = pd.Series(np.sqrt(np.diag(combine @ inverse @ combine.T)), index=growers.columns)
    assert table["shift"].to_numpy() == pytest.approx(told[table.index].to_numpy(), rel=1e-6)
    assert table["se"].to_numpy() == pytest.approx(se[table.index].to_numpy(), rel=1e-6)
    assert (table["high"] - table["shift"]).to_numpy() == pytest.approx(
        stats.norm.ppf(0.9) * se[table.index].to_numpy(), rel=1e-6)
    v = combine @ inverse @ combine.T
    chance = chance_better(fit, "grower", rows=frame)
    gap, spread = told.iloc[3] - told.iloc[7], np.sqrt(v[3, 3] + v[7, 7] - 2 * v[3, 7])
    assert chance.loc[told.index[3], told.index[7]] == pytest.approx(stats.norm.cdf(gap / spread), abs=1e-6)


def test_a_patch_is_the_mean_of_its_seasons_with_its_grower(found):
    """By hand from the joint law of the patches in their seasons."""
    table = shifts(found.fit, "patch", rows=found.rows)
    each, covariance = joint(found.fit, "patch_season", rows=found.rows, parts=("patch_season", "grower"))
    rows = found.rows.loc[found.fit.design.index]
    assert set(table.index) == set(rows["patch"]) and table["n_rows"].sum() == found.fit.n_rows
    for patch in table.index[:4]:
        names = rows.loc[rows["patch"] == patch, "patch_season"].unique()
        assert table.loc[patch, "shift"] == pytest.approx(each[names].mean(), rel=1e-10)
        variance = covariance.loc[names, names].to_numpy().mean()
        assert table.loc[patch, "se"] == pytest.approx(np.sqrt(variance), rel=1e-10)
    assert ranks(found.fit, "patch", rows=found.rows)["first"].sum() == pytest.approx(1.0)
    assert len(all_pairs(found.fit, "patch", rows=found.rows)) == len(table) * (len(table) - 1) / 2
    with pytest.raises(ModelError, match="the rows fitted to are needed"):
        shifts(found.fit, "patch")


def test_progress_is_the_line_through_the_seasons(found):
    """Law: what is added in a straight line of the season is found again whole, its error unmoved."""
    was = progress(found)
    more = found.rows.assign(pace_percent=found.rows["pace_percent"] + 3.0 * found.rows["season"].astype(float))
    now = progress(replace(found, rows=more))
    assert now["estimate"] - was["estimate"] == pytest.approx(3.0, rel=1e-4)
    assert now["se"] == pytest.approx(was["se"], rel=1e-4)
    assert was["df"] <= was["seasons"] - 2 == 3
    assert was["high"] - was["estimate"] == pytest.approx(stats.t.ppf(0.95, was["df"]) * was["se"])


def test_three_seasons_are_no_progress():
    short = fit_drivers(demo.simulate(members=10, seasons=3).tables)
    with pytest.raises(ModelError, match="There are 3 seasons; 4 are needed"):
        progress(short)


def test_one_season_is_not_compared():
    first = fit_drivers(demo.simulate(members=10, seasons=1).tables)
    with pytest.raises(ModelError, match="One season alone cannot be compared with others"):
        season_table(first.fit)
