"""No join looks into the future: whatever is dated later, a row says the same, for any log and any day."""

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from patchstats.gains import daily_gains
from patchstats.patchdays import lagged_means, patch_days, totals_since, window_means
from patchstats.plantsize import size_at
from patchstats.tables import conform

law = settings(deadline=None, derandomize=True, max_examples=25)
SET = pd.Timestamp("2024-01-20")  # a southern season in a leap year
DAYS = 60
PATCH, PLANT = "Ada Brook/home", "Ada Brook/2024/A"


def club_of(tapings, soil, highs, counts):
    """A club of one fruit: tapings and counts of vines on the given days, soil and air every day (None: not read)."""
    dates = SET + pd.to_timedelta(np.arange(DAYS), unit="D")
    fruit = {"fruit": PLANT, "plant": PLANT, "patch": PATCH, "grower": "Ada Brook", "season": 2024, "kind": "pumpkin",
             "set_date": SET}
    day = np.array(sorted(tapings), float)
    totals = 1000.0 * np.exp(-2.0073 * np.exp(-0.050966 * day))  # Holland, N.E.P.G.A. Newsletter, June 1993
    return {
        "fruits": conform("fruits", pd.DataFrame([fruit])),
        "readings": conform("readings", pd.DataFrame({
            "fruit": PLANT, "date": SET + pd.to_timedelta(day, unit="D"), "over_the_top_cm": totals,
            "line": np.arange(len(day))})),
        "soil": conform("soil", pd.DataFrame({"patch": PATCH, "date": dates, "line": np.arange(DAYS),
                                              "soil_c": pd.Series(soil, dtype=float)})),
        "weather": conform("weather", pd.DataFrame({"patch": PATCH, "date": dates, "line": np.arange(DAYS),
                                                    "air_max_c": pd.Series(highs, dtype=float), "air_min_c": 10.0})),
        "sizes": conform("sizes", pd.DataFrame({
            "plant": PLANT, "date": SET + pd.to_timedelta(sorted(counts), unit="D"),
            "secondaries": pd.Series(range(8, 8 + len(counts)), dtype=float), "line": np.arange(len(counts))}))}


clubs = st.builds(
    club_of, st.sets(st.integers(18, DAYS - 1), min_size=2, max_size=20),
    st.lists(st.one_of(st.none(), st.floats(5, 35)), min_size=DAYS, max_size=DAYS),
    st.lists(st.one_of(st.none(), st.floats(10, 40)), min_size=DAYS, max_size=DAYS),
    st.sets(st.integers(-20, DAYS - 1), max_size=5))
later = st.integers(0, DAYS - 1)


def made_wild(club, date, wild):
    """The club with every soil and air temperature after the date set to one value."""
    return {**club,
            "soil": club["soil"].assign(soil_c=lambda t: t["soil_c"].where(t["date"] <= date, wild)),
            "weather": club["weather"].assign(air_max_c=lambda t: t["air_max_c"].where(t["date"] <= date, wild))}


@law
@given(clubs, later, st.floats(11, 40))
def test_gains_know_no_weather_of_later_days(club, cut, wild):
    date = SET + pd.Timedelta(days=cut)
    gains, told = daily_gains(club), daily_gains(made_wild(club, date, wild))
    upto = (gains["date"] <= date).to_numpy()
    pd.testing.assert_frame_equal(gains[upto], told[upto])


@law
@given(clubs, later)
def test_a_club_as_of_a_day_is_the_club_that_ends_on_it(club, cut):
    date = SET + pd.Timedelta(days=cut)
    ended = {name: t if name == "fruits" else t[t["date"] <= date] for name, t in club.items()}
    pd.testing.assert_frame_equal(daily_gains(club, as_of=date), daily_gains(ended), check_dtype=False)


@law
@given(clubs, later, later, st.integers(1, 14), st.floats(11, 40))
def test_windows_lags_and_totals_know_nothing_later(club, cut, length, lag, wild):
    date = SET + pd.Timedelta(days=cut)
    at = {"patch": pd.Series([PATCH]), "date": pd.Series([date])}
    begin = at["date"] - pd.Timedelta(days=length + 1)

    def answers(tables):
        days, columns = patch_days(tables), ["soil_c", "heat_c_day"]
        return pd.concat([window_means(days, columns, patch=at["patch"], from_date=begin, to_date=at["date"]),
                          lagged_means(days, columns, lag_days=lag, **at),
                          totals_since(days, columns, since=begin, **at)], axis=1)

    pd.testing.assert_frame_equal(answers(club), answers(made_wild(club, date, wild)))


@law
@given(clubs, st.integers(-30, DAYS), later)
def test_a_size_as_of_a_day_knows_no_later_count(club, asked, cut):
    date = SET + pd.Timedelta(days=cut)
    where = {"plant": pd.Series([PLANT]), "date": pd.Series([SET + pd.Timedelta(days=asked)])}
    ended = {"sizes": club["sizes"][club["sizes"]["date"] <= date]}
    pd.testing.assert_frame_equal(size_at(club, "secondaries", as_of=date, **where),
                                  size_at(ended, "secondaries", **where))
