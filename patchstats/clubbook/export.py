"""Export: the club's tables as plain CSV files with a description that other programs read.

The description is a Data Package (https://datapackage.org, version 2.0) with a Table Schema for each file, made from
the data dictionary. The CSV files follow RFC 4180 in UTF-8: metric units, ISO 8601 dates, yes and no, nothing for an
empty cell.

A spreadsheet takes a cell that starts with ``= + - @`` for a formula. Such texts get an apostrophe in front, as do
texts that start with an apostrophe, so that :func:`read_export` gives back exactly what was there. (The signs, with
tab, the line breaks and the full-width forms: OWASP, "CSV Injection".)
"""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from patchstats import tables
from patchstats.clubbook.club import Club, open_club
from patchstats.clubbook.faults import in_words
from patchstats.clubbook.files import sha256_of, write_whole
from patchstats.remarks import ClubError

DESCRIPTION_NAME = "datapackage.json"
PACKAGE_PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
RESOURCE_PROFILE = "https://datapackage.org/profiles/2.0/dataresource.json"
SCHEMA_PROFILE = "https://datapackage.org/profiles/2.0/tableschema.json"

_FORMULA = re.compile("^['=+\\-@\t\r\n＝＋－＠]")
_FIELD_TYPE = {"text": "string", "choice": "string", "date": "date", "number": "number", "count": "integer",
               "yes_no": "boolean"}
# Naming tables have one row for each key; in the others two lines of a log may tell of the same day.
_UNIQUE = ("growers", "patches", "plants", "fruits", "weighings", "seeds")


def export(club: Club | str | Path, target: str | Path) -> Path:
    """Writes every table of the club, its remarks and its receipts to the new folder ``target``; returns it.

    ``club``: an open club, or its folder. Raises :class:`ClubError` when ``target`` is there already and is not
    empty, or cannot be written; then nothing of it is left.
    """
    opened = club if isinstance(club, Club) else open_club(club)
    target = Path(target)
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise ClubError(f"{target} is there already; name a new folder for the export.")
    contents = {name: _csv(name, frame) for name, frame in opened.tables.items()}
    contents |= {"remarks": _plain_csv(opened.remarks), "receipts": _plain_csv(opened.receipts)}
    with in_words(target, "the export"):
        try:
            target.mkdir(parents=True, exist_ok=True)
            for name, data in contents.items():
                write_whole(target / f"{name}.csv", data)
            write_whole(target / DESCRIPTION_NAME, _description(opened, contents))
        except BaseException:
            shutil.rmtree(target, ignore_errors=True)
            raise
    return target


def read_export(folder: str | Path) -> dict[str, pd.DataFrame]:
    """The tables of an export, exactly as they were in the club; raises :class:`ClubError` if a file is not there."""
    folder = Path(folder)
    out = {}
    with in_words(folder, "reading the export"):
        for name in tables.STORED:
            with open(folder / f"{name}.csv", encoding="utf-8", newline="") as lines:
                heading, *rows = csv.reader(lines)
            cells = list(zip(*rows, strict=True)) if rows else [()] * len(heading)
            out[name] = tables.conform(name, pd.DataFrame(
                {column: _read(cell, tables.table(name)[column].kind)
                 for column, cell in zip(heading, cells, strict=True)}))
    return out


def table_schema(name: str) -> dict[str, object]:
    """The Table Schema of one table, made from the data dictionary."""
    spec = tables.table(name)
    schema: dict[str, object] = {"$schema": SCHEMA_PROFILE, "fields": [_field(c) for c in spec.columns],
                                 "missingValues": [""]}
    if name in _UNIQUE:
        schema["primaryKey"] = list(spec.key)
    return schema


def harmless(text: str) -> str:
    """A text that no spreadsheet takes for a formula.

    >>> harmless("=1+1"), harmless("'quoted"), harmless("7' 2")
    ("'=1+1", "''quoted", "7' 2")
    """
    return "'" + text if _FORMULA.match(text) else text


def _field(column: tables.Column) -> dict[str, object]:
    words = column.meaning
    if column.unit:
        words += f" [{column.unit}]"
    if column.low is not None and column.high is not None:
        words += f"; plausible: {column.low:g} to {column.high:g}"
    field: dict[str, object] = {"name": column.name, "type": _FIELD_TYPE[column.kind], "description": words}
    constraints: dict[str, object] = {}
    if column.required:
        constraints["required"] = True
    if column.choices:
        constraints["enum"] = list(column.choices)
    if constraints:
        field["constraints"] = constraints
    if column.kind == "yes_no":
        field |= {"trueValues": ["yes"], "falseValues": ["no"]}
    return field


def _description(club: Club, contents: Mapping[str, bytes]) -> bytes:
    plain = {"remarks": club.remarks, "receipts": club.receipts}
    schemas = {name: table_schema(name) for name in tables.STORED}
    schemas |= {name: {"$schema": SCHEMA_PROFILE, "missingValues": [""], "fields": [
        {"name": str(c), "type": "integer" if pd.api.types.is_integer_dtype(frame[c]) else "string"} for c in frame]}
        for name, frame in plain.items()}
    words = {name: tables.table(name).meaning for name in tables.STORED} | {
        "remarks": "What was said of lines of the members' logs.", "receipts": "Files taken in."}
    resources = [{"$schema": RESOURCE_PROFILE, "name": name, "path": f"{name}.csv", "type": "table", "format": "csv",
                  "mediatype": "text/csv", "encoding": "utf-8", "description": words[name], "bytes": len(data),
                  "hash": f"sha256:{sha256_of(data)}", "schema": schemas[name]} for name, data in contents.items()]
    package = {"$schema": PACKAGE_PROFILE, "name": _slug(club.name), "title": club.name,
               "description": "Logs of a giant-pumpkin growers' club. Texts that a spreadsheet would take for a "
                              "formula carry an apostrophe in front.",
               "resources": resources}
    return (json.dumps(package, indent=2, ensure_ascii=False) + "\n").encode("utf-8")


def _slug(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "club"


def _csv(name: str, frame: pd.DataFrame) -> bytes:
    columns = tables.table(name).columns
    return _write([c.name for c in columns], [_written(frame[c.name], c.kind) for c in columns])


def _plain_csv(frame: pd.DataFrame) -> bytes:
    kinds = ["count" if pd.api.types.is_integer_dtype(frame[c]) else "text" for c in frame]
    return _write(list(frame.columns), [_written(frame[c], kind) for c, kind in zip(frame, kinds, strict=True)])


def _write(heading: list[str], cells: list[list[str]]) -> bytes:
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(heading)
    writer.writerows(zip(*cells, strict=True))
    return out.getvalue().encode("utf-8")


def _written(values: pd.Series, kind: str) -> list[str]:
    spell = {"date": lambda v: v.date().isoformat(), "number": lambda v: repr(float(v)),
             "count": lambda v: str(int(v)), "yes_no": lambda v: "yes" if v else "no"}.get(kind, harmless)
    return [spell(v) if ok else "" for v, ok in zip(values, values.notna(), strict=True)]


def _read(cells: tuple[str, ...], kind: str) -> pd.Series:
    if kind == "date":
        return pd.to_datetime(pd.Series([c or None for c in cells], dtype=object), format="%Y-%m-%d")
    if kind == "number":
        return pd.Series([float(c) if c else float("nan") for c in cells], dtype="float64")
    if kind == "count":
        return pd.Series([int(c) if c else None for c in cells], dtype="Int64")
    if kind == "yes_no":
        return pd.Series([c == "yes" if c else None for c in cells], dtype="boolean")
    return pd.Series([(c[1:] if c.startswith("'") else c) or None for c in cells], dtype=object)
