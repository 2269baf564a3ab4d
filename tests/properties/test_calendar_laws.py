"""The calendar does not matter: the same season told in other years and hemispheres gives the same answers."""

import numpy as np
import pandas as pd
import pytest

from patchstats.gains import daily_gains
from patchstats.growthpath import PathSettings, growth_paths
from patchstats.heat import heat_by_day
from patchstats.landmarks import path_landmarks
from patchstats.patchdays import lagged_means, patch_days, totals_since
from patchstats.plantsize import size_at_set
from patchstats.soilfill import filled_days
from patchstats.tables import conform
from patchstats.weeks import weekly_gain

NORTH = pd.Timestamp("2021-07-04")
SHIFTED = {"a northern season of a leap year": "2024-07-04",
           "a southern season over the turn of the year": "2022-12-10",
           "a southern season with 29 February": "2024-01-15", "one that ends on 31 December, day 366": "2024-09-14",
           "a whole year later": "2022-07-04"}


def season(set_date):
    """Six members' seasons from 40 days before the first pollination to 108 days after it; two keep no soil log."""
    rng = np.random.default_rng(14)
    days = np.arange(-40, 109)
    fruits, readings, sizes, soil, weather = [], [], [], [], []
    sky = 20.0 + 4.0 * np.sin(days / 17.0) + rng.normal(0, 1.5, len(days))
    for i in range(6):
        grower, patch, name = f"Member {i}", f"Member {i}/home", f"Member {i}/2022/A"
        begin = set_date + pd.Timedelta(days=i)
        fruits.append({"fruit": name, "plant": name, "patch": patch, "grower": grower, "season": 2022,
                       "kind": "pumpkin", "set_date": begin})
        taped = np.sort(rng.choice(np.arange(18, 100), 25, replace=False))
        totals = (900.0 + 20 * i) * np.exp(-2.0073 * np.exp(-0.050966 * taped)) + rng.normal(0, 1.27, 25)
        readings.append(pd.DataFrame({"fruit": name, "date": begin + pd.to_timedelta(taped, unit="D"),
                                      "over_the_top_cm": totals}))
        sizes.append(pd.DataFrame({"plant": name, "date": begin + pd.to_timedelta([-10, 12], unit="D"),
                                   "secondaries": [10 + i, 20 + i]}))
        dates = set_date + pd.to_timedelta(days, unit="D")
        local = sky + rng.normal(0, 1.0, len(days)) + i / 3
        weather.append(pd.DataFrame({"patch": patch, "date": dates, "air_max_c": local + 7, "air_min_c": local - 6}))
        read = (rng.random(len(days)) < 0.7) & (days > -30)  # on the first ten days nobody read a probe
        if i > 1:
            soil.append(pd.DataFrame({"patch": patch, "date": dates, "soil_c": local + rng.normal(0, 0.5, len(days)),
                                      "depth_cm": 10.0})[read])
    tables = {"readings": readings, "sizes": sizes, "soil": soil, "weather": weather}
    return {"fruits": conform("fruits", pd.DataFrame(fruits))} | {
        name: conform(name, pd.concat(parts).reset_index(drop=True).assign(line=lambda t: np.arange(len(t))))
        for name, parts in tables.items()}


def answers(set_date):
    """What is computed of the season, with every date as days after the pollination of the first fruit."""
    club = season(set_date)
    days, gains = filled_days(club), daily_gains(club, days=filled_days(club))
    sky = patch_days(club)
    lags = lagged_means(sky, ["soil_c", "heat_c_day"], patch=gains["patch"], date=gains["date"], lag_days=7)
    since = gains["fruit"].map(club["fruits"].set_index("fruit")["set_date"])
    heat = totals_since(sky, ["heat_c_day"], patch=gains["patch"], since=since, date=gains["date"])
    told = {"days": days, "gains": gains.drop(columns="set_day"), "lags": lags, "heat since set": heat,
            "weeks": weekly_gain(gains), "size": size_at_set(club),
            "paths": growth_paths(club, settings=PathSettings()),
            "landmarks": path_landmarks(club, settings=PathSettings(), draws=40),
            "double sine": heat_by_day(club["weather"], method="double sine")}
    for table in told.values():
        for column in table.columns:
            if pd.api.types.is_datetime64_any_dtype(table[column]):
                table[column] = (table[column] - set_date) / pd.Timedelta(days=1)
    return told


@pytest.fixture(scope="module")
def north():
    return answers(NORTH)


@pytest.mark.parametrize("set_date", SHIFTED.values(), ids=SHIFTED.keys())
def test_the_same_season_in_another_year_or_hemisphere(north, set_date):
    for name, table in answers(pd.Timestamp(set_date)).items():
        pd.testing.assert_frame_equal(table, north[name], rtol=1e-6, atol=1e-6, obj=name)


def test_every_way_of_coming_by_the_soil_was_tried(north):
    assert set(north["days"]["soil_source"]) == {"probe", "filled", "air"}
    assert len(north["gains"]) > 100 and len(north["weeks"]) > 50
