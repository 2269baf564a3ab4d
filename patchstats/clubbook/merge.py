"""Merging: the rows of all standing receipts put together into the club's tables.

Rows that name something (growers, patches, plants, fruits, seeds, weighings) become one row each: the first
non-empty value in the order of taking in is kept, and a disagreement is asked about. Rows that tell of a day
(tapings, counts, temperatures, flowers) are all kept, except that a line which another file has already told,
word for word, counts once: a log that grows through the summer is handed in more than once.

A weighing is one act: where two lines give one fruit two weights on one day, the line that came first stands whole,
and the other's status or site is never put beside a weight that it was not written for.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

import numpy as np
import pandas as pd

from patchstats import tables
from patchstats.intake.harvest import spoken
from patchstats.remark_kinds import kind
from patchstats.remarks import Remark, remark
from patchstats.units import unit_of_column

_NAMING = ("growers", "patches", "plants", "fruits", "weighings", "seeds")
_ASIDE = ("receipt", "file", "line", "note")
_ALIKE = 1e-6  # relative: the same length written in inches and in centimetres
_WEIGHED = ("scale_kg", "over_the_top_cm")
_MEASURES = ("circumference_cm", "side_to_side_cm", "stem_to_blossom_cm", "over_the_top_cm", "written_kg")


def merged(name: str, rows: pd.DataFrame, files: Mapping[int, str]) -> tuple[pd.DataFrame, list[tuple[int, Remark]]]:
    """One table of the club from the rows of its receipts.

    ``rows``: conforming, with ``receipt`` in front, in the order of taking in. ``files``: receipt to the name of its
    file. Returns the conforming table, sorted by its key, and (receipt, remark) for what the logs say of one another.
    """
    rows = rows.assign(file=shown_files(rows, files))
    table, remarks = _named(name, rows) if name in _NAMING else _told(name, rows, files)
    key = list(tables.table(name).key)
    table = table.sort_values([*key, "file", "line"], kind="stable", ignore_index=True)
    return tables.conform(name, table.drop(columns="receipt")), remarks


def shown_files(rows: pd.DataFrame, files: Mapping[int, str]) -> pd.Series:
    """The ``file`` of each row as the club shows it: with the name told apart, and the sheet of a workbook behind."""
    sheet = rows["file"].fillna("").str.extract(r"(, sheet .*)$", expand=False).fillna("")
    return (rows["receipt"].map(files) + sheet).astype(object)


def _named(name: str, rows: pd.DataFrame) -> tuple[pd.DataFrame, list[tuple[int, Remark]]]:
    key = list(tables.table(name).key)
    again = rows.duplicated(key, keep=False)
    if not again.any():
        return rows, []
    alone, rows = rows[~again], rows[again].reset_index(drop=True)
    remarks: list[tuple[int, Remark]] = []
    if name == "weighings":
        rows, remarks = _whole_weighings(rows, key)
    group = rows.groupby(key, sort=False, dropna=False).ngroup()
    groups, receipts = group.tolist(), rows["receipt"].tolist()
    once = rows.groupby(group, sort=False).first()  # the first value that is not empty, column by column
    for column in tables.table(name).names:
        if column in key or column in ("file", "line"):
            continue
        said = rows[column].notna()
        later = said & group.where(said).duplicated()
        if not later.any():
            continue
        if column == "note":
            once[column] = rows[column].groupby(group).agg(_all_notes)
            continue
        values = rows[column].tolist()  # a list: there are thousands of cells, and few disagree
        first_of: dict[int, int] = {}
        for other in np.flatnonzero(said).tolist():
            first = first_of.setdefault(groups[other], other)
            if receipts[first] != receipts[other] and not _same(values[first], values[other]):
                named = " on ".join(_words(rows.at[first, k]) for k in key)
                remarks.append((int(rows.at[other, "receipt"]),
                                _disagreement("logs-disagree", named, column, rows.loc[first], rows.loc[other])))
    return pd.concat([alone, once.astype(rows.dtypes.to_dict())]), remarks


def _whole_weighings(rows: pd.DataFrame, key: list[str]) -> tuple[pd.DataFrame, list[tuple[int, Remark]]]:
    """The rows that may complete one another, and remarks on those that tell of another weight than an earlier one."""
    aside: list[int] = []
    remarks: list[tuple[int, Remark]] = []
    for _, group in rows.groupby(key, sort=False, dropna=False):
        told_first: dict[str, pd.Series] = {}
        for at, row in group.iterrows():
            told = [c for c in _WEIGHED if pd.notna(row[c])]
            differing = [c for c in told if c in told_first and not _same(told_first[c][c], row[c])]
            if not differing:
                told_first = {**dict.fromkeys(told, row), **told_first}
                continue
            aside.append(at)
            other = _other_weighing(row, told_first[differing[0]], differing[0], key)
            remarks.append((int(row["receipt"]), other))
    return rows.drop(index=aside).reset_index(drop=True), remarks


def _other_weighing(row: pd.Series, first: pd.Series, column: str, key: list[str]) -> Remark:
    rest = [f"{spoken(c).lower()} {_with_unit(row, c)}" for c in tables.table("weighings").names
            if c not in (*key, "file", "line", column) and pd.notna(row[c])]
    return _disagreement("weighings-disagree", " on ".join(_words(row[k]) for k in key), column, first, row,
                         rest=f" ({', '.join(rest)})" if rest else "")


def _all_notes(notes: pd.Series) -> str | None:
    return "; ".join(dict.fromkeys(notes.dropna())) or None


def _told(name: str, rows: pd.DataFrame, files: Mapping[int, str]) -> tuple[pd.DataFrame, list[tuple[int, Remark]]]:
    told = [c for c in tables.table(name).names if c not in _ASIDE]
    alike = rows[told].copy()
    for column in told:
        if pd.api.types.is_float_dtype(alike[column]):
            alike[column] = _rounded(alike[column].to_numpy())
    by_content = rows.groupby([alike[c] for c in told], sort=False, dropna=False)["receipt"]
    first_receipt = by_content.transform("first")
    repeat = first_receipt != rows["receipt"]
    counts = Counter(zip(rows.loc[repeat, "receipt"], first_receipt[repeat], strict=True))
    remarks = [(receipt, remark(kind("logs-repeat"), files[receipt], count=count, table=name,
                                other=files[first]))
               for (receipt, first), count in sorted(counts.items())]
    rows = rows[~repeat]
    if name == "readings":
        remarks += _other_tapings(rows)
    return rows, remarks


def _other_tapings(rows: pd.DataFrame) -> list[tuple[int, Remark]]:
    """Remarks on tapings of one fruit at one time of one day that two files tell differently; both are kept."""
    key = ["fruit", "date", "time_of_day"]
    again = rows[rows.duplicated(key, keep=False)]
    remarks = []
    for (fruit, day, _), group in again.groupby(key, sort=False, dropna=False):
        first = group.iloc[0]
        for _, other in group.iloc[1:].iterrows():
            if other["receipt"] == first["receipt"]:
                continue
            differing = [c for c in _MEASURES if pd.notna(first[c]) and pd.notna(other[c])
                         and not _same(first[c], other[c])]
            if differing:
                remarks.append((other["receipt"], _disagreement(
                    "tapings-disagree", f"{fruit} on {_words(day)}", differing[0], first, other)))
    return remarks


def _disagreement(code: str, key: str, column: str, first: pd.Series, other: pd.Series, **more: str) -> Remark:
    return remark(kind(code), other["file"], line_of(other), column, _with_unit(other, column), what=spoken(column),
                  key=key, first=_with_unit(first, column), other=f"{first['file']}, line {line_of(first)}", **more)


def _with_unit(row: pd.Series, column: str) -> str:
    return f"{_words(row[column])} {unit_of_column(column)}".strip()


def line_of(row: pd.Series) -> int:
    """The line that a row was read from; 0 when it is not known."""
    return 0 if pd.isna(row["line"]) else int(row["line"])


def _same(a: object, b: object) -> bool:
    if isinstance(a, (float, np.floating)) and isinstance(b, (float, np.floating)):
        return bool(np.isclose(a, b, rtol=_ALIKE, atol=0.0))
    return a == b


def _words(value: object) -> str:
    if isinstance(value, pd.Timestamp):
        return value.date().isoformat()
    if isinstance(value, (float, np.floating)):
        return f"{value:.6g}"
    return {True: "yes", False: "no"}[bool(value)] if isinstance(value, (bool, np.bool_)) else str(value)


def _rounded(values: np.ndarray) -> np.ndarray:
    """Floats to six significant digits, so that the same length in two units falls together."""
    with np.errstate(divide="ignore", invalid="ignore"):
        size = np.where((values == 0) | ~np.isfinite(values), 1.0, 10.0 ** (5 - np.floor(np.log10(np.abs(values)))))
    return np.round(values * size) / size
