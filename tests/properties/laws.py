"""The laws of reading, as one function that the tests and the long-running script share."""

from __future__ import annotations

import numpy as np
import pandas as pd

from patchstats import intake, tables
from patchstats.intake.read import _read

KINDS = {"text": "object", "choice": "object", "date": "datetime64[ns]", "number": "float64", "count": "Int64",
         "yes_no": "boolean"}


def broken_law(data: bytes, name: str) -> str | None:
    """The law that reading a file breaks, in words, or None.

    Every non-blank cell is in a table or in a remark; lines read = kept + listed, and every listed line has a remark;
    the tables conform to the dictionary; all remarks can be shown.
    """
    result, pages = _read(data, name, None)
    if result.rows_read != result.rows_kept + result.rows_listed:
        return f"{result.rows_read} read, {result.rows_kept} kept, {result.rows_listed} listed"
    for page in pages:
        if (page.fate == 1).any():
            lost = [page.words(r) for r in range(len(page.cells)) if (page.fate[r] == 1).any()]
            return f"lost cells on {page.label}: {lost[:3]}"
        listed = [r for r in range(len(page.cells)) if (page.fate[r] > 0).any() and not (page.fate[r] == 2).any()]
        told = {r.line for r in result.remarks if r.file == page.label}
        several = any(name == "count" for r in result.remarks for name, _ in r.facts)  # one remark for many lines
        silent = [page.lines[r] for r in listed if page.lines[r] not in told]
        if silent and not several:
            return f"listed lines {silent} without a remark on {page.label}"
    for table, frame in result.tables.items():
        fault = unlike_the_dictionary(table, frame)
        if fault:
            return f"the table {table}: {fault}"
    for said in result.remarks:
        _ = said.message, said.advice, said.place
    return None


def unlike_the_dictionary(table: str, frame: pd.DataFrame) -> str | None:
    """What in a table does not conform to the data dictionary (a plant or patch may be open until all logs are in)."""
    spec = tables.table(table)
    if tuple(frame.columns) != spec.names or frame.empty:
        return "its columns are not the dictionary's, or it is empty"
    for column in spec.columns:
        dtype = str(frame[column.name].dtype)
        if dtype != KINDS[column.kind]:
            return f"{column.name} is {dtype}"
        values = frame[column.name]
        if column.required and column.name not in ("plant", "patch") and values.isna().any():
            return f"{column.name} is empty somewhere"
        if column.low is not None and column.high is not None:
            numbers = values.to_numpy(dtype="float64", na_value=np.nan)
            if ((numbers < column.low) | (numbers > column.high)).any():
                return f"{column.name} is outside its range: {numbers}"
        if column.choices and not set(values.dropna()) <= set(column.choices):
            return f"{column.name} holds {set(values.dropna())}"
    return None


def same(a: intake.Intake, b: intake.Intake) -> bool:
    """Whether two readings have the same tables and remarks."""
    return (a.tables.keys() == b.tables.keys() and all(a.tables[t].equals(b.tables[t]) for t in a.tables)
            and a.remarks == b.remarks and dict(a.understood) == dict(b.understood))
