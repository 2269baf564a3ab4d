"""Daylight: day length and the sun's radiation at the top of the air, by latitude and day of the year.

FAO Irrigation and Drainage Paper 56 (Allen R.G., Pereira L.S., Raes D., Smith M. 1998, *Crop evapotranspiration*),
chapter 3. The paper's letters: J day of the year, phi latitude, delta declination, dr inverse relative distance
between earth and sun, omega_s sunset hour angle, N daylight hours, Ra extraterrestrial radiation. The paper's N has
no refraction and no sun's disc: the sun is seen some 10 to 12 minutes longer at 45 degrees.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from patchstats.remarks import OutOfRangeError

SOLAR_CONSTANT_MJ_M2_MIN = 0.0820  # FAO-56, equation 21


def solar_declination_rad(day_of_year: ArrayLike) -> NDArray:
    """Declination of the sun [radians] by day of the year, 1 to 366 (FAO-56, equation 24).

    >>> solar_declination_rad([246]).round(3).tolist()
    [0.12]
    """
    return 0.409 * np.sin(2.0 * np.pi * _day(day_of_year) / 365.0 - 1.39)


def sun_distance_factor(day_of_year: ArrayLike) -> NDArray:
    """Inverse relative distance between earth and sun (FAO-56, equation 23).

    >>> sun_distance_factor([246]).round(3).tolist()
    [0.985]
    """
    return 1.0 + 0.033 * np.cos(2.0 * np.pi * _day(day_of_year) / 365.0)


def sunset_hour_angle_rad(latitude_deg: ArrayLike, day_of_year: ArrayLike) -> NDArray:
    """Sunset hour angle [radians] (FAO-56, equation 25): 0 in the polar night, pi under the midnight sun.

    >>> sunset_hour_angle_rad(-20.0, [246]).round(3).tolist()
    [1.527]
    """
    cosine = -np.tan(_latitude_rad(latitude_deg)) * np.tan(solar_declination_rad(day_of_year))
    return np.arccos(np.clip(cosine, -1.0, 1.0))


def day_length_hours(latitude_deg: ArrayLike, day_of_year: ArrayLike) -> NDArray:
    """Daylight hours (FAO-56, equation 34) at a latitude [degrees, north positive]; 0 to 24 beyond the polar circles.

    >>> day_length_hours([45.0, -45.0, 70.0], 172).round(2).tolist()
    [15.42, 8.58, 24.0]
    """
    return 24.0 / np.pi * sunset_hour_angle_rad(latitude_deg, day_of_year)


def extraterrestrial_radiation_mj_m2(latitude_deg: ArrayLike, day_of_year: ArrayLike) -> NDArray:
    """Radiation of the day at the top of the air [MJ per m2 and day] (FAO-56, equation 21).

    >>> extraterrestrial_radiation_mj_m2(-20.0, [246]).round(1).tolist()
    [32.2]
    """
    latitude, declination = _latitude_rad(latitude_deg), solar_declination_rad(day_of_year)
    angle = sunset_hour_angle_rad(latitude_deg, day_of_year)
    height = (angle * np.sin(latitude) * np.sin(declination)
              + np.cos(latitude) * np.cos(declination) * np.sin(angle))
    return 24.0 * 60.0 / np.pi * SOLAR_CONSTANT_MJ_M2_MIN * sun_distance_factor(day_of_year) * height


def _latitude_rad(latitude_deg: ArrayLike) -> NDArray:
    degrees = np.asarray(latitude_deg, dtype=float)
    if (np.abs(degrees) > 90.0).any():
        raise OutOfRangeError("A latitude lies between -90 (south) and 90 (north) degrees.")
    return np.radians(degrees)


def _day(day_of_year: ArrayLike) -> NDArray:
    day = np.asarray(day_of_year, dtype=float)
    if ((day < 1.0) | (day > 366.0)).any():
        raise OutOfRangeError("A day of the year lies between 1 and 366.")
    return day
