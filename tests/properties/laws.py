"""The laws of reading, as one function that the tests and the long-running script share."""

from __future__ import annotations

from patchstats import intake, tables
from patchstats.intake.read import _read
from patchstats.remarks import remarks_table


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
        if listed and not page.remarks and not result.remarks:
            return f"a listed line without a remark on {page.label}"
    for table, frame in result.tables.items():
        again = tables.conform(table, frame)
        if not again.equals(frame) or not (again.dtypes == frame.dtypes).all():
            return f"the table {table} does not conform"
        wrong = tables.check(table, frame)
        wrong = wrong[~wrong["column"].isin(["plant", "patch"]) & (wrong["fault"] != "stands more than once")]
        if len(wrong):
            return f"{table}: {wrong.head(3).to_dict('records')}"
    remarks_table(result.remarks)
    result._markdown()
    return None


def same(a: intake.Intake, b: intake.Intake) -> bool:
    """Whether two readings have the same tables and remarks."""
    return (a.tables.keys() == b.tables.keys() and all(a.tables[t].equals(b.tables[t]) for t in a.tables)
            and a.remarks == b.remarks and dict(a.understood) == dict(b.understood))
