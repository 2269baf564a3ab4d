"""One season of the invented club: from plants and flowers to daily mass, losses and the scale."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd

from patchstats.demo import growth, losses, plants, weather
from patchstats.demo.model import WINDOW_DAYS, Model, soil_percent
from patchstats.demo.names import SITES, surname
from patchstats.demo.pedigree import SeedBox, pollen


@dataclass(frozen=True)
class People:
    """What lasts from season to season: members, their shifts, and their patches (arrays by member or by patch)."""

    members: list[str]
    skill_percent: np.ndarray
    heavy: np.ndarray
    usual_secondaries: np.ndarray
    earliness: np.ndarray
    patch_member: np.ndarray
    patch_label: list[str]
    patch_lean_c: np.ndarray
    patch_heated: np.ndarray

    def patches_of(self, member: int) -> list[int]:
        return [int(p) for p in np.flatnonzero(self.patch_member == member)]


@dataclass(frozen=True)
class Season:
    """A season as it truly was. ``fruits`` and ``flowers`` are tables; ``mass_kg`` and ``gain_kg_day`` have a row a
    fruit and a column a day of age, and so has ``soil_c``; ``sky`` has a row a patch."""

    year: int
    plants: list[plants.Plant]
    flowers: pd.DataFrame
    fruits: pd.DataFrame
    gain_kg_day: np.ndarray
    soil_c: np.ndarray
    mass_kg: np.ndarray
    shares: np.ndarray
    sky: weather.Sky


def weigh_off_dates(year: int) -> tuple[date, date]:
    """Days of the two weigh-offs: the first Saturday of October, and the Saturday before."""
    first = date(year, 10, 1)
    saturday = first + timedelta(days=(5 - first.weekday()) % 7)
    return saturday, saturday - timedelta(days=7)


def day_of_year(day: date) -> int:
    return day.timetuple().tm_yday


def live_through(rng: np.random.Generator, model: Model, people: People, box: SeedBox, year: int) -> Season:
    """Simulate one season; the seeds of its heaviest fruits join the box."""
    sky = weather.season_sky(rng, lean_c=people.patch_lean_c, heated=people.patch_heated)
    active = [k for k in range(len(people.members)) if rng.random() < 0.88]
    put_out = plants.put_out(
        rng, model, box, season=year, active=active, surnames=[surname(m) for m in people.members],
        patches_of={k: people.patches_of(k) for k in active}, usual_secondaries=people.usual_secondaries)
    spring = rng.normal(0.0, 2.0)
    opens = 184.0 + spring + np.array([people.earliness[p.member] for p in put_out])
    tried = plants.pollinate(rng, model, put_out, sky.air_max_c, opens)
    kept = [f for f in tried if f.kept]
    fruits = _fruits(rng, model, people, box, put_out, kept, year)
    gain, pace, noise, soil = _grow(rng, model, fruits, sky)
    rain = _rain_two_days(sky, fruits)
    spurt = losses.spurts(noise, model)
    lost_age, cause = losses.lose(rng, model, spurt=spurt, rain_2_days_mm=rain, pace_percent=pace)
    _end(rng, fruits, lost_age, cause, year)
    fruits["last_spurt"] = spurt[np.arange(len(fruits)), np.minimum(fruits["end_age"], growth.LAST_DAY)]
    mass = np.concatenate([np.zeros((len(fruits), 1)), np.cumsum(gain, axis=1)], axis=1)
    fruits["pace_percent"] = pace
    fruits["soil_mean_c"] = soil[:, WINDOW_DAYS[0]:WINDOW_DAYS[1] + 1].mean(axis=1)
    _weigh(rng, model, people, box, fruits, mass, year)
    _save_seed(box, people, fruits, year)
    flowers = pd.DataFrame([vars(f) for f in tried])
    flowers["row"] = np.where(flowers["kept"] > 0, flowers["kept"].gt(0).cumsum() - 1, -1)
    return Season(year, put_out, flowers, fruits, gain, soil, mass, growth.shares_of_total(rng, len(fruits)), sky)


def _fruits(rng, model: Model, people: People, box: SeedBox, put_out, kept, year: int) -> pd.DataFrame:
    plant = np.array([f.plant for f in kept])
    rows = [put_out[p] for p in plant]
    day = np.array([f.day for f in kept])
    patch = np.array([p.patch for p in rows])
    member = np.array([p.member for p in rows])
    secondaries = np.array([int(plants.secondaries_on(p, d, model)) for p, d in zip(rows, day, strict=True)])
    n = len(kept)
    patch_season = rng.normal(0.0, model.patch_season_sd, len(people.patch_label))
    season = rng.normal(0.0, model.season_sd)
    one, two = rng.normal(size=(2, n))
    evenness = np.clip(rng.beta(7.0, 2.5, n), 0.05, 1.0)
    recent = [name for name, y in zip(box.names, box.years, strict=True) if year - 6 <= y < year]
    frame = pd.DataFrame({
        "plant": plant, "member": member, "patch": patch, "seed": [p.seed for p in rows],
        "pollen": pd.Series([pollen(box, rng, p.seed, recent) for p in rows], dtype=object),
        "set_day": day, "role": [f.kept for f in kept], "secondaries": secondaries,
        "main_vine_cm": np.maximum(100.0 + 17.0 * secondaries + rng.normal(0.0, 40.0, n), 120.0),
        "lobes": [f.lobes for f in kept], "lobe_evenness": evenness,
        "fruit_evenness": np.clip(0.62 + model.evenness_slope * evenness + rng.normal(0.0, model.evenness_sd, n), 0, 1),
        "grower_percent": people.skill_percent[member], "patch_season_percent": patch_season[patch],
        "season_percent": season, "seed_percent": [model.seed_sd * box.shift(p.seed)[0] for p in rows],
        "fruit_percent": model.fruit_sd * one,
        "slope_percent": model.fruit_slope_sd * (model.fruit_correlation * one
                                                 + np.sqrt(1 - model.fruit_correlation**2) * two),
    })
    frame["distance_out_cm"] = np.maximum(frame["main_vine_cm"] - rng.normal(110.0, 30.0, n), 60.0)
    return frame


def _grow(rng, model: Model, fruits: pd.DataFrame, sky: weather.Sky):
    """Daily gain [kg] by age, lasting pace [percent], day-to-day deviation [percent] and soil [C] of each fruit."""
    ages = np.arange(growth.LAST_DAY)
    # Growth is from one morning's taping to the next; its soil is the one read at the end, that morning.
    column = plants.patch_day(fruits["set_day"].to_numpy()[:, None] + ages + 1)
    soil = sky.soil_c[fruits["patch"].to_numpy()[:, None], column]
    lasting = (100.0 + model.secondaries_percent * (fruits["secondaries"] - model.secondaries_mid)
               + model.set_day_percent * (fruits["set_day"] - model.set_day_mid)
               + model.lobes_percent * (fruits["lobes"] - 4)
               + fruits[["grower_percent", "patch_season_percent", "season_percent", "seed_percent",
                         "fruit_percent"]].sum(axis=1)).to_numpy()
    drift = fruits["slope_percent"].to_numpy()[:, None] * (ages + 0.5 - model.slope_centre_day) / 10.0
    noise = growth.persistent_noise(rng, len(fruits), growth.LAST_DAY, sd=model.day_sd,
                                    persistence=model.day_persistence)
    pace = lasting[:, None] + soil_percent(soil, model) + drift + noise
    # A fruit does not shrink: the few days below 2 % of the baseline are held there (see the tests for how few).
    gain = growth.baseline_gain(model) * np.maximum(pace, 2.0) / 100.0
    window = slice(WINDOW_DAYS[0], WINDOW_DAYS[1] + 1)
    return gain, lasting + soil_percent(soil, model)[:, window].mean(axis=1), noise, soil


def _rain_two_days(sky: weather.Sky, fruits: pd.DataFrame) -> np.ndarray:
    two = sky.rain_mm + np.concatenate([np.zeros((len(sky.rain_mm), 1)), sky.rain_mm[:, :-1]], axis=1)
    column = plants.patch_day(fruits["set_day"].to_numpy()[:, None] + np.arange(growth.LAST_DAY))
    return two[fruits["patch"].to_numpy()[:, None], column]


def _end(rng, fruits: pd.DataFrame, lost_age: np.ndarray, cause: np.ndarray, year: int) -> None:
    """Why and at what age each fruit's log ends, and the weigh-off it went to."""
    n = len(fruits)
    site = (rng.random(n) < 0.25).astype(int)
    dates = [day_of_year(d) for d in weigh_off_dates(year)]
    cut = np.array(dates)[site] - rng.integers(0, 2, n) - fruits["set_day"].to_numpy()
    cull = rng.integers(14, 31, n)
    main_lost = {}
    for plant, role, age in zip(fruits["plant"], fruits["role"], lost_age, strict=True):
        if role == 1:
            main_lost[plant] = age
    backup = (fruits["role"] == 2).to_numpy()
    culled = backup & np.array([main_lost.get(p, 0) > c for p, c in zip(fruits["plant"], cull, strict=True)])
    end = np.where(culled, np.minimum(cull, cut), cut)
    names = np.array(list(losses.AGES), dtype=object)
    lost = lost_age < end
    stays = np.where(rng.random(n) < 0.07, "not weighed", "weighed").astype(object)
    fruits["end_age"] = np.where(lost, lost_age, end)
    fruits["end_reason"] = np.where(lost, names[cause], np.where(culled, "culled", stays))
    fruits["site"] = site


def _weigh(rng, model: Model, people: People, box: SeedBox, fruits: pd.DataFrame, mass: np.ndarray, year: int) -> None:
    """Weight on the scale, tape at the weigh-off, and status; all fruits get a scale weight, only some are shown it."""
    n = len(fruits)
    chart = mass[np.arange(n), fruits["end_age"].to_numpy()]
    inches = growth.inches_of_mass(chart)
    site = rng.normal(0.0, model.heavy_site_sd, len(SITES))[fruits["site"].to_numpy()]
    season = rng.normal(0.0, model.heavy_season_sd)
    known = (model.heavy_seed_sd**2 + model.heavy_grower_sd**2 + model.heavy_site_sd**2 + model.heavy_season_sd**2)
    taped_in = inches + rng.normal(size=n) * model.tape_sd_in * np.sqrt(3.0)
    tape_part = (growth.mass_of_inches(inches + 0.5) - growth.mass_of_inches(inches - 0.5)) / np.maximum(chart, 0.5)
    total = growth.scatter_sd(inches) ** 2
    own = np.sqrt(np.maximum(total - known - 3.0 * (tape_part * model.tape_sd_in) ** 2, 0.02**2))
    log_ratio = (model.heavy_seed_sd * np.array([box.shift(s)[1] for s in fruits["seed"]])
                 + model.heavy_grower_sd * people.heavy[fruits["member"]] + site + season
                 + own * rng.normal(size=n) - 0.5 * total)
    fruits["chart_kg"] = chart
    fruits["scale_kg"] = chart * np.exp(log_ratio)
    fruits["taped_in"] = np.rint(2.0 * taped_in) / 2.0
    damaged = rng.random(n) < 0.02
    weighed = fruits["end_reason"] == "weighed"
    best = fruits["scale_kg"].where(weighed & ~damaged).groupby([fruits["member"], fruits["site"]]).transform("max")
    status = np.where(damaged, "damaged", np.where(fruits["scale_kg"] == best, "official", "exhibition"))
    fruits["status"] = pd.Series(status, index=fruits.index, dtype=object).where(weighed, None)


def _save_seed(box: SeedBox, people: People, fruits: pd.DataFrame, year: int) -> None:
    """The ten heaviest sound fruits give seed; their mother is the seed that their plant grew from."""
    sound = fruits[fruits["status"].isin(["official", "exhibition"])]
    for fruit in sound.sort_values("scale_kg", ascending=False, kind="stable").head(10).itertuples():
        box.add(fruit.scale_kg, surname(people.members[fruit.member]), year, fruit.seed, fruit.pollen)
