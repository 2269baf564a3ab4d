"""Weeks: each fruit's daily gain week by week, and when it gained fastest.

Half an inch of tape error hides the gain of a single day of a single fruit; over a week the fruit stands out.
"""

from __future__ import annotations

import pandas as pd

STEP_DAYS = 7


def weekly_gain(gains: pd.DataFrame) -> pd.DataFrame:
    """Each fruit's mean daily gain in each week after pollination: fruit, day (the week's middle), gain_kg_day, days.

    ``gains`` as made by :func:`patchstats.gains.daily_gains`. An interval counts in the week of its middle, by its
    days: the mean is what was gained over the days taped.
    """
    rows = gains.dropna(subset=["day", "gain_kg_day", "days"])
    week = (rows["day"] // STEP_DAYS).astype(int)
    gained = (rows["gain_kg_day"] * rows["days"]).groupby([rows["fruit"], week]).sum()
    days = rows["days"].groupby([rows["fruit"], week]).sum()
    table = pd.DataFrame({"gain_kg_day": gained / days, "days": days}).reset_index()
    table["day"] = table["day"] * STEP_DAYS + STEP_DAYS / 2
    return table[["fruit", "day", "gain_kg_day", "days"]]


def fastest_gain(gains: pd.DataFrame) -> pd.DataFrame:
    """When each fruit gained fastest, and how fast: fruit, day_days, gain_kg_day.

    The top of the parabola through a fruit's best week and the weeks before and after it (three-point interpolation:
    the vertex of the quadratic through equally spaced points). Fruits whose best week is their first or last, or
    stands beside a week without a taping, are left out: their fastest day was not seen.
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
