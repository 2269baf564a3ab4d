"""Weather and soil of the invented vale: one season's days, for every patch at once.

A cosine of the day of the year, a spell of weather that all patches share (it persists from day to day), each patch's
own lean, and a heating cable where there is one. Choices of ours, no station's record.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

FIRST_DAY, LAST_DAY = 152, 285  # days of the year: 1 June to 12 October
DAYS = np.arange(FIRST_DAY, LAST_DAY + 1)
HEATING_C = 2.2


@dataclass(frozen=True)
class Sky:
    """One season: arrays of patches by days (``soil_c``, ``air_max_c``, ``air_min_c``, ``rain_mm``)."""

    soil_c: np.ndarray
    air_max_c: np.ndarray
    air_min_c: np.ndarray
    rain_mm: np.ndarray


def season_sky(rng: np.random.Generator, *, lean_c: np.ndarray, heated: np.ndarray) -> Sky:
    """One season's days for patches of the given lean [C] and heating."""
    patches = len(lean_c)
    spell = _spell(rng, 1.0)
    turn = np.cos(2.0 * np.pi * (DAYS - 206) / 365.0)  # air is warmest in the last week of July, soil a week later
    soil_turn = np.cos(2.0 * np.pi * (DAYS - 213) / 365.0)
    warm_year = rng.normal(0.0, 0.5)
    mean = 12.5 + 9.0 * turn + warm_year
    soil_mean = 12.7 + 9.0 * soil_turn + warm_year
    own_season = rng.normal(0.0, 0.8, patches)
    local = rng.normal(0.0, 0.35, (patches, len(DAYS)))
    soil = soil_mean + 1.2 * _smooth(spell) + (lean_c + own_season + HEATING_C * heated)[:, None] + local
    wet = (rng.random(len(DAYS)) < 0.27) * rng.gamma(0.9, 10.0, len(DAYS))
    rain = np.where(rng.random((patches, len(DAYS))) < 0.9, wet, 0.0) * rng.uniform(0.7, 1.3, (patches, len(DAYS)))
    air = mean + 2.6 * spell - 1.0 * (wet > 3.0)
    air_max = air + 6.5 + 0.3 * lean_c[:, None] + rng.normal(0.0, 1.0, (patches, len(DAYS)))
    air_min = air - 6.0 + 0.2 * lean_c[:, None] + rng.normal(0.0, 1.0, (patches, len(DAYS)))
    return Sky(soil, air_max, air_min, np.where(rain < 0.3, 0.0, rain))


def _spell(rng: np.random.Generator, sd: float) -> np.ndarray:
    steps = rng.normal(size=len(DAYS)) * sd
    out = np.empty(len(DAYS))
    out[0] = steps[0]
    for j in range(1, len(DAYS)):
        out[j] = 0.75 * out[j - 1] + np.sqrt(1 - 0.75**2) * steps[j]
    return out


def _smooth(series: np.ndarray) -> np.ndarray:
    """Soil follows the air of the last days: weights 0.4, 0.3, 0.2, 0.1."""
    padded = np.concatenate([np.repeat(series[0], 3), series])
    return 0.4 * padded[3:] + 0.3 * padded[2:-1] + 0.2 * padded[1:-2] + 0.1 * padded[:-3]
