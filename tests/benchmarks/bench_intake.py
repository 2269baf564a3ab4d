"""Speed and memory of reading, side by side with pandas.read_csv. Usage: python tests/benchmarks/bench_intake.py

Prints rows per second on a clean log of 200,000 tapings, peak memory against the file's size, and the seconds for
2,000 members' files on two processes.
"""

from __future__ import annotations

import io
import sys
import time
import tracemalloc
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parents[1]))

import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402

from patchstats import intake  # noqa: E402


def clean_log(rows: int = 200_000, seed: int = 1) -> bytes:
    """A club's tapings of many seasons in one clean table: grower, season, fruit, date, three measures and total."""
    rng = np.random.default_rng(seed)
    days = 80
    fruits = rows // days
    day = np.tile(np.arange(10, 10 + days), fruits)
    fruit = np.repeat(np.arange(fruits), days)
    around = 150 * np.exp(-2.0 * np.exp(-0.055 * day)) * np.repeat(rng.uniform(0.6, 1.2, fruits), days)
    around = np.maximum.accumulate(around.reshape(fruits, days), axis=1).ravel()
    measures = np.round(np.column_stack([around, 0.64 * around, 0.63 * around]) * 4) / 4
    season = 2010 + fruit % 12
    date = (pd.to_datetime(pd.Series(season).astype(str) + "-07-01") + pd.to_timedelta(day, unit="D")).dt.strftime(
        "%Y-%m-%d"
    )
    frame = pd.DataFrame({"Grower": [f"Member {f % 97:02d} Field" for f in fruit], "Season": season,
                          "Fruit": [f"F{f // 97}" for f in fruit], "Date": date,
                          "Circ (in)": measures[:, 0], "SS (in)": measures[:, 1], "EE (in)": measures[:, 2],
                          "OTT (in)": measures.sum(axis=1)})
    return frame.to_csv(index=False, lineterminator="\n").encode()


def best(*functions, times: int = 9) -> list[float]:
    """The least seconds of each function, taken in turn so that a busy machine is busy for all alike."""
    seconds = [[] for _ in functions]
    for _ in range(times):
        for function, taken in zip(functions, seconds, strict=True):
            began = time.perf_counter()
            function()
            taken.append(time.perf_counter() - began)
    return [min(taken) for taken in seconds]


def read_all(paths: list[str]) -> int:
    return sum(intake.read_file(p).rows_read for p in paths)


def main() -> None:
    data = clean_log()
    result = intake.read_bytes(data, "clean.csv")
    rows = len(result.tables["readings"])
    plain, dated, ours = best(lambda: pd.read_csv(io.BytesIO(data)),
                              lambda: pd.read_csv(io.BytesIO(data), parse_dates=["Date"]),
                              lambda: intake.read_bytes(data, "clean.csv"))
    print(f"clean log of {rows:,} rows, {len(data) / 1e6:.1f} MB, {len(result.remarks)} remarks")
    print(f"pandas.read_csv {rows / plain:,.0f} rows/s; with its dates parsed {rows / dated:,.0f} rows/s")
    shares = f"{plain / ours:.2f} of pandas.read_csv, {dated / ours:.2f} of it with dates"
    print(f"intake {rows / ours:,.0f} rows/s = {shares}")
    tracemalloc.start()
    intake.read_bytes(data, "clean.csv")
    print(f"peak memory {tracemalloc.get_traced_memory()[1] / len(data):.1f} times the file")
    tracemalloc.stop()
    logs = sorted(str(p) for p in (HERE.parents[1] / "data" / "demo" / "logs").glob("*"))
    if logs:
        paths = (logs * (2000 // len(logs) + 1))[:2000]
        began = time.perf_counter()
        with ProcessPoolExecutor(2) as pool:
            lines = sum(pool.map(read_all, [paths[k::20] for k in range(20)]))
        print(f"2,000 members' files ({lines:,} lines) on two processes: {time.perf_counter() - began:.1f} s")


if __name__ == "__main__":
    main()
