"""Seconds from readings to gains, growth paths and landmarks. Run: python tests/benchmarks/bench_gains.py

The tables are made here, from a growth curve (Holland's two points, N.E.P.G.A. Newsletter, June 1993) and half an inch
of tape error; they serve the clock only.
"""

from __future__ import annotations

import argparse
import resource
import time

import numpy as np
import pandas as pd

from patchstats.gains import daily_gains
from patchstats.growthpath import growth_paths
from patchstats.landmarks import path_landmarks
from patchstats.tables import conform


def tables(fruits: int, readings_each: int, *, seed: int = 20240704) -> dict[str, pd.DataFrame]:
    """A club of the asked size with every third log of circumferences only, soil and weather on each day."""
    rng = np.random.default_rng(seed)
    growers = max(fruits // 5, 1)
    names = np.array([f"Grower {i:05d}" for i in range(growers)])
    owner = rng.integers(growers, size=fruits)
    season = 2017 + rng.integers(5, size=fruits)
    name = np.array([f"{names[g]}/{s}/F{i}" for i, (g, s) in enumerate(zip(owner, season, strict=True))])
    patch = np.char.add(names[owner], "/home")
    new_year = pd.to_datetime(pd.Series(season), format="%Y")
    set_date = new_year + pd.to_timedelta(rng.integers(170, 200, size=fruits), unit="D")
    fruit_table = conform("fruits", pd.DataFrame({
        "fruit": name, "plant": name, "patch": patch, "grower": names[owner], "season": season, "kind": "pumpkin",
        "seed": "1500 Quell", "set_date": set_date, "secondaries_at_set": rng.integers(8, 28, size=fruits)}))
    final = rng.uniform(600.0, 1150.0, size=fruits)
    day = np.sort(rng.permuted(np.tile(np.arange(8, 8 + max(90, readings_each)), (fruits, 1)), axis=1)[
        :, :readings_each], axis=1)
    total = final[:, None] * np.exp(-2.0073 * np.exp(-0.050966 * day)) + rng.normal(0, 1.27, size=day.shape)
    total = np.maximum(total, 15.0)
    which = np.repeat(np.arange(fruits), readings_each)
    flat = total.ravel()
    round_only = (which % 3 == 0) & (rng.random(len(flat)) < 0.5)
    readings = conform("readings", pd.DataFrame({
        "fruit": name[which], "date": set_date.to_numpy()[which] + day.ravel().astype("timedelta64[D]"),
        "circumference_cm": 0.44 * flat, "side_to_side_cm": np.where(round_only, np.nan, 0.28 * flat),
        "stem_to_blossom_cm": np.where(round_only, np.nan, 0.28 * flat), "file": "made.csv",
        "line": np.arange(len(flat))}))
    days = pd.concat([pd.DataFrame({
        "patch": np.repeat(np.unique(patch), 150),
        "date": np.tile(pd.date_range(f"{y}-06-01", periods=150), len(np.unique(patch)))}) for y in range(2017, 2022)],
        ignore_index=True)
    wave = 20.0 + rng.normal(0, 2.0, size=len(days))
    soil = conform("soil", days.assign(soil_c=wave, depth_cm=10.0, line=np.arange(len(days))))
    weather = conform("weather", days.assign(air_max_c=wave + 7, air_min_c=wave - 6, line=np.arange(len(days))))
    return {"fruits": fruit_table, "readings": readings, "soil": soil, "weather": weather}


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--fruits", type=int, default=12_500)
    parser.add_argument("--readings", type=int, default=80, help="readings a fruit")
    parser.add_argument("--paths", type=int, default=1_000, help="fruits to smooth")
    options = parser.parse_args()
    club = tables(options.fruits, options.readings)
    start, busy = time.perf_counter(), time.process_time()
    gains = daily_gains(club)
    seconds, busy = time.perf_counter() - start, time.process_time() - busy
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{len(club['readings']):,} readings to {len(gains):,} gains in {seconds:.2f} s, "
          f"{busy:.2f} s of processor (peak {peak:.0f} MB)")
    print("left out:", gains.attrs["left_out"])
    few = tables(options.paths, 60)
    for name, work in (("growth paths", growth_paths), ("landmarks, 200 draws", path_landmarks)):
        start = time.perf_counter()
        made = work(few, jobs=2)
        print(f"{options.paths:,} fruits of 60 tapings to {name} in {time.perf_counter() - start:.1f} s on 2 processes "
              f"({len(made):,} rows)")


if __name__ == "__main__":
    main()
