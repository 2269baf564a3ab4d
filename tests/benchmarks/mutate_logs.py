"""Mutates the demo club's logs and the specimens at random, and checks that reading raises nothing, ends, loses no cell
and adds up. Usage: python tests/benchmarks/mutate_logs.py [how many, 100000] [seed, 1] [processes, 1]
"""

from __future__ import annotations

import random
import sys
import time
import traceback
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent / "properties"), str(HERE.parents[1])]

from laws import broken_law  # noqa: E402
from mutations import mutate  # noqa: E402


def originals() -> list[tuple[str, bytes]]:
    folders = [HERE.parent / "specimens", HERE.parents[1] / "data" / "demo" / "logs"]
    return [(p.name, p.read_bytes()) for folder in folders for p in sorted(folder.glob("*"))
            if p.is_file() and p.stat().st_size < 30_000 and p.suffix != ".toml"]


def run(start: int, count: int, seed: int) -> tuple[int, float, list[str]]:
    files, slowest, faults = originals(), 0.0, []
    for number in range(start, start + count):
        rng = random.Random(f"{seed}/{number}")
        name, data = rng.choice(files)
        data = mutate(data, rng)
        began = time.perf_counter()
        try:
            fault = broken_law(data, name)
        except (
            Exception
        ):  # the point of the script: whatever is raised is reported, with the number that makes it again
            fault = traceback.format_exc(limit=-3)
        slowest = max(slowest, time.perf_counter() - began)
        if fault:
            faults.append(f"mutation {number} of {name}: {fault}")
    return count, slowest, faults


def main(count: int = 100_000, seed: int = 1, processes: int = 1) -> int:
    began, done, slowest, faults = time.perf_counter(), 0, 0.0, []
    share = min(500, max(1, count // processes))
    starts = range(0, count, share)
    with ProcessPoolExecutor(processes) as pool:
        for n, slow, found in pool.map(run, starts, [min(share, count - s) for s in starts], [seed] * len(starts)):
            done, slowest, faults = done + n, max(slowest, slow), faults + found
            print(f"{done} mutations, {len(faults)} faults, slowest {slowest:.2f} s, "
                  f"{time.perf_counter() - began:.0f} s in all", flush=True)
    for fault in faults[:20]:
        print(fault)
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
