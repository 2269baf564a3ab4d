"""Soil filled: every patch's soil temperature at one depth on every day of its season, measured or filled, always said.

Members read probes at different depths and hours, miss days, or have no probe. In this order:

1. **One depth.** Each reading becomes the day's mean at :data:`patchstats.soilheat.STANDARD_DEPTH_CM`, by the damping
   of the daily wave (:mod:`patchstats.soilheat`), where the club's readings can tell that wave; else it stays as read.
2. **Neighbours.** A mixed model of patch, patch in a season and day tells what the weather of a day did to all patches.
3. **The patch itself.** What a patch is off from that lasts: its deviations follow a first-order autoregression with
   noise, run through a gap by a Kalman smoother (statsmodels). Near a reading the patch speaks, far from one the
   neighbours do, and the standard error says which.
4. **Air.** On days when no probe of the club was read: the yearly wave of the patch's own air, brought to its ground.
   How much weaker, later and warmer the ground's wave is than the air's is learnt from the patches that have both, by
   a mixed model in which each patch has its own amplitude, lag and offset, shrunken by how little it was read; a patch
   without a probe is a typical one, and how much patches differ is in its error. A club with fewer than three such
   patches has the wave of the patch's own probe, or else the air's wave sunk by the formula, whose error knows nothing
   of mulch, covers or heating cables. :func:`soil_against_air` shows each patch's amplitude and lag.

Filling looks both ways in time, which is right for looking back on a season. To stand on a day and know no later, give
``as_of``.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import norm

from patchstats.lmm import MixedFit, fit_mixed
from patchstats.patchdays import patch_days
from patchstats.remarks import ModelError, PatchstatsError
from patchstats.soilheat import (
    STANDARD_DEPTH_CM,
    YEAR_DAYS,
    Harmonic,
    clock_hours,
    compare_harmonics,
    daily_mean_at_depth,
    fill_from_harmonic,
    fit_daily_wave,
    fit_harmonic,
    soil_from_air,
)
from patchstats.tables import table_of

FEWEST_READINGS = 60  # patch-days with a probe for the neighbours' model; common practice, no source
PROBE_SE_C = 0.5  # of one reading; common practice, no source


def filled_days(club, *, level: float = 0.9, as_of=None) -> pd.DataFrame:
    """Patch-days as :func:`patchstats.patchdays.patch_days` gives them, with the soil at one depth and its gaps filled.

    One row for each patch and day between its first and last record of the season (soil or weather) and the fruits
    set on it. ``soil_source``: "probe", "filled" (neighbours and the patch itself), "air" or "missing"; ``soil_c_se``,
    ``soil_c_low`` and ``soil_c_high`` at ``level`` are of the day's mean. Hand it to
    ``daily_gains(club, days=filled_days(club))``.

    >>> from patchstats.tables import conform
    >>> dates = pd.date_range("2021-06-01", periods=3)
    >>> soil = conform("soil", pd.DataFrame({"patch": "Ana/home", "date": dates[[0, 2]], "soil_c": [18.0, 19.0]}))
    >>> filled_days({"soil": soil})[["soil_c", "soil_source"]].values.tolist()
    [[18.0, 'probe'], [nan, 'missing'], [19.0, 'probe']]
    """
    days = _whole_seasons(patch_days(club, as_of=as_of), club, as_of)
    at_depth = _one_depth(club, as_of)
    days = days.drop(columns=["soil_c", "soil_source"]).merge(at_depth, on=["patch", "date"], how="left")
    days["soil_source"] = np.where(days["soil_c"].notna(), "probe", "missing").astype(object)
    _fill_from_neighbours(days)
    _fill_from_air(days)
    z = norm.ppf(0.5 + level / 2.0)
    days["soil_c_low"], days["soil_c_high"] = (days["soil_c"] + s * z * days["soil_c_se"] for s in (-1.0, 1.0))
    return days.drop(columns="season")


def _whole_seasons(days: pd.DataFrame, club, as_of) -> pd.DataFrame:
    """The days with every day between the first and the last of a patch's season, and of its fruits' lives."""
    fruits = table_of(club, "fruits")
    readings = table_of(club, "readings")
    last = readings.groupby("fruit")["date"].max()
    lives = pd.concat([fruits[["patch", "set_date"]].rename(columns={"set_date": "date"}),
                       pd.DataFrame({"patch": fruits["patch"], "date": fruits["fruit"].map(last)})])
    marks = pd.concat([days[["patch", "date"]], lives]).dropna()
    if as_of is not None:
        marks = marks[marks["date"] <= pd.Timestamp(as_of)]
    # A season's days are those less than 90 days apart: a southern one runs over the turn of the year.
    marks = marks.sort_values(["patch", "date"]).drop_duplicates()
    apart = marks.groupby("patch")["date"].diff() > pd.Timedelta(days=90)
    marks["season"] = apart.groupby(marks["patch"]).cumsum()
    spans = marks.groupby(["patch", "season"])["date"].agg(["min", "max"]).reset_index()
    grid = [pd.DataFrame({"patch": s.patch, "season": f"{s.patch} {s.season}", "date": pd.date_range(s.min, s.max)})
            for s in spans.itertuples(index=False, name="Span")] if len(spans) else []
    if not grid:
        return days.assign(season="")
    return pd.concat(grid, ignore_index=True).merge(days, on=["patch", "date"], how="left")


def _one_depth(club, as_of) -> pd.DataFrame:
    """Daily mean soil temperature at the standard depth, one row a patch and day with a reading."""
    soil = table_of(club, "soil").dropna(subset=["soil_c"]).reset_index(drop=True)
    if as_of is not None:
        soil = soil[soil["date"] <= pd.Timestamp(as_of)].reset_index(drop=True)
    hour = clock_hours(soil["time_of_day"])
    depth = soil["depth_cm"].fillna(STANDARD_DEPTH_CM)
    try:
        wave = fit_daily_wave(soil["soil_c"], day=pd.factorize(soil["patch"] + soil["date"].astype(str))[0], hour=hour,
                              depth_cm=depth)
    except PatchstatsError:  # one reading a day: nothing tells the daily wave
        made = pd.DataFrame({"soil_c": soil["soil_c"], "soil_c_se": PROBE_SE_C})
    else:
        made = daily_mean_at_depth(soil["soil_c"], depth_cm=depth, hour=hour, wave=wave)
    made["patch"], made["date"] = soil["patch"], soil["date"]
    made["worth"] = 1.0 / made["soil_c_se"] ** 2
    made["weighed"] = made["soil_c"] * made["worth"]
    days = made.groupby(["patch", "date"])[["worth", "weighed"]].sum().reset_index()
    return pd.DataFrame({"patch": days["patch"], "date": days["date"], "soil_c": days["weighed"] / days["worth"],
                         "soil_c_se": 1.0 / np.sqrt(days["worth"])})


def _fill_from_neighbours(days: pd.DataFrame) -> None:
    """Fills, in place, each missing day for which some patch of the club has a reading."""
    seen = days["soil_source"].eq("probe")
    rows = days.loc[seen, ["patch", "season", "date", "soil_c"]].assign(day=lambda t: t["date"].dt.strftime("%Y-%m-%d"))
    if len(rows) < FEWEST_READINGS or rows["patch"].nunique() < 3:
        return
    fit = _neighbours(rows)
    gaps = days.index[~seen & days["date"].isin(rows["date"])]
    if not len(gaps):
        return
    new = days.loc[gaps, ["patch", "season", "date"]].assign(day=lambda t: t["date"].dt.strftime("%Y-%m-%d"))
    told = fit.predict(new, of="mean")
    off = pd.Series(fit.residuals["conditional"].to_numpy(), index=rows.index)
    own = _own_deviation(days.loc[:, ["season", "date"]].assign(off=off))
    days.loc[gaps, "soil_c"] = told["estimate"] + own.loc[gaps, "off"]
    days.loc[gaps, "soil_c_se"] = np.hypot(told["se"], own.loc[gaps, "se"])
    days.loc[gaps, "soil_source"] = "filled"


def _neighbours(rows: pd.DataFrame) -> MixedFit:
    """Patch, patch in a season, and day; the patch in a season only where patches have more than one."""
    several = rows["season"].nunique() > rows["patch"].nunique()
    try:
        return fit_mixed("soil_c ~ 1 + (1 | patch) + (1 | day)" + (" + (1 | season)" if several else ""), rows)
    except ModelError:
        return fit_mixed("soil_c ~ 1 + (1 | day)", rows)


def _own_deviation(frame: pd.DataFrame) -> pd.DataFrame:
    """What lasts of a patch's deviations on every day: estimate and standard error of a day's own deviation."""
    lags = []
    for lag in (0, 1, 2):
        products = frame["off"] * frame.groupby("season")["off"].shift(lag)
        lags.append(float(products.mean()))
    total, first, second = lags
    # An autoregression with noise has covariances s2 + n2, s2 phi, s2 phi**2 at lags 0, 1, 2 (closed form).
    phi = float(np.clip(second / first, 0.0, 0.99)) if first > 0 and second > 0 else 0.0
    lasting = min(first / phi, total) if phi > 0 else 0.0
    noise = max(total - lasting, 1e-6 * total)
    out = pd.DataFrame({"off": 0.0, "se": np.sqrt(total)}, index=frame.index)
    if lasting <= 0:
        return out
    for _, part in frame.groupby("season", sort=False):
        if part["off"].notna().any():
            level, variance = _autoregression(part["off"].to_numpy(float), phi, lasting, noise)
            out.loc[part.index, "off"], out.loc[part.index, "se"] = level, np.sqrt(variance + noise)
    return out


def _autoregression(y: np.ndarray, phi: float, lasting: float, noise: float) -> tuple[np.ndarray, np.ndarray]:
    """Smoothed state and variance of a stationary AR(1) of variance ``lasting`` seen with ``noise``."""
    from statsmodels.tsa.statespace.kalman_smoother import KalmanSmoother

    model = KalmanSmoother(k_endog=1, k_states=1, k_posdef=1)
    model.bind(y)
    model["design"], model["selection"] = np.ones((1, 1)), np.ones((1, 1))
    model["transition"], model["obs_cov"] = np.full((1, 1), phi), np.full((1, 1), noise)
    model["state_cov"] = np.full((1, 1), lasting * (1.0 - phi**2))
    model.initialize_known(np.zeros(1), np.full((1, 1), lasting))
    out = model.smooth()
    return out.smoothed_state[0], out.smoothed_state_cov[0, 0]


# ---------------------------------------------------------------------------------------------------
# Air


def soil_against_air(club, *, level: float = 0.9, as_of=None) -> pd.DataFrame:
    """The yearly wave of each patch's soil at the standard depth against that of its own air.

    One row for each patch that has both (30 days of each, spread over 90, not filled) and quantity:
    ``amplitude_ratio``, ``lag_days`` and ``offset_c``, with ``estimate, se, low, high`` at ``level``
    (:func:`patchstats.soilheat.compare_harmonics`). From one summer alone a year's amplitude is hardly told, which the
    errors show.

    >>> soil_against_air({}).empty
    True
    """
    days = patch_days(club, as_of=as_of).drop(columns=["soil_c", "soil_source"])
    days = days.merge(_one_depth(club, as_of), on=["patch", "date"], how="left")
    tables = [compare_harmonics(air, soil, level=level).rename_axis("quantity").reset_index().assign(patch=patch)
              for patch, (air, soil) in _waves(days).items() if soil is not None]
    columns = ["patch", "quantity", "estimate", "se", "low", "high"]
    return pd.concat(tables, ignore_index=True)[columns] if tables else pd.DataFrame(columns=columns)


def _waves(days: pd.DataFrame) -> dict[str, tuple[Harmonic, Harmonic | None]]:
    """The yearly waves of air and soil (None where it cannot be told) of each patch whose air tells one."""
    def told(part: pd.DataFrame, values: pd.Series) -> Harmonic | None:
        try:
            return fit_harmonic(part["date"], values)
        except PatchstatsError:  # too short a record to tell a yearly wave
            return None

    waves = {}
    for patch, part in days.groupby("patch", sort=False):
        air = told(part, 0.5 * (part["air_max_c"] + part["air_min_c"]))
        if air is not None:
            waves[patch] = air, told(part, part["soil_c"])
    return waves


def _fill_from_air(days: pd.DataFrame) -> None:
    """Fills, in place, what is still missing by the yearly wave of the patch's own air, brought to its ground."""
    lacks = days["soil_c"].isna()
    if not lacks.any():
        return
    measured = days.assign(soil_c=days["soil_c"].where(days["soil_source"].eq("probe")))
    waves = _waves(measured)
    rows = _on_the_wave(measured[days["patch"].isin(waves).to_numpy()], waves)
    gaps = rows[lacks[rows.index]]
    if not len(gaps):
        return
    fit = _ground_of_club(rows)
    if fit is not None:
        told = fit.predict(gaps, of="mean")
        days.loc[gaps.index, "soil_c"] = gaps["air_mean_c"] + told["estimate"]
        days.loc[gaps.index, "soil_c_se"] = np.sqrt(told["se"] ** 2 + fit.sigma**2 + gaps["air_wave_c_se"] ** 2)
    else:
        for patch, part in gaps.groupby("patch", sort=False):
            air, soil = waves[patch]
            made = fill_from_harmonic(soil if soil is not None else soil_from_air(air), part["date"])
            for column in ("soil_c", "soil_c_se"):
                days.loc[part.index, column] = made[column].to_numpy()
    days.loc[gaps.index, "soil_source"] = "air"


def _on_the_wave(days: pd.DataFrame, waves: dict[str, tuple[Harmonic, Harmonic | None]]) -> pd.DataFrame:
    """Adds where each day stands on its patch's air wave: swing (above the wave's mean) and swing a quarter year ago.

    A wave that is weaker by r and later by the angle u is r cos(u) times the one plus r sin(u) times the other (closed
    form), so that a straight-line model has each patch's own amplitude and lag.
    """
    out = days[["patch", "season", "date", "soil_c"]].assign(air_mean_c=np.nan, swing_c=np.nan, quarter_c=np.nan,
                                                             air_wave_c_se=np.nan)
    quarter = pd.Timedelta(days=YEAR_DAYS / 4.0)
    for patch, part in days.groupby("patch", sort=False):
        air, at = waves[patch][0], part.index
        out.loc[at, "air_mean_c"] = air.mean_c
        out.loc[at, "swing_c"] = air.at(part["date"]) - air.mean_c
        out.loc[at, "quarter_c"] = air.at(part["date"] - quarter) - air.mean_c
        out.loc[at, "air_wave_c_se"] = air.error_at(part["date"])
    return out.assign(above_c=out["soil_c"] - out["air_mean_c"])


def _ground_of_club(rows: pd.DataFrame) -> MixedFit | None:
    """Soil above the air's mean on the two swings, each patch its own line; None where too few patches have both."""
    rows = rows.dropna(subset=["above_c"])
    if len(rows) < FEWEST_READINGS or rows["patch"].nunique() < 3:
        return None
    several = rows["season"].nunique() > rows["patch"].nunique()
    try:
        return fit_mixed("above_c ~ swing_c + quarter_c + (swing_c + quarter_c || patch)"
                         + (" + (1 | season)" if several else ""), rows)
    except ModelError:
        return None
