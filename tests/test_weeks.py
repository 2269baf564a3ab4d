"""Weeks: closed forms and laws."""

import numpy as np
import pandas as pd
import pytest

from patchstats.weeks import fastest_gain, weekly_gain


def daily(gain_of_day, days=range(8, 90), fruit="a"):
    day = np.array([d + 0.5 for d in days])
    return pd.DataFrame({"fruit": fruit, "day": day, "days": 1.0, "gain_kg_day": gain_of_day(day)})


def test_a_parabola_of_gain_has_its_top_where_algebra_says():
    # Closed form: the week's means of 12 - ((day - 36) / 10)**2 are a parabola with the same top, less the mean of
    # ((x)/10)**2 over the seven days of a week, (1 + 4 + 9) * 2 / 7 / 100.
    found = fastest_gain(daily(lambda day: 12 - ((day - 36) / 10) ** 2))
    assert found["day_days"].iloc[0] == pytest.approx(36.0)
    assert found["gain_kg_day"].iloc[0] == pytest.approx(12 - 28 / 700)


def test_a_week_holds_what_was_gained_in_it():
    gains = daily(lambda day: day**2, days=range(14, 28))
    found = weekly_gain(gains)
    assert list(found["day"]) == [17.5, 24.5]
    assert (found["gain_kg_day"] * found["days"]).sum() == pytest.approx(gains["gain_kg_day"].sum())


def test_a_longer_interval_counts_by_its_days():
    gains = pd.DataFrame({"fruit": "a", "day": [14.5, 18.0], "days": [1.0, 6.0], "gain_kg_day": [1.0, 8.0]})
    assert weekly_gain(gains)["gain_kg_day"].iloc[0] == pytest.approx((1 + 48) / 7)


def test_a_top_that_was_not_seen_is_left_out():
    rising = daily(lambda day: day)
    gap = daily(lambda day: 12 - ((day - 36) / 10) ** 2)
    gap = gap[~gap["day"].between(28, 35)]
    assert fastest_gain(rising).empty and fastest_gain(gap).empty
    assert fastest_gain(daily(lambda day: 0 * day + 5)).empty  # level: its first week is as good as any
