"""Plants and flowers of one season: which seeds go out, which flowers are tried, which set and are kept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patchstats.demo.model import Model
from patchstats.demo.pedigree import SeedBox
from patchstats.demo.weather import DAYS, FIRST_DAY

COVERS = ("none", "bag", "cup", "cloth")


@dataclass(frozen=True)
class Plant:
    """One plant: places of its member and patch, label, seed, and the secondaries it would have on day 186."""

    member: int
    patch: int
    label: str
    seed: str
    secondaries_186: float
    sown_day: int
    planted_day: int


@dataclass(frozen=True)
class Flower:
    """One pollination tried; ``kept`` is 1 for the fruit kept, 2 for a backup that is culled later, 0 for none."""

    plant: int
    day: int
    cover: str
    males: int
    covered_hours: float
    lobes: int
    set: bool
    kept: int


def put_out(rng: np.random.Generator, model: Model, box: SeedBox, *, season: int, active: list[int],
            patches_of: dict[int, list[int]], surnames: list[str], usual_secondaries: np.ndarray) -> list[Plant]:
    """The plants of a season: one to four a member, own and recent seeds a little oftener."""
    usable = [k for k, year in enumerate(box.years) if season - 9 <= year < season]
    years = np.array([box.years[k] for k in usable])
    lateness = rng.normal(0.0, 3.0)
    out = []
    for member in active:
        own = np.array([box.growers[k] == surnames[member] for k in usable])
        weight = np.exp(-0.35 * (season - years)) * np.where(own, 6.0, 1.0)
        plants = int(rng.choice([1, 2, 2, 3, 3, 4]))
        for k in range(plants):
            patch = patches_of[member][k % len(patches_of[member])]
            seed = box.names[usable[int(rng.choice(len(usable), p=weight / weight.sum()))]]
            size = usual_secondaries[member] + rng.normal(0.0, model.secondaries_plant_sd)
            sown = int(round(115 + 0.5 * lateness + rng.normal(0.0, 3.0)))
            out.append(Plant(member, patch, str(k + 1), seed, float(size), sown, sown + int(rng.integers(14, 24))))
    return out


def secondaries_on(plant: Plant, day, model: Model):
    """Secondary vines of a plant on a day of the year: none before June, slower after July."""
    day = np.asarray(day, dtype=float)
    before = plant.secondaries_186 * np.clip((day - 150.0) / 36.0, 0.0, 1.0)
    after = plant.secondaries_186 + model.secondaries_a_day * np.minimum(day - 186.0, 30.0)
    count = np.where(day < 181, np.minimum(before, after), after)
    return np.rint(np.clip(count, 0, model.secondaries_range[1])).astype(int)


def pollinate(rng: np.random.Generator, model: Model, plants: list[Plant], air_max_c: np.ndarray,
              usual_day: np.ndarray) -> list[Flower]:
    """Flowers tried on each plant from its first female flower on, until one is set and kept.

    ``usual_day`` is the day of the year on which each plant's first female flower opens; ``air_max_c`` has a row
    for each patch.
    """
    out = []
    for place, plant in enumerate(plants):
        day = int(np.clip(round(usual_day[place] + rng.normal(0.0, 3.0)), 170, 206))
        kept, tries = 0, 0
        wants_backup = rng.random() < 0.22
        while day <= 210 and tries < 7:
            if secondaries_on(plant, day, model) < model.secondaries_range[0]:
                day += 1
                continue
            cover = COVERS[int(rng.choice(4, p=[0.25, 0.35, 0.2, 0.2]))]
            males = int(rng.integers(1, 6))
            hours = 0.0 if cover == "none" else float(rng.choice([12, 14, 18, 24, 36, 48]))
            lobes = int(rng.choice([3, 4, 5, 6], p=[0.08, 0.45, 0.37, 0.10]))
            hot = max(0.0, float(air_max_c[plant.patch, day - FIRST_DAY]) - 28.0)
            odds = (model.set_base + model.set_per_male * (males - 2) + model.set_per_hot_c * hot
                    + model.set_uncovered * (cover == "none") + model.set_per_covered_hour * hours
                    + model.set_per_lobe * (lobes - 4))
            did_set = bool(rng.random() < 1.0 / (1.0 + np.exp(-odds)))
            role = 0
            if did_set:
                kept += 1
                role = kept if kept <= 2 else 0
            out.append(Flower(place, day, cover, males, hours, lobes, did_set, role))
            tries += 1
            if kept >= 2 or (kept == 1 and not wants_backup):
                break
            day += int(rng.integers(2, 6))
    return out


def patch_day(day_of_year: np.ndarray) -> np.ndarray:
    """Column of the sky's arrays for days of the year, held at its ends."""
    return np.clip(day_of_year - FIRST_DAY, 0, len(DAYS) - 1)
