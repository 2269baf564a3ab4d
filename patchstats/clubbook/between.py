"""Between: the standing files put together, and what they say of one another.

Such remarks are found anew each time and stored nowhere, since each file that comes or is taken back changes them.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass, replace

import pandas as pd

from patchstats import tables
from patchstats.clubbook import store
from patchstats.clubbook.across import far_scales, look_alikes, unnamed_weighed
from patchstats.clubbook.merge import merged
from patchstats.clubbook.receipts import Receipt, remembered, settled
from patchstats.clubbook.whole import completed
from patchstats.remarks import Remark
from patchstats.units import Shown


@dataclass(frozen=True)
class Found:
    """A remark on a line of one receipt; ``also`` is another receipt that it speaks of as much, or 0."""

    receipt: int
    remark: Remark
    also: int = 0


def receipts_table(connection: sqlite3.Connection) -> pd.DataFrame:
    """One row a taking-in, those taken back included; ``file`` tells files of one name apart."""
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


def put_together(connection: sqlite3.Connection, receipts: pd.DataFrame,
                 shown: Shown) -> tuple[dict[str, pd.DataFrame], list[Found]]:
    """The club's tables from the receipts that stand, and what these say of one another.

    ``receipts``: as :func:`receipts_table` gives them.
    """
    standing = set(receipts.loc[receipts["taken_back"].isna(), "receipt"])
    files = dict(zip(receipts["receipt"], receipts["file"], strict=True))
    frames, held = {}, {}
    found: list[Found] = []
    for name in tables.STORED:
        rows = store.read_frame(connection, name)
        frames[name] = rows[rows["receipt"].isin(standing)].reset_index(drop=True)
        held[name], remarks = merged(name, frames[name], files)
        found += [Found(*told) for told in remarks]
    held = completed(held)
    found += [Found(*told) for told in look_alikes(frames, files)]
    found += [Found(*told) for told in far_scales(frames, held, files, shown=shown)]
    unnamed = {number for number, in connection.execute("SELECT receipt FROM remarks WHERE code = 'fruit-unnamed'")}
    found += [Found(*told) for told in unnamed_weighed(frames, files, unnamed)]
    return held, found


def with_found(connection: sqlite3.Connection, receipts: Iterable[Receipt], shown: Shown) -> list[Receipt]:
    """The receipts with what the club's files say of one another, where it concerns them."""
    receipts = list(receipts)
    if not any(r.number for r in receipts):
        return receipts
    found = put_together(connection, receipts_table(connection), shown)[1]
    return [replace(r, remarks=(*r.remarks, *(_told_on(r, f) for f in found if r.number in (f.receipt, f.also))))
            if r.number else r for r in receipts]


def _told_on(receipt: Receipt, found: Found) -> Remark:
    """The remark as this receipt says it: one on a line of another file names that file and its line."""
    r = found.remark
    if found.receipt == receipt.number:
        return settled(r)
    return remembered(r.severity, r.code, r.kind.title, r.kind.teaching, receipt.name, 0, "", r.read,
                      f"{r.file}, line {r.line}: {r.message}", r.advice, r.before, r.after)
