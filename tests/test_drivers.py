"""What drives gain: effects within and between growers, the soil's curve, robustness."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats

from patchstats import demo
from patchstats.drivers import SOIL_TERMS, driver_rows, fit_drivers, sides_table, soil_curve
from patchstats.fairness import chance_better, ranks, season_table, shifts
from patchstats.gains import daily_gains
from patchstats.lmm import fit_mixed
from patchstats.lmm.joint import joint_shifts
from patchstats.remarks import ModelError
from patchstats.robustness import _plant_sizes, imputed, leave_one_out, pooled, survival_weights


@pytest.fixture(scope="module")
def club():
    return demo.simulate()


@pytest.fixture(scope="module")
def found(club):
    return fit_drivers(club.tables)


def test_true_effects_lie_in_their_intervals_and_the_plain_regression_misses(club, found):
    """The truth is the invented club's own; single seeds may miss one time in ten, this one was not chosen for it:
    the spread over many clubs stands in tests/benchmarks/coverage_drivers.py."""
    truth = club.truth["effects"]["percent"]
    rows = found.effects.set_index(["effect", "side"])
    for effect, true in (("5 more secondary vines at set", 5 * truth["secondaries"]),
                         ("set a week later", 7 * truth["set_day"])):
        within = rows.loc[(effect, "within")]
        assert within["low"] <= true <= within["high"], effect
    # Percent of the club's middle fruit, which is not quite the model's baseline.
    used = club.latent["fruits"][club.latent["fruits"]["fruit"].isin(found.rows["fruit"])]
    model = club.truth["model"]
    lasting = used[["grower_percent", "patch_season_percent", "season_percent", "seed_percent", "fruit_percent"]].sum(1)
    middle = 1 + (model.secondaries_percent * (used["secondaries"] - model.secondaries_mid)
                  + model.set_day_percent * (used["set_day"] - model.set_day_mid) + lasting).mean() / 100
    for term, name in zip(("soil_c", "soil_c_squared"), SOIL_TERMS, strict=True):
        row = found.fit.coef.loc[name]
        assert row["low"] <= truth[term] / middle <= row["high"], term
    naive = rows.loc[("5 more secondary vines at set", "naive")]
    assert naive["low"] > 5 * truth["secondaries"]
    assert found.soil_best["low"] <= club.truth["soil_best_c"] <= found.soil_best["high"]
    assert found.sides.loc["secondaries", "low"] > 0  # better growers keep bigger plants


def test_within_effect_is_the_fixed_effects_estimate():
    """Closed form (Mundlak 1978, Econometrica 46:69-85): in a balanced panel the effect of the deviation from the
    group's mean equals least squares with a dummy for every group (statsmodels)."""
    rng = np.random.default_rng(3)
    grower = np.repeat([f"g{i}" for i in range(12)], 10)
    skill = np.repeat(rng.normal(size=12), 10)
    x = 18 + 3 * skill + rng.normal(size=120)
    frame = pd.DataFrame({"grower": grower, "x": x, "y": 100 + 1.5 * x + 8 * skill + rng.normal(size=120)})
    frame["between"] = frame.groupby("grower")["x"].transform("mean")
    frame["within"] = frame["x"] - frame["between"]
    ours = fit_mixed("y ~ within + between + (1 | grower)", frame)
    dummies = smf.ols("y ~ x + C(grower)", frame).fit()
    assert ours.fixed["within"] == pytest.approx(dummies.params["x"], rel=1e-8)
    assert ours.coef.loc["within", "se"] == pytest.approx(dummies.bse["x"], rel=1e-6)


def test_between_less_within_is_the_coefficient_of_the_mean_beside_the_raw_column():
    """Law (Mundlak 1978): written with the raw column and the mean, the model is the same and the mean's coefficient is
    between less within: estimate, error, degrees of freedom and p. Growers have one to eight fruits."""
    rng = np.random.default_rng(4)
    grower = np.repeat([f"g{i}" for i in range(12)], [1, 2, 3, 4, 5, 6, 7, 8, 8, 3, 2, 1])
    skill = dict(zip(pd.unique(grower), rng.normal(size=12), strict=True))
    frame = pd.DataFrame({"grower": grower})
    frame["secondaries"] = 18 + frame["grower"].map(skill) + rng.normal(size=50)
    frame["secondaries_between"] = frame.groupby("grower")["secondaries"].transform("mean")
    frame["secondaries_within"] = frame["secondaries"] - frame["secondaries_between"]
    frame["y"] = frame["secondaries"] + 2 * frame["grower"].map(skill) + rng.normal(size=50)
    split = fit_mixed("y ~ secondaries_within + secondaries_between + (1 | grower)", frame)
    raw = fit_mixed("y ~ secondaries + secondaries_between + (1 | grower)", frame)
    ours = sides_table(split, level=0.9).loc["secondaries"]
    theirs = raw.coef.loc["secondaries_between", ours.index]
    assert ours.to_numpy(float) == pytest.approx(theirs.to_numpy(float), rel=1e-5)
    assert sides_table(fit_mixed("y ~ secondaries + (1 | grower)", frame), level=0.9).empty


def test_best_soil_interval_is_where_a_level_curve_cannot_be_ruled_out():
    """Law (Fieller 1954, JRSS B 16:175-185): the interval holds just those temperatures at which the slope's test does
    not reject; here found by trying every hundredth of a degree."""
    rng = np.random.default_rng(6)
    soil = rng.normal(20, 3, 400)
    frame = pd.DataFrame({"soil_c": soil, "soil_from_20_c": soil - 20, "group": np.tile(np.arange(20), 20),
                          "y": 100 - 0.5 * (soil - 23) ** 2 + rng.normal(0, 12, 400)})
    fit = fit_mixed("y ~ soil_from_20_c + I(soil_from_20_c ** 2) + (1 | group)", frame)
    curve, best = soil_curve(fit, frame, level=0.9)
    names = list(SOIL_TERMS)
    v = fit.fixed_covariance.loc[names, names].to_numpy()
    x = np.arange(-30.0, 60.0, 0.01)
    slope = fit.fixed[names[0]] + 2 * fit.fixed[names[1]] * x
    se = np.sqrt(v[0, 0] + 4 * x * v[0, 1] + 4 * x**2 * v[1, 1])
    t = stats.t.ppf(0.95, fit.coef.loc[names, "df"].min())
    kept = x[np.abs(slope) <= t * se] + 20
    assert best["low"] == pytest.approx(kept.min(), abs=0.011)
    assert best["high"] == pytest.approx(kept.max(), abs=0.011)
    assert curve.loc[(curve["soil_c"] - 20).abs().idxmin(), "estimate"] == pytest.approx(0.0, abs=0.3)


def test_a_straight_soil_has_no_best():
    """Closed form: with noise at right angles to the curve's columns the bend is exactly nothing."""
    rng = np.random.default_rng(7)
    soil = rng.normal(20, 3, 300)
    columns = np.column_stack([np.ones(300), soil, soil**2])
    noise = rng.normal(0, 5, 300)
    noise -= columns @ np.linalg.lstsq(columns, noise, rcond=None)[0]
    frame = pd.DataFrame({"soil_c": soil, "soil_from_20_c": soil - 20, "group": np.tile(np.arange(10), 30),
                          "y": 100 + 2 * soil + noise})
    fit = fit_mixed("y ~ soil_from_20_c + I(soil_from_20_c ** 2) + (1 | group)", frame)
    _, best = soil_curve(fit, frame, level=0.9)
    assert np.isnan(best["estimate"]) and np.isinf(best["low"]) and np.isinf(best["high"])


def test_between_and_within_are_made_of_fruits_not_of_tapings(found):
    fruits = found.rows.drop_duplicates("fruit")
    mean = fruits.groupby("grower")["secondaries"].mean()
    assert found.rows["secondaries_between"].to_numpy() == pytest.approx(found.rows["grower"].map(mean).to_numpy())
    assert (found.rows["secondaries_within"] + found.rows["secondaries_between"]).to_numpy() == pytest.approx(
        found.rows["secondaries"].to_numpy(float))


def test_every_gain_is_used_or_counted(club, found):
    gains = daily_gains(club.tables)
    counted = sum(count for reason, count in found.left_out.items() if reason not in gains.attrs["left_out"])
    assert len(gains) == found.fit.n_rows + counted


def test_grams_change_no_effect(club, found):
    """Law: the response times 0.001 and no verdict changes."""
    gains = daily_gains(club.tables)
    masses = [column for column in gains.columns if "_kg" in column]
    light = gains.assign(**{column: gains[column] * 1e-3 for column in masses})
    again = fit_drivers(None, gains=light)
    assert again.effects["estimate"].to_numpy() == pytest.approx(found.effects["estimate"].to_numpy(), rel=1e-4)
    assert again.effects["se"].to_numpy() == pytest.approx(found.effects["se"].to_numpy(), rel=1e-4)


def test_an_unknown_model_is_refused_in_words(club):
    with pytest.raises(ModelError, match="There is no model 'best'; the models are club, without the split"):
        fit_drivers(club.tables, model="best")


def test_shifts_are_shrunken_and_a_single_fruit_is_not_first_by_luck(found):
    table = shifts(found.fit, "grower", rows=found.rows)
    assert table["shift"].is_monotonic_decreasing
    entries = shifts(found.fit, "fruit", rows=found.rows)
    few = entries[entries["n_rows"] <= 5]
    assert len(few) and few["se"].mean() > entries["se"].mean()
    assert few["shift"].abs().mean() < few["raw"].abs().mean()  # little to go by: drawn towards the middle
    for group in ("fruit", "grower"):
        with pytest.raises(ModelError, match="the rows fitted to are needed"):
            shifts(found.fit, group)


def test_joint_errors_agree_with_the_engine(found):
    """Law: a sum of every shift and the fixed part has the estimate and the error of the engine's own prediction."""
    fit = found.fit
    groups = ["fruit", "grower", "patch_season", "season", "seed"]
    place = np.arange(0, fit.n_rows, fit.n_rows // 12)
    rows = found.rows.loc[fit.design.index[place]].assign(age10=0.0)  # where a fruit's slope adds nothing
    fixed = pd.DataFrame(fit.design.x[place], columns=list(fit.design.names), index=rows.index)
    total, covariance = joint_shifts(fit, rows[groups], fixed=fixed)
    told = fit.predict(rows)
    assert total.to_numpy() == pytest.approx(told["estimate"].to_numpy(), rel=1e-8)
    assert np.sqrt(np.diag(covariance)) == pytest.approx(told["se"].to_numpy(), rel=1e-8)


def test_ranks_and_chances_add_up(found):
    table = shifts(found.fit, "grower", rows=found.rows)
    chance = chance_better(found.fit, "grower", rows=found.rows)
    assert (chance + chance.T).to_numpy() == pytest.approx(1.0)
    assert chance.loc[table.index[0], table.index[-1]] > 0.5
    order = ranks(found.fit, "grower", rows=found.rows)
    assert order["top_3"].sum() == pytest.approx(3.0) and order["first"].sum() == pytest.approx(1.0)
    seasons = season_table(found.fit)
    assert seasons["season"].is_monotonic_increasing and (seasons["low"] < seasons["high"]).all()


def test_skilled_growers_stand_high(club, found):
    """The invented club knows each grower's true skill: the shrunken shifts follow it, and their intervals cover it
    (no fewer than 90 % would leave by chance, 199 times in 200)."""
    true = club.latent["fruits"].groupby("grower")["grower_percent"].first()
    table = shifts(found.fit, "grower", rows=found.rows)
    true = true[table.index] - true[table.index].mean()
    assert np.corrcoef(true, table["shift"])[0, 1] > 0.7
    inside = ((table["low"] <= true) & (true <= table["high"])).sum()
    assert inside >= stats.binom.ppf(0.005, len(true), 0.9)


def test_leaving_out_seasons_moves_little_and_misses_none(found):
    table = leave_one_out(found, "season")
    assert set(table["left_out"]) == {str(s) for s in found.rows["season"].unique()}
    assert (table["moved"].abs() < 3).all()
    with pytest.raises(ModelError, match="no group 'moon'"):
        leave_one_out(found, "moon")


def test_survival_weights_are_one_where_nothing_was_lost(club, found):
    whole = dict(club.tables)
    whole["fruits"] = whole["fruits"].assign(end_reason="weighed")
    assert (survival_weights(whole, found.rows) == 1.0).all()
    weights = survival_weights(club.tables, found.rows)
    assert weights.mean() == pytest.approx(1.0, abs=0.05) and weights.std() > 0


def test_a_loss_long_after_the_last_row_is_none_of_its_week(club, found):
    """Ages end at day 80: a fruit lost at day 95 came through all the weeks looked at, as one that was weighed did."""
    late = dict(club.tables)
    last = found.rows.groupby("fruit")["date"].max()
    fruits = late["fruits"]
    late["fruits"] = fruits.assign(end_reason="weighed").astype(fruits.dtypes.to_dict())
    gone = fruits["fruit"].isin(last.index[::3])
    late["fruits"].loc[gone, "end_reason"] = "aborted"
    end = fruits["fruit"].map(last)
    late["fruits"]["end_date"] = end + pd.Timedelta(days=30)
    assert (survival_weights(late, found.rows) == 1.0).all()
    late["fruits"]["end_date"] = end + pd.Timedelta(days=2)
    assert survival_weights(late, found.rows).std() > 0


def test_pooling_in_closed_form():
    """Worked by hand (Rubin 1987, ch. 3; Barnard & Rubin 1999, Biometrika 86:948-955). Estimates 1, 2, 3 with se 1:
    W = 1, B = 1, T = 1 + 4/3 = 7/3, fraction 4/7; df of the whole table 10: observed (11/13) 10 (3/7) = 330/91, Rubin's
    2 (7/4)^2 = 49/8, so 1 / (91/330 + 8/49). Estimates that agree: no information missing, df (11/13) 10."""
    found = pooled(np.array([[1.0, 5.0], [2.0, 5.0], [3.0, 5.0]]), np.ones((3, 2)), np.array([10.0, 10.0]), level=0.9)
    assert found["estimate"].tolist() == [2.0, 5.0]
    assert found["se"].tolist() == pytest.approx([np.sqrt(7 / 3), 1.0], rel=1e-12)
    assert found["missing_information"].tolist() == pytest.approx([4 / 7, 0.0], abs=1e-12)
    assert found["df"].tolist() == pytest.approx([1 / (91 / 330 + 8 / 49), 110 / 13], rel=1e-9)
    half = found["high"] - found["estimate"]
    assert half.to_numpy() == pytest.approx(stats.t.ppf(0.95, found["df"]) * found["se"], rel=1e-12)
    # A table without end: Rubin's own degrees of freedom.
    endless = pooled(np.array([[1.0], [2.0], [3.0]]), np.ones((3, 1)), np.array([np.inf]))
    assert endless["df"].tolist() == pytest.approx([49 / 8], rel=1e-6)


def test_a_fruit_has_one_plant_size_also_when_it_is_made_up(found):
    """Plant sizes wiped out for a third of the fruits come back with an effect that is not watered down."""
    from dataclasses import replace

    rows = found.rows.loc[found.fit.design.index].copy()
    fruits = rows["fruit"].drop_duplicates()
    rows.loc[rows["fruit"].isin(fruits.sample(frac=1 / 3, random_state=2)), "secondaries"] = np.nan
    sizes = _plant_sizes(rows, np.random.default_rng(1))
    for size in (next(sizes), next(sizes)):
        assert size.notna().all() and (size.groupby(rows["fruit"]).nunique() == 1).all()
        assert size[rows["secondaries"].notna()].equals(rows["secondaries"].dropna())
    table = imputed(replace(found, rows=rows), imputations=5).loc["secondaries_within"]
    whole = found.fit.coef.loc["secondaries_within"]
    assert table["missing_information"] > 0.05
    assert table["imputed"] == pytest.approx(whole["estimate"], abs=2 * table["imputed_se"])
    assert table["imputed_se"] > whole["se"]


def test_imputing_nothing_changes_nothing(found):
    """Law: with no gap, multiple imputation is the complete-case fit and no information is missing."""
    from dataclasses import replace

    kept = found.rows.loc[found.fit.design.index]
    fruits = kept.drop_duplicates("fruit").groupby("grower")["secondaries"].mean()
    kept = kept.assign(secondaries_between=kept["grower"].map(fruits))
    kept["secondaries_within"] = kept["secondaries"] - kept["secondaries_between"]
    whole = replace(found, rows=kept, fit=fit_mixed(found.model.formula, kept))
    table = imputed(whole, imputations=2)
    assert table["imputed"].to_numpy() == pytest.approx(table["complete"].to_numpy(), rel=1e-6)
    assert (table["missing_information"] < 1e-9).all()


def test_driver_rows_name_the_reference(found):
    rows = driver_rows(daily_gains(demo.simulate(members=12, seasons=2).tables), found.curve)
    assert (rows["soil_from_20_c"] - (rows["soil_c"] - 20.0)).abs().max() < 1e-12


def test_what_is_made_up_is_made_up_alike_in_every_run(found):
    """The draws hang on the seed alone, not on numpy's global stream."""
    one = imputed(found, imputations=2, seed=3)
    np.random.seed(99)
    pd.testing.assert_frame_equal(one, imputed(found, imputations=2, seed=3))
    assert (imputed(found, imputations=2, seed=4)["imputed"] != one["imputed"]).any()
