"""Weeks: each fruit's daily gain week by week, and when it gained fastest.

Half an inch of tape error hides the gain of a single day of a single fruit; over a week the fruit stands out. So a week
that was taped for a day or two at its edge, as the last of a log often is, is no week: its gain would be mostly tape.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

STEP_DAYS = 7
LONGEST_DAYS = 14.0  # between two tapings: a longer interval says nothing of any one week
# Days of a week that must be taped for it to count: more than half. Common practice, no source.
FEWEST_DAYS = 4.0


def weekly_gain(gains: pd.DataFrame) -> pd.DataFrame:
    """Each fruit's mean daily gain in each week after pollination: fruit, day (the week's middle), gain_kg_day, days.

    ``gains`` as made by :func:`patchstats.gains.daily_gains`. An interval's gain is spread evenly over its days, and
    each day counts in its own week: the mean is what was gained over the week's taped days (closed form). Weeks with
    fewer than :data:`FEWEST_DAYS` of them, and intervals longer than :data:`LONGEST_DAYS`, are left out.

    >>> weekly_gain(pd.DataFrame({"fruit": "Ana/1", "day": [24.0, 31.5], "days": [6.0, 9.0],
    ...                           "gain_kg_day": [10.0, 13.0]})).values.tolist()
    [['Ana/1', 24.5, 10.428571428571429, 7.0], ['Ana/1', 31.5, 13.0, 7.0]]
    """
    rows = gains.dropna(subset=["day", "gain_kg_day", "days"])
    rows = rows[rows["days"] <= LONGEST_DAYS]
    days = rows["days"].to_numpy(float)
    begin = rows["day"].to_numpy(float) - 0.5 * days
    fruit, gain = rows["fruit"].to_numpy(), rows["gain_kg_day"].to_numpy(float)
    parts = []
    for later in range(int(LONGEST_DAYS / STEP_DAYS) + 1):
        week = np.floor(begin / STEP_DAYS) + later
        inside = np.minimum(begin + days, (week + 1) * STEP_DAYS) - np.maximum(begin, week * STEP_DAYS)
        has = inside > 0
        parts.append(pd.DataFrame({"fruit": fruit[has], "day": week[has] * STEP_DAYS + STEP_DAYS / 2,
                                   "gained": (gain * inside)[has], "days": inside[has]}))
    weeks = pd.concat(parts).groupby(["fruit", "day"], as_index=False)[["gained", "days"]].sum()
    weeks = weeks[weeks["days"] >= FEWEST_DAYS].reset_index(drop=True)
    weeks["gain_kg_day"] = weeks["gained"] / weeks["days"]
    return weeks[["fruit", "day", "gain_kg_day", "days"]]


def fastest_gain(gains: pd.DataFrame) -> pd.DataFrame:
    """When each fruit gained fastest, and how fast: fruit, day_days, gain_kg_day.

    The top of the parabola through a fruit's best week and the weeks before and after it (three-point interpolation:
    the vertex of the quadratic through equally spaced points). Fruits whose best week is their first or last, or
    stands beside a week that does not count, are left out: their fastest day was not seen.

    >>> weeks = pd.DataFrame({"fruit": "Ana/1", "day": [24.5, 31.5, 38.5], "days": 7.0,
    ...                       "gain_kg_day": [9.0, 12.0, 11.0]})
    >>> fastest_gain(weeks)[["day_days", "gain_kg_day"]].round(2).values.tolist()
    [[33.25, 12.12]]
    """
    weekly = weekly_gain(gains).sort_values(["fruit", "day"], kind="stable").reset_index(drop=True)
    same = weekly.groupby("fruit")
    weekly["before"], weekly["after"] = same["gain_kg_day"].shift(1), same["gain_kg_day"].shift(-1)
    beside = (same["day"].diff() == STEP_DAYS) & (-same["day"].diff(-1) == STEP_DAYS)
    best = weekly["gain_kg_day"] == same["gain_kg_day"].transform("max")
    weekly["bend"] = weekly["before"] - 2 * weekly["gain_kg_day"] + weekly["after"]
    rows = weekly[best & beside & (weekly["bend"] < 0)].drop_duplicates("fruit")  # a level stretch has no top
    off = 0.5 * (rows["before"] - rows["after"]) / rows["bend"]
    top = rows["gain_kg_day"] - 0.25 * (rows["before"] - rows["after"]) * off
    return pd.DataFrame({"fruit": rows["fruit"], "day_days": rows["day"] + STEP_DAYS * off,
                         "gain_kg_day": top}).reset_index(drop=True)
