"""Exported: the club's own tables, read back as they were written.

A sheet whose first line is exactly the column names of a table of the data dictionary is such a table: every value is
read by its column's kind, where it was first read (``file`` and ``line``) included. Growth is not judged again.
"""

from __future__ import annotations

import datetime as dt
import re

from patchstats.intake import cells
from patchstats.intake.dates import parse
from patchstats.intake.harvest import Harvest, Row
from patchstats.intake.page import Page
from patchstats.remarks import REMARK_COLUMNS
from patchstats.tables import DICTIONARY, STORED, Column

_GUARDED = re.compile("^'(?=['=+\\-@\t\r\n＝＋－＠])")

_LISTS = {"remarks": set(REMARK_COLUMNS), "receipts": {"receipt", "sha256", "rows_read", "rows_kept", "rows_listed"}}


def table_of(page: Page) -> str | None:
    """The table whose column names stand in a page's first line, or None.

    None too when most of its dates and numbers are no longer as we write them: a spreadsheet has saved it in its own
    way, and it is read as any other log.
    """
    first = tuple(t.strip() for t in page.cells[0]) if page.cells else ()
    name = next((name for name in STORED if first == DICTIONARY[name].names), None)
    if name is None:
        return None
    told = [_value(column, row[position]) is not None for row in page.cells[1:200]
            for position, column in enumerate(DICTIONARY[name].columns)
            if column.kind in ("date", "number") and position < len(row) and row[position].strip()]
    return name if 2 * sum(told) >= len(told) else None


def list_of(page: Page) -> str | None:
    """Which of the club's own lists a page is, "remarks" or "receipts"; they say what became of files."""
    first = {t.strip() for t in page.cells[0]} if page.cells else set()
    return next((name for name, columns in _LISTS.items() if first >= columns), None)


def read_exported(page: Page, name: str, harvest: Harvest) -> None:
    """Rows of an exported table; a row without what its table requires is spoken of, as is a cell of another kind."""
    spec = DICTIONARY[name]
    page.headed.append((0, dict(enumerate(spec.names))))
    page.use_record(0)
    for record in range(1, len(page.cells)):
        full = page.full(record)
        if not full:
            continue
        made: dict[str, object] = {}
        for position, column in enumerate(spec.columns):
            text = page.cells[record][position] if position < len(page.cells[record]) else ""
            if text.strip():
                made[column.name] = _value(column, text)
        missing = [c.name for c in spec.columns if c.required and made.get(c.name) is None]
        if missing:
            page.say("line-without-name", record, what=" and ".join(missing))
            continue
        for position, column in enumerate(spec.columns):
            if column.name in made and made[column.name] is None:
                page.say("cell-not-read", record, position, expected=column.meaning, wanted=_wanted(column))
            elif column.name in made:
                page.use(record, position)
        harvest.exported.setdefault(name, []).append(Row(made, page, record))


def _wanted(column: Column) -> str:
    """What a cell of a table of the club may hold, in words."""
    if column.kind == "choice":
        return f"one of these: {', '.join(column.choices)}"
    return {"yes_no": "yes or no", "date": "the date like this: 2024-07-12", "count": "a whole number"}.get(
        column.kind, "a plain number")


def _value(column: Column, text: str):
    if column.kind == "text":
        return _GUARDED.sub("", text)
    if column.kind == "choice":
        return text if text in column.choices else None
    if column.kind == "yes_no":
        return cells.read_yes(text)
    if column.kind == "date":
        p = parse(text, serials=False)
        return None if p is None or not (p.year and p.month and p.day) else dt.date(p.year, p.month, p.day)
    try:
        value = float(text)
    except ValueError:
        return None
    if column.kind == "count":
        value = int(value) if value == int(value) else None  # type: ignore[assignment]
    if value is None or value != value or column.low is not None and not column.low <= value <= (
            column.high if column.high is not None else value):
        return None
    return value
