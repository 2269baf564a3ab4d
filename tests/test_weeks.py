"""Weeks: closed forms and laws."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

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


def test_an_interval_over_the_turn_of_a_week_counts_in_both_by_its_days():
    # By hand: days 21 to 27 at 10 a day, days 27 to 35 at 3; the week of days 21 to 28 gains (6 * 10 + 1 * 3) / 7.
    gains = pd.DataFrame({"fruit": "a", "day": [24.0, 31.0], "days": [6.0, 8.0], "gain_kg_day": [10.0, 3.0]})
    assert weekly_gain(gains)["gain_kg_day"].tolist() == pytest.approx([63 / 7, 3.0])


@given(st.lists(st.tuples(st.integers(1, 14), st.floats(-5, 30)), min_size=1, max_size=30), st.integers(5, 20))
def test_whole_weeks_hold_what_their_days_gained(steps, first):
    length, gain = (np.array(x, float) for x in zip(*steps, strict=True))
    end = first + np.cumsum(length)
    gains = pd.DataFrame({"fruit": "a", "day": end - length / 2, "days": length, "gain_kg_day": gain})
    by_day = pd.Series(np.repeat(gain, length.astype(int)), index=np.arange(first, int(end[-1])))
    plain = by_day.groupby(by_day.index // 7).agg(["mean", "size"])
    plain = plain[plain["size"] >= 4]
    found = weekly_gain(gains)
    assert found["day"].tolist() == [7 * week + 3.5 for week in plain.index]
    assert found["gain_kg_day"].tolist() == pytest.approx(plain["mean"].tolist(), abs=1e-9)


def test_a_day_or_two_at_the_edge_of_a_log_is_no_week():
    # One day of one taping's error at the end of a log looked like the best week of the fruit's life.
    whole = daily(lambda day: 0 * day + 3, days=range(70, 84))
    edge = pd.concat([whole, daily(lambda day: 0 * day + 12, days=[84, 85, 86])])
    assert weekly_gain(edge).equals(weekly_gain(whole))
    assert len(weekly_gain(pd.concat([edge, daily(lambda day: 0 * day + 3, days=[87])]))) == 3


def test_an_interval_of_many_weeks_says_nothing_of_any_one():
    gains = pd.DataFrame({"fruit": "a", "day": [28.0], "days": [28.0], "gain_kg_day": [8.0]})
    assert weekly_gain(gains).empty and fastest_gain(gains).empty
    assert weekly_gain(gains.iloc[:0]).empty


def test_a_top_that_was_not_seen_is_left_out():
    rising = daily(lambda day: day)
    gap = daily(lambda day: 12 - ((day - 36) / 10) ** 2)
    gap = gap[~gap["day"].between(28, 35)]
    assert fastest_gain(rising).empty and fastest_gain(gap).empty
    assert fastest_gain(daily(lambda day: 0 * day + 5)).empty  # level: its first week is as good as any
