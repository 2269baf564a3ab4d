"""What goes wrong on paper: slips of the tape, doubled days, days left blank, marks of doubt, remarks between rows.

Every blemish that is planted is listed, so that a reader of logs can be held against the list.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from patchstats.demo.words import AWAY, COMMENTS, TROUBLE

PLANTED_COLUMNS = ("file", "line", "kind", "fruit", "date", "measure", "true", "written")


@dataclass(frozen=True)
class Entry:
    """One line of a tape log: the day and the measures [member's unit] as written (None where not written).

    ``kind`` is clean, slip, doubled, second taping, doubtful, blank, or comment; ``slipped`` names the measure of a
    slip (0 to 3) and ``true`` its value.
    """

    day: date
    measures: tuple[float | None, ...]
    kind: str = "clean"
    note: str = ""
    slipped: int = -1
    true: float | None = None


def entries(rng: np.random.Generator, days: list[date], measures: list[tuple[float | None, ...]], *,
            step: float) -> list[Entry]:
    """The lines that a member writes for one fruit, clean tapings and blemishes in the order of the days."""
    out: list[Entry] = []
    for k, (day, values) in enumerate(zip(days, measures, strict=True)):
        draw = rng.random()
        entry = Entry(day, values)
        if draw < 0.006:
            entry = _slip(rng, entry)
        elif draw < 0.016:
            entry = replace(entry, kind="doubtful", note=TROUBLE[int(rng.integers(len(TROUBLE)))])
        elif draw < 0.05:
            entry = replace(entry, note=COMMENTS[int(rng.integers(len(COMMENTS)))])
        out.append(entry)
        if 0.050 <= draw < 0.055:
            out.append(replace(entry, kind="doubled"))
        elif 0.055 <= draw < 0.058:
            second = tuple(None if v is None else v + step * int(rng.integers(-1, 2)) for v in values)
            out.append(Entry(day, _with_total(second, values), kind="second taping", note="taped again"))
        gap = (days[k + 1] - day).days if k + 1 < len(days) else 0
        if gap > 1 and rng.random() < 0.05:
            blank = AWAY[int(rng.integers(len(AWAY)))]
            out.append(Entry(day + timedelta(days=1), (None,) * len(values), kind="blank", note=blank))
    return out


def _with_total(second: tuple[float | None, ...], first: tuple[float | None, ...]) -> tuple[float | None, ...]:
    if first[3] is None or second[0] is None or second[1] is None or second[2] is None:
        return second
    return (*second[:3], second[0] + second[1] + second[2])


def _slip(rng: np.random.Generator, entry: Entry) -> Entry:
    """One measure written wrong: two digits changed about, a digit dropped, or a digit struck twice."""
    there = [k for k, v in enumerate(entry.measures[:3]) if v is not None] or [3]
    place = there[int(rng.integers(len(there)))]
    true = entry.measures[place]
    if true is None:
        return entry
    whole, rest = int(true), true - int(true)
    digits = str(whole)
    ways = [digits[1] + digits[0] + digits[2:] if len(digits) > 1 else digits + "0", digits[:-1] or "1",
            digits + digits[-1]]
    wrong = float(ways[int(rng.integers(3))]) + rest
    if abs(wrong - true) < 0.15 * true:  # two like digits changed about are no slip
        wrong = float(digits + digits[-1]) + rest
    written = tuple(wrong if k == place else v for k, v in enumerate(entry.measures))
    return replace(entry, measures=written, kind="slip", slipped=place, true=true)
