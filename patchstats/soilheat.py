"""Soil heat: temperature down the ground, probes brought to one depth, and soil from air where there is no probe.

A wave of temperature at the surface sinks into the ground weaker and later (Hillel D. 1982, *Introduction to soil
physics*; the same in *Rain or Shine*, Oklahoma State Univ., chapter 13.4):

    T(z, t) = mean + amplitude * exp(-z/d) * sin(2 pi (t - t0) / period - z/d - pi/2),   d = sqrt(alpha period / pi)

with z the depth, t0 the time of the surface minimum, d the damping depth and alpha the soil's diffusivity. It holds
for even, bare ground without a heating cable, and its diffusivity moves with the water in the soil; so a corrected
reading is a better guess than the raw one, not a second probe.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from patchstats.remarks import PatchstatsError

# A common value for moist soil (Rain or Shine, Oklahoma State Univ., chapter 13.4).
DIFFUSIVITY_M2_S = 0.5e-6
YEAR_DAYS = 365.25
STANDARD_DEPTH_CM = 10.0
# Surface coolest at 2, so warmest at 14 o'clock, as a sine drawn through a day must compromise: no source.
HOUR_OF_MINIMUM = 2.0
_SECONDS_PER_DAY = 86400.0
_EPOCH = pd.Timestamp("2000-01-01")
Dates: TypeAlias = pd.DatetimeIndex | pd.Series | pd.Timestamp | NDArray
_HOUR_WORDS = {"morning": 8.0, "noon": 12.0, "evening": 19.0}  # common practice, no source


def damping_depth_cm(diffusivity_m2_s: float = DIFFUSIVITY_M2_S, *, period_days: float = 1.0) -> float:
    """Depth [cm] at which a wave of ``period_days`` [days] has sunk to 1/e of its surface amplitude.

    >>> round(damping_depth_cm(0.5e-6), 1), round(damping_depth_cm(0.5e-6, period_days=365.0), 0)
    (11.7, 224.0)
    """
    if not (diffusivity_m2_s > 0 and period_days > 0):
        raise PatchstatsError("A soil's diffusivity and a wave's period are greater than nothing.")
    return 100.0 * float(np.sqrt(diffusivity_m2_s * period_days * _SECONDS_PER_DAY / np.pi))


def soil_wave_c(depth_cm: ArrayLike, time_days: ArrayLike, *, mean_c: float | NDArray, amplitude_c: float,
                minimum_days: float, period_days: float, damping_cm: float) -> NDArray:
    """Soil temperature [C] at a depth [cm] and time [days], by the module's formula.

    ``amplitude_c`` [C] is half the surface swing and ``minimum_days`` [days] the time of the surface minimum.

    >>> soil_wave_c([0.0, 100.0], 15.0, mean_c=15.0, amplitude_c=10.0, minimum_days=15.0, period_days=365.0,
    ...             damping_cm=223.0).round(3).tolist()
    [5.0, 9.245]
    """
    sunk = np.asarray(depth_cm, dtype=float) / damping_cm
    turn = 2.0 * np.pi * (np.asarray(time_days, dtype=float) - minimum_days) / period_days
    return np.asarray(mean_c + amplitude_c * np.exp(-sunk) * np.sin(turn - sunk - np.pi / 2.0))


def clock_hours(time_of_day: pd.Series) -> pd.Series:
    """Hours of the day from a log's times (``HH:MM``, morning, noon, evening); empty where none is given.

    >>> clock_hours(pd.Series(["06:30", "evening", None])).tolist()
    [6.5, 19.0, nan]
    """
    def hours(text: object) -> float:
        if not isinstance(text, str):
            return np.nan
        word = text.strip().lower()
        if word in _HOUR_WORDS:
            return _HOUR_WORDS[word]
        hour, colon, minute = word.partition(":")
        if not (colon and hour.isdigit() and minute.isdigit()) or int(hour) > 24 or int(minute) > 59:
            return np.nan
        return int(hour) + int(minute) / 60.0

    return time_of_day.map(hours).astype(float)


@dataclass(frozen=True)
class DailyWave:
    """The daily wave at the surface: half its swing [C], the hour of its minimum, and how well readings show it."""

    amplitude_c: float
    amplitude_c_se: float
    hour_of_minimum: float
    residual_c_sd: float
    readings: int


def fit_daily_wave(soil_c: ArrayLike, *, day: ArrayLike, hour: ArrayLike, depth_cm: ArrayLike,
                   hour_of_minimum: float | None = None,
                   diffusivity_m2_s: float = DIFFUSIVITY_M2_S) -> DailyWave:
    """The daily wave at the surface, from days with several readings [C] at known hours and depths [cm].

    Each day has its own mean; differences within days tell the wave (least squares, linear in its sine and cosine).
    With readings at the same two hours only, the hour of the minimum cannot be told and must be given. Raises
    :class:`PatchstatsError` where the readings cannot tell the wave.

    >>> clock = np.tile([7.0, 13.0, 20.0], 5)
    >>> read = soil_wave_c(10.0, clock / 24.0, mean_c=18.0, amplitude_c=6.0, minimum_days=3.0 / 24.0, period_days=1.0,
    ...                    damping_cm=damping_depth_cm())
    >>> wave = fit_daily_wave(read, day=np.repeat(range(5), 3), hour=clock, depth_cm=10.0)
    >>> round(wave.amplitude_c, 3), round(wave.hour_of_minimum, 3)
    (6.0, 3.0)
    """
    soil = np.asarray(soil_c, dtype=float)
    frame = pd.DataFrame({"soil": soil, "day": np.asarray(day), "hour": np.asarray(hour, dtype=float),
                          "depth": np.broadcast_to(np.asarray(depth_cm, dtype=float), soil.shape)}).dropna()
    sunk = frame["depth"] / damping_depth_cm(diffusivity_m2_s)
    turn = 2.0 * np.pi * frame["hour"] / 24.0 - sunk
    columns = pd.DataFrame({"cosine": -np.exp(-sunk) * np.cos(turn), "sine": -np.exp(-sunk) * np.sin(turn)})
    if hour_of_minimum is not None:
        phase = 2.0 * np.pi * hour_of_minimum / 24.0
        columns = pd.DataFrame({"wave": columns["cosine"] * np.cos(phase) + columns["sine"] * np.sin(phase)})
    within = columns - columns.groupby(frame["day"]).transform("mean")
    response = frame["soil"] - frame.groupby("day")["soil"].transform("mean")
    design = within.to_numpy()
    spare = len(frame) - frame["day"].nunique() - design.shape[1]
    singular = np.linalg.svd(design, compute_uv=False) if len(frame) else np.zeros(1)
    if spare < 1 or singular[-1] < 1e-8 * max(singular[0], 1.0):
        raise PatchstatsError(
            "These soil readings cannot tell the daily wave: it takes several days with readings at different hours; "
            "with two fixed hours, give the hour of the minimum.")
    beta, *_ = np.linalg.lstsq(design, response.to_numpy(), rcond=None)
    variance = float(np.sum((response.to_numpy() - design @ beta) ** 2)) / spare
    covariance = variance * np.linalg.inv(design.T @ design)
    if hour_of_minimum is not None:
        return DailyWave(float(beta[0]), float(np.sqrt(covariance[0, 0])), float(hour_of_minimum),
                         float(np.sqrt(variance)), len(frame))
    amplitude = float(np.hypot(*beta))
    direction = beta / amplitude
    minimum = float(np.arctan2(beta[1], beta[0]) * 24.0 / (2.0 * np.pi)) % 24.0
    return DailyWave(amplitude, float(np.sqrt(direction @ covariance @ direction)), minimum,
                     float(np.sqrt(variance)), len(frame))


def daily_mean_at_depth(soil_c: ArrayLike, *, depth_cm: ArrayLike, hour: ArrayLike, wave: DailyWave,
                        date: Dates | None = None, annual: Harmonic | None = None,
                        standard_depth_cm: float = STANDARD_DEPTH_CM,
                        diffusivity_m2_s: float = DIFFUSIVITY_M2_S) -> pd.DataFrame:
    """Probe readings [C] at any depth [cm] and hour, as the day's mean at one depth, with the error that this adds.

    The daily wave is taken off at the probe's own depth. With ``annual``, the yearly wave of the *surface* (the
    air's will do), and ``date``, the slow difference between the two depths is put right as well. A reading without
    an hour is kept as it is, with the whole swing at its depth as its error.

    Columns: ``soil_c``; ``soil_c_se``, the error of the correction and of one reading together.

    >>> wave = DailyWave(6.0, 0.5, 3.0, 0.2, 40)
    >>> daily_mean_at_depth([20.0, 20.0], depth_cm=10.0, hour=[7.0, np.nan], wave=wave).round(2).values.tolist()
    [[22.51, 0.29], [20.0, 1.82]]
    """
    reading, depth, clock = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(x, dtype=float)) for x in (soil_c, depth_cm, hour)))
    unit = soil_wave_c(depth, clock / 24.0, mean_c=0.0, amplitude_c=1.0, minimum_days=wave.hour_of_minimum / 24.0,
                       period_days=1.0, damping_cm=damping_depth_cm(diffusivity_m2_s))
    timed = ~np.isnan(clock)
    swing = wave.amplitude_c * np.exp(-depth / damping_depth_cm(diffusivity_m2_s))
    mean = reading - np.where(timed, wave.amplitude_c * unit, 0.0)
    # a sine seen at an unknown moment has standard deviation amplitude / sqrt(2)
    added = np.where(timed, wave.amplitude_c_se * np.abs(unit), swing / np.sqrt(2.0))
    if annual is not None:
        if date is None:
            raise PatchstatsError("To put the yearly wave right, the dates of the readings are needed.")
        here = annual.sunk(depth, diffusivity_m2_s, date)
        mean = mean + annual.sunk(np.full_like(depth, standard_depth_cm), diffusivity_m2_s, date) - here
    index = soil_c.index if isinstance(soil_c, pd.Series) else None
    return pd.DataFrame({"soil_c": mean, "soil_c_se": np.hypot(added, wave.residual_c_sd)}, index=index)


@dataclass(frozen=True)
class Harmonic:
    """A yearly wave ``mean + cosine cos(w d) + sine sin(w d)``, d days since 2000-01-01, w = 2 pi / 365.25.

    ``covariance`` is that of the three (already widened for the likeness of neighbouring days), ``residual_c_sd``
    the scatter of single days about the wave, ``autocorrelation`` that of neighbouring days.
    """

    mean_c: float
    cosine_c: float
    sine_c: float
    covariance: tuple[tuple[float, ...], ...]
    residual_c_sd: float
    autocorrelation: float
    days: int

    @property
    def amplitude_c(self) -> float:
        """Half the yearly swing [C]."""
        return float(np.hypot(self.cosine_c, self.sine_c))

    @property
    def peak_days(self) -> float:
        """Days after 1 January of the warmest day (to within the quarter day of the calendar)."""
        return float(np.arctan2(self.sine_c, self.cosine_c) / (2.0 * np.pi) * YEAR_DAYS % YEAR_DAYS)

    def at(self, date: Dates) -> NDArray:
        """The wave [C] on dates."""
        return _design(date) @ np.array([self.mean_c, self.cosine_c, self.sine_c])

    def error_at(self, date: Dates) -> NDArray:
        """Standard error of the wave [C] on dates; the scatter of single days about it is not in it."""
        design = _design(date)
        return np.sqrt(np.einsum("ij,jk,ik->i", design, np.array(self.covariance), design))

    def sunk(self, depth_cm: NDArray, diffusivity_m2_s: float, date: Dates) -> NDArray:
        """The wave [C] on dates after sinking to depths [cm]."""
        damped = np.asarray(depth_cm, dtype=float) / damping_depth_cm(diffusivity_m2_s, period_days=YEAR_DAYS)
        late = pd.to_timedelta(damped * YEAR_DAYS / (2.0 * np.pi), unit="D")
        return self.mean_c + np.exp(-damped) * (self.at(_dates(date) - late) - self.mean_c)


def _dates(date: Dates) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(np.atleast_1d(np.asarray(date)))


def _days(date: Dates) -> NDArray:
    return np.asarray((_dates(date) - _EPOCH) / pd.Timedelta(days=1), dtype=float)


def _design(date: Dates) -> NDArray:
    turn = 2.0 * np.pi * _days(date) / YEAR_DAYS
    return np.column_stack([np.ones_like(turn), np.cos(turn), np.sin(turn)])


def fit_harmonic(date: Dates, temperature_c: ArrayLike) -> Harmonic:
    """The yearly wave through daily mean temperatures [C] on dates, by least squares.

    Standard errors are widened for the likeness of neighbouring days, as if the n days were
    n (1 - r) / (1 + r) independent ones, r their lag-1 correlation. Raises :class:`PatchstatsError` for fewer than
    30 days or less than 90 days from first to last, which cannot tell a yearly wave.

    >>> days = pd.date_range("2023-01-01", "2024-12-31")
    >>> wave = fit_harmonic(days, 10.0 - 12.0 * np.cos(2.0 * np.pi * (days.dayofyear - 20) / 365.25))
    >>> round(wave.mean_c, 1), round(wave.amplitude_c, 1)
    (10.0, 12.0)
    """
    frame = pd.DataFrame({"day": _days(date), "t": np.asarray(temperature_c, dtype=float)}).dropna()
    frame = frame.groupby("day")["t"].mean().reset_index()
    if len(frame) < 30 or frame["day"].iloc[-1] - frame["day"].iloc[0] < 90:
        raise PatchstatsError(
            f"A yearly wave needs at least 30 days of temperature spread over 90; there are {len(frame)} days.")
    design = _design(_EPOCH + pd.to_timedelta(frame["day"], unit="D"))
    beta, *_ = np.linalg.lstsq(design, frame["t"].to_numpy(), rcond=None)
    residual = frame["t"].to_numpy() - design @ beta
    variance = float(residual @ residual) / (len(frame) - 3)
    neighbours = np.diff(frame["day"].to_numpy()) == 1.0
    r = 0.0
    if neighbours.any() and variance > 0:
        r = float(np.clip(np.mean(residual[1:][neighbours] * residual[:-1][neighbours]) / variance, 0.0, 0.98))
    covariance = variance * (1.0 + r) / (1.0 - r) * np.linalg.inv(design.T @ design)
    return Harmonic(float(beta[0]), float(beta[1]), float(beta[2]), tuple(map(tuple, covariance.tolist())),
                    float(np.sqrt(variance)), r, len(frame))


def soil_from_air(air: Harmonic, *, depth_cm: float = STANDARD_DEPTH_CM, residual_c_sd: float | None = None,
                  diffusivity_m2_s: float = DIFFUSIVITY_M2_S) -> Harmonic:
    """The yearly wave of the soil at a depth [cm] where no probe exists: the air's wave, sunk to that depth.

    The mean of the soil is taken as the air's; a mulched, heated or covered patch differs. ``residual_c_sd`` is the
    scatter of days about the wave as other patches show it; without it, the air's own, which is on the safe side.

    >>> air = Harmonic(10.0, -12.0, 0.0, ((0.1, 0.0, 0.0), (0.0, 0.1, 0.0), (0.0, 0.0, 0.1)), 3.0, 0.6, 365)
    >>> soil = soil_from_air(air, depth_cm=20.0)
    >>> round(soil.amplitude_c, 2), round(soil.peak_days - air.peak_days, 2)
    (10.98, 5.19)
    """
    damped = depth_cm / damping_depth_cm(diffusivity_m2_s, period_days=YEAR_DAYS)
    c, s = np.exp(-damped) * np.cos(damped), np.exp(-damped) * np.sin(damped)
    turn = np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])
    beta = turn @ np.array([air.mean_c, air.cosine_c, air.sine_c])
    covariance = turn @ np.array(air.covariance) @ turn.T
    sd = air.residual_c_sd if residual_c_sd is None else residual_c_sd
    return Harmonic(float(beta[0]), float(beta[1]), float(beta[2]), tuple(map(tuple, covariance.tolist())), float(sd),
                    air.autocorrelation, air.days)


def compare_harmonics(air: Harmonic, soil: Harmonic, *, level: float = 0.9) -> pd.DataFrame:
    """A patch's soil wave against the air's: amplitude ratio, lag [days] and offset [C], with their errors.

    Rows ``amplitude_ratio``, ``lag_days``, ``offset_c``; columns ``estimate, se, low, high``. First-order (delta
    method) errors, air and soil taken as independent, which errs on the wide side as they share the weather.

    >>> air = Harmonic(10.0, -12.0, 0.0, ((0.1, 0.0, 0.0), (0.0, 0.1, 0.0), (0.0, 0.0, 0.1)), 3.0, 0.6, 365)
    >>> compare_harmonics(air, soil_from_air(air, depth_cm=20.0))["estimate"].round(2).tolist()
    [0.91, 5.19, 0.0]
    """
    def polar(wave: Harmonic) -> tuple[float, float]:
        at = np.array([wave.cosine_c, wave.sine_c]) / wave.amplitude_c
        inner = np.array(wave.covariance)[1:, 1:]
        across = np.array([-at[1], at[0]])
        return float(at @ inner @ at) / wave.amplitude_c**2, float(across @ inner @ across) / wave.amplitude_c**2

    (air_size, air_turn), (soil_size, soil_turn) = polar(air), polar(soil)
    ratio = soil.amplitude_c / air.amplitude_c
    lag = (soil.peak_days - air.peak_days + YEAR_DAYS / 2.0) % YEAR_DAYS - YEAR_DAYS / 2.0
    estimate = np.array([ratio, lag, soil.mean_c - air.mean_c])
    se = np.sqrt([ratio**2 * (air_size + soil_size), (YEAR_DAYS / (2.0 * np.pi)) ** 2 * (air_turn + soil_turn),
                  air.covariance[0][0] + soil.covariance[0][0]])
    half = ndtri(0.5 + level / 2.0) * se
    return pd.DataFrame({"estimate": estimate, "se": se, "low": estimate - half, "high": estimate + half},
                        index=["amplitude_ratio", "lag_days", "offset_c"])


def fill_from_harmonic(wave: Harmonic, date: Dates, *, level: float = 0.9) -> pd.DataFrame:
    """The soil temperature of single days by the yearly wave, marked as filled.

    Columns: ``date``, ``soil_c``, ``soil_c_se``, ``soil_c_low``, ``soil_c_high`` (a single day at ``level``: wave
    and weather together) and ``filled`` (always true). A mean over a week errs little less than a day does, since
    neighbouring days err together.

    >>> wave = Harmonic(10.0, -12.0, 0.0, ((0.1, 0.0, 0.0), (0.0, 0.1, 0.0), (0.0, 0.0, 0.1)), 3.0, 0.6, 365)
    >>> fill_from_harmonic(wave, pd.Timestamp("2024-07-01"))[["soil_c", "soil_c_se", "filled"]].round(1).values.tolist()
    [[22.0, 3.0, True]]
    """
    mean = wave.at(date)
    se = np.hypot(wave.error_at(date), wave.residual_c_sd)
    half = ndtri(0.5 + level / 2.0) * se
    return pd.DataFrame({"date": _dates(date), "soil_c": mean, "soil_c_se": se,
                         "soil_c_low": mean - half, "soil_c_high": mean + half, "filled": True})
