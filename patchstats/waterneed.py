"""Water need of the air: what a day's weather draws from a well-watered lawn, the reference of evapotranspiration.

FAO Irrigation and Drainage Paper 56 (Allen R.G., Pereira L.S., Raes D., Smith M. 1998, *Crop evapotranspiration*),
chapters 2 to 4, by the day: its Penman-Monteith equation where humidity, wind and sunshine are known, and that of
Hargreaves where a log has only the day's temperatures. The paper's letters stand beside the names: P, gamma, es, ea,
Delta, Rs, Rso, Rn, G (heat going into the ground), u2, and ETo, the reference evapotranspiration.

ETo says how thirsty the air was, not how much a plant should be given. It is of grass 12 cm high that covers the ground
and lacks no water; a pumpkin plant's need differs with its leaf, its age, the ground that it covers, mulch, wind breaks
and soil, and rain and stored water come off it. It serves to compare days and patches. For watering, the advice of the
local extension service and local rules on water come first. The paper gives no standard error, so none is given here.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from patchstats.daylight import day_length_hours, extraterrestrial_radiation_mj_m2
from patchstats.remarks import OutOfRangeError, PatchstatsError

MM_PER_MJ_M2 = 0.408  # water evaporated by 1 MJ per m2: FAO-56, equation 20
ALBEDO = 0.23  # of the reference grass: FAO-56, equation 38
STEFAN_BOLTZMANN_MJ_K4_M2_DAY = 4.903e-9  # FAO-56, equation 39
ANGSTROM_A, ANGSTROM_B = 0.25, 0.50  # where nobody has calibrated them: FAO-56, equation 35


def air_pressure_kpa(altitude_m: ArrayLike) -> NDArray:
    """Air pressure P [kPa] at an altitude above the sea [m] (FAO-56, equation 7).

    >>> air_pressure_kpa([0.0, 1800.0]).round(1).tolist()
    [101.3, 81.8]
    """
    return 101.3 * ((293.0 - 0.0065 * _altitude(altitude_m)) / 293.0) ** 5.26


def psychrometric_constant_kpa_c(altitude_m: ArrayLike) -> NDArray:
    """Psychrometric constant gamma [kPa per C] at an altitude above the sea [m] (FAO-56, equation 8).

    >>> psychrometric_constant_kpa_c([1800.0]).round(3).tolist()
    [0.054]
    """
    return 0.665e-3 * air_pressure_kpa(altitude_m)


def saturation_vapour_pressure_kpa(air_c: ArrayLike) -> NDArray:
    """Vapour pressure es [kPa] of saturated air at a temperature [C] (FAO-56, equation 11).

    At the dew point it is the actual vapour pressure (equation 14); a day's es is the mean of that at its highest and
    lowest temperature (equation 12).

    >>> saturation_vapour_pressure_kpa([15.0, 24.5]).round(3).tolist()
    [1.705, 3.075]
    """
    air = _temperature(air_c)
    return 0.6108 * np.exp(17.27 * air / (air + 237.3))


def vapour_pressure_slope_kpa_c(air_c: ArrayLike) -> NDArray:
    """Slope Delta [kPa per C] of the saturation vapour pressure at a temperature [C] (FAO-56, equation 13).

    >>> vapour_pressure_slope_kpa_c([16.9, 30.2]).round(3).tolist()
    [0.122, 0.246]
    """
    air = _temperature(air_c)
    return 4098.0 * saturation_vapour_pressure_kpa(air) / (air + 237.3) ** 2


def actual_vapour_pressure_kpa(air_min_c: ArrayLike, air_max_c: ArrayLike, *, humidity_min_percent: ArrayLike,
                               humidity_max_percent: ArrayLike) -> NDArray:
    """Vapour pressure ea [kPa] of the day's air (FAO-56, equation 17).

    ``air_min_c`` and ``air_max_c`` are the day's temperatures [C], ``humidity_min_percent`` and
    ``humidity_max_percent`` its relative humidities [%]; the air is dampest when it is coolest.

    >>> float(actual_vapour_pressure_kpa(18.0, 25.0, humidity_min_percent=54.0, humidity_max_percent=82.0).round(2))
    1.7
    """
    low, high = _day_of_air(air_min_c, air_max_c)
    dry, damp = (_within(h, 0.0, 100.0, "A relative humidity lies between 0 and 100 %.")
                 for h in (humidity_min_percent, humidity_max_percent))
    if (dry > damp).any():
        raise PatchstatsError("A day's lowest humidity lies above its highest; were the two columns exchanged?")
    return (saturation_vapour_pressure_kpa(low) * damp + saturation_vapour_pressure_kpa(high) * dry) / 200.0


def wind_at_two_metres_m_s(wind_m_s: ArrayLike, height_m: ArrayLike) -> NDArray:
    """Wind u2 [m/s] at 2 m above short grass, from wind [m/s] measured at a height [m] (FAO-56, equation 47).

    >>> float(wind_at_two_metres_m_s(3.2, 10.0).round(1))
    2.4
    """
    height = _within(height_m, 0.5, 100.0, "A wind gauge stands between 0.5 and 100 m above the ground.")
    return np.asarray(_wind(wind_m_s) * 4.87 / np.log(67.8 * height - 5.42))


def solar_radiation_mj_m2(sunshine_hours: ArrayLike, *, latitude_deg: ArrayLike, day_of_year: ArrayLike) -> NDArray:
    """Solar radiation Rs [MJ per m2 and day] from the day's hours of sunshine [hours] (FAO-56, equation 35).

    ``latitude_deg`` is north positive [degrees], ``day_of_year`` 1 to 366. The paper's day is some minutes too short
    (:mod:`patchstats.daylight`): sunshine counts to its length at most, and an hour more raises an error.

    >>> float(solar_radiation_mj_m2(7.1, latitude_deg=-22.9, day_of_year=135).round(1))
    14.5
    """
    possible = day_length_hours(latitude_deg, day_of_year)
    sunshine = _within(sunshine_hours, 0.0, 24.0, "The hours of sunshine in a day lie between 0 and 24.")
    if (sunshine > possible + 1.0).any():
        raise OutOfRangeError("On some day there is more sunshine than the day is long; look at its date and latitude.")
    with np.errstate(invalid="ignore", divide="ignore"):  # in the polar night the share does not matter
        share = np.where(possible > 0.0, np.minimum(sunshine / possible, 1.0), sunshine * 0.0)
    return (ANGSTROM_A + ANGSTROM_B * share) * extraterrestrial_radiation_mj_m2(latitude_deg, day_of_year)


def clear_sky_radiation_mj_m2(altitude_m: ArrayLike, *, latitude_deg: ArrayLike, day_of_year: ArrayLike) -> NDArray:
    """Solar radiation Rso [MJ per m2 and day] of a cloudless day at an altitude [m] (FAO-56, equation 37).

    >>> float(clear_sky_radiation_mj_m2(0.0, latitude_deg=-22.9, day_of_year=135).round(1))
    18.8
    """
    return (0.75 + 2e-5 * _altitude(altitude_m)) * extraterrestrial_radiation_mj_m2(latitude_deg, day_of_year)


def net_longwave_radiation_mj_m2(air_min_c: ArrayLike, air_max_c: ArrayLike, *, vapour_pressure_kpa: ArrayLike,
                                 solar_mj_m2: ArrayLike, clear_sky_mj_m2: ArrayLike) -> NDArray:
    """Heat Rnl [MJ per m2 and day] radiated away (FAO-56, equation 39), from what :func:`net_radiation_mj_m2` takes.

    >>> float(net_longwave_radiation_mj_m2(19.1, 25.1, vapour_pressure_kpa=2.1, solar_mj_m2=14.5,
    ...                                    clear_sky_mj_m2=18.8).round(1))
    3.5
    """
    low, high = _day_of_air(air_min_c, air_max_c)
    emitted = STEFAN_BOLTZMANN_MJ_K4_M2_DAY * ((low + 273.16) ** 4 + (high + 273.16) ** 4) / 2.0
    solar, clear = np.broadcast_arrays(np.asarray(solar_mj_m2, dtype=float), np.asarray(clear_sky_mj_m2, dtype=float))
    with np.errstate(invalid="ignore", divide="ignore"):
        clearness = np.where(clear > 0.0, np.minimum(solar / clear, 1.0), np.nan)  # without sun, clouds are not seen
    return emitted * (0.34 - 0.14 * np.sqrt(_vapour(vapour_pressure_kpa))) * (1.35 * clearness - 0.35)


def net_radiation_mj_m2(air_min_c: ArrayLike, air_max_c: ArrayLike, *, vapour_pressure_kpa: ArrayLike,
                        solar_mj_m2: ArrayLike, clear_sky_mj_m2: ArrayLike) -> NDArray:
    """Net radiation Rn [MJ per m2 and day] on the reference grass (FAO-56, equations 38 to 40).

    ``air_min_c`` and ``air_max_c`` are the day's temperatures [C], ``vapour_pressure_kpa`` the air's own, ea [kPa],
    ``solar_mj_m2`` Rs and ``clear_sky_mj_m2`` Rso [MJ per m2 and day].

    >>> float(net_radiation_mj_m2(19.1, 25.1, vapour_pressure_kpa=2.1, solar_mj_m2=14.5,
    ...                           clear_sky_mj_m2=18.8).round(1))
    7.6
    """
    lost = net_longwave_radiation_mj_m2(air_min_c, air_max_c, vapour_pressure_kpa=vapour_pressure_kpa,
                                        solar_mj_m2=solar_mj_m2, clear_sky_mj_m2=clear_sky_mj_m2)
    return (1.0 - ALBEDO) * np.asarray(solar_mj_m2, dtype=float) - lost


def reference_evapotranspiration_mm_fao56(air_min_c: ArrayLike, air_max_c: ArrayLike, *,
                                          vapour_pressure_kpa: ArrayLike, wind_m_s: ArrayLike,
                                          net_mj_m2: ArrayLike, altitude_m: ArrayLike,
                                          ground_mj_m2: ArrayLike = 0.0) -> NDArray:
    """Reference evapotranspiration ETo [mm per day] by FAO Penman-Monteith (FAO-56, equation 6).

    ``air_min_c`` and ``air_max_c`` are the day's temperatures [C], ``vapour_pressure_kpa`` ea [kPa], ``wind_m_s`` u2,
    at 2 m [m/s], ``net_mj_m2`` Rn and ``ground_mj_m2`` G [MJ per m2 and day]; G of a single day is small and taken
    as nothing (equation 42). Weather from over bare, dry ground or beside a wall is too hot and dry for it.

    >>> float(reference_evapotranspiration_mm_fao56(12.3, 21.5, vapour_pressure_kpa=1.409, wind_m_s=2.078,
    ...                                             net_mj_m2=13.28, altitude_m=100.0).round(1))
    3.9
    """
    low, high = _day_of_air(air_min_c, air_max_c)
    mean, wind = (low + high) / 2.0, _wind(wind_m_s)
    slope, gamma = vapour_pressure_slope_kpa_c(mean), psychrometric_constant_kpa_c(altitude_m)
    saturation = (saturation_vapour_pressure_kpa(low) + saturation_vapour_pressure_kpa(high)) / 2.0
    by_radiation = MM_PER_MJ_M2 * slope * (np.asarray(net_mj_m2, dtype=float) - np.asarray(ground_mj_m2, dtype=float))
    by_wind = gamma * 900.0 / (mean + 273.0) * wind * (saturation - _vapour(vapour_pressure_kpa))
    return (by_radiation + by_wind) / (slope + gamma * (1.0 + 0.34 * wind))


def reference_evapotranspiration_mm_hargreaves(air_min_c: ArrayLike, air_max_c: ArrayLike, *, latitude_deg: ArrayLike,
                                               day_of_year: ArrayLike) -> NDArray:
    """Reference evapotranspiration [mm per day] from temperature alone, by Hargreaves (FAO-56, equation 52).

    ``air_min_c`` and ``air_max_c`` are the day's temperatures [C]; ``latitude_deg`` is north positive [degrees],
    ``day_of_year`` 1 to 366. Too low in strong wind and too high in damp air, says the paper, which would have it
    tried against equation 6 in each region. A single day is uncertain: sums of five days or more are meant (Hargreaves
    and Allen 2003, J. Irrig. Drain. Eng. 129:53; from memory).

    >>> float(reference_evapotranspiration_mm_hargreaves(14.8, 26.6, latitude_deg=45.72, day_of_year=196).round(1))
    5.0
    """
    low, high = _day_of_air(air_min_c, air_max_c)
    warmth = np.maximum((low + high) / 2.0 + 17.8, 0.0)  # colder than -17.8 C the equation would have water return
    sun_mm = MM_PER_MJ_M2 * extraterrestrial_radiation_mj_m2(latitude_deg, day_of_year)
    return 0.0023 * warmth * np.sqrt(high - low) * sun_mm


def reference_evapotranspiration_by_day(weather: pd.DataFrame, *, patches: pd.DataFrame) -> pd.DataFrame:
    """Reference evapotranspiration by Hargreaves for each row of a weather table.

    ``weather`` has the columns ``patch``, ``date``, ``air_min_c`` and ``air_max_c``, and ``patches`` ``patch`` and
    ``latitude_deg``. One row for each row of ``weather``, with its index. Columns: ``patch``, ``date``,
    ``reference_evapotranspiration_mm``, ``flag`` ("", "no reading", "no latitude" or "lowest above highest"); a
    flagged day has no value. Raises :class:`PatchstatsError` for a missing column.

    >>> day = pd.DataFrame({"patch": ["p"], "date": pd.Timestamp("2023-07-15"), "air_min_c": 14.8, "air_max_c": 26.6})
    >>> need = reference_evapotranspiration_by_day(day, patches=pd.DataFrame({"patch": ["p"], "latitude_deg": 45.72}))
    >>> need["reference_evapotranspiration_mm"].round(1).tolist()
    [5.0]
    """
    for what, table, needed in (("weather", weather, ("patch", "date", "air_min_c", "air_max_c")),
                                ("patches", patches, ("patch", "latitude_deg"))):
        missing = [column for column in needed if column not in table.columns]
        if missing:
            raise PatchstatsError(f"The {what} table lacks the column(s) {', '.join(missing)}.")
    known = patches.dropna(subset=["patch", "latitude_deg"]).drop_duplicates("patch").set_index("patch")["latitude_deg"]
    latitude = weather["patch"].map(known).to_numpy(dtype=float)
    low, high = (weather[column].to_numpy(dtype=float) for column in ("air_min_c", "air_max_c"))
    day = weather["date"].dt.dayofyear.to_numpy(dtype=float)  # the ordinal date of ISO 8601
    flag = np.select([np.isnan(low) | np.isnan(high) | np.isnan(day), np.isnan(latitude), low > high],
                     ["no reading", "no latitude", "lowest above highest"], default="")
    need = reference_evapotranspiration_mm_hargreaves(np.where(flag == "", low, np.nan), high, latitude_deg=latitude,
                                                      day_of_year=day)
    return pd.DataFrame({"patch": weather["patch"], "date": weather["date"], "reference_evapotranspiration_mm": need,
                         "flag": flag.astype(object)}, index=weather.index)


def _within(values: ArrayLike, low: float, high: float, sentence: str) -> NDArray:
    numbers = np.asarray(values, dtype=float)
    if ((numbers < low) | (numbers > high)).any():
        raise OutOfRangeError(sentence)
    return numbers


def _altitude(altitude_m: ArrayLike) -> NDArray:
    return _within(altitude_m, -500.0, 6000.0, "A patch lies between -500 and 6,000 m above the sea; write metres.")


def _temperature(air_c: ArrayLike) -> NDArray:
    return _within(air_c, -60.0, 60.0, "An air temperature lies between -60 and 60 C; was it written in Fahrenheit?")


def _wind(wind_m_s: ArrayLike) -> NDArray:
    return _within(wind_m_s, 0.0, 60.0, "A day's mean wind lies between 0 and 60 m/s.")


def _vapour(vapour_pressure_kpa: ArrayLike) -> NDArray:
    return _within(vapour_pressure_kpa, 0.0, 6.0, "The vapour pressure of air lies between 0 and 6 kPa.")


def _day_of_air(air_min_c: ArrayLike, air_max_c: ArrayLike) -> tuple[NDArray, NDArray]:
    low, high = np.broadcast_arrays(_temperature(air_min_c), _temperature(air_max_c))
    if (low > high).any():
        raise PatchstatsError(f"On {int((low > high).sum())} day(s) the lowest temperature lies above the highest.")
    return low, high
