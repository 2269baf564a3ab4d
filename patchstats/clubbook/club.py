"""The club, opened: its settings, its tables and what was said of them, as they stood at one moment."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from patchstats import tables
from patchstats.clubbook import store
from patchstats.clubbook.between import Found, put_together, receipts_table, with_found
from patchstats.clubbook.faults import in_words
from patchstats.clubbook.merge import shown_files
from patchstats.clubbook.receipts import Receipt
from patchstats.clubbook.settings import ClubSettings, read_settings
from patchstats.clubbook.take import load_receipt
from patchstats.remarks import REMARK_COLUMNS, SEVERITIES, ClubError
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
        receipts = receipts_table(connection)
        held, found = put_together(connection, receipts, settings.shown)
        said = _remarks(connection, dict(zip(receipts["receipt"], receipts["file"], strict=True)))
    said = said[said["receipt"].isin(receipts.loc[receipts["taken_back"].isna(), "receipt"])]
    return Club(name=settings.name, folder=folder, settings=settings, **held,
                remarks=_all_remarks(said, found), receipts=receipts)


def receipt(folder: str | Path, number: int) -> Receipt:
    """One receipt as the book holds it, with what the other files say of its own as the club stands now.

    Raises :class:`ClubError` when there is none of that number.
    """
    folder = Path(folder)
    with in_words(folder, "reading a receipt"), store.reading(folder) as connection:
        held = load_receipt(connection, int(number))
    return compared(folder, [held])[0]


def compared(folder: str | Path, receipts: Iterable[Receipt]) -> list[Receipt]:
    """Receipts with what the club's files now say of one another, where it concerns them."""
    folder = Path(folder)
    shown = read_settings(folder).shown
    with in_words(folder, "comparing the files"), store.reading(folder) as connection:
        return with_found(connection, receipts, shown)


def _remarks(connection, files: Mapping[int, str]) -> pd.DataFrame:
    rows = connection.execute(
        'SELECT severity, code, file, line, "column", read, message, advice, before, after, receipt '
        "FROM remarks ORDER BY receipt, row").fetchall()
    frame = pd.DataFrame(rows, columns=[*REMARK_COLUMNS, "receipt"]).astype({"line": "int64", "receipt": "int64"})
    frame["file"] = shown_files(frame, files)
    return frame


def _all_remarks(said: pd.DataFrame, found: list[Found]) -> pd.DataFrame:
    rows = [(*(getattr(f.remark, column) for column in REMARK_COLUMNS), f.receipt) for f in found]
    new = pd.DataFrame(rows, columns=list(said.columns)).astype(said.dtypes.to_dict())
    both = pd.concat([said, new], ignore_index=True)
    rank = both["severity"].map({name: place for place, name in enumerate(SEVERITIES)})
    both = both.assign(_rank=rank).sort_values(["_rank", "file", "line", "column"], kind="stable")
    return both.drop(columns="_rank").reset_index(drop=True)


__all__ = ["Club", "ClubError", "compared", "open_club", "receipt"]
