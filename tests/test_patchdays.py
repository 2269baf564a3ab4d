"""Patch-days and windows: means against the plain loop, and nothing from the future."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from patchstats.heat import degree_days
from patchstats.patchdays import lagged_means, patch_days, totals_since, window_means
from patchstats.remarks import PatchstatsError
from patchstats.tables import conform
from patchstats.units import f_to_c

START = pd.Timestamp("2024-02-20")  # a leap day lies within
VALUES = st.lists(st.one_of(st.none(), st.floats(-5, 45)), min_size=1, max_size=40)


def days_of(values, patch="Ada Brook/home"):
    return pd.DataFrame({"patch": patch, "date": START + pd.to_timedelta(range(len(values)), unit="D"),
                         "soil_c": pd.Series(values, dtype=float)})


def mean_of(days, begin, end, **options):
    return window_means(days, ["soil_c"], patch=pd.Series(["Ada Brook/home"]),
                        from_date=pd.Series([START + pd.Timedelta(days=begin)]),
                        to_date=pd.Series([START + pd.Timedelta(days=end)]), **options).iloc[0]


@given(VALUES, st.integers(-5, 45), st.integers(1, 20))
def test_a_window_is_the_plain_mean_of_its_days(values, begin, length):
    inside = [v for d, v in enumerate(values) if begin < d <= begin + length and v is not None]
    found = mean_of(days_of(values), begin, begin + length, least_share=0.0)
    assert found["soil_c_share"] == pytest.approx(len(inside) / length)
    if inside:
        assert found["soil_c"] == pytest.approx(np.mean(inside), abs=1e-9)
    else:
        assert np.isnan(found["soil_c"])


@given(VALUES, st.integers(-5, 45), st.integers(1, 20), st.floats(-5, 45))
def test_nothing_after_the_window_changes_it(values, begin, length, wild):
    later = [wild if d > begin + length else v for d, v in enumerate(values)]
    assert mean_of(days_of(values), begin, begin + length).equals(mean_of(days_of(later), begin, begin + length))


def test_a_window_half_empty_is_missing():
    days = days_of([10.0, None, None, 16.0])
    assert np.isnan(mean_of(days, -1, 3, least_share=0.6)["soil_c"])
    assert mean_of(days, -1, 3, least_share=0.5)["soil_c"] == 13.0


def test_patches_are_kept_apart_whatever_the_order_of_rows():
    days = pd.concat([days_of([1.0, 2.0, 3.0]), days_of([10.0, 20.0, 30.0], "Ben Cole/home")]).sample(
        frac=1.0, random_state=3)
    found = window_means(days, ["soil_c"], patch=pd.Series(["Ben Cole/home", "Ada Brook/home", "Cid Dunn/home"]),
                         from_date=pd.Series([START] * 3), to_date=pd.Series([START + pd.Timedelta(days=2)] * 3))
    assert found["soil_c"].tolist()[:2] == [25.0, 2.5]
    assert np.isnan(found["soil_c"].iloc[2])


def test_lags_reach_back_from_the_day_itself():
    found = lagged_means(days_of([1.0, 2.0, 3.0, 4.0]), ["soil_c"], patch=pd.Series(["Ada Brook/home"]),
                         date=pd.Series([START + pd.Timedelta(days=2)]), lag_days=2)
    assert found["soil_c"].tolist() == [2.5]
    with pytest.raises(PatchstatsError, match="at least one day"):
        lagged_means(days_of([1.0]), ["soil_c"], patch=pd.Series(["Ada Brook/home"]), date=pd.Series([START]),
                     lag_days=0)


def total_since(days, since, date, **options):
    return totals_since(days, ["soil_c"], patch=pd.Series(["Ada Brook/home"]),
                        since=pd.Series([START + pd.Timedelta(days=since)]),
                        date=pd.Series([START + pd.Timedelta(days=date)]), **options)["soil_c"].iloc[0]


@given(st.lists(st.floats(-5, 45), min_size=2, max_size=40), st.data())
def test_a_total_since_is_the_plain_sum_of_the_days_after(values, data):
    since = data.draw(st.integers(0, len(values) - 2))
    date = data.draw(st.integers(since + 1, len(values) - 1))
    assert total_since(days_of(values), since, date) == pytest.approx(sum(values[since + 1:date + 1]), abs=1e-9)


def test_a_total_fills_a_missing_day_by_the_others_or_is_missing():
    days = days_of([1.0, 10.0, None, 14.0])
    assert total_since(days, 0, 3, least_share=0.6) == 36.0
    assert np.isnan(total_since(days, 0, 3))


def test_degree_days_since_set_are_those_of_the_corn_rule():
    # Extension column, Waushara Argus, 25 Apr 2018: (max, min) of (90, 65), (72, 46), (63, 42) F make 43 F days by the
    # 86/50 method, here in Celsius and after the day of pollination, which does not count.
    high, low = (f_to_c(np.array(x)) for x in ((95.0, 90.0, 72.0, 63.0), (70.0, 65.0, 46.0, 42.0)))
    sky = pd.DataFrame({"patch": "Ada Brook/home", "date": START + pd.to_timedelta(range(4), unit="D"),
                        "air_max_c": high, "air_min_c": low, "line": range(4)})
    days = patch_days({"weather": conform("weather", sky)}, base_c=f_to_c(50.0), ceiling_c=f_to_c(86.0),
                      method="modified average")
    found = totals_since(days, ["heat_c_day"], patch=pd.Series(["Ada Brook/home"]), since=pd.Series([START]),
                         date=pd.Series([START + pd.Timedelta(days=3)]))
    assert found["heat_c_day"].iloc[0] * 1.8 == pytest.approx(43.0)


def test_a_day_twice_in_the_table_is_an_error():
    days = pd.concat([days_of([1.0]), days_of([2.0])])
    with pytest.raises(PatchstatsError, match="one row a patch and date"):
        mean_of(days, -1, 0)


def test_patch_days_average_readings_sum_water_and_carry_heat():
    club = {
        "soil": conform("soil", pd.DataFrame({"patch": "Ada Brook/home", "date": START, "soil_c": [16.0, 20.0],
                                              "line": [1, 2]})),
        "weather": conform("weather", pd.DataFrame({
            "patch": "Ada Brook/home", "date": [START, START, START + pd.Timedelta(days=1)],
            "air_min_c": [10.0, np.nan, 20.0], "air_max_c": [24.0, np.nan, 15.0], "water_mm": [2.0, 3.0, np.nan],
            "line": [1, 2, 3]}))}
    days = patch_days(club)
    assert days["soil_c"].iloc[0] == 18.0
    assert days["soil_source"].tolist() == ["probe", "missing"]
    assert days["water_mm"].iloc[0] == 5.0
    assert days["heat_c_day"].iloc[0] == pytest.approx(float(degree_days([10.0], [24.0])[0]))
    assert np.isnan(days["heat_c_day"].iloc[1])  # the lowest lies above the highest


def test_no_tables_no_days():
    assert patch_days({}).empty
