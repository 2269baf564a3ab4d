"""Fills a small disk while files are taken in, and verifies that nothing is half-written.

    sudo mount -t tmpfs -o size=3m none /mnt/small
    python tests/benchmarks/full_disk.py /mnt/small

FOLDER must be on a disk of a few MB made for this: it is filled up. For each amount of room left, a club is made, the
rest of the disk is taken up by ballast, and files are taken in until the disk is full. The error must be one sentence,
the book must verify, and with the ballast gone a second run must complete the club. Exits with 1 at the first fault.
"""

from __future__ import annotations

import argparse
import shutil
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1])]

from plain_reader import plain_log, read_plain  # noqa: E402

from patchstats.clubbook import HandedIn, create_club, open_club, take_in, verify  # noqa: E402
from patchstats.remarks import ClubError  # noqa: E402

FILES = [HandedIn(f"{n}.csv", plain_log(f"Grower {n}", days=150)) for n in range(40)]


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("folder", type=Path)
    place = options.parse_args().folder
    if shutil.disk_usage(place).free > 20_000_000:
        print("This disk has more than 20 MB of room; name a folder on a small one, made for this.")
        return 1
    full = 0
    for left in range(0, 800_000, 20_000):
        club, ballast = place / "club", place / "ballast"
        create_club(club, name="Small disk")
        take_in(club, FILES[:1], reader=read_plain)
        with open(ballast, "wb") as out:
            out.write(b"x" * max(0, shutil.disk_usage(place).free - left))
        try:
            take_in(club, FILES, reader=read_plain)
        except ClubError as error:
            full += 1
            if "was not done" not in str(error):
                print(f"with {left} bytes left: {error}")
                return 1
        checked = verify(club, reader=read_plain)
        whole = len(open_club(club).readings) == 150 * len(open_club(club).receipts)
        ballast.unlink()
        take_in(club, FILES, reader=read_plain)
        again = verify(club, reader=read_plain)
        if not (checked.ok and whole and again.ok and again.receipts == len(FILES)):
            print(f"with {left} bytes left: {checked} {again}")
            return 1
        shutil.rmtree(club)
    print(f"The disk was filled {full} times, with room for 0 to {left // 1000} kB. Each time the book verified, held "
          "whole receipts only, and a second run completed it.")
    return 0 if full else 1


if __name__ == "__main__":
    sys.exit(main())
