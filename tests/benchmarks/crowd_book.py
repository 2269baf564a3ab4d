"""Many programs take files into one club at once while another reads it: everything is there once.

    python tests/benchmarks/crowd_book.py --processes 8 --files 50

Each process takes in its own files and, in an order of its own, some that all of them have. Meanwhile the club is
opened again and again; each time every receipt must be there wholly or not at all, and never fewer than before. Exits
with 1 at the first fault.
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

from patchstats.clubbook import HandedIn, open_club, take_in, verify  # noqa: E402

SHARED = 10


def files_of(process: int, own: int) -> list[HandedIn]:
    """The files of one process: its own, and those that all have, under names of its own."""
    made = [HandedIn(f"{process}-{n}.csv", plain_log(f"Grower {process} {n}", days=3)) for n in range(own - SHARED)]
    made += [HandedIn(f"{process}-shared-{n}.csv", plain_log(f"Shared {n}", days=3)) for n in range(SHARED)]
    random.Random(process).shuffle(made)
    return made


def work(folder: str, process: int, own: int) -> None:
    receipts = take_in(folder, files_of(process, own), reader=read_plain)
    assert all(r.status in ("taken in", "already taken in") for r in receipts)


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--processes", type=int, default=8)
    options.add_argument("--files", type=int, default=50)
    asked = options.parse_args()
    method = "fork" if "fork" in multiprocessing.get_all_start_methods() else "spawn"
    context = multiprocessing.get_context(method)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "club"
        folder.mkdir()
        # Settings without a book: the processes race to make it.
        (folder / "patchstats.toml").write_text('[club]\nname = "Crowd"\n', encoding="utf-8")
        started = time.perf_counter()
        crowd = [context.Process(target=work, args=(str(folder), n, asked.files)) for n in range(asked.processes)]
        for process in crowd:
            process.start()
        opened = before = 0
        while any(process.is_alive() for process in crowd):
            if (folder / "book.sqlite").exists():
                club = open_club(folder)
                opened += 1
                if len(club.receipts) < before or len(club.readings) != 3 * len(club.receipts):
                    print(f"a reader saw {len(club.receipts)} receipts and {len(club.readings)} readings")
                    return 1
                before = len(club.receipts)
        for process in crowd:
            process.join()
        seconds = time.perf_counter() - started
        if any(process.exitcode for process in crowd):
            print("a process failed")
            return 1
        expected = {f.data for n in range(asked.processes) for f in files_of(n, asked.files)}
        club = open_club(folder)
        checked = verify(folder, reader=read_plain)
        kept = len(list((folder / "originals").iterdir()))
        if not (checked.ok and len(club.receipts) == kept == len(expected) == club.receipts["sha256"].nunique()):
            print(f"{len(expected)} files, {len(club.receipts)} receipts, {kept} originals. {checked}")
            return 1
    print(f"{asked.processes} processes x {asked.files} files ({len(expected)} different): all there once, in "
          f"{seconds:.1f} s; a reader opened the club {opened} times meanwhile and saw only whole receipts.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
