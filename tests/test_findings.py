"""Findings: the arithmetic against printed tables, the sentences word for word."""

import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.weightstats import DescrStatsW

from patchstats import findings
from patchstats.remarks import ModelError, PatchstatsError
from patchstats.units import IMPERIAL, METRIC


def fit_with(term, estimate, se, df, formula="gain_kg_day ~ secondaries + (1 | grower)"):
    return SimpleNamespace(coef=pd.DataFrame({"estimate": [estimate], "se": [se], "df": [df]}, index=[term]),
                           formula=formula)


# --- effects


def test_the_interval_is_the_t_quantile_times_the_standard_error():
    # t(0.95; 20) = 1.725: Fisher and Yates, Statistical Tables, table III (3 decimals; any statistics textbook).
    found = findings.effect(fit_with("secondaries", 1.0, 1.0, 20.0), "secondaries")
    assert found.high - found.estimate == pytest.approx(1.725, abs=0.0005)
    assert found.estimate - found.low == pytest.approx(1.725, abs=0.0005)


def test_without_degrees_of_freedom_the_quantile_is_normal():
    # z(0.95) = 1.6449: any table of the normal distribution.
    found = findings.effect(fit_with("secondaries", 1.0, 1.0, np.inf), "secondaries")
    assert found.high - found.estimate == pytest.approx(1.6449, abs=0.00005)


def test_per_multiplies_estimate_error_and_interval():
    one = findings.effect(fit_with("secondaries", 0.2, 0.05, np.inf), "secondaries")
    five = findings.effect(fit_with("secondaries", 0.2, 0.05, np.inf), "secondaries", per=5)
    for part in ("estimate", "se", "low", "high"):
        assert getattr(five, part) == pytest.approx(5 * getattr(one, part))


def test_per_is_in_shown_units():
    # A difference of 9 degrees Fahrenheit is 5 kelvin: NIST SP 811, appendix B.8.
    fit = fit_with("soil_c", 0.1, 0.02, np.inf)
    imperial = findings.effect(fit, "soil_c", per=9)
    metric = findings.effect(fit, "soil_c", per=5, shown=METRIC)
    assert imperial.estimate == pytest.approx(metric.estimate) == pytest.approx(0.5)


def test_effect_in_words():
    found = findings.effect(fit_with("secondaries", 0.19, 0.05, np.inf), "secondaries", per=5)
    assert found.sentence == ("Every 5 more secondary vines at pollination went with 2.1 lb a day more gain "
                              "(90% interval 1.2 to 3.0).")
    assert found.caveat == "Observational: members were not told by lot when to set or how large a plant to keep."


def test_effect_among_a_growers_own_fruits_in_metric_words():
    fit = fit_with("set_day_within", -0.8, 0.2, np.inf, "pace_percent ~ set_day_within")
    found = findings.effect(fit, "set_day_within", per=7, shown=METRIC)
    assert found.sentence == ("Among one grower's own fruits, every week later that a fruit was set went with 6% less "
                              "daily gain (90% interval 3 to 8).")


def test_an_interval_that_holds_zero_is_said_so():
    found = findings.effect(fit_with("soil_c", 0.05, 0.1, np.inf), "soil_c", per=1, shown=METRIC)
    assert found.sentence == ("Every degree Celsius of warmer soil went with 0.05 kg a day more gain, which cannot "
                              "be told from none (90% interval 0.11 less to 0.21 more).")
    assert findings.effect(fit_with("soil_c", 0.05, 0.1, np.inf), "soil_c", per=5).sentence.startswith(
        "Every 5 degrees Fahrenheit of warmer soil went with")


def test_a_term_that_the_model_lacks():
    with pytest.raises(ModelError, match="The model has no term 'leaves'; its terms are secondaries."):
        findings.effect(fit_with("secondaries", 1, 1, 9), "leaves")


@pytest.mark.parametrize(("low", "high", "words"), [
    (100.0, 300.0, "100 to 300"), (1.0, 3.0, "1.0 to 3.0"), (0.1, 0.3, "0.10 to 0.30"),
    (0.001, 0.003, "0.001 to 0.003"),
])
def test_figures_are_rounded_to_what_the_interval_carries(low, high, words):
    found = findings.changed("Every vine", (low + high) / 2, low=low, high=high, column="mass_kg", shown=METRIC)
    assert words in found.sentence


def test_units_change_the_sentence_and_nothing_else():
    fit = fit_with("secondaries", 0.19, 0.05, 30.0)
    imperial = findings.effect(fit, "secondaries", per=5)
    metric = findings.effect(fit, "secondaries", per=5, shown=METRIC)
    assert (imperial.estimate, imperial.low, imperial.high) == (metric.estimate, metric.low, metric.high)
    assert "lb a day" in imperial.sentence and "kg a day" in metric.sentence


def test_sides_that_differ_and_sides_that_cannot_be_told():
    told = findings.sides_differ("plant size", 6.0, low=2.0, high=10.0, column="pace_percent", change="5 more vines")
    assert told.sentence == (
        "For plant size, comparing growers with each other gives an effect 6 percentage points higher for 5 more vines "
        "than comparing one grower's own fruits (90% interval 2 to 10): growers differ in other things too, so "
        "act on the effect among a grower's own fruits.")
    untold = findings.sides_differ("set date", -1.0, low=-4.0, high=2.0, column="pace_percent")
    assert "1 percentage points lower (90% interval 4 lower to 2 higher)" in untold.sentence


def test_best_soil_in_words():
    found = findings.best_soil(21.0, low_c=19.5, high_c=22.5)
    assert found.sentence == "Gain was highest with the soil near 70 °F (90% interval 67 °F to 72 °F)."
    inside = findings.best_soil(21.0, low_c=19.5, high_c=22.5, logged_c=(12.0, 26.0))
    assert inside.sentence == found.sentence


def test_a_top_beyond_the_soils_logged_is_no_finding():
    warm = findings.best_soil(30.0, low_c=28.0, high_c=34.0, logged_c=(12.0, 25.0))
    assert warm.sentence == ("Gain was still rising towards the warmest soil of these logs, 77 °F; where it would be "
                             "highest they cannot tell.")
    cold = findings.best_soil(5.0, low_c=-np.inf, high_c=np.inf, logged_c=(10.0, 25.0))
    assert "towards the coldest soil of these logs, 50 °F" in cold.sentence


def test_every_way_counts_signs_and_intervals():
    ways = pd.DataFrame({"estimate": [8.0, 6.0, -1.0], "low": [5.0, 2.0, -4.0], "high": [11.0, 10.0, 2.0]})
    found = findings.every_way(ways, "plant size")
    assert found.sentence == ("Worked out in 3 ways, the effect of plant size ran from -1% to +8% (reported: +8%); 2 "
                              "of 3 have the reported sign, and 2 of 3 have an interval at 90% that leaves out zero.")
    assert (found.estimate, found.low, found.high) == (8, -1, 8)
    assert "the effect of setting a week later ran from" in findings.every_way(ways, "set a week later").sentence


def drivers_with(best=23.0):
    effects = pd.DataFrame([("5 more", "within", "secondaries_within", 5.0, 9.7, 1.6, 7.0, 12.4),
                            ("5 more", "between", "secondaries_between", 5.0, 18.5, 2.9, 13.7, 23.3),
                            ("5 more", "naive", "secondaries", 5.0, 14.2, 0.7, 13.0, 15.3)],
                           columns=["effect", "side", "term", "per", "estimate", "se", "low", "high"])
    sides = pd.DataFrame({"estimate": [1.76], "se": [0.64], "low": [0.67], "high": [2.86]}, index=["secondaries"])
    soil = pd.Series({"estimate": best, "se": 0.5, "low": best - 1, "high": best + 1})
    fit = SimpleNamespace(check=lambda: pd.DataFrame({"sentence": ["9 rows were left out."]}))
    return SimpleNamespace(model=SimpleNamespace(response="pace_percent"), fit=fit, level=0.9, effects=effects,
                           sides=sides, soil=pd.DataFrame({"soil_c": [15.0, 26.0]}), soil_best=soil)


def test_what_drives_says_own_fruits_first_and_the_plain_regression_last():
    found = list(findings.what_drives(drivers_with()))
    assert found[0].sentence == ("Among one grower's own fruits, every 5 more secondary vines at pollination went with "
                                 "10% more daily gain (90% interval 7 to 12).")
    assert found[0].doubts == ("9 rows were left out.",) and not any(f.doubts for f in found[1:])
    assert "near 73.4 °F" in found[1].sentence
    assert found[2].sentence.startswith("For plant size, comparing growers with each other gives an effect 9 "
                                        "percentage points higher for 5 more than comparing one grower's own fruits")
    assert found[2].estimate == pytest.approx(5 * 1.76)
    assert found[3].sentence.startswith("In a plain comparison of all fruits, whoever grew them, every 5")
    assert "what better growers have anyway" in found[3].caveat


def test_a_flat_soil_curve_has_no_best_temperature():
    found = list(findings.what_drives(drivers_with(best=np.inf)))
    assert found[1].sentence == "These logs cannot tell at which soil temperature gain is highest."
    assert not found[1].doubts


# --- counts, shares and middles


def test_rows_that_add_up_and_rows_that_do_not():
    found = findings.rows_taken_in(files=350, read=12345, kept=12300, listed=45)
    assert found.sentence == ("From 350 files 12,345 rows were read: 12,300 were kept and 45 listed with a remark, "
                              "which adds up.")
    with pytest.raises(PatchstatsError, match="Rows do not add up: 12,345 read, but 12,300 kept and 44 listed."):
        findings.rows_taken_in(files=1, read=12345, kept=12300, listed=44)


# Newcombe 1998, Statistics in Medicine 17:857-872, table I, method 3 (Wilson's score), 95%: from memory.
@pytest.mark.parametrize(("part", "whole", "low", "high"), [
    (81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718),
])
def test_share_against_newcombe(part, whole, low, high):
    found = findings.share(part, whole, "flowers set", level=0.95)
    assert found.low / 100 == pytest.approx(low, abs=0.00005)
    assert found.high / 100 == pytest.approx(high, abs=0.00005)


def test_share_in_words_and_no_share():
    assert findings.share(81, 263, "flowers set", level=0.95).sentence == (
        "81 of 263 flowers set: 31% (95% interval 26 to 37).")
    with pytest.raises(PatchstatsError, match="part of a whole"):
        findings.share(3, 0, "flowers")
    with pytest.raises(PatchstatsError, match=r"Nothing is counted yet to take a share of \(flowers\)"):
        findings.share(0, 0, "flowers")


@pytest.mark.parametrize("n", [7, 10, 40, 101])
def test_the_interval_of_the_middle_covers_by_the_binomial_law(n):
    # Closed form (Conover 1999, section 3.2): between the r-th and (n+1-r)-th of n values lies the middle with
    # probability 1 - 2 * sum over i < r of C(n, i) / 2**n. The narrowest such interval of at least the level.
    found = findings.middle(pd.Series(range(1, n + 1)), "count", "value")
    r = int(found.low)
    assert found.high == n + 1 - r
    outside = [2 * sum(math.comb(n, i) for i in range(rank)) / 2**n for rank in (r, r + 1)]
    assert outside[0] <= 0.1 < outside[1]


def test_the_middle_of_very_few_says_so():
    found = findings.middle(pd.Series([100.0, 200.0, None, 400.0]), "mass_kg", "weight", shown=METRIC)
    assert found.estimate == 200 and (found.low, found.high) == (100, 400)
    assert found.doubts == ("Only 3 fruits: the interval is all there is, and holds less surely than 90%.",)
    alone = findings.middle(pd.Series([100.0]), "mass_kg", "weight", shown=METRIC)
    assert (alone.low, alone.high) == (-math.inf, math.inf)  # one value says nothing of how far others lie from it
    assert alone.sentence == "The weight was 100 kg in the one case that there is, which has no interval."
    assert alone.doubts == ("One case says little of others.",)
    with pytest.raises(PatchstatsError, match="no value"):
        findings.middle(pd.Series([], dtype=float), "mass_kg", "weight")


def test_against_chart_is_the_t_interval_of_a_mean():
    # Percent to chart of the ten largest of 2018, computed from (over-the-top, scale) pairs in: Giant Pumpkins, R4DS
    # TidyTuesday 2021-10-19. Interval: statsmodels DescrStatsW.tconfint_mean.
    percent = pd.Series([5.5, 6.3, 4.3, 1.6, 18.1, -0.7, 4.2, 10.8, 2.5, 9.6])
    low, high = DescrStatsW(percent).tconfint_mean(alpha=0.1)
    found = findings.against_chart(percent)
    assert (found.low, found.high) == (pytest.approx(low), pytest.approx(high))
    assert found.sentence == ("On the average 10 entries went 6.2% heavy to chart (90% interval 3.1 to 9.4); "
                              "single entries scatter about that with a standard deviation of 5%.")


def test_a_portion_in_words():
    found = findings.portion("the seed line", "lasting differences between fruits", 0.25, low=0.1, high=0.4)
    assert found.sentence == (
        "Of lasting differences between fruits, 25% goes with the seed line (90% interval 10 to 40).")
    untold = findings.portion("the seed line", "lasting differences", 0.25, low=0.0, high=1.0, told=False)
    assert untold.sentence == "These logs cannot tell how much of lasting differences goes with the seed line."


def test_a_path_against_the_scale():
    # 1469 lb on a chart of 1770 lb is 17 % light: Warren, Backyard Giants, 2007 (a fruit of 2005).
    found = findings.path_against_scale("Ada Moor/2005/A", 1770 * 0.45359237, low=1750 * 0.45359237,
                                        high=1790 * 0.45359237, scale_kg=1469 * 0.45359237)
    assert found.sentence == ("By tape and table Ada Moor/2005/A stood last at 1,770 lb (90% interval 1,750 to 1,790, "
                              "of the tape alone); the scale said 1,469 lb, 17% light to chart.")


@pytest.mark.parametrize(("value", "agrees"), [(49.5101, True), (49.514999, True), (49.5151, False)])
def test_against_a_book_to_its_last_digit(value, agrees):
    found = findings.against_book("residual sd", value, "49.51", "a book")
    assert found.sentence.endswith("which agree.") is agrees
    assert (found.low <= value <= found.high) is agrees


# --- growers and seasons compared

LEVELS = pd.DataFrame({"shift": [1.0, 9.0, -8.0, 2.0], "se": 2.0, "low": [-2.3, 5.7, -11.3, -1.3],
                       "high": [4.3, 12.3, -4.7, 5.3]}, index=["Bo Fenn", "Ada Moor", "Wim Oster", "Ulla Varn"])


def test_growers_compared_in_words():
    best, apart = findings.compared(LEVELS)
    assert best.sentence == ("With conditions taken into account, Ada Moor stands first of 4 growers: 9% above the "
                             "club's middle (90% interval 6 to 12).")
    assert apart.sentence == ("Of 4 growers, one can be told to lie above the club's middle and one below it; two "
                              "cannot be told from it (each at 90%).")
    (behind, _) = findings.compared(LEVELS.loc[["Wim Oster"]])
    assert "8% below the club's middle, which cannot be told from the middle (90% interval 5 to 11)" in behind.sentence


@pytest.mark.parametrize(("chance", "words", "settled"), [
    (0.76, "76 in 100", False), (0.999, "more than 99 in 100", True), (0.001, "less than 1 in 100", True),
    (0.95, "95 in 100", True),
])
def test_a_chance_in_words(chance, words, settled):
    sentence = findings.better("Ada Moor", "Bo Fenn", chance).sentence
    assert f"is {words}." in sentence
    assert ("settles nothing" not in sentence) is settled


def test_a_simulated_chance_carries_the_error_of_the_simulation():
    # Wilson, 81 of 263 at 95%: Newcombe 1998, table I.
    found = findings.better("A", "B", 81 / 263, draws=263, level=0.95)
    assert (found.low, found.high) == (pytest.approx(25.53, abs=0.005), pytest.approx(36.62, abs=0.005))
    with pytest.raises(PatchstatsError, match="between 0 and 1"):
        findings.better("A", "B", 1.2)


def test_among_first_and_seasons():
    ranks = pd.DataFrame({"rank": [1.0, 2.0], "low": [1.0, 1.0], "high": [4.0, 9.0], "top_3": [0.8, 0.6]},
                         index=["Ada Moor", "Bo Fenn"])
    assert "80 in 100; the rank may be anywhere from 1 to 4" in findings.among_first(ranks).sentence
    table = pd.DataFrame({"season": [2021, 2022], "estimate": [-6.0, 5.0], "low": [-9.0, 2.0], "high": [-3.0, 8.0]})
    assert findings.seasons(table).sentence == (
        "The best of 2 seasons was 2022, 5% above the club's middle (90% interval 2 to 8), the poorest 2021, 6% below "
        "the club's middle (90% interval 3 to 9); their intervals do not meet.")
    assert "poorest 2021, 6% below the club's middle (90% interval 9 below to 1 above)" in (
        findings.seasons(table.assign(high=[1.0, 8.0])).sentence)
    assert findings.seasons(table).sentence.endswith("their intervals do not meet.")
    assert findings.seasons(table.assign(low=-9.0)).sentence.endswith("so the order is not sure.")


def test_levels_that_do_not_differ_have_no_first():
    level = LEVELS * 0.0
    (found,) = findings.compared(level, group="seasons")
    assert found.sentence == ("With conditions taken into account, none of 4 seasons stands first: how far they lie "
                              "apart is estimated as nothing.")
    table = pd.DataFrame({"season": [2021, 2022], "estimate": 0.0, "low": 0.0, "high": 0.0})
    assert findings.seasons(table).sentence.startswith("None of 2 seasons was the best: how far")
    ranks = pd.DataFrame({"rank": [2, 3], "low": 1, "high": 4, "top_3": [0.76, 0.74]}, index=["2021", "2022"])
    ranks = pd.concat([ranks, ranks.rename({"2021": "2023", "2022": "2024"})])
    assert findings.among_first(ranks, group="seasons").sentence == (
        "None of the 4 seasons is likelier than another to be among the first 3.")


def test_doubts_of_a_comparison_in_words():
    rows = pd.Series([9, 3, 2, 8])
    assert findings.little_to_go_by(rows).tolist() == [
        "Two of 4 growers have fewer than 4 stretches of gain: what is said of them is mostly the club's middle."]
    assert findings.little_to_go_by(rows[[0, 3]]).empty
    told = pd.DataFrame({"told_apart": [False, False, True]})
    assert findings.pairs_told(told).tolist() == [
        "Of 3 pairs, one can be told apart when all are asked at once (Holm's method)."]


def test_progress_in_words():
    line = pd.Series({"estimate": -2.4, "se": 0.5, "low": -3.6, "high": -1.2, "seasons": 6})
    found = findings.progress(line)
    assert found.sentence == ("Over 6 seasons, members, seed and conditions taken out, daily gain fell by 2.4% a "
                              "season (90% interval 1.2 to 3.6).")
    assert found.caveat.startswith("Observational")
    flat = findings.progress(line.replace({-1.2: 1.0}))
    assert flat.sentence.endswith("neither up nor down by more than these logs can tell (90% interval 4 less to 1 more "
                                  "a season).")


def test_every_finding_of_what_members_did_is_called_observational():
    table = pd.DataFrame([("the grower", 0.8, 0.6, 0.9)], columns=["what", "share", "low", "high"])
    all_of_them = findings.together(findings.what_drives(drivers_with()), findings.explains(table),
                                    findings.compared(LEVELS))
    assert all(f.caveat.startswith("Observational: members were not told by lot") for f in all_of_them)
    assert repr(all_of_them).count("Observational") == 1
    assert "A plain comparison mixes" in repr(all_of_them) and "Shares within this club" in repr(all_of_them)


def test_an_effect_of_nothing_is_not_nought_percent_less():
    found = findings.changed("Every inch", -0.001, low=-0.4, high=0.4, column="pace_percent")
    assert found.sentence == ("Every inch went with neither more daily gain nor less that could be told (90% interval "
                              "0.4 less to 0.4 more).")


def test_practices_told_apart_in_words():
    table = pd.DataFrame([("secondaries", "secondary vines at set", 20.1, 17.0, 3.1, 0.6, 2.1, 4.1, 0.001, 0.002, 90),
                          ("main_vine_cm", "main vine at set", 500.0, 480.0, 20.0, 20.0, -13.0, 53.0, 0.3, 0.6, 90)],
                         columns=["practice", "meaning", "best", "middle", "difference", "se", "low", "high", "p",
                                  "p_adjusted", "patches"])
    count, one = findings.practices(table)
    assert count.sentence.startswith("Of 2 practices compared between the best patches and the middle ones, one can")
    assert one.sentence == ("Secondary vines at set: 20.1 on the best patches, 17.0 on the middle ones; season by "
                            "season the best had 3.1 more (90% interval 2.1 to 4.1).")
    assert "Observational" in one.caveat


# --- how findings show themselves


def test_repr_and_markdown_come_from_one_text():
    found = findings.best_soil(21.0, low_c=19.5, high_c=22.5, doubts=("few warm soils",))
    assert found._repr_markdown_() == (
        "Gain was highest with the soil near 70 °F (90% interval 67 °F to 72 °F).\n\n"
        "*Observational: members were not told by lot when to set or how large a plant to keep.*\n\n"
        "- Doubt: few warm soils")
    assert repr(found) == found._repr_markdown_().replace("*", "").replace("\n\n", "\n")


def test_together_says_each_caveat_once_and_makes_a_table():
    both = findings.together(findings.best_soil(21.0, low_c=19.5, high_c=22.5), findings.compared(LEVELS))
    assert len(both) == 3
    assert repr(both).count("Observational") == 1
    assert list(both.table().columns) == ["name", "estimate", "se", "low", "high", "level", "column", "sentence"]


def test_what_explains_most_comes_first_and_a_missing_interval_is_said():
    table = pd.DataFrame([("the season", 0.2, 0.0, np.nan), ("the grower", 0.8, 0.6, 0.9)],
                         columns=["what", "share", "low", "high"])
    first, second = findings.explains(table)
    assert first.sentence == ("Of the lasting differences between fruits, the grower explains 80% (90% interval 60 to "
                              "90).")
    assert second.sentence.endswith("the season explains 20% (no interval can be given).")
    (own,) = findings.explains(table.assign(what="the fruit itself").head(1))
    assert "fruits, 20% stays with the single fruit, explained by nothing here (no" in own.sentence


def test_effects_by_age_say_both_ends_and_whether_they_differ():
    table = pd.DataFrame([("5 more vines", 20, 10.0, 8.0, 12.0), ("5 more vines", 70, 4.0, 1.0, 7.0),
                          ("a week later", 20, -7.0, -9.0, -5.0), ("a week later", 70, -6.0, -9.0, -3.0)],
                         columns=["effect", "day", "estimate", "low", "high"])
    changes = pd.DataFrame({"p": [0.01, 0.4]}, index=["5 more vines", "a week later"])
    fades, stays = findings.acts_at_age(table, changes)
    assert fades.sentence == ("5 more vines went with 10% more daily gain at day 20 (90% interval 8 to 12) and 4% more "
                              "daily gain at day 70 (90% interval 1 to 7), so it changes with age (p = 0.01).")
    assert fades.estimate == pytest.approx(-6.0)
    assert "7% less daily gain at day 20 (90% interval 5 to 9)" in stays.sentence
    assert stays.sentence.endswith("and these logs cannot tell whether it changes with age (p = 0.40).")


def test_doubts_of_a_fit_name_no_columns():
    check = pd.DataFrame([
        ("few degrees of freedom", name, f"{name} rests on about 3.8 degrees of freedom: very few independent "
         "comparisons.") for name in ("(Intercept)", "spline(day, 4)[0]", "secondaries_between",
                                      "I(soil_from_20_c ** 2)", "soil_from_20_c")]
        + [("few levels", "patch_season", "patch_season has only 4 levels: its spread is hardly known.")],
        columns=["doubt", "about", "sentence"])
    assert findings.of_fit(check).tolist() == [
        "The effect of plant size between growers rests on about 3.8 degrees of freedom: very few independent "
        "comparisons.",
        "The effect of soil temperature rests on about 3.8 degrees of freedom: very few independent comparisons.",
        "Patch in a season has only 4 levels: its spread is hardly known."]


def test_weather_is_asked_in_whole_units_of_the_club():
    drivers = drivers_with()
    drivers.effects.loc[0] = ("5 mm a day", "unsplit", "water_7_mm", 5.0, 1.0, 0.2, 0.5, 1.5)
    inch, mm = (next(iter(findings.what_drives(drivers, shown=shown))) for shown in (IMPERIAL, METRIC))
    assert inch.sentence == ("Every further inch of water a day in the last week went with 5% more daily gain (90% "
                             "interval 3 to 8).")
    assert (inch.estimate, inch.low) == (pytest.approx(25.4 / 5), pytest.approx(25.4 / 10))  # NIST SP 811: 25.4 mm
    assert mm.sentence.startswith("Every 5 millimetres more of water a day in the last week went with 1.0% more")


def test_doubts_speak_of_plant_size_and_not_of_columns():
    without = pd.DataFrame([("grower", "Ada Moor", "secondaries_within", 1.2),
                            ("grower", "Bo Fenn", "set_day_within", 0.2), ("season", "2024", "set_day_between", -0.7)],
                           columns=["group", "left_out", "term", "moved"])
    assert findings.leans_on(without).tolist() == [
        "Leaving out Ada Moor moves the effect of plant size most of all growers: by 1.2 of its standard errors.",
        "Leaving out 2024 moves the effect of set date between growers most of all seasons: by 0.7 of its standard "
        "errors."]
    table = pd.DataFrame({"complete": 2.0, "complete_low": 1.4, "complete_high": 2.6, "complete_rows": 3000,
                          "imputed": 1.8, "imputed_low": 1.3, "imputed_high": 2.3, "imputed_rows": 4000},
                         index=["secondaries_within"])
    (said,) = findings.gaps_filled(table, {"secondaries_within": 5.0})
    assert said == ("Effect of plant size from the 3,000 rows without gaps: +10% (+7 to +13); from 4,000 rows with "
                    "their gaps filled in many times over: +9% (+6 to +12).")
