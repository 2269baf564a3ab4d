"""The club, opened: its settings, its tables and what was said of them, as they stood at one moment."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from patchstats import tables
from patchstats.clubbook import store
from patchstats.clubbook.across import far_scales, look_alikes
from patchstats.clubbook.faults import in_words
from patchstats.clubbook.merge import merged, shown_files
from patchstats.clubbook.receipts import Receipt
from patchstats.clubbook.settings import ClubSettings, read_settings
from patchstats.clubbook.take import load_receipt
from patchstats.clubbook.whole import completed
from patchstats.remarks import REMARK_COLUMNS, SEVERITIES, ClubError, Remark
from patchstats.units import Shown


@dataclass(frozen=True, eq=False, repr=False)
class Club:
    """A club as its book stood when it was opened.

    Each table of the data dictionary is an attribute, a plain DataFrame sorted by its key. ``remarks``: all that was
    said of the lines, worst first, with the ``receipt`` that each belongs to. ``receipts``: one row a taking-in, those
    taken back included (they carry ``taken_back``).
    """

    name: str
    folder: Path
    settings: ClubSettings
    growers: pd.DataFrame
    patches: pd.DataFrame
    plants: pd.DataFrame
    fruits: pd.DataFrame
    readings: pd.DataFrame
    sizes: pd.DataFrame
    soil: pd.DataFrame
    weather: pd.DataFrame
    flowers: pd.DataFrame
    weighings: pd.DataFrame
    seeds: pd.DataFrame
    remarks: pd.DataFrame
    receipts: pd.DataFrame

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """Every stored table by its name."""
        return {name: getattr(self, name) for name in tables.STORED}

    @property
    def shown(self) -> Shown:
        """The units that the club shows."""
        return self.settings.shown

    @property
    def weigh_off(self) -> Mapping[int, dt.date]:
        """Season to the day of its weigh-off."""
        return self.settings.weigh_off

    def _markdown(self) -> str:
        standing = self.receipts[self.receipts["taken_back"].isna()]
        seasons = self.fruits["season"].dropna()
        span = f", seasons {seasons.min()} to {seasons.max()}" if len(seasons) else ""
        lines = [f"**{self.name}**: {len(standing)} logs taken in{span}", "", "| table | rows |", "|---|---:|"]
        lines += [f"| {name} | {len(frame):,} |" for name, frame in self.tables.items()]
        said = self.remarks["severity"].value_counts()
        words = [f"{said[severity]:,} {severity}" for severity in SEVERITIES if severity in said]
        lines += ["", f"Remarks: {', '.join(words) or 'none'}."]
        return "\n".join(lines)

    def _repr_markdown_(self) -> str:
        return self._markdown()

    def __repr__(self) -> str:
        return self._markdown()


def open_club(folder: str | Path) -> Club:
    """The club in ``folder``, read in one go: a taking-in that goes on meanwhile is in it wholly or not at all.

    Raises :class:`ClubError` when there is no club or its book cannot be read.
    """
    folder = Path(folder)
    settings = read_settings(folder)
    with in_words(folder, "opening the club"), store.reading(folder) as connection:
        receipts = _receipts(connection)
        standing = set(receipts.loc[receipts["taken_back"].isna(), "receipt"])
        files = dict(zip(receipts["receipt"], receipts["file"], strict=True))
        frames = {name: store.read_frame(connection, name) for name in tables.STORED}
        said = _remarks(connection, files)
    said = said[said["receipt"].isin(standing)]
    held: dict[str, pd.DataFrame] = {}
    found: list[tuple[int, Remark]] = []
    frames = {name: rows[rows["receipt"].isin(standing)].reset_index(drop=True) for name, rows in frames.items()}
    for name, rows in frames.items():
        held[name], remarks = merged(name, rows, files)
        found += remarks
    held = completed(held)
    found += look_alikes(frames, files) + far_scales(frames, held, files, shown=settings.shown)
    return Club(name=settings.name, folder=folder, settings=settings, **held,
                remarks=_with_found(said, found), receipts=receipts)


def receipt(folder: str | Path, number: int) -> Receipt:
    """One receipt as the book holds it; raises :class:`ClubError` when there is none of that number."""
    folder = Path(folder)
    with in_words(folder, "reading a receipt"), store.reading(folder) as connection:
        return load_receipt(connection, int(number))


def _receipts(connection) -> pd.DataFrame:
    columns = ["receipt", "name", "sha256", "size_bytes", "taken_in", "rows_read", "rows_kept", "rows_listed",
               "taken_back", "why", "replaced_by", "reader"]
    rows = connection.execute(
        "SELECT number, name, sha256, size_bytes, taken_in, rows_read, rows_kept, rows_listed, taken_back,"
        " taken_back_why, replaced_by, reader FROM receipts ORDER BY number").fetchall()
    frame = pd.DataFrame(rows, columns=columns).astype({
        "receipt": "int64", "size_bytes": "int64", "rows_read": "int64", "rows_kept": "int64", "rows_listed": "int64",
        "replaced_by": "Int64", "taken_back": object, "why": object})
    # Members hand in different files under one name; of those that stand the later ones are told apart.
    standing = frame["taken_back"].isna()
    later = standing & frame["name"].where(standing, "#" + frame["receipt"].astype(str)).duplicated()
    told_apart = frame["name"] + " (receipt " + frame["receipt"].astype(str) + ")"
    frame.insert(2, "file", frame["name"].where(~later, told_apart))
    return frame


def _remarks(connection, files: Mapping[int, str]) -> pd.DataFrame:
    rows = connection.execute(
        'SELECT severity, code, file, line, "column", read, message, advice, before, after, receipt '
        "FROM remarks ORDER BY receipt, row").fetchall()
    frame = pd.DataFrame(rows, columns=[*REMARK_COLUMNS, "receipt"]).astype({"line": "int64", "receipt": "int64"})
    frame["file"] = shown_files(frame, files)
    return frame


def _with_found(said: pd.DataFrame, found: list[tuple[int, Remark]]) -> pd.DataFrame:
    rows = [(r.severity, r.code, r.file, r.line, r.column, r.read, r.message, r.advice, r.before, r.after, number)
            for number, r in found]
    new = pd.DataFrame(rows, columns=list(said.columns)).astype(said.dtypes.to_dict())
    both = pd.concat([said, new], ignore_index=True)
    rank = both["severity"].map({name: place for place, name in enumerate(SEVERITIES)})
    both = both.assign(_rank=rank).sort_values(["_rank", "file", "line", "column"], kind="stable")
    return both.drop(columns="_rank").reset_index(drop=True)


__all__ = ["Club", "ClubError", "open_club", "receipt"]
