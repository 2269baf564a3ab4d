"""Plant size: secondary vines, main vine and ground covered through time, from however few counts a member made.

Vines are counted a few times a season at best. Between counts a size is read off a curve that never turns back
(Fritsch and Carlson 1980, *Monotone piecewise cubic interpolation*, SIAM J. Numer. Anal. 17:238-246), since secondary
vines are added and not taken away; before that, counts that fall back are evened out to the nearest rising sequence
(pool adjacent violators; Barlow et al. 1972, *Statistical Inference under Order Restrictions*). One count is enough:
beyond the counts the club's own pace carries it, and the standard error grows with the days it is carried.

Where a fruit sits, its distance from the stump along the vine, is a size of the plant, too, but one that does not
change: the vine grows at its tip.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.interpolate import PchipInterpolator
from scipy.optimize import isotonic_regression
from scipy.stats import norm

from patchstats.remarks import PatchstatsError
from patchstats.tables import table_of

QUANTITIES = ("secondaries", "main_vine_cm", "covered_m2")
AT_SET = (*QUANTITIES, "distance_out_cm")
# Standard error of one count or measure: common practice, no source (a vine missed, a bent vine taped).
COUNT_SE = {"secondaries": 1.0, "main_vine_cm": 10.0, "covered_m2": 2.0, "distance_out_cm": 10.0}
_LOGGED = {"secondaries": "secondaries_at_set", "main_vine_cm": "main_vine_cm", "distance_out_cm": "distance_out_cm"}
FARTHEST_DAYS = 30.0  # a size is carried no further than this from the nearest count


def size_at(club, quantity: str, *, plant: pd.Series, date: pd.Series, level: float = 0.9,
            as_of=None) -> pd.DataFrame:
    """The size of each plant on each date, with its error and where it comes from.

    ``quantity`` is one of :data:`QUANTITIES`; ``plant`` and ``date`` are aligned. Columns: ``value``, ``se``, ``low``
    and ``high`` at ``level`` (normal, never below nothing), ``source``: "counted", "between counts", "carried" (by the
    club's pace) or "missing"; ``days_from_count`` to the nearest count. ``as_of`` leaves out counts made later.

    >>> counts = pd.DataFrame({"plant": "Ana/2024/A", "date": pd.to_datetime(["2024-06-20", "2024-06-30"]),
    ...                        "secondaries": [12, 20], "main_vine_cm": np.nan, "covered_m2": np.nan})
    >>> found = size_at({"sizes": counts}, "secondaries", plant=pd.Series(["Ana/2024/A"]),
    ...                 date=pd.Series(pd.to_datetime(["2024-06-25"])))
    >>> found[["value", "source"]].values.tolist()
    [[16.0, 'between counts']]
    """
    if quantity not in QUANTITIES:
        raise PatchstatsError(f"There is no plant size called {quantity!r}; the sizes are {', '.join(QUANTITIES)}.")
    _check_level(level)
    counts = _counts(club, quantity, as_of)
    pace, pace_sd = club_pace(club, quantity, as_of=as_of)
    out = _nothing_known(plant.index)
    numbers = out[["value", "se", "days_from_count"]].to_numpy(copy=True)
    source = out["source"].to_numpy(object, copy=True)
    # Plants by number, in runs: plain arrays, since a club has hundreds of plants of a few counts each.
    code, names = pd.factorize(counts["plant"])
    at, value = counts["at"].to_numpy(float), counts["value"].to_numpy(float)
    starts = np.searchsorted(code, np.arange(len(names) + 1))  # counts are sorted by plant
    asked = np.where(date.notna().to_numpy(), pd.Index(names).get_indexer(plant), -1)
    when, order = _number(date).astype(float), np.argsort(asked, kind="stable")
    for rows in np.split(order, np.flatnonzero(np.diff(asked[order])) + 1):
        number = asked[rows[0]] if len(rows) else -1
        if number >= 0:
            own = slice(starts[number], starts[number + 1])
            *made, source[rows] = _read_off(at[own], value[own], when[rows], quantity, pace, pace_sd)
            numbers[rows] = np.column_stack(made)
    out[["value", "se", "days_from_count"]], out["source"] = numbers, source
    return _banded(out, level)


def _nothing_known(index: pd.Index) -> pd.DataFrame:
    return pd.DataFrame({"value": np.nan, "se": np.nan, "low": np.nan, "high": np.nan, "source": "missing",
                         "days_from_count": np.nan}, index=index)


def _banded(sizes: pd.DataFrame, level: float) -> pd.DataFrame:
    half = norm.ppf(0.5 + level / 2.0) * sizes["se"]
    return sizes.assign(low=(sizes["value"] - half).clip(lower=0.0), high=sizes["value"] + half)


def _check_level(level: float) -> None:
    if not 0.0 < level < 1.0:
        raise PatchstatsError(f"The level must lie between 0 and 1, such as 0.9; it was {level}.")


def club_pace(club, quantity: str, *, as_of=None) -> tuple[float, float]:
    """The club's middle pace of a size a day, and its spread between plants (both per day).

    From plants with at least two counts: the slope between the first and the last. With fewer than five such plants
    the pace is 0 and the spread a tenth of the club's middle size a day: wide, since nothing is known.

    >>> counts = pd.DataFrame({"plant": ["Ana/2024/A", "Ana/2024/B"], "date": pd.Timestamp("2024-06-30"),
    ...                        "secondaries": [14, 18]})
    >>> club_pace({"sizes": counts}, "secondaries")
    (0.0, 1.6)
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


def _read_off(at: np.ndarray, value: np.ndarray, wanted: np.ndarray, quantity: str, pace: float,
              pace_sd: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """One plant: the rising curve through its counts, carried by the club's pace beyond them. Value, se, days, source.

    Vines come one by one. If each came by chance (a Poisson process; nodes come more evenly, so this errs on the wide
    side), then of n vines between two counts those of the first share p of the days are binomial, with variance
    n p (1 - p), and those of the days beyond the counts have their own number as variance (closed forms).
    """
    rising = isotonic_regression(value).x
    inside = np.clip(wanted, at[0], at[-1])
    curve = PchipInterpolator(at, rising)(inside) if len(at) > 1 else np.full(len(wanted), rising[0])
    beyond = wanted - inside
    nearest = np.abs(wanted[:, None] - at[None, :]).min(axis=1)
    carried = np.abs(beyond)
    bridge, chance = np.zeros(len(wanted)), pace * carried
    if len(at) > 1:
        right = np.clip(np.searchsorted(at, wanted), 1, len(at) - 1)
        gap, left_gap = at[right] - at[right - 1], inside - at[right - 1]
        # A bridge between two counts wanders most at its middle, and less than a pace carried from one end alone.
        bridge = pace_sd * left_gap * (gap - left_gap) / gap
        share = left_gap / gap
        chance = chance + (rising[right] - rising[right - 1]) * share * (1.0 - share)
    if quantity != "secondaries":  # what grows evenly
        chance = np.zeros(len(wanted))
    out = np.maximum(curve + pace * beyond, 0.0)
    se = np.sqrt(COUNT_SE[quantity] ** 2 + bridge**2 + (pace_sd * carried) ** 2 + chance)
    source = np.select([nearest == 0, carried > 0], ["counted", "carried"], default="between counts").astype(object)
    far = carried > FARTHEST_DAYS
    out[far], se[far], source[far] = np.nan, np.nan, "missing"
    return out, se, nearest, source


def size_at_set(club, quantity: str = "secondaries", *, level: float = 0.9, as_of=None) -> pd.DataFrame:
    """Plant size on the day of pollination, one row a fruit: as logged with the fruit, else from the plant's counts.

    ``quantity`` is one of :data:`AT_SET`; the distance out is known only where it was logged with the fruit. Columns:
    fruit, then those of :func:`size_at`, with the ``source`` "logged at set" as well. Needed by every comparison of
    plant size: bigger plants are partly plants that were pollinated later.

    >>> fruits = pd.DataFrame({"fruit": ["Ana/2024/A"], "distance_out_cm": [320.0]})
    >>> size_at_set({"fruits": fruits}, "distance_out_cm")[["value", "se", "source"]].values.tolist()
    [[320.0, 10.0, 'logged at set']]
    """
    if quantity not in AT_SET:
        raise PatchstatsError(f"There is no plant size called {quantity!r}; the sizes are {', '.join(AT_SET)}.")
    _check_level(level)
    fruits = table_of(club, "fruits").reset_index(drop=True)
    if quantity in QUANTITIES:
        out = size_at(club, quantity, plant=fruits["plant"], date=fruits["set_date"], level=level, as_of=as_of)
    else:
        out = _nothing_known(fruits.index)
    if quantity in _LOGGED:
        logged = fruits[_LOGGED[quantity]]
        has = logged.notna().to_numpy()
        out.loc[has, "value"] = logged.astype(float)
        out.loc[has, ["se", "days_from_count"]] = COUNT_SE[quantity], 0.0
        out.loc[has, "source"] = "logged at set"
        out = _banded(out, level)
    out.insert(0, "fruit", fruits["fruit"])
    return out
