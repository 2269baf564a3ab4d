"""Gains between tapings: arithmetic, errors, joins, and what is left out."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from patchstats.gains import daily_gains, left_out
from patchstats.patchdays import patch_days
from patchstats.remarks import PatchstatsError
from patchstats.tables import check, conform
from patchstats.tape import mass_from_circumference, mass_from_tape
from patchstats.units import inches_to_cm, kg_to_lb

SET = pd.Timestamp("2021-07-04")


def club_of(totals, days, *, fruit="Ada Brook/2021/A", se_rows=None, **fruit_columns):
    """A club of one fruit with the totals [cm] taped on the days after pollination."""
    grower, season, _ = fruit.split("/")
    fruits = {"fruit": fruit, "plant": fruit, "patch": f"{grower}/home", "grower": grower, "season": int(season),
              "kind": "pumpkin", "seed": "1500 Brook 19", "set_date": SET, "secondaries_at_set": 20, **fruit_columns}
    readings = pd.DataFrame({"fruit": fruit, "date": SET + pd.to_timedelta(days, unit="D"), "over_the_top_cm": totals,
                             "file": "log.csv", "line": np.arange(len(days)) + 2})
    return {"fruits": conform("fruits", pd.DataFrame([fruits])), "readings": conform("readings", readings)}


def growth(day, final=1000.0):
    """Totals on the Gompertz curve through 77 % at 40 and 91 % at 60 days (Holland, N.E.P.G.A. Newsletter, 1993)."""
    return final * np.exp(-2.0073 * np.exp(-0.050966 * np.asarray(day, float)))


def test_gain_is_the_difference_of_published_weights_over_the_days():
    # Chart of 2017-21, modal recorded values: 300 in 623 lb, 310 in 687 lb (R4DS TidyTuesday 2021-10-19).
    gains = daily_gains(club_of([300 * 2.54, 310 * 2.54], [36, 38]))
    assert len(gains) == 1
    row = gains.iloc[0]
    assert row["gain_kg_day"] / 0.45359237 == pytest.approx((687 - 623) / 2, abs=0.5)
    assert (row["days"], row["day"]) == (2.0, 37.0)
    assert check("gains", gains).empty


def test_circumferences_that_growers_dated():
    # A of references/dated_growth_points.csv, Denver 2008: inches around on days 14 to 74, no other measure. Each gain
    # is the difference of the weights that the circumference table gives (110, 115, 145, 151 in: 344, 384, 683, 755 lb)
    # over its days. "19 lb" was posted for the single day 66: twice the mean of days 66 to 74.
    points = pd.read_csv(Path(__file__).parent / "references" / "dated_growth_points.csv", comment="#")
    rows = points[points["id"].eq("A") & points["measure"].eq("circumference_in")]
    club = club_of(np.nan, rows["day"], fruit="Ada Brook/2008/A")
    club["readings"]["circumference_cm"] = inches_to_cm(rows["low"].to_numpy())
    gains = daily_gains(club, table="pumpkin 2017-21")
    mass = mass_from_circumference(inches_to_cm(rows["low"].to_numpy()), outside="keep")["mass_kg"].to_numpy()
    assert gains["gain_kg_day"].to_numpy() == pytest.approx(np.diff(mass) / np.diff(rows["day"]), rel=2e-3)
    assert kg_to_lb(gains["gain_kg_day"]).round().tolist() == [15, 10, 11, 9]
    assert set(gains["measure"]) == {"circumference by the published tables"}

def test_errors_of_a_gain_are_those_of_both_ends_over_the_days():
    # Differences of readings with independent errors: variance adds (closed form).
    gains = daily_gains(club_of([762.0, 787.4, 805.0], [36, 38, 39]), tape_se_cm=1.27)
    ends = mass_from_tape([762.0, 787.4, 805.0], tape_se_cm=1.27)["mass_kg_se"].to_numpy()
    assert gains["mass_before_kg_se"].tolist() == pytest.approx(ends[:2].tolist(), rel=1e-12)
    assert gains["gain_kg_day_se"].tolist() == pytest.approx(
        [np.hypot(ends[0], ends[1]) / 2, np.hypot(ends[1], ends[2])], rel=1e-12)
    assert (gains["from_date"].iloc[1:].to_numpy() == gains["date"].iloc[:-1].to_numpy()).all()


def test_neighbouring_gains_correlate_at_minus_one_half():
    # Differences of y = g + e with independent e: lag-1 correlation -1/2 for any spacing, lag 2 none (closed form).
    rng = np.random.default_rng(3)
    day = np.arange(20, 80)
    clubs = [club_of(growth(day) + rng.normal(0, 1.27, len(day)), day, fruit=f"Ada Brook/2021/{i:03d}")
             for i in range(120)]
    made = daily_gains({name: pd.concat([c[name] for c in clubs]) for name in clubs[0]})
    exact = np.tile(np.diff(mass_from_tape(growth(day))["mass_kg"]), 120)
    e = ((made["gain_kg_day"] - exact) / made["gain_kg_day_se"]).to_numpy().reshape(120, -1)
    assert e.std() == pytest.approx(1.0, abs=0.05)  # 7,080 draws: 3 standard errors of the sd are 0.03
    assert (e[:, 1:] * e[:, :-1]).mean() == pytest.approx(-0.5, abs=0.05)
    assert (e[:, 2:] * e[:, :-2]).mean() == pytest.approx(0.0, abs=0.05)


def test_the_rate_of_a_still_fruit_has_twice_the_tape_variance_over_the_days_squared():
    # Closed form: independent errors of variance v at both ends of d days make a rate of variance 2 v / d^2.
    gains = daily_gains(club_of([800.0] * 5, [36, 37, 39, 44, 45]), tape_se_cm=1.27)
    days, v = np.array([1.0, 2.0, 5.0, 1.0]), mass_from_tape([800.0], tape_se_cm=1.27)["mass_kg_se"].iloc[0] ** 2
    assert gains["days"].tolist() == days.tolist()
    assert (gains["gain_kg_day_se"] ** 2).to_numpy() == pytest.approx(2.0 * v / days**2, rel=1e-12)


def test_neighbouring_gains_correlate_at_minus_one_half_for_any_spacing():
    # Closed form, as above: the days between cancel. Neighbours of 1, 2 and 5 days, and those two steps apart.
    rng = np.random.default_rng(17)
    day = 36 + np.cumsum(np.tile([1, 2, 5, 2, 1, 5], 3))
    fruits = 400
    clubs = [club_of(800.0 + rng.normal(0, 1.27, len(day)), day, fruit=f"Ada Brook/2021/{i:03d}")
             for i in range(fruits)]
    made = daily_gains({name: pd.concat([c[name] for c in clubs]) for name in clubs[0]}, tape_se_cm=1.27)
    assert len(made) == fruits * (len(day) - 1)
    e = (made["gain_kg_day"] / made["gain_kg_day_se"]).to_numpy().reshape(fruits, -1)
    near = (e[:, 1:] * e[:, :-1]).mean(axis=1)
    far = (e[:, 2:] * e[:, :-2]).mean(axis=1)
    for found, expected in ((near, -0.5), (far, 0.0)):  # fruits are independent: three standard errors of their mean
        assert abs(found.mean() - expected) < 3.0 * found.std(ddof=1) / np.sqrt(fruits)


def test_doubled_tapings_are_averaged_and_their_error_is_smaller():
    club = club_of([760.0, 764.0, 790.0], [36, 36, 38])
    gains = daily_gains(club)
    assert len(gains) == 1
    one = mass_from_tape([762.0], tape_se_cm=1.27 / np.sqrt(2))
    assert gains["mass_before_kg"].iloc[0] == pytest.approx(one["mass_kg"].iloc[0], rel=1e-12)
    assert gains["mass_before_kg_se"].iloc[0] == pytest.approx(one["mass_kg_se"].iloc[0], rel=1e-12)


def test_a_slip_is_left_out_and_listed_with_what_was_expected():
    day = np.arange(20, 60, 2)
    totals = growth(day)
    totals[7] += 60.0
    club = club_of(totals, day)
    gains = daily_gains(club)
    assert len(gains) == len(day) - 2
    assert gains["days"].max() == 4.0
    listed = left_out(club)
    assert listed["line"].tolist() == [9]
    assert "slip" in listed["reason"].iloc[0]
    assert listed["expected_cm"].iloc[0] == pytest.approx(growth(day[7]), rel=0.01)
    assert sum(gains.attrs["left_out"].values()) == 1


@pytest.mark.parametrize("at", [0, 1, -2, -1])
def test_a_slip_at_an_end_of_the_log_is_found_where_it_is(at):
    day = np.arange(20, 60, 2)
    totals = growth(day)
    totals[at] -= 60.0
    assert left_out(club_of(totals, day))["line"].tolist() == [int(np.arange(len(day))[at]) + 2]


def test_a_clean_log_loses_nothing_whatever_its_gaps():
    rng = np.random.default_rng(11)
    for _ in range(40):
        day = np.sort(rng.choice(np.arange(12, 90), size=30, replace=False))
        club = club_of(growth(day) + rng.normal(0, 1.27, len(day)), day)
        assert left_out(club).query("what == 'reading'").empty


def test_the_better_reading_of_a_doubled_day_is_kept():
    day = np.r_[np.arange(20, 60, 2), 40]
    totals = growth(day)
    totals[-1] += 80.0
    listed = left_out(club_of(totals, day))
    assert listed["line"].tolist() == [len(day) + 1]
    assert len(daily_gains(club_of(totals, day))) == len(day) - 2


def test_no_interval_reaches_over_the_cut_or_before_the_pollination():
    day = np.array([-3, 20, 22, 24, 26, 28])
    club = club_of(np.r_[30.0, growth(day[1:])], day, end_date=SET + pd.Timedelta(days=25))
    assert daily_gains(club)["date"].max() == SET + pd.Timedelta(days=24)
    assert left_out(club)["reason"].tolist() == ["before the pollination", *["after the fruit left the vine"] * 2]


def test_every_reading_is_used_or_listed():
    rng = np.random.default_rng(5)
    day = np.arange(3, 90)
    totals = growth(day) + rng.normal(0, 1.27, len(day))
    totals[[10, 30, 31, 60]] += [90.0, -120.0, 70.0, 300.0]
    club = club_of(totals, day, end_date=SET + pd.Timedelta(days=80))
    listed = left_out(club)
    readings_used = len(day) - (listed["what"] == "reading").sum()
    assert len(daily_gains(club)) == readings_used - 1 - (listed["what"] == "interval").sum()


def test_a_class_without_a_table_is_said_so():
    gains = daily_gains(club_of([300.0, 310.0], [20, 21], kind="long gourd"))
    assert gains.empty
    assert list(gains.attrs["left_out"].values()) == [1]


def test_the_season_before_the_tables_needs_a_named_table():
    club = club_of([762.0, 787.4], [36, 38], fruit="Ada Brook/2008/A")
    assert daily_gains(club).empty
    assert len(daily_gains(club, table="pumpkin 2017-21")) == 1


def test_scaling_law_of_time_zone_and_order():
    day = np.arange(20, 60, 3)
    club = club_of(growth(day), day)
    shuffled = {**club, "readings": club["readings"].sample(frac=1.0, random_state=1)}
    pd.testing.assert_frame_equal(daily_gains(club), daily_gains(shuffled))


def test_soil_is_the_mean_over_the_days_after_the_earlier_taping():
    club = club_of(growth([30, 33]), [30, 33])
    dates = SET + pd.to_timedelta([29, 30, 31, 32, 33, 34], unit="D")
    club["soil"] = conform("soil", pd.DataFrame({
        "patch": "Ada Brook/home", "date": dates, "soil_c": [1.0, 2.0, 20.0, 21.0, 25.0, 40.0], "line": range(6)}))
    row = daily_gains(club).iloc[0]
    assert row["soil_c"] == pytest.approx(22.0)
    assert row["soil_source"] == "probe"


def test_nothing_dated_later_changes_a_row():
    rng = np.random.default_rng(8)
    day = np.arange(20, 80, 2)
    club = club_of(growth(day) + rng.normal(0, 1.27, len(day)), day)
    dates = SET + pd.to_timedelta(np.arange(0, 90), unit="D")
    club["soil"] = conform("soil", pd.DataFrame({
        "patch": "Ada Brook/home", "date": dates, "soil_c": rng.uniform(15, 25, 90), "line": range(90)}))
    club["weather"] = conform("weather", pd.DataFrame({
        "patch": "Ada Brook/home", "date": dates, "air_min_c": 12.0, "air_max_c": rng.uniform(20, 35, 90),
        "line": range(90)}))
    whole = daily_gains(club)
    for date in whole["date"].iloc[[3, 10, 20]]:
        then = daily_gains(club, as_of=date)
        pd.testing.assert_frame_equal(then, whole[whole["date"] <= date])
    wild = {**club, "soil": club["soil"].assign(soil_c=lambda t: t["soil_c"].where(t["date"] <= date, 44.0))}
    upto = (whole["date"] <= date).to_numpy()
    assert daily_gains(wild)["soil_c"][upto].equals(whole["soil_c"][upto])


def test_the_rule_of_the_degree_days_is_said():
    club = club_of(growth([30, 33]), [30, 33])
    club["weather"] = conform("weather", pd.DataFrame({
        "patch": "Ada Brook/home", "date": SET + pd.to_timedelta([31, 32, 33], unit="D"), "air_min_c": 12.0,
        "air_max_c": 30.0, "line": range(3)}))
    assert daily_gains(club).attrs["heat_rule"] == "single sine, horizontal cut-off, 10 to 32 C"
    own = patch_days(club, base_c=8.0, optimum_c=24.0, ceiling_c=33.0)
    gains = daily_gains(club, days=own)
    assert gains.attrs["heat_rule"] == "single sine, best at 24 C, 8 to 33 C"
    assert gains["heat_c_day"].iloc[0] == pytest.approx(own["heat_c_day"].mean())


def test_patch_days_refuse_a_method_that_needs_tomorrow():
    with pytest.raises(PatchstatsError, match="needs the next day's minimum"):
        patch_days({}, method="double sine")


@pytest.mark.parametrize(("season", "set_date", "expected"), [
    (2021, "2021-07-04", 185.0), (2024, "2024-07-04", 186.0),  # ISO 8601 ordinal dates 2021-185, 2024-186
    (2021, "2021-01-05", 5.0), (2021, "2020-12-30", -1.0)])  # a southern season
def test_set_day_in_years_of_365_and_366_days_and_in_the_south(season, set_date, expected):
    club = club_of([762.0, 787.4], [36, 38], fruit=f"Ada Brook/{season}/A", set_date=pd.Timestamp(set_date))
    shift = pd.Timestamp(set_date) - SET
    club["readings"]["date"] += shift
    gains = daily_gains(club)
    assert gains["set_day"].tolist() == [expected]
    assert gains["day"].tolist() == [37.0]


def test_a_club_without_readings_has_no_gains():
    assert daily_gains({}).empty
    assert left_out({}).empty
