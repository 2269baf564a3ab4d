"""Invented daily gains of any number of rows, for the benchmarks: fruits in patches of growers, seasons, seed lines."""

from __future__ import annotations

import numpy as np
import pandas as pd

FORMULA = ("gain ~ spline(day, 4) + secondaries + set_day + soil + (1 + day10 | fruit) + (1 | grower) + (1 | season)"
           " + (1 | patch_season) + (1 | seed_line)")


def club_rows(n_rows: int, *, seed: int = 1, days: int = 57, n_crossed: int | None = None) -> pd.DataFrame:
    """About 57 rows a fruit; two fruits a patch-season; growers, seasons and seed lines grow with the club, or stay
    at ``n_crossed`` growers and half as many seed lines again."""
    rng = np.random.default_rng(seed)
    n_fruits = max(n_rows // days, 20)
    n_seasons = 6 if n_rows <= 100_000 else 12
    n_growers = max(10, int(n_fruits ** 0.6))
    n_seeds = max(15, int(1.5 * n_fruits ** 0.6))
    if n_crossed is not None:
        n_growers, n_seeds = n_crossed, n_crossed + n_crossed // 2
    n_patch_seasons = max(20, n_fruits // 2)
    grower_of = rng.integers(0, n_growers, n_patch_seasons)
    season_of = rng.integers(0, n_seasons, n_patch_seasons)
    patch_season = np.concatenate([np.arange(n_patch_seasons), rng.integers(0, n_patch_seasons, n_fruits)])[:n_fruits]
    seed_line = rng.integers(0, n_seeds, n_fruits)
    fruit = np.repeat(np.arange(n_fruits), -(-n_rows // n_fruits))[:n_rows]
    order = np.arange(n_rows) - np.searchsorted(fruit, fruit)
    day = 5.0 + order
    own = rng.normal(size=(n_fruits, 2)) @ np.array([[2.0, 0.3], [0.0, 0.4]])
    shift = (rng.normal(0, 1.5, n_growers)[grower_of[patch_season]]
             + rng.normal(0, 0.8, n_seasons)[season_of[patch_season]]
             + rng.normal(0, 0.9, n_patch_seasons)[patch_season] + rng.normal(0, 1.0, n_seeds)[seed_line])
    secondaries, set_day = rng.integers(8, 30, n_fruits).astype(float), rng.normal(175.0, 7.0, n_fruits)
    soil = rng.normal(21.0, 3.0, n_rows)
    gain = (16.0 * np.exp(-((day - 35.0) / 18.0) ** 2) + 0.1 * secondaries[fruit] - 0.05 * (set_day[fruit] - 175.0)
            + 0.15 * (soil - 20.0) + shift[fruit] + own[fruit, 0] + own[fruit, 1] * (day - 35.0) / 10.0
            + rng.normal(0.0, 2.5, n_rows))
    return pd.DataFrame({
        "gain": gain, "day": day, "day10": (day - 35.0) / 10.0, "secondaries": secondaries[fruit],
        "set_day": set_day[fruit], "soil": soil, "fruit": fruit, "grower": grower_of[patch_season][fruit],
        "season": season_of[patch_season][fruit], "patch_season": patch_season[fruit], "seed_line": seed_line[fruit]})
