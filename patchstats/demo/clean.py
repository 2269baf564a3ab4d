"""The clean tables of the invented club: what perfectly read logs would hold, each member's steps and habits kept."""

from __future__ import annotations

import numpy as np
import pandas as pd

from patchstats.demo import growth, names, plants, season, weather
from patchstats.demo.habits import Habit
from patchstats.demo.model import Model
from patchstats.demo.pedigree import SeedBox
from patchstats.tables import conform
from patchstats.units import CM_PER_FOOT, CM_PER_INCH, c_to_f, f_to_c, inches_to_cm, kg_to_lb, lb_to_kg

PROBE_CM, PROBE_INCHES = 10.0, 4.0
PROBE_SD_C = 0.05  # and written to a tenth of a degree
_TENTH_INCH_MM = CM_PER_INCH  # a tenth of an inch is as many millimetres as an inch has centimetres


def tables(rng: np.random.Generator, model: Model, people: season.People, ground: pd.DataFrame, ways: list[Habit],
           box: SeedBox, lived: list[season.Season]) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    """Every stored table, conforming to the dictionary, and the latent table of fruits with their keys."""
    keyed = [_keys(people, ways, s) for s in lived]
    latent = pd.concat(keyed, ignore_index=True)
    shares = np.concatenate([s.shares for s in lived])
    mass = np.concatenate([s.mass_kg for s in lived])
    made = {
        "growers": pd.DataFrame({"grower": people.members}),
        "patches": ground,
        "plants": pd.concat([_plants(people, s) for s in lived], ignore_index=True),
        "fruits": _fruits(latent, ways),
        "readings": _readings(rng, model, latent, mass, shares, ways),
        "sizes": pd.concat([_sizes(rng, model, people, ways, s) for s in lived], ignore_index=True),
        "soil": pd.concat([_soil(rng, people, ways, s) for s in lived], ignore_index=True),
        "weather": pd.concat([_weather(people, ways, s) for s in lived], ignore_index=True),
        "flowers": pd.concat([_flowers(people, ways, s, k) for s, k in zip(lived, keyed, strict=True)],
                             ignore_index=True),
        "weighings": _weighings(latent),
        "seeds": _seeds(rng, box),
    }
    for name, frame in made.items():
        made[name] = conform(name, frame.assign(file="", line=0))
    return made, latent


def date_of(year, day_of_year) -> pd.Series:
    """Dates of days of the year."""
    start = pd.to_datetime(pd.Series(year).astype(int).astype(str).to_numpy() + "-01-01")
    return pd.Series(start + pd.to_timedelta(np.asarray(day_of_year, dtype=int) - 1, unit="D"))


def _plant_key(people: season.People, year: int, plant: plants.Plant) -> str:
    return f"{people.members[plant.member]}/{year}/{plant.label}"


def _patch_keys(people: season.People) -> np.ndarray:
    return np.array([f"{people.members[m]}/{t}" for m, t in zip(people.patch_member, people.patch_label, strict=True)],
                    dtype=object)


def _keys(people: season.People, ways: list[Habit], s: season.Season) -> pd.DataFrame:
    """The season's fruits with their keys; labels run in the order of setting, letters or numbers by the member."""
    fruits = s.fruits.copy()
    grower = np.array(people.members, dtype=object)[fruits["member"]]
    order = fruits.sort_values(["member", "set_day"], kind="stable").groupby("member").cumcount()
    rank = order.sort_index().to_numpy()
    label = [chr(65 + r) if ways[m].fruit_labels == "letters" else str(r + 1)
             for r, m in zip(rank, fruits["member"], strict=True)]
    fruits.insert(0, "fruit", [f"{g}/{s.year}/{text}" for g, text in zip(grower, label, strict=True)])
    fruits.insert(1, "plant_key", [_plant_key(people, s.year, s.plants[p]) for p in fruits["plant"]])
    fruits.insert(2, "patch_key", _patch_keys(people)[fruits["patch"]])
    fruits.insert(3, "grower", grower)
    fruits.insert(4, "season", s.year)
    return fruits


def _plants(people: season.People, s: season.Season) -> pd.DataFrame:
    patch = _patch_keys(people)
    return pd.DataFrame({
        "plant": [_plant_key(people, s.year, p) for p in s.plants],
        "patch": [patch[p.patch] for p in s.plants],
        "grower": [people.members[p.member] for p in s.plants],
        "season": s.year,
        "seed": [p.seed for p in s.plants],
        "sown_date": date_of([s.year] * len(s.plants), [p.sown_day for p in s.plants]),
        "planted_date": date_of([s.year] * len(s.plants), [p.planted_day for p in s.plants]),
    })


def _lengths(cm: np.ndarray, metric: np.ndarray) -> np.ndarray:
    """Lengths on the ground [cm] as written: to 10 cm, or to half a foot."""
    return np.where(metric, np.rint(cm / 10.0) * 10.0, np.rint(cm / (CM_PER_FOOT / 2)) * (CM_PER_FOOT / 2))


def _metric(ways: list[Habit], member: pd.Series) -> np.ndarray:
    return np.array([w.hand.unit == "cm" for w in ways])[member.to_numpy()]


def _fruits(latent: pd.DataFrame, ways: list[Habit]) -> pd.DataFrame:
    metric = _metric(ways, latent["member"])
    old = (latent["end_age"] > 40).to_numpy()
    return pd.DataFrame({
        "fruit": latent["fruit"], "plant": latent["plant_key"], "patch": latent["patch_key"],
        "grower": latent["grower"], "season": latent["season"],
        "kind": latent["end_reason"].map({"weighed": "pumpkin"}),  # the class is said at the weigh-off
        "seed": latent["seed"],
        "pollen": latent["pollen"], "set_date": date_of(latent["season"], latent["set_day"]),
        "secondaries_at_set": latent["secondaries"],
        "main_vine_cm": _lengths(latent["main_vine_cm"].to_numpy(), metric),
        "distance_out_cm": _lengths(latent["distance_out_cm"].to_numpy(), metric),
        "lobes": latent["lobes"], "lobe_evenness": _twentieths(latent["lobe_evenness"]),
        "fruit_evenness": _twentieths(latent["fruit_evenness"]).where(old),
        "end_date": date_of(latent["season"], latent["set_day"] + latent["end_age"]),
        "end_reason": latent["end_reason"],
    })


def _twentieths(values: pd.Series) -> pd.Series:
    return (np.rint(values * 20.0) / 20.0).round(2)


def _readings(rng, model: Model, latent: pd.DataFrame, mass: np.ndarray, shares: np.ndarray,
              ways: list[Habit]) -> pd.DataFrame:
    fruit, age = [], []
    for row, (member, end) in enumerate(zip(latent["member"], latent["end_age"], strict=True)):
        taped = _taping_ages(rng, ways[member], int(end))
        fruit.append(np.full(len(taped), row))
        age.append(taped)
    at, days = np.concatenate(fruit), np.concatenate(age)
    measures = growth.tape_fruits(rng, mass[at, days], shares[at], sd_in=model.tape_sd_in)
    member = latent["member"].to_numpy()[at]
    per_in = np.array([CM_PER_INCH if w.hand.unit == "cm" else 1.0 for w in ways])[member]
    step = np.array([w.hand.step for w in ways])[member]
    kind = np.array([w.hand.measures for w in ways])[member]
    to_cm = inches_to_cm(1.0) / per_in  # from the member's unit to centimetres
    written = np.rint(measures * (per_in / step)[:, None]) * step[:, None]
    total = np.where(kind == "total", np.rint(measures.sum(axis=1) * per_in / step) * step, written.sum(axis=1))
    three = kind == "three"
    return pd.DataFrame({
        "fruit": latent["fruit"].to_numpy()[at],
        "date": date_of(latent["season"].to_numpy()[at], latent["set_day"].to_numpy()[at] + days),
        "circumference_cm": np.where(three | (kind == "circumference"), written[:, 0] * to_cm, np.nan),
        "side_to_side_cm": np.where(three, written[:, 1] * to_cm, np.nan),
        "stem_to_blossom_cm": np.where(three, written[:, 2] * to_cm, np.nan),
        "over_the_top_cm": np.where(kind == "circumference", np.nan, total * to_cm),
        "written_kg": np.where(kind == "total", lb_to_kg(np.rint(kg_to_lb(growth.mass_of_inches(total)))), np.nan),
        "doubtful": False,
    })


def _taping_ages(rng: np.random.Generator, way: Habit, end_age: int) -> np.ndarray:
    """Ages at which a member tapes a fruit: planned every so many days, some missed, now and then a holiday."""
    planned = np.arange(way.first_day, end_age + 1, way.every_days)
    planned = planned + (rng.integers(0, 2, len(planned)) if way.every_days > 1 else 0)
    here = rng.random(len(planned)) < way.diligence
    if rng.random() < 0.3:
        away = int(rng.integers(25, 70))
        here &= ~((planned >= away) & (planned < away + int(rng.integers(5, 11))))
    return np.unique(planned[here & (planned <= end_age)])


def _sizes(rng, model: Model, people: season.People, ways: list[Habit], s: season.Season) -> pd.DataFrame:
    rows = []
    for plant in s.plants:
        way = ways[plant.member]
        if not way.keeps_sizes:
            continue
        days = np.arange(168 + int(rng.integers(0, 5)), 228, int(rng.integers(9, 14)))
        count = plants.secondaries_on(plant, days, model)
        vine = _lengths(np.maximum(60.0 + 19.0 * count, 30.0), np.full(len(days), way.hand.unit == "cm"))
        covered = np.rint(np.maximum(0.05 * count**2 * (1.0 + 0.01 * (days - 186)), 0.5) * 2) / 2
        rows.append(pd.DataFrame({
            "plant": _plant_key(people, s.year, plant), "date": date_of([s.year] * len(days), days),
            "secondaries": count, "main_vine_cm": vine, "covered_m2": covered if way.hand.unit == "cm" else np.nan}))
    return pd.concat(rows, ignore_index=True)


def _patch_days(people: season.People, ways: list[Habit], s: season.Season, every) -> tuple[np.ndarray, np.ndarray]:
    """Patches in use whose member keeps the log, and the columns of days that each reads (every so many days)."""
    used = sorted({p.patch for p in s.plants})
    patch, column = [], []
    for p in used:
        step = every(ways[people.patch_member[p]])
        if step:
            days = np.arange(8, len(weather.DAYS) - 7, step)
            patch.append(np.full(len(days), p))
            column.append(days)
    if not patch:
        return np.zeros(0, int), np.zeros(0, int)
    return np.concatenate(patch), np.concatenate(column)


def _soil(rng, people: season.People, ways: list[Habit], s: season.Season) -> pd.DataFrame:
    patch, column = _patch_days(people, ways, s, lambda w: w.soil_every)
    here = rng.random(len(patch)) < 0.97
    patch, column = patch[here], column[here]
    probe = s.sky.soil_c[patch, column] + rng.normal(0.0, PROBE_SD_C, len(patch))
    metric = _metric(ways, pd.Series(people.patch_member[patch]))
    shown = np.where(metric, _tenths(probe), f_to_c(_tenths(c_to_f(probe))))
    return pd.DataFrame({
        "patch": _patch_keys(people)[patch], "date": date_of([s.year] * len(patch), weather.DAYS[column]),
        "time_of_day": "07:00", "soil_c": shown,
        "depth_cm": np.where(metric, PROBE_CM, inches_to_cm(PROBE_INCHES))})


def _tenths(values: np.ndarray) -> np.ndarray:
    return np.rint(values * 10.0) / 10.0


def _weather(people: season.People, ways: list[Habit], s: season.Season) -> pd.DataFrame:
    patch, column = _patch_days(people, ways, s, lambda w: int(w.keeps_weather))
    metric = _metric(ways, pd.Series(people.patch_member[patch]))

    def degrees(values):
        return np.where(metric, np.rint(values * 2.0) / 2.0, f_to_c(np.rint(c_to_f(values))))

    rain = s.sky.rain_mm[patch, column]
    return pd.DataFrame({
        "patch": _patch_keys(people)[patch], "date": date_of([s.year] * len(patch), weather.DAYS[column]),
        "air_max_c": degrees(s.sky.air_max_c[patch, column]), "air_min_c": degrees(s.sky.air_min_c[patch, column]),
        "rain_mm": np.where(metric, np.rint(rain), np.rint(rain / _TENTH_INCH_MM) * _TENTH_INCH_MM)})


def _flowers(people: season.People, ways: list[Habit], s: season.Season, keyed: pd.DataFrame) -> pd.DataFrame:
    flowers = s.flowers
    keeps = np.array([ways[s.plants[p].member].keeps_flowers for p in flowers["plant"]])
    fruit = np.array([*keyed["fruit"], None], dtype=object)[flowers["row"]]
    frame = pd.DataFrame({
        "plant": [_plant_key(people, s.year, s.plants[p]) for p in flowers["plant"]],
        "date": date_of([s.year] * len(flowers), flowers["day"]),
        "fruit": fruit, "cover": flowers["cover"], "males": flowers["males"],
        "covered_hours": flowers["covered_hours"], "lobes": flowers["lobes"], "set": flowers["set"]})
    return frame[keeps]


def _weighings(latent: pd.DataFrame) -> pd.DataFrame:
    shown = latent[latent["end_reason"] == "weighed"]
    dates = {year: season.weigh_off_dates(year) for year in sorted(set(shown["season"]))}
    pounds = np.rint(2.0 * kg_to_lb(shown["scale_kg"])) / 2.0
    return pd.DataFrame({
        "fruit": shown["fruit"],
        "date": pd.to_datetime([dates[y][k] for y, k in zip(shown["season"], shown["site"], strict=True)]),
        "site": [names.SITES[k] for k in shown["site"]],
        "scale_kg": lb_to_kg(pounds), "over_the_top_cm": inches_to_cm(shown["taped_in"]), "status": shown["status"]})


def _seeds(rng, box: SeedBox) -> pd.DataFrame:
    parents = pd.DataFrame(box.parents, columns=["seed_parent", "pollen_parent"], dtype=object)
    return parents.assign(seed=box.names, stock=rng.integers(0, 240, len(box.names)))
