"""Harvest: the rows that a file gives, by table, with the place where each value was read."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from patchstats.intake.page import OPEN, SPOKEN, Page
from patchstats.tables import DICTIONARY, Column
from patchstats.units import to_metric, unit_of_column

_SHOWN_UNITS = {"c": "C", "sqft": "sq ft", "m2": "square metres", "deg": "degrees"}


@dataclass
class Row:
    """One row of a stored table: its values, and where each was read."""

    values: dict[str, object]
    page: Page
    record: int
    cells: dict[str, tuple[int, int]] = field(default_factory=dict)


@dataclass
class Harvest:
    """The rows of a whole file by table, and what was asked of its names."""

    rows: dict[str, list[Row]] = field(default_factory=dict)
    exported: dict[str, list[Row]] = field(default_factory=dict)
    named: dict[str, dict[object, Row]] = field(default_factory=dict)  # identity tables: key -> row
    unnamed: dict[str, list[tuple[Page, int]]] = field(default_factory=dict)
    fruit_unnamed: str = ""
    weighed: dict[tuple, list[tuple[int, int]]] = field(default_factory=dict)  # (grower, day): lines without a fruit
    used_facts: set[int] = field(default_factory=set)
    gave: set[tuple[int, int]] = field(default_factory=set)  # (page, record) that some row came from
    idle: list[tuple[Page, int, str, list[tuple[int, int]]]] = field(default_factory=list)

    def add(self, table: str, row: Row) -> None:
        self.rows.setdefault(table, []).append(row)

    def speak_of_idle(self) -> None:
        """Lines from which no row came, once all blocks that share them are read."""
        seen = set()
        for page, record, code, places in self.idle:
            if (id(page), record) in self.gave:  # another fruit's or another day's part of the line was kept
                for place in places:
                    if min(place) >= 0 and page.fate[place] == OPEN:
                        page.say(code, *place)
            elif (page.fate[record] == SPOKEN).any():  # what stopped the line was spoken of, and with it the line
                page.give_up(record)
                page.spoken((record, p) for p in page.full(record))
            elif (id(page), record) not in seen:
                seen.add((id(page), record))
                page.give_up(record)
                page.say(code, record)

    def know(self, table: str, key: str, page: Page, record: int, told: dict[str, object],
             where: dict[str, tuple[int, int]] | None = None) -> None:
        """A row of an identity table; the first word on each of its columns stands, a second one is asked about."""
        known = self.named.setdefault(table, {}).get(key)
        if known is None:
            known = self.named[table][key] = Row({DICTIONARY[table].key[0]: key}, page, record)
        for column, value in told.items():
            if value is None or value is np.nan:
                continue
            before = known.values.get(column)
            place = (where or {}).get(column)
            if before is None:
                known.values[column] = value
            elif before != value and place and place[1] >= 0 and not _close(before, value):
                page.unuse(*place)
                page.say("fact-disagrees", *place, what=f"{spoken(column)} of {key}", first=_shown(before))


def spoken(column: str) -> str:
    """A column's name without its unit, as a sentence begins with it.

    >>> spoken("over_the_top_cm")
    'Over the top'
    """
    unit = unit_of_column(column)
    return (column.removesuffix(f"_{unit}") if unit else column).replace("_", " ").capitalize()


def _close(a: object, b: object) -> bool:
    return isinstance(a, float) and isinstance(b, float) and abs(a - b) <= 1e-6 * max(abs(a), 1.0)


def in_digits(value: float) -> str:
    """A number for a remark: three digits, or whole with its thousands set apart."""
    return f"{value:,.0f}" if abs(value) >= 100 else f"{value:.3g}"


def _shown(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def beyond(spec: Column, value: float, written: str = "") -> dict[str, Any]:
    """A value outside its column's plausible range, and the range, in words and in the unit in which it is written.

    >>> from patchstats.tables import DICTIONARY
    >>> beyond(DICTIONARY["soil"]["soil_c"], -13.444, "F")
    {'value': '7.8 F', 'low': '23', 'high': '113 F'}
    """
    low, high, unit = float(spec.low or 0.0), float(spec.high or 0.0), spec.unit or ""
    if written:
        (zero, metric), (one, _) = to_metric(0.0, written), to_metric(1.0, written)
        tens = 10.0 if (metric, unit) == ("cm", "mm") else 1.0
        if metric == unit or tens != 1.0:
            low, high, value = ((v / tens - zero) / (one - zero) for v in (low, high, value))
            unit = written
    unit = f" {_SHOWN_UNITS.get(unit, unit)}" if unit else ""
    return {"value": in_digits(value) + unit, "low": in_digits(low), "high": in_digits(high) + unit}
