"""One member's season as a writer of logs needs it: facts, tapings in the member's unit, the dialect of the hand."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import cast

import numpy as np
import pandas as pd

from patchstats.demo.blemishes import Entry, entries
from patchstats.demo.dialects import Dialect, Page
from patchstats.demo.habits import Habit, Hand
from patchstats.demo.words import FACTS, WORDS
from patchstats.units import CM_PER_FOOT, CM_PER_INCH

DIALECTS: dict[str, Dialect] = {
    "block": Dialect(newline="\r\n", dates="month first"),
    "flat": Dialect(),
    "german": Dialect(";", "cp1252", "\r\n", "day first dots", ",", "de", True),
    "fractions": Dialect("\t", dates="4 Jul"),
    "feet": Dialect(encoding="utf-8-sig", newline="\r\n", dates="July 4, 2021"),
    "sideways": Dialect(dates="4-Jul"),
    "total": Dialect(newline="\r\n", dates="4 July 2021"),
    "spreadsheet": Dialect("\t", "utf-16", "\r\n", "month first short"),
    "columns": Dialect(dates="day first", metric=True),
    "shorthand": Dialect(dates="day first"),
    "ditto": Dialect(dates="4 July 2021"),
    "centimetres": Dialect(encoding="utf-8-sig", metric=True),
    "margin": Dialect(";", "cp1252", "\r\n", "day first short", ",", "en", True),
    "french": Dialect(";", dates="french words", decimal=",", language="fr", metric=True),
    "scribe": Dialect("|", newline="\r\n", dates="4 July 2021"),
}


@dataclass(frozen=True)
class FruitLog:
    """One fruit's facts (by the dictionary's column) and the lines of its tape log."""

    facts: dict[str, object]
    lines: list[Entry]

    @property
    def label(self) -> str:
        return str(self.facts["fruit"])

    @property
    def set_date(self) -> date:
        return cast(date, self.facts["set_date"])


@dataclass
class Writer:
    """A member at the desk: the hand, its dialect, a stream of chance, and the pages and blemishes so far."""

    member: str
    habit: Habit
    rng: np.random.Generator
    pages: list[Page] = field(default_factory=list)
    planted: list[tuple] = field(default_factory=list)

    @property
    def hand(self) -> Hand:
        return self.habit.hand

    @property
    def dialect(self) -> Dialect:
        return DIALECTS[self.hand.name]

    @property
    def stem(self) -> str:
        """The member's surname as it begins a file's name."""
        return self.member.split(" ", 1)[1].lower().replace("-", "")

    def page(self, name: str, dialect: Dialect | None = None) -> Page:
        page = Page(name, dialect or self.dialect)
        self.pages.append(page)
        return page

    def word(self, key: str) -> str:
        return WORDS[self.dialect.language][key]

    def note_planted(self, page: Page, line: int, fruit: FruitLog, entry: Entry, written: str) -> None:
        """Lists a blemish with its place."""
        if entry.kind in ("clean", "blank"):
            return
        measure = ("circumference", "side to side", "stem to blossom", "total")[entry.slipped] if entry.slipped >= 0 \
            else ""
        self.planted.append((page.name, line, entry.kind, fruit.facts["key"], entry.day, measure, entry.true, written))

    def ground_length(self, cm: float) -> str:
        """A length on the ground, with its unit."""
        if self.dialect.metric:
            return f"{self.dialect.number(cm, 0)} cm"
        return f"{self.dialect.number(cm / CM_PER_FOOT, 1)} ft"

    def fact(self, key: str, value: object) -> str:
        """A fact's value as the member writes it."""
        if value is None or value is pd.NaT or (isinstance(value, float) and np.isnan(value)):
            return ""
        if isinstance(value, date):
            return self.dialect.date(value)
        if key in ("main_vine_cm", "distance_out_cm"):
            return self.ground_length(float(value))  # type: ignore[arg-type]
        if isinstance(value, float):
            return self.dialect.number(value, 2)
        return str(value)


def fruit_logs(writer: Writer, fruits: pd.DataFrame, readings: dict[str, pd.DataFrame], patches: int) -> list[FruitLog]:
    """The logs of one season's fruits of one member; the patch is named only by members with more than one."""
    per_unit = CM_PER_INCH if writer.hand.unit == "in" else 1.0
    step = writer.hand.step
    out = []
    for row in fruits.itertuples():
        facts: dict[str, object] = {"key": row.fruit}
        for key in FACTS:
            value = getattr(row, key)
            if key in ("patch", "plant", "fruit"):
                value = value.rsplit("/", 1)[-1]
            if key in ("set_date", "end_date"):
                value = value.date()
            facts[key] = None if value is pd.NA else value
        if patches < 2:
            facts["patch"] = None
        taped = readings.get(row.fruit)
        lines: list[Entry] = []
        if taped is not None:
            columns = ["circumference_cm", "side_to_side_cm", "stem_to_blossom_cm", "over_the_top_cm"]
            units = np.rint(taped[columns].to_numpy() / per_unit / step) * step
            measures = [tuple(None if np.isnan(v) else float(v) for v in row_) for row_ in units]
            lines = entries(writer.rng, [d.date() for d in taped["date"]], measures, step=step)
        out.append(FruitLog(facts, lines))
    return out
