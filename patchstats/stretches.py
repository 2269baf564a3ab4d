"""Stretches: neighbouring gains of a fruit joined until they span enough days.

A fruit's good and bad days hang together: a warm, wet week lifts all of its days. Taped daily, a fruit has many
gains, each a little of the same news; a model that takes the days of a fruit as independent (given its own level)
believes them too much, and most of all what changes from day to day, such as soil temperature. Joined to stretches of
several days the gains are fewer and more nearly independent, the tape's error in each is smaller, and nothing of the
weight gained is lost: a stretch runs from its first weight to its last.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

# Over 60 simulated clubs whose fruits' days correlate at 0.6, stretches of 5 days brought the standard errors of the
# soil's curve to the spread of its estimates and cost the other effects nothing (tests/benchmarks/coverage_drivers.py).
STRETCH_DAYS = 5.0
# Of a stretch's days whose soil or heat is known: as in the windows of the gains themselves.
LEAST_SHARE = 0.5
# A stretch's soil is named by the least direct part that it is the mean of.
_DIRECTNESS = ["missing", "air", "filled", "probe"]


def join_gains(gains: pd.DataFrame, *, least_days: float = STRETCH_DAYS) -> pd.DataFrame:
    """Gains joined to stretches of at least ``least_days`` days: the same columns, fewer rows.

    ``gains`` as :func:`patchstats.gains.daily_gains` gives them. Gains that follow each other without a break (the
    one starts at the taping where the other ends) are joined from the fruit's first on; what is left at a break or at
    the end stands as it is, however short. Weights and their errors are those of the stretch's two ends; ``day``,
    ``soil_c`` and ``heat_c_day`` are means weighted by days, over the parts that have one, missing where these are
    less than half of the days; all else is that of the last part. ``attrs["left_out"]`` gains the count of tapings that
    now lie inside a stretch.

    >>> days = pd.to_datetime(["2024-07-20", "2024-07-22", "2024-07-24", "2024-07-27"])
    >>> g = pd.DataFrame({"fruit": "Ana/1", "from_date": days[:-1], "date": days[1:], "days": [2.0, 2.0, 3.0],
    ...                   "day": [21.0, 23.0, 25.5], "mass_before_kg": [20.0, 30.0, 44.0],
    ...                   "mass_kg": [30.0, 44.0, 68.0], "mass_before_kg_se": 1.0, "mass_kg_se": 1.0})
    >>> join_gains(g)[["days", "day", "gain_kg_day"]].round(2).values.tolist()
    [[7.0, 23.5, 6.86]]
    """
    rows = gains.sort_values(["fruit", "date"], kind="stable").reset_index(drop=True)
    stretch = _stretches(rows, least_days)
    if len(rows) == 0 or stretch[-1] + 1 == len(rows):
        return gains
    first, last = np.flatnonzero(np.diff(stretch, prepend=-1)), np.flatnonzero(np.diff(stretch, append=-1))
    days = rows["days"].to_numpy(float)
    out = rows.iloc[last].reset_index(drop=True)
    for column in ("from_date", "mass_before_kg", "mass_before_kg_se"):
        out[column] = rows[column].array.take(first)
    out["days"] = np.bincount(stretch, days)
    for column in ("day", "soil_c", "heat_c_day"):
        if column in rows:
            out[column] = _mean_by_days(rows[column], days, stretch)
    if "soil_source" in rows:
        place = np.maximum(pd.Index(_DIRECTNESS).get_indexer(rows["soil_source"]), 0)  # not said: as good as missing
        place[rows["soil_c"].isna()] = len(_DIRECTNESS) - 1  # what is missing has no part in the mean
        least = np.where(out["soil_c"].isna(), 0, np.minimum.reduceat(place, first))
        out["soil_source"] = np.array(_DIRECTNESS, dtype=object)[least]
    out["gain_kg_day"] = (out["mass_kg"] - out["mass_before_kg"]) / out["days"]
    out["gain_kg_day_se"] = np.hypot(out["mass_kg_se"], out["mass_before_kg_se"]) / out["days"]
    inside = f"tapings inside a stretch of {least_days:g} days (their weight counts at its ends)"
    out.attrs["left_out"] = {**gains.attrs.get("left_out", {}), inside: len(rows) - len(out)}
    return out


def _stretches(rows: pd.DataFrame, least_days: float) -> np.ndarray:
    """The number of each row's stretch, counted up from 0."""
    fruit = pd.factorize(rows["fruit"])[0]
    follows = (fruit[1:] == fruit[:-1]) & (rows["from_date"].to_numpy()[1:] == rows["date"].to_numpy()[:-1])
    number, spanned, out = -1, 0.0, []
    for days, goes_on in zip(rows["days"].tolist(), [False, *follows.tolist()], strict=False):
        if not goes_on or spanned >= least_days:
            number, spanned = number + 1, 0.0
        spanned += days
        out.append(number)
    return np.array(out, dtype=np.int64)


def _mean_by_days(values: pd.Series, days: np.ndarray, stretch: np.ndarray) -> np.ndarray:
    value = values.to_numpy(float)
    has = np.isfinite(value)
    total = np.bincount(stretch, np.where(has, value * days, 0.0))
    known, whole = np.bincount(stretch, np.where(has, days, 0.0)), np.bincount(stretch, days)
    return total / np.where(known >= LEAST_SHARE * whole, known, np.nan)
