"""Plant size: secondary vines and main vine length through time, from however few counts a member made.

Vines are counted a few times a season at best. Between counts a size is read off a curve that never turns back
(Fritsch and Carlson 1980, *Monotone piecewise cubic interpolation*, SIAM J. Numer. Anal. 17:238-246), since secondary
vines are added and not taken away; before that, counts that fall back are evened out to the nearest rising sequence
(pool adjacent violators; Barlow et al. 1972, *Statistical Inference under Order Restrictions*). One count is enough:
beyond the counts the club's own pace carries it, and the standard error grows with the days it is carried.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.interpolate import PchipInterpolator
from scipy.optimize import isotonic_regression

from patchstats.remarks import PatchstatsError
from patchstats.tables import table_of

QUANTITIES = ("secondaries", "main_vine_cm", "covered_m2")
# Standard error of one count or measure: common practice, no source (a vine missed, a bent vine taped).
COUNT_SE = {"secondaries": 1.0, "main_vine_cm": 10.0, "covered_m2": 2.0}
FARTHEST_DAYS = 30.0  # a size is carried no further than this from the nearest count


def size_at(club, quantity: str, *, plant: pd.Series, date: pd.Series, as_of=None) -> pd.DataFrame:
    """The size of each plant on each date, with its standard error and where it comes from.

    ``quantity`` is one of :data:`QUANTITIES`; ``plant`` and ``date`` are aligned. Columns: ``value``, ``se``,
    ``source``: "counted", "between counts", "carried" (by the club's pace) or "missing";
    ``days_from_count`` to the nearest count. ``as_of`` leaves out counts made later.
    """
    if quantity not in QUANTITIES:
        raise PatchstatsError(f"There is no plant size called {quantity!r}; the sizes are {', '.join(QUANTITIES)}.")
    counts = _counts(club, quantity, as_of)
    pace, pace_sd = club_pace(club, quantity, as_of=as_of)
    out = pd.DataFrame({"value": np.nan, "se": np.nan, "source": "missing", "days_from_count": np.nan},
                       index=plant.index)
    wanted = pd.DataFrame({"plant": plant.to_numpy(), "at": _number(date)}, index=plant.index)
    wanted = wanted[date.notna().to_numpy() & wanted["plant"].isin(counts["plant"]).to_numpy()]
    held = dict(tuple(counts.groupby("plant", sort=False)))
    for name, rows in wanted.groupby("plant", sort=False):
        series = held[name]
        made = _read_off(series["at"].to_numpy(float), series["value"].to_numpy(float),
                         rows["at"].to_numpy(float), COUNT_SE[quantity], pace, pace_sd)
        out.loc[rows.index, ["value", "se", "days_from_count"]] = made[["value", "se", "days_from_count"]].to_numpy()
        out.loc[rows.index, "source"] = made["source"].to_numpy()
    return out


def club_pace(club, quantity: str, *, as_of=None) -> tuple[float, float]:
    """The club's middle pace of a size a day, and its spread between plants (both per day).

    From plants with at least two counts: the slope between the first and the last. With fewer than five such plants
    the pace is 0 and the spread a tenth of the club's middle size a day: wide, since nothing is known.
    """
    counts = _counts(club, quantity, as_of)
    ends = counts.groupby("plant")[["at", "value"]].agg(["first", "last"])
    if len(ends):
        span = ends[("at", "last")] - ends[("at", "first")]
        slope = ((ends[("value", "last")] - ends[("value", "first")]) / span)[span >= 3]
        slope = slope[np.isfinite(slope)]
        if len(slope) >= 5:
            middle = float(slope.median())
            return max(middle, 0.0), float(1.4826 * (slope - middle).abs().median())
    return 0.0, 0.1 * float(counts["value"].median()) if len(counts) else np.nan


def _counts(club, quantity: str, as_of) -> pd.DataFrame:
    """Counts by plant and day number, the mean of a day, in order of time."""
    sizes = table_of(club, "sizes")
    sizes = sizes[sizes[quantity].notna()]
    if as_of is not None:
        sizes = sizes[sizes["date"] <= pd.Timestamp(as_of)]
    frame = pd.DataFrame({"plant": sizes["plant"], "at": _number(sizes["date"]),
                          "value": sizes[quantity].astype(float)})
    return frame.groupby(["plant", "at"], as_index=False)["value"].mean()


def _number(dates: pd.Series) -> np.ndarray:
    return dates.to_numpy("datetime64[D]").astype(np.int64)


def _read_off(at: np.ndarray, value: np.ndarray, wanted: np.ndarray, count_se: float, pace: float,
              pace_sd: float) -> pd.DataFrame:
    """One plant: the rising curve through its counts, carried by the club's pace beyond them."""
    rising = isotonic_regression(value).x
    inside = np.clip(wanted, at[0], at[-1])
    curve = PchipInterpolator(at, rising)(inside) if len(at) > 1 else np.full(len(wanted), rising[0])
    beyond = wanted - inside
    nearest = np.abs(wanted[:, None] - at[None, :]).min(axis=1)
    right = np.clip(np.searchsorted(at, wanted), 1, max(len(at) - 1, 1))
    bridge = np.zeros(len(wanted))
    if len(at) > 1:
        left_gap, right_gap = inside - at[right - 1], at[right] - inside
        # A bridge between two counts wanders most at its middle, and less than a pace carried from one end alone.
        bridge = pace_sd * left_gap * right_gap / np.maximum(left_gap + right_gap, 1.0)
    carried = np.abs(beyond)
    out = np.maximum(curve + pace * beyond, 0.0)
    se = np.sqrt(count_se**2 + bridge**2 + (pace_sd * carried) ** 2)
    source = np.select([nearest == 0, carried > 0], ["counted", "carried"], default="between counts").astype(object)
    far = carried > FARTHEST_DAYS
    out[far], se[far], source[far] = np.nan, np.nan, "missing"
    return pd.DataFrame({"value": out, "se": se, "source": source, "days_from_count": nearest})


def size_at_set(club, quantity: str = "secondaries", *, as_of=None) -> pd.DataFrame:
    """Plant size on the day of pollination, one row a fruit: as logged with the fruit, else from the plant's counts.

    Columns: fruit, value, se, source ("logged at set", or as in :func:`size_at`). Needed by every comparison of plant
    size: bigger plants are partly plants that were pollinated later.
    """
    fruits = table_of(club, "fruits").reset_index(drop=True)
    logged = {"secondaries": "secondaries_at_set", "main_vine_cm": "main_vine_cm"}.get(quantity)
    out = size_at(club, quantity, plant=fruits["plant"], date=fruits["set_date"], as_of=as_of)
    if logged is not None:
        has = fruits[logged].notna().to_numpy()
        out.loc[has, "value"] = fruits.loc[has, logged].astype(float)
        out.loc[has, "se"] = COUNT_SE[quantity]
        out.loc[has, "source"] = "logged at set"
        out.loc[has, "days_from_count"] = 0.0
    out.insert(0, "fruit", fruits["fruit"])
    return out
