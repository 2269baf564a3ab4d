"""History: taking a receipt back, reading files again, and following any row back to the line it was read from."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import pandas as pd

from patchstats import tables
from patchstats.clubbook import store
from patchstats.clubbook.faults import in_words
from patchstats.clubbook.files import read_original
from patchstats.clubbook.receipts import Receipt
from patchstats.clubbook.settings import read_settings
from patchstats.clubbook.sheets import corrected_log
from patchstats.clubbook.take import load_receipt, mark_taken_back
from patchstats.remarks import ClubError, PatchstatsError


def take_back(folder: str | Path, receipt: int | Receipt, *, why: str = "") -> Receipt:
    """Marks a receipt as taken back, so that the club's tables are as if its file had never come; returns it.

    Nothing is deleted: the original, the rows and the remarks stay in the book, and :func:`history` shows them.
    Handing the same file in again makes a new receipt. Raises :class:`ClubError` when the receipt is not there or
    was taken back before.
    """
    folder = Path(folder)
    number = _number(receipt)
    with (in_words(folder, "taking back"), store.writing(folder) as connection, store.transaction(connection)):
        mark_taken_back(connection, number, store.clean_text(why))
        return load_receipt(connection, number)


def original(folder: str | Path, receipt: int | Receipt) -> bytes:
    """The bytes that were handed in, exactly; raises :class:`ClubError` when they are gone or changed."""
    folder = Path(folder)
    with in_words(folder, "reading an original"), store.reading(folder) as connection:
        return read_original(folder, load_receipt(connection, _number(receipt)).sha256)


def corrected(folder: str | Path, receipt: int | Receipt) -> bytes:
    """The log of a receipt as a workbook (xlsx) to go on with: what was kept, and coloured what to fill in.

    Taken in with ``replaces=`` it takes the place of that receipt.
    """
    folder = Path(folder)
    number = _number(receipt)
    with in_words(folder, "making the corrected log"), store.reading(folder) as connection:
        remarks = load_receipt(connection, number).remarks
        frames = {name: store.read_frame(connection, name, "receipt = ?", (number,)).drop(columns="receipt")
                  for name in tables.STORED}
    return corrected_log(frames, remarks, shown=read_settings(folder).shown)


def history(folder: str | Path, *, table: str = "readings", date: str | dt.date | None = None,
            **key: str) -> pd.DataFrame:
    """Every row the book ever held of one thing, oldest first, each with the very line that it was read from.

    ``history(folder, fruit="Ida Field/2024/A", date="2024-08-03")`` shows that taping as each file told it.
    ``key``: the names of the table's key columns and their values. Columns: receipt, taken_in, taken_back, why,
    replaced_by, file (as handed in), line, as_written (for a workbook, the cells of the row), and then the table's own.
    """
    folder = Path(folder)
    if table not in tables.STORED:
        raise PatchstatsError(f"There is no stored table {table!r}; the tables are {', '.join(tables.STORED)}.")
    allowed = [c for c in tables.table(table).key if c not in ("line", "date")]
    wrong = [name for name in key if name not in allowed]
    if wrong or not (key or date):
        raise PatchstatsError(f"Name a row of {table} by {', '.join(allowed)} or date; {', '.join(wrong) or 'nothing'} "
                              "was given.")
    where = [f'"{name}" = ?' for name in key]
    facts = list(key.values())
    if date is not None:
        where.append("date = ?")
        facts.append(pd.Timestamp(date).date().isoformat())
    with in_words(folder, "reading the history"), store.reading(folder) as connection:
        rows = store.read_frame(connection, table, " AND ".join(where), tuple(facts))
        about = pd.DataFrame(
            connection.execute("SELECT number, name, taken_in, taken_back, taken_back_why, replaced_by, sha256 "
                               "FROM receipts ORDER BY number").fetchall(),
            columns=["receipt", "name", "taken_in", "taken_back", "why", "replaced_by", "sha256"])
    out = rows.merge(about, on="receipt", how="left", validate="many_to_one")
    written = {number: _as_written(folder, *group.iloc[0][["name", "sha256"]])
               for number, group in out.groupby("receipt", sort=False)}
    out["as_written"] = [written[number](file, line)
                         for number, file, line in zip(out["receipt"], out["file"], out["line"], strict=True)]
    out["replaced_by"] = out["replaced_by"].astype("Int64")
    front = ["receipt", "taken_in", "taken_back", "why", "replaced_by", "file", "line", "as_written"]
    return out[front + [c for c in tables.table(table).names if c not in front]]


def _number(receipt: int | Receipt) -> int:
    number = receipt.number if isinstance(receipt, Receipt) else int(receipt)
    if number < 1:
        raise ClubError("This file was not kept, so there is nothing of it in the book.")
    return number


def _as_written(folder: Path, name: str, sha256: str) -> Callable[[str, object], str]:
    """What stands on a line of an original (for a workbook: its cells, with a stroke between), by file and line."""
    from patchstats.intake.bytes import open_bytes  # the same eyes that read it
    from patchstats.intake.records import lines_of

    opened = open_bytes(read_original(folder, sha256), name)
    by_file = {name: lines_of(opened.text)} if opened.text is not None else {}
    for sheet, rows in opened.sheets:
        by_file[f"{name}, sheet {sheet}" if len(opened.sheets) > 1 else name] = [" | ".join(row) for row in rows]

    def line_of(file: str, line: object) -> str:
        lines = by_file.get(file, [])
        number = 0 if pd.isna(line) else int(str(line))
        return lines[number - 1] if 1 <= number <= len(lines) else ""

    return line_of
