"""A reader of one plain layout, for tests of the club book that must not depend on how logs are understood.

The layout: a heading, then ``grower,season,fruit,date,over_the_top_cm[,seed]``, one taping a line. A line whose total
is no number is listed; a file that starts with ``PICTURE`` is refused.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from dataclasses import dataclass, field

import pandas as pd

from patchstats import tables
from patchstats.remarks import IntakeError, Kind, Remark, remark

NO_NUMBER = Kind("no-number", "refused", "No number", "The total must be a number.",
                 "{read} is no number.", "Write the total in centimetres, such as 213.")


@dataclass(frozen=True)
class PlainIntake:
    tables: dict[str, pd.DataFrame]
    remarks: tuple[Remark, ...]
    rows_read: int
    rows_kept: int
    rows_listed: int
    understood: dict[str, str] = field(default_factory=dict)


def read_plain(data: bytes, name: str, told) -> PlainIntake:
    if data.startswith(b"PICTURE"):
        raise IntakeError("This is a picture; hand in the log itself.")
    rows = list(csv.DictReader(io.StringIO(data.decode("utf-8"))))
    growers, fruits, readings, remarks = [], {}, [], []
    for line, row in enumerate(rows, start=2):
        origin = {"file": name, "line": line}
        try:
            total = float(row["over_the_top_cm"])
        except ValueError:
            remarks.append(remark(NO_NUMBER, name, line, "over_the_top_cm", row["over_the_top_cm"]))
            continue
        grower, season = row["grower"], int(row["season"])
        fruit = f"{grower}/{season}/{row['fruit']}"
        growers.append({"grower": grower, **origin})
        fruits.setdefault(fruit, {"fruit": fruit, "plant": fruit, "patch": f"{grower}/home", "grower": grower,
                                  "season": season, "seed": row.get("seed") or None, **origin})
        readings.append({"fruit": fruit, "date": row["date"], "over_the_top_cm": total, **origin})
    made = {"growers": growers[:1], "patches": [{"patch": f"{g['grower']}/home", **g} for g in growers[:1]],
            "fruits": list(fruits.values()), "readings": readings}
    frames = {name: tables.conform(name, pd.DataFrame(made_rows)) for name, made_rows in made.items() if made_rows}
    order = str(told.get("date_order"))
    return PlainIntake(frames, tuple(remarks), len(rows), len(readings), len(remarks), {"date order": order})


def plain_log(grower: str = "Ida Field", *, season: int = 2024, fruit: str = "A", days: int = 5, start: float = 100.0,
              seed: str = "", month: int = 8) -> bytes:
    """A log in the plain layout: ``days`` tapings of one fruit, 6 cm more each day."""
    lines = ["grower,season,fruit,date,over_the_top_cm,seed"]
    first = dt.date(season, month, 1)
    lines += [f"{grower},{season},{fruit},{first + dt.timedelta(day - 1)},{start + 6.0 * day},{seed}"
              for day in range(1, days + 1)]
    return ("\n".join(lines) + "\n").encode()
