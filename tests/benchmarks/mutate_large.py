"""Large tables read all at once against the same tables read line by line, with plausible slips put in at random.

    python tests/benchmarks/mutate_large.py [how many, 2000] [seed, 1]

The size from which tables are read all at once is set to nothing here, so that small ones take that way too. A table
that the quick way leaves to the ordinary reader is counted and passed over; of the rest, every table of the result,
every remark and what was understood must be the same.
"""

from __future__ import annotations

import datetime as dt
import random
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "properties"), str(HERE.parents[1])]

from bench_intake import clean_log  # noqa: E402
from laws import same  # noqa: E402

from patchstats.intake import fast, read  # noqa: E402

FORMS = 8


def table(rows: list[list[str]], form: int) -> tuple[list[list[str]], list[str], list[list[str]]]:
    """The lines above, the headings and the rows of one of the ways in which a club's table may be written."""
    head, body = list(rows[0]), [list(row) for row in rows[1:]]
    if form == 1:
        head = ["Grower", "Season", "Plant", "Patch", "Seed", "Fruit", "Date", *head[4:]]
        body = [[r[0], r[1], "P" + r[2], "Top", "1500 Field 2019", *r[2:]] for r in body]
    elif form == 2:
        head, body = ["Fruit", "Date", *head[4:]], [[f"{r[0]}/{r[1]}/{r[2]}", *r[3:]] for r in body]
    elif form == 3:
        above = [["Grower", "Ida Field"], ["Season", "2011"], [""]]
        body = [[r[2] + r[0][7:9], r[3].replace(r[1], "2011"), *r[4:]] for r in body]
        return above, ["Fruit", "Date", *head[4:]], body
    elif form == 4:
        head = ["Grower", "Fruit", "Date", "Circ (cm)", "SS (cm)", "EE (cm)"]
        body = [[r[0], r[2], r[3], *(f"{float(x) * 2.54:.1f}" for x in r[4:7])] for r in body]
    elif form == 5:
        head, body = ["Grower", "Fruit", "Date", "OTT (in)"], [[r[0], r[2], r[3], r[7]] for r in body]
    elif form == 6:
        body = [[*r[:3], f"{dt.date.fromisoformat(r[3]):%m/%d/%Y}", *r[4:]] for r in body]
    elif form == 7:
        head, body = head[:7], [r[:7] for r in body]
    return [], head, body


def slip(head: list[str], body: list[list[str]], rng: random.Random) -> None:
    """One slip of a hand or a program somewhere in the rows."""
    row, date = rng.choice(body), head.index("Date")
    if len(row) != len(head):  # an earlier slip's
        return
    measure = rng.randrange(date + 1, len(row))
    kind = rng.randrange(12)
    words = {"Grower": ["Member 01 Feild", "member 01 field", "Membr Field", "Field Member 01"],
             "Season": ["2009", "2012", "11", "'11", "211"], "Plant": ["", "P9", "n/a"], "Patch": ["", "Low", "top"],
             "Seed": ["", "1500 Field 2020", "?"], "Fruit": ["f1", "F1 ", "9", "Total", "A B", "-", "x?"]}
    if kind <= 1:
        form = "%m/%d/%Y" if "/" in row[date] else "%Y-%m-%d"
        try:
            day = dt.datetime.strptime(row[date], form)
            moved = day.replace(year=day.year + rng.choice([-2, -1, 1, 10])) if kind else day + dt.timedelta(
                days=rng.choice([-90, -30, -1, 1, 2, 30, 120, 160, 200]))
            row[date] = moved.strftime(form)
        except ValueError:  # an earlier slip left no date there
            row[date] = ""
    elif kind <= 4:
        factor = rng.choice([0.1, 0.5, 0.9, 0.97, 1.01, 1.03, 1.1, 1.3, 2, 2.54, 10])
        row[measure] = f"{float(row[measure].strip() or 50) * factor:.2f}"
    elif kind == 5:
        row[measure] = rng.choice(["", "0", "1", "9", "999", "1500", "00120.5", "123456789", " 120.5 ", "120.123456"])
    elif kind <= 8:
        column = rng.choice([name for name in words if name in head])
        row[head.index(column)] = rng.choice(words[column])
    elif kind == 9:
        body.insert(body.index(row), list(row))
    elif kind == 10:
        row[date + 1:] = [""] * (len(row) - date - 1)
    else:
        row.append(rng.choice(["", "hello", "77"])) if rng.random() < 0.5 else row.pop()


def main(count: int = 2000, seed: int = 1) -> int:
    fast.WORTH_BYTES = 0
    rows = [line.split(",") for line in clean_log(320).decode().split("\n")[:-1]]
    began, taken, faults = time.perf_counter(), 0, []
    for number in range(count):
        rng = random.Random(f"{seed}/{number}")
        above, head, body = table(rows, rng.randrange(FORMS))
        for _ in range(rng.randint(1, 3)):
            slip(head, body, rng)
        if rng.random() < 0.2:
            rng.shuffle(body)
        mark, end = rng.choice([",", ",", ";", "\t"]), rng.choice(["\n", "\n", "\r\n"])
        data = (end.join(mark.join(row) for row in [*above, head, *body]) + end * rng.randrange(2)).encode()
        if fast.prepare(data, read._words(()), read.Settings(), "club.csv") is not None:
            taken += 1
            quick, slow = (read._read(data, "club.csv", None, quick=way)[0] for way in (True, False))
            if not same(quick, slow):
                faults.append(f"table {number}: {[(r.code, r.line) for r in quick.remarks]} all at once, "
                              f"{[(r.code, r.line) for r in slow.remarks]} line by line")
        if (number + 1) % 100 == 0:
            print(f"{number + 1} tables, {taken} read all at once, {len(faults)} that differ, "
                  f"{time.perf_counter() - began:.0f} s", flush=True)
    for fault in faults[:20]:
        print(fault)
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
