"""Heat: degree days from daily minimum and maximum air temperature, by named method.

A day's heat is the area between the day's temperature and a base, in degree days. The methods differ in how they
draw the day between its minimum and its maximum, and the cut-offs in what they do above a ceiling:

* *simple average*: the mean of the two, floored at the base (method 1 of McMaster G.S. and Wilhelm W.W. 1997,
  Agric. For. Meteorol. 87:291-300);
* *modified average*: each of the two brought between base and ceiling first (method 2 there; with 86/50 F, the corn
  rule of the extension services);
* *single triangle*, *double triangle*, *single sine* (Baskerville G.L. and Emin P. 1969, Ecology 50:514-517),
  *double sine* (Allen J.C. 1976, Environ. Entomol. 5:388-396): "double" draws the second half of the day down to
  the next day's minimum;
* *perry wehner*: the daily maximum alone, turned down above the ceiling (Perry K.B. and Wehner T.C. 1996,
  HortTechnology 6:27, for cucumber).

Cut-offs, as in Zalom F.G. et al. 1983 (*Degree-days: the calculation and use of heat units in pest management*,
Univ. of California Leaflet 21373; title from memory): *horizontal*, heat above the ceiling counts as the ceiling;
*intermediate*, heat above it is taken off again; *vertical*, hours above it count nothing.

With an *optimum* there is no cut-off: heat counts in full up to the optimum and less and less above it, until at the
ceiling it counts nothing (the three cardinal temperatures of crop models, in straight lines: common practice, from
memory). Drawn to the ceiling the optimum makes the vertical cut-off, and a ceiling out of reach makes the horizontal
one at the optimum.

Sources disagree on what a pumpkin needs (best mean 17-20 C in one, 23-29 C by day in another), and no degree-day
model of giant pumpkins has been published, so base, optimum and ceiling are the club's to set and the result says
which were used. The defaults, 10 and 32 C and no optimum, are where growth "virtually stops" (Ontario, OMAFRA) and the
upper limit for pumpkin and squash in Maynard L., Purdue 2007.

The formulas are indifferent to the unit: given all in Fahrenheit, they answer in Fahrenheit degree days
(900 F days are 500 C days).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from patchstats.remarks import PatchstatsError
from patchstats.units import f_to_c

BASE_C = 10.0
CEILING_C = 32.0
METHODS = ("simple average", "modified average", "single triangle", "double triangle", "single sine", "double sine",
           "perry wehner")
CUTOFFS = ("horizontal", "vertical", "intermediate")


def degree_days(air_min_c: ArrayLike, air_max_c: ArrayLike, *, base_c: float = BASE_C, ceiling_c: float = CEILING_C,
                optimum_c: float | None = None, method: str = "single sine", cutoff: str = "horizontal",
                next_min_c: ArrayLike | None = None) -> NDArray:
    """Degree days of each day [C day], by ``method`` and ``cutoff``, or ``optimum_c`` (see the module's text).

    ``air_min_c`` and ``air_max_c`` [C] are arrays of days; ``next_min_c`` [C], the next day's minimum, is needed by
    the double methods. ``ceiling_c=numpy.inf`` is no ceiling. A missing temperature makes a missing answer. The
    averages know no cut-off but the horizontal, and no optimum; ``perry wehner`` has its own.

    Raises :class:`PatchstatsError` for an unknown method or cut-off, thresholds out of order, or a day whose minimum
    lies above its maximum.

    >>> degree_days([10.0, 18.0], [24.0, 35.0], base_c=10.0, ceiling_c=32.0, method="single sine").round(2).tolist()
    [7.0, 15.96]
    """
    _check_choice(method, cutoff, base_c, optimum_c, ceiling_c, next_min_c)
    low, high = np.broadcast_arrays(np.asarray(air_min_c, dtype=float), np.asarray(air_max_c, dtype=float))
    turned = low > high
    if turned.any():
        raise PatchstatsError(
            f"On {int(turned.sum())} day(s) the lowest temperature lies above the highest; the first is "
            f"{low[turned][0]:g} above {high[turned][0]:g}.")
    if method == "simple average":
        return np.clip((low + high) / 2.0, base_c, ceiling_c) - base_c
    if method == "modified average":
        return (np.clip(low, base_c, ceiling_c) + np.clip(high, base_c, ceiling_c)) / 2.0 - base_c
    if method == "perry wehner":
        turned_down = np.where(high > ceiling_c, 2.0 * ceiling_c - high, high)
        return np.where(np.isnan(low), np.nan, np.maximum(turned_down - base_c, 0.0))
    shape = _sine_above if method.endswith("sine") else _triangle_above
    if method.startswith("single"):
        return _cut(shape, low, high, base_c, optimum_c, ceiling_c, cutoff)
    after = np.asarray(next_min_c, dtype=float)
    first = _cut(shape, low, high, base_c, optimum_c, ceiling_c, cutoff)
    second = _cut(shape, np.minimum(after, high), np.maximum(after, high), base_c, optimum_c, ceiling_c, cutoff)
    return (first + second) / 2.0


def degree_days_perry_wehner(air_max_c: ArrayLike, *, base_c: float = f_to_c(60.0),
                             ceiling_c: float = f_to_c(90.0)) -> NDArray:
    """Degree days from the daily maximum [C] alone, with the paper's own base 60 F and ceiling 90 F as defaults.

    Above the ceiling the maximum counts as ceiling - (maximum - ceiling). Perry and Wehner 1996 found it to beat
    calendar days for cucumber in North Carolina; it has not been tried on giant pumpkins.

    >>> (degree_days_perry_wehner([29.4444444, 37.7777778]) * 1.8).round(3).tolist()
    [25.0, 20.0]
    """
    return degree_days(air_max_c, air_max_c, base_c=base_c, ceiling_c=ceiling_c, method="perry wehner")


def heat_by_day(weather: pd.DataFrame, *, base_c: float = BASE_C, ceiling_c: float = CEILING_C,
                optimum_c: float | None = None, method: str = "single sine",
                cutoff: str = "horizontal") -> pd.DataFrame:
    """Degree days for each row of a weather table (columns ``patch``, ``date``, ``air_min_c``, ``air_max_c``).

    The next day's minimum, for the double methods, is taken from the same patch and from the very next day only.
    One row for each row of ``weather``, in its order and with its index. Columns: ``patch``, ``date``,
    ``heat_c_day``, ``method``, ``cutoff`` ("optimum" where one was given), ``base_c``, ``optimum_c``, ``ceiling_c``,
    ``flag`` ("", "no reading", "lowest above highest" or "no next day"); a flagged day has no heat.

    >>> days = pd.DataFrame({"patch": "p", "date": pd.to_datetime(["2024-07-01", "2024-07-02"]),
    ...                      "air_min_c": [10.0, 30.0], "air_max_c": [24.0, 20.0]})
    >>> heat_by_day(days)[["heat_c_day", "flag"]].round(1).values.tolist()
    [[7.0, ''], [nan, 'lowest above highest']]
    """
    missing = [c for c in ("patch", "date", "air_min_c", "air_max_c") if c not in weather.columns]
    if missing:
        raise PatchstatsError(f"The weather table lacks the column(s) {', '.join(missing)}.")
    low, high = (weather[c].to_numpy(dtype=float) for c in ("air_min_c", "air_max_c"))
    after = _next_day_minimum(weather)
    turned = low > high
    conditions, names = [np.isnan(low) | np.isnan(high), turned], ["no reading", "lowest above highest"]
    if method.startswith("double"):
        conditions, names = [*conditions, np.isnan(after)], [*names, "no next day"]
    heat = degree_days(np.where(turned, np.nan, low), high, base_c=base_c, ceiling_c=ceiling_c, optimum_c=optimum_c,
                       method=method, cutoff=cutoff, next_min_c=after)
    return pd.DataFrame({
        "patch": weather["patch"], "date": weather["date"], "heat_c_day": heat, "method": method,
        "cutoff": cutoff if optimum_c is None else "optimum", "base_c": base_c,
        "optimum_c": np.nan if optimum_c is None else optimum_c, "ceiling_c": ceiling_c,
        "flag": np.select(conditions, names, default="").astype(object)}, index=weather.index)


def _next_day_minimum(weather: pd.DataFrame) -> NDArray:
    """The minimum of the next calendar day of the same patch; of several rows for that day, the first that has one."""
    keyed = weather[["patch", "date", "air_min_c"]].dropna().drop_duplicates(["patch", "date"])
    known = pd.Series(keyed["air_min_c"].to_numpy(dtype=float),
                      index=pd.MultiIndex.from_arrays([keyed["patch"], keyed["date"]]))
    wanted = pd.MultiIndex.from_arrays([weather["patch"], weather["date"] + pd.Timedelta(days=1)])
    return known.reindex(wanted).to_numpy()


def heat_rule(*, base_c: float = BASE_C, ceiling_c: float = CEILING_C, optimum_c: float | None = None,
              method: str = "single sine", cutoff: str = "horizontal") -> str:
    """What degree days were worked out by, in words.

    >>> heat_rule(), heat_rule(optimum_c=25.0)
    ('single sine, horizontal cut-off, 10 to 32 C', 'single sine, best at 25 C, 10 to 32 C')
    """
    above = f"{cutoff} cut-off" if optimum_c is None else f"best at {optimum_c:g} C"
    return f"{method}, {above}, {base_c:g} to {ceiling_c:g} C"


def _check_choice(method: str, cutoff: str, base_c: float, optimum_c: float | None, ceiling_c: float,
                  next_min_c: ArrayLike | None) -> None:
    if method not in METHODS:
        raise PatchstatsError(f"There is no degree-day method {method!r}; the methods are {', '.join(METHODS)}.")
    if cutoff not in CUTOFFS:
        raise PatchstatsError(f"There is no cut-off {cutoff!r}; the cut-offs are {', '.join(CUTOFFS)}.")
    if cutoff != "horizontal" and not method.endswith(("sine", "triangle")):
        raise PatchstatsError(f"The method {method!r} has no {cutoff} cut-off; use a sine or a triangle.")
    if optimum_c is not None:
        if not method.endswith(("sine", "triangle")):
            raise PatchstatsError(f"The method {method!r} has no optimum; use a sine or a triangle.")
        if cutoff != "horizontal":
            raise PatchstatsError(f"An optimum takes the place of the {cutoff} cut-off; give one of the two.")
        if not base_c < optimum_c < ceiling_c:
            raise PatchstatsError(f"The optimum ({optimum_c:g}) must lie between base ({base_c:g}) and ceiling "
                                  f"({ceiling_c:g}).")
    if not base_c < ceiling_c:
        raise PatchstatsError(f"The base ({base_c:g}) must lie below the ceiling ({ceiling_c:g}).")
    if method.startswith("double") and next_min_c is None:
        raise PatchstatsError(f"The method {method!r} needs the next day's lowest temperature.")


def _cut(shape, low: NDArray, high: NDArray, base: float, optimum: float | None, ceiling: float,
         cutoff: str) -> NDArray:
    """Heat above the base less what the cut-off takes away above the ceiling, or the fall above the optimum."""
    above_base, _ = shape(low, high, base)
    above_ceiling, hours = shape(low, high, ceiling)
    if optimum is not None:
        # rising by 1 a degree to the optimum, falling by `fall` a degree to nothing at the ceiling, nothing beyond
        fall = (optimum - base) / (ceiling - optimum)
        above_optimum, _ = shape(low, high, optimum)
        return np.maximum(above_base - (1.0 + fall) * above_optimum + fall * above_ceiling, 0.0)
    if cutoff == "horizontal":
        return above_base - above_ceiling
    # hours above the ceiling (as a share of the day) lose what they earned up to the ceiling, too; where a threshold
    # is infinite there are no such hours
    lost = np.where(hours > 0.0, hours * (ceiling - base), 0.0) if np.isfinite(ceiling) else 0.0
    vertical = above_base - above_ceiling - lost
    # The intermediate cut-off can fall below the vertical one on hot days, even below 0; the University of
    # California's published results take the larger of the two.
    intermediate = np.maximum(above_base - 2.0 * above_ceiling, vertical)
    return np.maximum(vertical if cutoff == "vertical" else intermediate, 0.0)


def _sine_above(low: NDArray, high: NDArray, threshold: float) -> tuple[NDArray, NDArray]:
    """Degree days above a threshold, and the share of the day above it, for a sine from low to high and back.

    Baskerville and Emin 1969: with mean M, amplitude W and theta = arcsin((threshold - M) / W), the heat is
    ((M - threshold) * (pi/2 - theta) + W * cos(theta)) / pi.
    """
    mean, amplitude = (high + low) / 2.0, (high - low) / 2.0
    with np.errstate(invalid="ignore", divide="ignore"):  # a day without amplitude is settled by the clip or is level
        ratio = np.clip((threshold - mean) / amplitude, -1.0, 1.0)
    ratio = np.where(amplitude == 0.0, np.where(mean > threshold, -1.0, 1.0), ratio)
    theta = np.arcsin(ratio)
    part = ((mean - threshold) * (np.pi / 2.0 - theta) + amplitude * np.cos(theta)) / np.pi if np.isfinite(
        threshold) else np.zeros_like(mean)
    heat = np.where(low >= threshold, mean - threshold, np.where(high <= threshold, 0.0, part))
    return _known(heat, low, high), _known((np.pi / 2.0 - theta) / np.pi, low, high)


def _triangle_above(low: NDArray, high: NDArray, threshold: float) -> tuple[NDArray, NDArray]:
    """Degree days above a threshold, and the share of the day above it, for straight lines up and down."""
    span = high - low
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.clip((high - threshold) / span, 0.0, 1.0)
    share = np.where(span == 0.0, (low > threshold).astype(float), share)
    part = share * (high - threshold) / 2.0 if np.isfinite(threshold) else np.zeros_like(span)
    heat = np.where(low >= threshold, (low + high) / 2.0 - threshold, np.where(high <= threshold, 0.0, part))
    return _known(heat, low, high), _known(share, low, high)


def _known(values: NDArray, low: NDArray, high: NDArray) -> NDArray:
    return np.where(np.isnan(low) | np.isnan(high), np.nan, values)
