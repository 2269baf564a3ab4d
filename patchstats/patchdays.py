"""Patch-days: soil and weather by patch and day, and their means over windows of days.

Soil and weather are written down by patch and day; gains belong to intervals between tapings. The join is a mean over a
**window** of days, open at the past end and closed at the late end, ``(from_date, to_date]``: the days that a fruit
lived through between two tapings. A window never reaches past its late end, so nothing measured after a taping
can enter a row of that taping.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from patchstats.heat import BASE_C, CEILING_C, degree_days, heat_rule
from patchstats.remarks import PatchstatsError
from patchstats.tables import table_of

_SPAN = 1 << 20  # days in a patch's stretch of the sorted key: wider than any calendar


def patch_days(club, *, base_c: float = BASE_C, ceiling_c: float = CEILING_C, optimum_c: float | None = None,
               method: str = "single sine", cutoff: str = "horizontal", as_of=None) -> pd.DataFrame:
    """One row a patch and day: mean soil temperature, highest and lowest air temperature, rain, water, degree days.

    ``base_c``, ``ceiling_c``, ``optimum_c``, ``method`` and ``cutoff`` as in :func:`patchstats.heat.degree_days`; the
    double methods are refused, since they need the next day's minimum and a row may know nothing of the next day.
    ``as_of`` leaves out all that is dated later. Several readings of one day are averaged, water is summed.

    Columns as in ``DICTIONARY["patch_days"]`` (the errors of the soil aside): patch, date, soil_c, soil_source ("probe"
    or "missing"), air_max_c, air_min_c, rain_mm, water_mm, heat_c_day, heat_rule.

    >>> sky = pd.DataFrame({"patch": "Ana/home", "date": pd.to_datetime(["2024-07-01"]), "air_min_c": [10.0],
    ...                     "air_max_c": [24.0], "rain_mm": [3.0], "water_mm": [0.0]})
    >>> patch_days({"weather": sky})[["heat_c_day", "heat_rule"]].values.tolist()
    [[7.0, 'single sine, horizontal cut-off, 10 to 32 C']]
    """
    if method.startswith("double"):
        raise PatchstatsError(
            f"The method {method!r} needs the next day's minimum, which a day's row must not know; take a single one.")
    soil, weather = table_of(club, "soil"), table_of(club, "weather")
    if as_of is not None:
        soil, weather = (t[t["date"] <= pd.Timestamp(as_of)] for t in (soil, weather))
    names = pd.Index(pd.unique(pd.concat([soil["patch"], weather["patch"]]))).sort_values()
    soil_key, sky_key = (_key(names, t["patch"], t["date"]) for t in (soil, weather))
    key = np.sort(np.concatenate([soil_key, sky_key]), kind="stable")
    key = key[np.r_[True, key[1:] != key[:-1]]] if len(key) else key
    soil_c = _daily(key, soil_key, soil["soil_c"])
    sky = {c: _daily(key, sky_key, weather[c], total=c == "water_mm")
           for c in ("air_max_c", "air_min_c", "rain_mm", "water_mm")}
    low = np.where(sky["air_min_c"] > sky["air_max_c"], np.nan, sky["air_min_c"])  # a day upside down has no heat
    heat = degree_days(low, sky["air_max_c"], base_c=base_c, ceiling_c=ceiling_c, optimum_c=optimum_c, method=method,
                       cutoff=cutoff)
    rule = heat_rule(base_c=base_c, ceiling_c=ceiling_c, optimum_c=optimum_c, method=method, cutoff=cutoff)
    return pd.DataFrame({
        "patch": names.to_numpy()[key // _SPAN], "date": (key % _SPAN).astype("datetime64[D]").astype("datetime64[ns]"),
        "soil_c": soil_c, "soil_source": np.array(["probe", "missing"], dtype=object)[np.isnan(soil_c).astype(int)],
        **sky, "heat_c_day": heat, "heat_rule": rule})


def _key(names: pd.Index, patch: pd.Series, date: pd.Series) -> np.ndarray:
    """One whole number a patch and day, in order of both; sums over windows become sums over stretches of it."""
    return names.get_indexer(patch) * _SPAN + _day_number(date)


def _daily(days: np.ndarray, key: np.ndarray, values: pd.Series, *, total: bool = False) -> np.ndarray:
    """Mean (or total) of the values of each day that has any."""
    value = values.to_numpy(float)
    has = np.isfinite(value)
    place = np.searchsorted(days, key[has])
    count = np.bincount(place, minlength=len(days))
    summed = np.bincount(place, value[has], minlength=len(days))
    return np.where(count > 0, summed / (1 if total else np.maximum(count, 1)), np.nan)


def window_means(days: pd.DataFrame, columns: Sequence[str], *, patch: pd.Series, from_date: pd.Series,
                 to_date: pd.Series, least_share: float = 0.5) -> pd.DataFrame:
    """Means of columns of patch-days over each window ``(from_date, to_date]`` of its patch.

    ``days`` has one row a patch and date. ``patch``, ``from_date`` and ``to_date`` are aligned, one window each; the
    result has their index. For each of ``columns``: its mean over the days that have a value, missing where fewer than
    ``least_share`` of the window's days have one, and ``<column>_share``, that fraction.

    >>> d = pd.DataFrame({"patch": "Ana/home", "date": pd.date_range("2024-07-01", periods=4),
    ...                   "soil_c": [18.0, 20.0, 22.0, 40.0]})
    >>> window_means(d, ["soil_c"], patch=pd.Series(["Ana/home"]), from_date=pd.Series(pd.to_datetime(["2024-07-01"])),
    ...              to_date=pd.Series(pd.to_datetime(["2024-07-03"])))["soil_c"].tolist()
    [21.0]
    """
    if not 0.0 <= least_share <= 1.0:
        raise PatchstatsError(f"The least share of days must lie between 0 and 1; it was {least_share}.")
    names = pd.Index(pd.unique(days["patch"]))
    key = _key(names, days["patch"], days["date"])
    order = np.argsort(key, kind="stable")
    key = key[order]
    if (key[1:] == key[:-1]).any():
        raise PatchstatsError("Patch-days must hold one row a patch and date.")
    code = names.get_indexer(patch)
    known = (code >= 0) & from_date.notna().to_numpy() & to_date.notna().to_numpy()
    begins, ends = np.where(known, _day_number(from_date), 0), np.where(known, _day_number(to_date), 0)
    left = np.searchsorted(key, np.where(known, code * _SPAN + begins, -1), side="right")
    right = np.maximum(np.searchsorted(key, np.where(known, code * _SPAN + ends, -1), side="right"), left)
    length = ends - begins
    out = {}
    for column in columns:
        value = days[column].to_numpy(float)[order]
        has = np.isfinite(value)
        summed = np.concatenate([[0.0], np.cumsum(np.where(has, value, 0.0))])
        counted = np.concatenate([[0], np.cumsum(has)])
        count = counted[right] - counted[left]
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(length > 0, count / length, np.nan)
            mean = np.where((count > 0) & (share >= least_share), (summed[right] - summed[left]) / count, np.nan)
        out[column], out[f"{column}_share"] = mean, share
    return pd.DataFrame(out, index=patch.index)


def lagged_means(days: pd.DataFrame, columns: Sequence[str], *, patch: pd.Series, date: pd.Series, lag_days: int,
                 least_share: float = 0.5) -> pd.DataFrame:
    """Means of columns over the last ``lag_days`` days up to and with ``date``: see :func:`window_means`.

    >>> d = pd.DataFrame({"patch": "Ana/home", "date": pd.date_range("2024-07-01", periods=4),
    ...                   "soil_c": [18.0, 20.0, 22.0, 40.0]})
    >>> lagged_means(d, ["soil_c"], patch=pd.Series(["Ana/home"]), date=pd.Series(pd.to_datetime(["2024-07-03"])),
    ...              lag_days=3)["soil_c"].tolist()
    [20.0]
    """
    if lag_days < 1:
        raise PatchstatsError(f"A lag must reach back at least one day; it was {lag_days}.")
    return window_means(days, columns, patch=patch, from_date=date - pd.Timedelta(days=lag_days), to_date=date,
                        least_share=least_share)


def totals_since(days: pd.DataFrame, columns: Sequence[str], *, patch: pd.Series, since: pd.Series, date: pd.Series,
                 least_share: float = 0.9) -> pd.DataFrame:
    """Totals of columns, such as degree days since the pollination, over the days after ``since`` up to ``date``.

    As :func:`window_means`, times the days of the window: a day without a value counts as the mean of the others, and
    where fewer than ``least_share`` of the days have one the total is missing. For each of ``columns`` its total, and
    ``<column>_share``, the fraction of days that have a value.

    >>> d = pd.DataFrame({"patch": "Ana/home", "date": pd.date_range("2024-07-01", periods=4),
    ...                   "heat_c_day": [9.0, 10.0, 12.0, 13.0]})
    >>> totals_since(d, ["heat_c_day"], patch=pd.Series(["Ana/home"]), since=pd.Series(pd.to_datetime(["2024-07-01"])),
    ...              date=pd.Series(pd.to_datetime(["2024-07-04"])))["heat_c_day"].tolist()
    [35.0]
    """
    means = window_means(days, columns, patch=patch, from_date=since, to_date=date, least_share=least_share)
    length = (date - since) / pd.Timedelta(days=1)
    return means.assign(**{column: means[column] * length for column in columns})


def _day_number(dates: pd.Series) -> np.ndarray:
    """Days since 1970; the number of a missing date is meaningless and masked by the caller."""
    return dates.to_numpy("datetime64[D]").astype(np.int64)
