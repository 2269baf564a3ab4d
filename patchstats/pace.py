"""Pace: a fruit's daily gain as a percentage of the club's middle gain at the same age.

What helps a fruit helps it by so many percent at every age, more than by so many kilograms: a good plant's fruit
gains more all season, in proportion. On the scale of pace an effect is one number; in kilograms a day it would
grow and fade with age.

The middle gain ``g`` by age and each fruit's own level ``p`` are found together, gain = p * g(age), by alternating
least squares, the rank-one least-squares fit (Eckart and Young 1936, *The approximation of one matrix by another of
lower rank*, Psychometrika 1:211-218, here with gaps). So fruits lost early do not bend the curve of those that
lived on.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from patsy import cr

from patchstats.remarks import ModelError

FIRST_DAY, LAST_DAY = 15.0, 80.0  # ages at which the tape sees a day's gain well, and most fruits still grow
_ROUNDS = 50


def middle_gain(gains: pd.DataFrame, *, bends: int = 7, first_day: float = FIRST_DAY,
                last_day: float = LAST_DAY) -> pd.DataFrame:
    """The club's middle gain by age.

    ``gains`` with fruit, day, days, gain_kg_day (see :func:`patchstats.gains.daily_gains`); rows outside the ages are
    not used. ``bends`` is the number of columns of the natural cubic spline in age. Longer intervals weigh more, by
    their days. Scaled so that the mean level of the fruits is 100 %.

    Returns one row a whole day: ``day``, ``gain_kg_day``. Raises :class:`ModelError` with fewer than 3 fruits, or
    too few rows for the curve.
    """
    rows = gains[gains["day"].between(first_day, last_day) & gains["gain_kg_day"].notna()]
    if rows["fruit"].nunique() < 3 or len(rows) < 4 * bends:
        count = rows["fruit"].nunique()
        raise ModelError(f"There are {len(rows)} gains of {count} {'fruit' if count == 1 else 'fruits'} between day "
                         f"{first_day:g} and day {last_day:g}, and a middle curve of the club needs {4 * bends} gains "
                         "of 3 fruits at least: take in more logs, with tapings a week apart or less.")
    fruit = pd.factorize(rows["fruit"])[0]
    gain, weight = rows["gain_kg_day"].to_numpy(float), rows["days"].to_numpy(float)
    knots = {"df": bends, "lower_bound": first_day, "upper_bound": last_day}
    basis = np.asarray(cr(rows["day"].to_numpy(float), **knots))
    level = np.ones(fruit.max() + 1)
    root = np.sqrt(weight)
    for _ in range(_ROUNDS):
        bend, *_ = np.linalg.lstsq(basis * (level[fruit] * root)[:, None], gain * root, rcond=None)
        curve = basis @ bend
        new = np.bincount(fruit, weight * curve * gain) / np.maximum(np.bincount(fruit, weight * curve**2), 1e-300)
        new /= new.mean()
        done = np.max(np.abs(new - level)) < 1e-9
        level = new
        if done:
            break
    days = np.arange(np.ceil(first_day), np.floor(last_day) + 1.0)
    # The spline's knots belong to the rows it was made from; the whole days are read off the fitted rows' curve.
    order = np.argsort(rows["day"].to_numpy(float))
    at, value = np.unique(rows["day"].to_numpy(float)[order], return_index=True)
    return pd.DataFrame({"day": days, "gain_kg_day": np.interp(days, at, curve[order][value])})


def with_pace(gains: pd.DataFrame, curve: pd.DataFrame) -> pd.DataFrame:
    """The gains within the curve's ages, with pace added.

    Adds ``middle_kg_day`` (the curve at that age), ``pace_percent`` = 100 * gain / middle, and ``pace_percent_se``,
    its standard error from the tape alone. Rows outside the curve's ages are left out.
    """
    inside = gains["day"].between(curve["day"].min(), curve["day"].max())
    rows = gains[inside].copy()
    middle = np.interp(rows["day"], curve["day"], curve["gain_kg_day"])
    if np.any(middle <= 0):
        raise ModelError("The club's middle gain falls to nothing inside the ages asked for; ask for fewer days.")
    rows["middle_kg_day"] = middle
    rows["pace_percent"] = 100.0 * rows["gain_kg_day"] / middle
    rows["pace_percent_se"] = 100.0 * rows["gain_kg_day_se"] / middle
    return rows
