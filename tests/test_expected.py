"""What the model expects: marginal means, effects by age, what explains the differences."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from patchstats import demo
from patchstats.drivers import fit_drivers
from patchstats.expected import effects_by_age, expected_gain, explained
from patchstats.gains import daily_gains
from patchstats.remarks import ModelError


@pytest.fixture(scope="module")
def club():
    return demo.simulate()


@pytest.fixture(scope="module")
def found(club):
    return fit_drivers(club.tables)


def test_expected_gains_differ_by_the_effect(found):
    """Law: two marginal means lie apart by the effect within growers times the difference asked."""
    table = expected_gain(found, "secondaries", [10, 15], day=40)
    step = table["pace_percent"].diff().iloc[1]
    assert step == pytest.approx(5 * found.fit.fixed["secondaries_within"], rel=1e-9)
    middle = np.interp(40, found.curve["day"], found.curve["gain_kg_day"])
    assert table["gain_kg_day"].to_numpy() == pytest.approx(table["pace_percent"].to_numpy() * middle / 100)
    assert (table["pace_percent_low"] < table["pace_percent"]).all()
    soil = expected_gain(found, "soil_c", [20.0, found.soil_best["estimate"], 26.0])
    assert soil["pace_percent"].idxmax() == 1


def test_expected_gain_is_the_engines_prediction(found):
    """A typical grower's fruit in the middle of the club, asked of the engine itself (MixedFit.predict)."""
    rows = found.rows.loc[found.fit.design.index]
    # Other columns stand at the mean of the rows fitted to, as marginal means do.
    at = {c: [float(rows[c].mean())] for c in ("secondaries_between", "set_day_within", "set_day_between",
                                               "soil_from_20_c")}
    fruits = rows.drop_duplicates("fruit")
    new = pd.DataFrame({**at, "day": [30.0], "age10": [0.0],
                        "secondaries_within": [16 - float(fruits["secondaries_between"].mean())]})
    told = found.fit.predict(new, include=None)
    mine = expected_gain(found, "secondaries", [16], day=30)
    assert mine["pace_percent"].iloc[0] == pytest.approx(told["estimate"].iloc[0], rel=1e-9)


def test_conditions_that_the_model_lacks_are_refused_in_words(club, found):
    with pytest.raises(ModelError, match="cannot be asked by 'rain_mm'"):
        expected_gain(found, "rain_mm", [1.0])
    with pytest.raises(ModelError, match="not at day 5"):
        expected_gain(found, "secondaries", [10], day=5)
    dry = fit_drivers(club.tables, model="without soil")
    with pytest.raises(ModelError, match="ask by secondaries, set_day or soil_c"):
        expected_gain(dry, "soil_c", [20.0])


def test_effects_that_multiply_do_not_change_with_age(found):
    """The invented club's effects are the same percent at every age; one test in ten may say otherwise by chance."""
    ages = effects_by_age(found, days=(20, 40, 60))
    assert (ages.changes["p"] > 0.1).all()
    at40 = ages.table[ages.table["day"] == 40].set_index("effect")["estimate"]
    # At the age where age10 is zero the interaction adds nothing: the main effect of the wider model.
    assert at40.iloc[0] == pytest.approx(5 * ages.fit.fixed["secondaries_within"], rel=1e-9)
    middle = np.interp(ages.table["day"], found.curve["day"], found.curve["gain_kg_day"])
    assert ages.table["estimate_kg_day"].to_numpy() == pytest.approx(ages.table["estimate"].to_numpy() * middle / 100)


def test_an_effect_that_fades_with_age_is_found(club, found):
    """Each vine more is given 1 % of gain at day 20, falling to none at day 60: a slope of -0.25 % in ten days."""
    before = effects_by_age(found).fit.fixed["secondaries_within:age10"]
    rows = found.rows.copy()
    rows["pace_percent"] += 0.5 * rows["secondaries_within"].fillna(0.0) * (60 - rows["day"]) / 20
    ages = effects_by_age(replace(found, rows=rows))
    change = ages.changes.loc["5 more secondary vines at set"]
    assert change["p"] < 0.001
    product = ages.fit.coef.loc["secondaries_within:age10"]
    assert product["estimate"] == pytest.approx(before - 0.25, abs=product["se"])
    table = ages.table[ages.table["effect"] == "5 more secondary vines at set"]
    assert table["estimate"].is_monotonic_decreasing


def test_shares_add_up_and_hold_the_truth(club, found):
    """The truth is the invented club's own: variances of its parts over the fruits that the model saw."""
    table = explained(found).set_index("what")
    assert table["share"].sum() == pytest.approx(1.0, abs=1e-12)
    latent = club.latent["fruits"]
    used = latent[latent["fruit"].isin(found.rows.loc[found.fit.design.index, "fruit"])]
    model = club.truth["model"]
    plant = model.secondaries_percent * used["secondaries"]
    true = {"the grower": used["grower_percent"].var(), "the seed line": used["seed_percent"].var(),
            "the fruit itself": used["fruit_percent"].var(), "the patch in that season":
            used["patch_season_percent"].var(), "the season": used["season_percent"].var()}
    total = plant + model.set_day_percent * used["set_day"]
    own = np.cov(plant, total)[0, 1]
    whole = sum(true.values()) + total.var()
    for what, value in {**true, "plant size": own}.items():
        row = table.loc[what]
        # Soil is left out of the truth's whole: a share moves by less than its few percent.
        assert row["low"] - 0.03 <= value / whole <= row["high"] + 0.03, what
    assert table.loc["plant size", "sd_percent"] == pytest.approx(plant.std(), rel=0.3)


def test_shares_in_a_closed_form(found):
    """With no effect of any condition the shares are those of the variances alone."""
    fit = found.fit
    zero = SimpleNamespace(fixed=fit.fixed * 0.0, fixed_covariance=fit.fixed_covariance * 0.0, design=fit.design,
                           variances=fit.variances, level=fit.level)
    table = explained(replace(found, fit=zero)).set_index("what")["share"]
    sds = fit.variances.xs("(Intercept)", level="column")["sd"]
    assert table["the season"] == pytest.approx(sds["season"] ** 2 / (sds**2).sum(), rel=1e-12)
    assert table["plant size"] == 0.0


def test_a_spread_without_bounds_gives_a_share_without_bounds(found):
    """A standard deviation whose interval could not be worked out is not taken as known to the last digit."""
    fit = found.fit
    variances = fit.variances.copy()
    variances.loc[("patch_season", "(Intercept)"), ["low", "high"]] = np.nan
    same = SimpleNamespace(fixed=fit.fixed, fixed_covariance=fit.fixed_covariance, design=fit.design,
                           variances=variances, level=fit.level)
    row = explained(replace(found, fit=same)).set_index("what").loc["the patch in that season"]
    assert row["share"] > 0 and row["low"] == 0 and np.isnan(row["high"])


def test_heat_and_water_that_do_nothing_are_not_found(club):
    """The invented club's heat and rain act through the soil alone; 99 % intervals, asked once each."""
    for model, term in (("with heat", "heat_7_c_day"), ("with water", "water_7_mm")):
        told = fit_drivers(club.tables, model=model, level=0.99)
        row = told.effects.set_index(["term", "side"]).loc[(term, "unsplit")]
        assert row["low"] < 0 < row["high"]
        assert told.fit.n_rows > 300


def test_a_club_without_weather_is_told_what_to_hand_in(club):
    tables = {**club.tables, "weather": club.tables["weather"].iloc[:0]}
    with pytest.raises(ModelError, match="No patch has weather logged .* hand in a weather file"):
        fit_drivers(tables, model="with heat")
    with pytest.raises(ModelError, match="give the club, not its gains alone"):
        fit_drivers(None, gains=daily_gains(club.tables), model="with water")

