"""Patch-days: soil and weather by patch and day, and their means over windows of days.

Soil and weather are written down by patch and day; gains belong to intervals between tapings. The join is a mean over a
**window** of days, open at the past end and closed at the late end, ``(from_date, to_date]``: the days that a fruit
lived through between two tapings. A window never reaches past its late end, so nothing measured after a taping
can enter a row of that taping.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from patchstats.heat import BASE_C, CEILING_C, heat_by_day
from patchstats.remarks import PatchstatsError
from patchstats.tables import table_of

_SPAN = 1 << 20  # days in a patch's stretch of the sorted key: wider than any calendar


def patch_days(club, *, base_c: float = BASE_C, ceiling_c: float = CEILING_C, method: str = "single sine",
               cutoff: str = "horizontal", as_of=None) -> pd.DataFrame:
    """One row a patch and day: mean soil temperature, highest and lowest air temperature, rain, water, degree days.

    ``base_c``, ``ceiling_c``, ``method`` and ``cutoff`` as in :func:`patchstats.heat.degree_days`; the double methods are
    refused, since they need the next day's minimum and a row may know nothing of the next day. ``as_of`` leaves out
    all that is dated later. Several readings of one day are averaged, water is summed.

    Columns: patch, date, soil_c, soil_source ("probe" or "missing"), air_max_c, air_min_c, rain_mm, water_mm,
    heat_c_day.
    """
    if method.startswith("double"):
        raise PatchstatsError(
            f"The method {method!r} needs the next day's minimum, which a day's row must not know; take a single one.")
    soil, weather = table_of(club, "soil"), table_of(club, "weather")
    if as_of is not None:
        soil, weather = (t[t["date"] <= pd.Timestamp(as_of)] for t in (soil, weather))
    key = ["patch", "date"]
    warm = soil.groupby(key, as_index=False)["soil_c"].mean()
    sky = weather.groupby(key, as_index=False).agg(
        {"air_max_c": "mean", "air_min_c": "mean", "rain_mm": "mean", "water_mm": "sum"})
    days = warm.merge(sky, on=key, how="outer").sort_values(key, ignore_index=True)
    days["soil_source"] = np.where(days["soil_c"].notna(), "probe", "missing").astype(object)
    days["heat_c_day"] = heat_by_day(days, base_c=base_c, ceiling_c=ceiling_c, method=method,
                                     cutoff=cutoff)["heat_c_day"]
    return days[["patch", "date", "soil_c", "soil_source", "air_max_c", "air_min_c", "rain_mm", "water_mm",
                 "heat_c_day"]]


def window_mean(days: pd.DataFrame, column: str, *, patch: pd.Series, from_date: pd.Series, to_date: pd.Series,
                least_share: float = 0.5) -> pd.DataFrame:
    """Mean of a column of patch-days over each window ``(from_date, to_date]`` of its patch.

    ``days`` has one row a patch and date. ``patch``, ``from_date`` and ``to_date`` are aligned, one window each.
    Columns: ``mean`` over the days that have a value, missing where fewer than ``least_share`` of the window's days have one,
    and ``share``, that fraction. A window without days has neither.

    >>> d = pd.DataFrame({"patch": "Ana/home", "date": pd.date_range("2024-07-01", periods=4),
    ...                   "soil_c": [18.0, 20.0, 22.0, 40.0]})
    >>> window_mean(d, "soil_c", patch=pd.Series(["Ana/home"]), from_date=pd.Series(pd.to_datetime(["2024-07-01"])),
    ...             to_date=pd.Series(pd.to_datetime(["2024-07-03"])))["mean"].tolist()
    [21.0]
    """
    if not 0.0 <= least_share <= 1.0:
        raise PatchstatsError(f"The least share of days must lie between 0 and 1; it was {least_share}.")
    held = days.loc[days[column].notna(), ["patch", "date", column]]
    if held.duplicated(["patch", "date"]).any():
        raise PatchstatsError("Patch-days must hold one row a patch and date.")
    names = pd.Index(held["patch"].unique())
    key = names.get_indexer(held["patch"]) * _SPAN + _day_number(held["date"])
    order = np.argsort(key, kind="stable")
    key = key[order]
    running = np.concatenate([[0.0], np.cumsum(held[column].to_numpy(float)[order])])
    code = names.get_indexer(patch)
    begins, ends = _day_number(from_date), _day_number(to_date)
    known = (code >= 0) & from_date.notna().to_numpy() & to_date.notna().to_numpy()
    left = np.searchsorted(key, np.where(known, code * _SPAN + begins, 0), side="right")
    right = np.searchsorted(key, np.where(known, code * _SPAN + ends, 0), side="right")
    count = np.where(known, np.maximum(right - left, 0), 0)
    length = np.where(known, ends - begins, 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(length > 0, count / length, np.nan)
        mean = np.where((count > 0) & (share >= least_share), (running[right] - running[left]) / count, np.nan)
    return pd.DataFrame({"mean": mean, "share": share}, index=patch.index)


def lagged_mean(days: pd.DataFrame, column: str, *, patch: pd.Series, date: pd.Series, lag_days: int,
                least_share: float = 0.5) -> pd.DataFrame:
    """Mean of a column over the last ``lag_days`` days up to and with ``date``: see :func:`window_mean`."""
    if lag_days < 1:
        raise PatchstatsError(f"A lag must reach back at least one day; it was {lag_days}.")
    return window_mean(days, column, patch=patch, from_date=date - pd.Timedelta(days=lag_days), to_date=date,
                       least_share=least_share)


def _day_number(dates: pd.Series) -> np.ndarray:
    """Days since 1970; the number of a missing date is meaningless and masked by the caller."""
    return dates.to_numpy("datetime64[D]").astype(np.int64)
