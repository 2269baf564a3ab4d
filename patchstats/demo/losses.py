"""Losses of the invented club: a hazard each day from each cause, splits more likely after a spurt or heavy rain.

"More than half wouldn't make it through the season" is the growers' own saying (Warren S., *Backyard Giants*, 2007);
causes are those that growers name in newsletters. The sizes are choices of ours.
"""

from __future__ import annotations

import numpy as np

from patchstats.demo.growth import LAST_DAY
from patchstats.demo.model import SPLITS, Model

# Ages [days] between which a cause acts, at an even rate.
AGES = {"aborted": (4, 15), "stem split": (20, 70), "blossom-end split": (22, 75), "sag-line split": (30, 85),
        "rot": (25, 95), "vine break": (10, 90), "animal": (10, 95), "hail": (8, 90)}


def season_chances(model: Model) -> dict[str, float]:
    """Chance over a season, by cause, for an ordinary fruit."""
    return {"aborted": model.loss_aborted, "stem split": model.loss_stem_split,
            "blossom-end split": model.loss_blossom_end_split, "sag-line split": model.loss_sag_line_split,
            "rot": model.loss_rot, "vine break": model.loss_vine_break, "animal": model.loss_animal,
            "hail": model.loss_hail}


def spurts(day_percent: np.ndarray, model: Model) -> np.ndarray:
    """Mean deviation of the last three days from the fruit's own course, in its standard deviations."""
    padded = np.concatenate([np.zeros((len(day_percent), 3)), day_percent], axis=1)
    mean = (padded[:, :-3] + padded[:, 1:-2] + padded[:, 2:-1]) / 3.0
    p = model.day_persistence
    return mean / (model.day_sd * np.sqrt((3.0 + 4.0 * p + 2.0 * p**2) / 9.0))


def lose(rng: np.random.Generator, model: Model, *, spurt: np.ndarray, rain_2_days_mm: np.ndarray,
         pace_percent: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Age [days] at which each fruit is lost (a large number if never) and the cause's place in ``AGES`` (-1: none).

    ``spurt`` and ``rain_2_days_mm`` have one row a fruit and one column a day of age; ``pace_percent`` is each
    fruit's lasting pace, 100 for the baseline.
    """
    fruits = len(spurt)
    ages = np.arange(LAST_DAY)
    wet = rain_2_days_mm > 20.0
    # Minus half the variance, so that an ordinary fruit keeps about its season's chance.
    raised = np.exp(model.split_per_spurt * spurt - 0.5 * model.split_per_spurt**2 + model.split_after_rain * wet
                    + model.fast_fruit * (pace_percent - 100.0)[:, None])
    age = np.full(fruits, 10_000)
    cause = np.full(fruits, -1)
    for place, (name, (first, last)) in enumerate(AGES.items()):
        daily = -np.log1p(-season_chances(model)[name]) / (last - first)
        hazard = daily * ((ages >= first) & (ages < last)) * (raised if name in SPLITS else np.ones((fruits, 1)))
        struck = rng.random((fruits, LAST_DAY)) < -np.expm1(-hazard)
        when = np.where(struck.any(axis=1), struck.argmax(axis=1), 10_000)
        earlier = when < age
        age, cause = np.where(earlier, when, age), np.where(earlier, place, cause)
    return age, cause
