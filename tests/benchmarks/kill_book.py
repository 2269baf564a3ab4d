"""Kills a taking-in at random moments, again and again, and verifies the club book after each kill.

    python tests/benchmarks/kill_book.py --kills 200 --seed 1

Each round takes files into a club in a process of its own, which is killed (SIGKILL; on Windows TerminateProcess) after
a random time. After each kill the book must verify (structure, originals, rows read again), hold every receipt wholly
or not at all, and open; the next round goes on with the same club until all files are in. Then the tables must be those
of a club that was never killed, and a new club starts. Exits with 1 at the first fault.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import random
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1])]

from plain_reader import plain_log, read_plain  # noqa: E402

from patchstats import tables  # noqa: E402
from patchstats.clubbook import HandedIn, create_club, open_club, take_in, verify  # noqa: E402

FILES = [HandedIn(f"{n}.csv", plain_log(f"Grower {n}", days=40 + n % 7, seed=f"{900 + n} Line 2019"))
         for n in range(20)]


def take_all(folder: str, made: bool) -> None:
    """What is killed: making the club (unless it was made) and taking everything in."""
    if not made:
        create_club(folder, name="Stress")
    take_in(folder, FILES, reader=read_plain)


def check(folder: Path) -> str:
    """What is wrong with the club after a kill, or nothing."""
    if not (folder / "patchstats.toml").exists() or not (folder / "book.sqlite").exists():
        return ""  # killed before there was a club: the next round makes it
    checked = verify(folder, reader=read_plain)
    if not checked.ok:
        return repr(checked)
    opened = open_club(folder)
    kept = opened.readings.groupby("file").size().to_dict()
    told = dict(zip(opened.receipts["file"], opened.receipts["rows_kept"], strict=True))
    return "" if kept == told else f"receipts tell of {told}, the tables hold {kept}"


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--kills", type=int, default=200)
    options.add_argument("--seed", type=int, default=1)
    asked = options.parse_args()
    chance = random.Random(asked.seed)
    method = "fork" if "fork" in multiprocessing.get_all_start_methods() else "spawn"
    context = multiprocessing.get_context(method)
    with tempfile.TemporaryDirectory() as place:
        calm = Path(place) / "calm"
        started = time.perf_counter()
        take_all(str(calm), made=False)
        whole_seconds = time.perf_counter() - started
        expected = open_club(calm)
        kills = clubs = midway = 0
        while kills < asked.kills:
            clubs += 1
            folder = Path(place) / f"club{clubs}"
            while True:
                made = (folder / "patchstats.toml").exists()
                process = context.Process(target=take_all, args=(str(folder), made))
                process.start()
                time.sleep(chance.uniform(0.0, 0.3 * whole_seconds))
                process.kill()
                process.join()
                if process.exitcode == 0:
                    break
                if process.exitcode > 0:
                    print(f"the taking-in failed by itself with {process.exitcode}")
                    return 1
                kills += 1
                if fault := check(folder):
                    print(f"after kill {kills}: {fault}")
                    return 1
                midway += (folder / "book.sqlite").exists() and 0 < len(verify_receipts(folder)) < len(FILES)
                if kills >= asked.kills:
                    take_all(str(folder), (folder / "patchstats.toml").exists())
                    break
            opened = open_club(folder)
            for name in tables.STORED:
                if not opened.tables[name].equals(expected.tables[name]):
                    print(f"club {clubs}: the table {name} differs from that of a club that was never killed")
                    return 1
    print(f"{kills} kills in {clubs} clubs of {len(FILES)} files ({whole_seconds:.2f} s each when left alone), "
          f"{midway} of them with some files in and some not. After each kill the book verified; each club, taken up "
          "again, held the same tables as one never killed.")
    return 0


def verify_receipts(folder: Path) -> list[int]:
    """The numbers of the receipts that the book holds."""
    return open_club(folder).receipts["receipt"].tolist() if (folder / "patchstats.toml").exists() else []


if __name__ == "__main__":
    sys.exit(main())
