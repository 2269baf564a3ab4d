"""Gains joined to stretches: weight is kept, means are by days, breaks are not bridged."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from patchstats import demo
from patchstats.gains import daily_gains
from patchstats.stretches import join_gains


@pytest.fixture(scope="module")
def gains():
    return daily_gains(demo.simulate().tables)


def test_what_a_fruit_gained_is_kept_and_every_taping_accounted_for(gains):
    joined = join_gains(gains, least_days=5.0)
    assert joined.groupby("fruit")["days"].sum().to_numpy() == pytest.approx(
        gains.groupby("fruit")["days"].sum().to_numpy())
    whole = (gains["gain_kg_day"] * gains["days"]).groupby(gains["fruit"]).sum()
    again = (joined["gain_kg_day"] * joined["days"]).groupby(joined["fruit"]).sum()
    assert again.to_numpy() == pytest.approx(whole.to_numpy(), rel=1e-12)
    added = joined.attrs["left_out"]["tapings inside a stretch of 5 days (their weight counts at its ends)"]
    assert len(joined) + added == len(gains)
    assert set(gains.attrs["left_out"]) < set(joined.attrs["left_out"])


def test_stretches_are_long_enough_unless_a_break_cuts_them(gains):
    joined = join_gains(gains, least_days=5.0)
    short = joined["days"] < 5.0
    goes_on = joined["fruit"].eq(joined["fruit"].shift(-1)) & joined["date"].eq(joined["from_date"].shift(-1))
    assert short.any() and not (short & goes_on).any()
    assert not (joined["date"] <= joined["from_date"]).any()


def test_the_mean_is_that_of_all_the_days(gains):
    """Law: a mean by days of means by days is the mean of the days (soil known on all of them)."""
    known = gains[gains.groupby("fruit")["soil_c"].transform(lambda v: v.notna().all())]
    joined = join_gains(known, least_days=7.0)
    for column in ("soil_c", "day"):
        parts = (known[column] * known["days"]).groupby(known["fruit"]).sum()
        made = (joined[column] * joined["days"]).groupby(joined["fruit"]).sum()
        assert made.to_numpy() == pytest.approx(parts.to_numpy(), rel=1e-12)


def test_a_break_is_not_bridged_and_unknown_soil_not_made_up():
    """Worked by hand."""
    rows = pd.DataFrame({
        "fruit": ["a", "a", "a", "a", "b"],
        "from_date": pd.to_datetime(["2024-07-01", "2024-07-02", "2024-07-10", "2024-07-12", "2024-07-14"]),
        "date": pd.to_datetime(["2024-07-02", "2024-07-04", "2024-07-12", "2024-07-14", "2024-07-16"]),
        "days": [1.0, 2.0, 2.0, 2.0, 2.0], "day": [20.5, 22.0, 30.0, 32.0, 20.0],
        "mass_before_kg": [10.0, 13.0, 40.0, 50.0, 7.0], "mass_kg": [13.0, 19.0, 50.0, 62.0, 9.0],
        "mass_before_kg_se": [3.0, 1.0, 3.0, 1.0, 1.0], "mass_kg_se": [1.0, 4.0, 1.0, 4.0, 1.0],
        "soil_c": [20.0, np.nan, 18.0, 22.0, np.nan], "heat_c_day": [np.nan, 6.0, 5.0, np.nan, np.nan],
        "soil_source": ["probe", "missing", "probe", "filled", "missing"]})
    joined = join_gains(rows, least_days=5.0)
    assert joined["fruit"].tolist() == ["a", "a", "b"]
    assert joined["days"].tolist() == [3.0, 4.0, 2.0]
    assert joined["day"].tolist() == pytest.approx([21.5, 31.0, 20.0])
    assert joined["gain_kg_day"].tolist() == pytest.approx([3.0, 5.5, 1.0])
    assert joined["gain_kg_day_se"].tolist() == pytest.approx([5 / 3, 5 / 4, np.sqrt(2) / 2])
    # One day of three is too little to speak for the stretch; two of three, or two of four, are not.
    assert joined["soil_c"].tolist() == pytest.approx([np.nan, 20.0, np.nan], nan_ok=True)
    assert joined["heat_c_day"].tolist() == pytest.approx([6.0, 5.0, np.nan], nan_ok=True)
    assert joined["soil_source"].tolist() == ["missing", "filled", "missing"]


def test_soil_is_named_by_what_its_mean_is_made_of(gains):
    """Where there is a mean there is a source, and where there is none it is missing; one not said is no probe."""
    joined = join_gains(gains, least_days=5.0)
    assert (joined["soil_source"].eq("missing") == joined["soil_c"].isna()).all()
    assert joined["soil_c"].isna().any()
    unsaid = join_gains(gains.assign(soil_source=None), least_days=5.0)
    assert (unsaid["soil_source"] == "missing").all()


def test_order_of_rows_and_a_single_row_make_no_difference(gains):
    mixed = join_gains(gains.sample(frac=1.0, random_state=4), least_days=5.0)
    pd.testing.assert_frame_equal(mixed, join_gains(gains, least_days=5.0))
    one = gains.iloc[[0]]
    pd.testing.assert_frame_equal(join_gains(one, least_days=5.0), one)


def test_nothing_to_join_is_given_back_as_it_was(gains):
    assert join_gains(gains, least_days=0.0) is gains
    assert join_gains(gains.iloc[:0]).empty
