"""Preview: how a file would be taken in, before anything of it is kept."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from patchstats.clubbook import HandedIn, Receipt, read_settings, take_in
from patchstats.clubbook.take import Read, read_with_intake
from patchstats.desk.questions import Question, asked
from patchstats.tables import short_name
from patchstats.units import Shown, display_of, to_shown, unit_of_column

_SHOWN_ROWS = 5
_SHOWN_NAMES = 30
_KEYS = ("fruit", "plant", "patch")
_TITLES = {"readings": "Tapings", "sizes": "Plant sizes", "soil": "Soil temperatures", "weather": "Weather",
           "flowers": "Pollinations", "weighings": "Weighings", "fruits": "Fruits", "plants": "Plants",
           "seeds": "Seeds", "patches": "Patches"}


@dataclass(frozen=True)
class Name:
    """A name as it was read: of what, whether the club knows it, and a name it knows that looks much like it."""

    what: str
    name: str
    known: bool
    alike: str = ""


@dataclass(frozen=True)
class Sample:
    """The first rows of one table as it would be kept, in the club's units."""

    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    count: int


@dataclass(frozen=True)
class Preview:
    """What would become of a file: the receipt it would get, questions, names and samples; ``keeps`` says whether
    anything of it can be kept."""

    receipt: Receipt
    questions: tuple[Question, ...] = ()
    names: tuple[Name, ...] = ()
    samples: tuple[Sample, ...] = ()

    @property
    def keeps(self) -> bool:
        return self.receipt.status == "preview" and any(self.receipt.kept.values())


def look(folder: Path, handed: HandedIn, *, answers: Mapping[str, object], replaces: int | None = None,
         member: str = "", club=None) -> Preview:
    """Reads a file as the club book would, and keeps nothing.

    ``club``: the opened club, to tell known names from new ones; None when it holds nothing yet.
    """
    read: list[Read] = []

    def reader(data: bytes, name: str, told: Mapping[str, object]) -> Read:
        read.append(read_with_intake(data, name, told))
        return read[-1]

    (receipt,) = take_in(folder, handed, answers=answers, replaces=replaces, dry_run=True, reader=reader)
    if not read:
        return Preview(receipt)
    growers = [] if club is None else club.growers["grower"].tolist()
    frames = read[0].tables
    return Preview(receipt, asked(read[0].remarks, member=member, growers=growers), names(frames, club),
                   samples(frames, read_settings(folder).shown))


def names(frames: Mapping[str, pd.DataFrame], club=None) -> tuple[Name, ...]:
    """Growers, fruits and seeds as they were read, at most 30 of each."""
    out = []
    for table, what in (("growers", "grower"), ("fruits", "fruit"), ("seeds", "seed")):
        read = frames[table][what].dropna().unique().tolist() if table in frames else []
        if table == "seeds":
            read = list(dict.fromkeys([*read, *(s for t in ("plants", "fruits") if t in frames
                                                for s in frames[t]["seed"].dropna().unique())]))
        held = set() if club is None else set(getattr(club, table)[what].dropna())
        for name in read[:_SHOWN_NAMES]:
            known = name in held
            near = [] if known or what == "fruit" else difflib.get_close_matches(
                name.casefold(), {h.casefold(): h for h in held}, n=1, cutoff=0.85)
            alike = next((h for h in held if near and h.casefold() == near[0]), "")
            out.append(Name(what, name, known, alike))
    return tuple(out)


def samples(frames: Mapping[str, pd.DataFrame], shown: Shown) -> tuple[Sample, ...]:
    """The first rows of each table, columns without any value left out."""
    out = []
    for table, title in _TITLES.items():
        frame = frames.get(table)
        if frame is None or frame.empty:
            continue
        told = frame.drop(columns=["file", "grower", "doubtful"], errors="ignore").dropna(axis=1, how="all")
        told = told.head(_SHOWN_ROWS)
        columns = sorted(told.columns, key=lambda c: c != "line")
        cells = [[_cell(v) for v in _in_shown(told[column], shown)] for column in columns]
        headings = tuple(_heading(column, shown) for column in columns)
        out.append(Sample(title, headings, tuple(zip(*cells, strict=True)), len(frame)))
    return tuple(out)


def _in_shown(values: pd.Series, shown: Shown) -> pd.Series:
    column = str(values.name)
    if column in _KEYS:  # the whole of them stands among the names
        return values.map(short_name, na_action="ignore")
    return to_shown(values, column, shown) if unit_of_column(column) else values


def _heading(column: str, shown: Shown) -> str:
    """A column's name in words, with the unit shown: ``over the top (in)``."""
    unit = unit_of_column(column)
    if not unit:
        return column.replace("_", " ")
    return f"{column.removesuffix(unit).strip('_').replace('_', ' ')} ({display_of(column, shown).unit})"


def _cell(value: object) -> str:
    if value is None or value is pd.NA or value != value:
        return ""
    if isinstance(value, pd.Timestamp):
        return value.date().isoformat()
    if isinstance(value, float):
        return f"{value:.2f}".rstrip("0").rstrip(".")
    return str(value)

