"""Growth of the invented fruits: the club's baseline curve, mass to tape, and the tape's error.

The baseline gain at an age of ``t`` days is ``t**(shape - 1) * exp(-t / scale)``, held back in the first eleven days by
a logistic start. Two numbers are solved so that the club's fruit have 77 % of their harvest's inches at 40 days and
91 % at 60 (Holland J., *Estimating Final Pumpkin Size During the Growing Season*, N.E.P.G.A. Newsletter, June 1993).
The early days follow dated growth points of growers' journals: a circumference of 17 to 24 in at day 10
and about 35 in at day 14. The curve's form is ours.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pandas as pd
from scipy.optimize import fsolve

from patchstats.demo.model import Model
from patchstats.tape import TABLES
from patchstats.units import inches_to_cm, kg_to_lb, lb_to_kg

LAST_DAY = 115  # no fruit of the club is older
_START_DAY, _START_WIDTH = 11.0, 1.6
CHART = TABLES["pumpkin 2017-21"]

# The chart's inverse, on a grid fine enough that the step (0.02 in) is lost in the tape's error.
_INCHES = np.arange(24.2, 640.0, 0.02)
_KG = lb_to_kg(CHART.weight_lb(_INCHES))


def inches_of_mass(mass_kg):
    """Over-the-top total [in] at which the chart gives a mass [kg], extended to the smallest fruit."""
    return np.interp(mass_kg, _KG, _INCHES)


def mass_of_inches(inches):
    """Mass [kg] by the chart at a total [in], without regard to the chart's range."""
    return lb_to_kg(CHART.weight_lb(inches))


def _shape_of_gain(days, shape, scale):
    return days ** (shape - 1.0) * np.exp(-days / scale) / (1.0 + np.exp(-(days - _START_DAY) / _START_WIDTH))


@lru_cache(maxsize=8)
def solve_baseline(model: Model) -> tuple[float, float, float]:
    """Shape, scale [days] and height [kg a day] of the baseline gain, see the module's head."""
    days = np.arange(LAST_DAY) + 0.5
    final_in = float(inches_of_mass(model.harvest_kg))
    at_40 = float(mass_of_inches(model.share_at_40 * final_in)) / model.harvest_kg
    at_60 = float(mass_of_inches(model.share_at_60 * final_in)) / model.harvest_kg

    def miss(parameters):
        mass = np.cumsum(_shape_of_gain(days, *parameters))
        end = mass[model.harvest_day - 1]
        return mass[39] / end - at_40, mass[59] / end - at_60

    shape, scale = fsolve(miss, (3.05, 16.3), xtol=1e-12)
    height = model.harvest_kg / np.cumsum(_shape_of_gain(days, shape, scale))[model.harvest_day - 1]
    # Rounded, so that the last bits of a solver on another machine cannot move a written log.
    return round(float(shape), 8), round(float(scale), 8), round(float(height), 10)


def baseline_gain(model: Model, days=None) -> np.ndarray:
    """The club's baseline gain [kg a day] during the day that begins at each age (0, 1, 2, ...), or at ``days``."""
    at = np.arange(LAST_DAY) + 0.5 if days is None else np.asarray(days, dtype=float)
    shape, scale, height = solve_baseline(model)
    return height * _shape_of_gain(at, shape, scale)


def baseline(model: Model) -> pd.DataFrame:
    """The baseline by ``day``: ``gain_kg_day`` at that age, ``mass_kg`` reached, and its ``over_the_top_cm``."""
    day = np.arange(LAST_DAY + 1)
    mass = np.concatenate([[0.0], np.cumsum(baseline_gain(model))])
    with np.errstate(divide="ignore"):
        gain = baseline_gain(model, np.maximum(day, 1e-9))
    return pd.DataFrame({"day": day, "gain_kg_day": gain, "mass_kg": mass,
                         "over_the_top_cm": inches_to_cm(inches_of_mass(mass))})


def persistent_noise(rng: np.random.Generator, rows: int, columns: int, *, sd: float, persistence: float) -> np.ndarray:
    """Stationary first-order autoregressive noise along each row, with standard deviation ``sd``."""
    steps = rng.normal(size=(rows, columns)) * sd
    noise = np.empty_like(steps)
    noise[:, 0] = steps[:, 0]
    fresh = np.sqrt(1.0 - persistence**2)
    for j in range(1, columns):
        noise[:, j] = persistence * noise[:, j - 1] + fresh * steps[:, j]
    return noise


def tape_fruits(rng: np.random.Generator, mass_kg, shares, *, sd_in: float) -> np.ndarray:
    """Three measures [in] (circumference, side to side, stem to blossom) of masses [kg], with the tape's error.

    ``shares`` holds each fruit's own split of the total in three, rows of sum 1.
    """
    total = inches_of_mass(np.asarray(mass_kg))
    return total[:, None] * shares + rng.normal(size=(len(total), 3)) * sd_in


def shares_of_total(rng: np.random.Generator, fruits: int) -> np.ndarray:
    """Each fruit's own split of its total: circumference about 44 %, as in 120-77-76 (a fruit of 273 in, 2015)."""
    around = rng.normal(0.443, 0.010, fruits)
    across = rng.normal(0.503, 0.012, fruits)
    return np.column_stack([around, (1.0 - around) * across, (1.0 - around) * (1.0 - across)])


def scatter_sd(inches) -> np.ndarray:
    """Published scatter of scale about chart, as a standard deviation of the logarithm, at a total [in]."""
    return CHART.scatter_percent(inches) / 100.0


def pounds(mass_kg):
    """Kilograms as the pounds of a seed's or an entry's name."""
    return kg_to_lb(mass_kg)
