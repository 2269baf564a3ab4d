"""Verifying: the originals are as handed in, and reading them again gives the rows that the book holds."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from pathlib import Path

from patchstats import tables
from patchstats.clubbook import store
from patchstats.clubbook.faults import damaged, in_words
from patchstats.clubbook.files import ORIGINALS, read_original
from patchstats.clubbook.take import Reader, read_with_intake
from patchstats.remarks import ClubError, IntakeError


@dataclass(frozen=True)
class Verification:
    """What :func:`verify` looked at and found.

    ``faults`` are sentences, each with what to do; ``notes`` need no doing. ``ok`` when there are no faults.
    """

    receipts: int
    originals: int
    rows: int
    faults: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def ok(self) -> bool:
        return not self.faults

    def _markdown(self) -> str:
        head = (f"Verified {self.receipts:,} receipts, {self.originals:,} originals and {self.rows:,} rows: "
                + ("all is as it was taken in." if self.ok else f"{len(self.faults)} faults."))
        return "\n".join([head, *(f"- {line}" for line in (*self.faults, *self.notes))])

    def _repr_markdown_(self) -> str:
        return self._markdown()

    def __repr__(self) -> str:
        return self._markdown()


def verify(folder: str | Path, *, reader: Reader | None = None) -> Verification:
    """Checks the book's own structure, every original against its SHA-256, and every row against a new reading.

    Those taken back are checked too, since nothing may be lost. Raises :class:`ClubError` when the book cannot be
    opened at all.
    """
    folder = Path(folder)
    read = reader or read_with_intake
    faults: list[str] = []
    notes: list[str] = []
    rows = 0
    with in_words(folder, "verifying"), store.reading(folder) as connection:
        faults += _structure(connection, folder)
        receipts = connection.execute("SELECT number, name, sha256, told, rows_read, rows_kept, rows_listed FROM "
                                      "receipts ORDER BY number").fetchall() if not faults else []
        for number, name, sha256, told, *counts in receipts:
            held = store.cells_of_receipt(connection, number)
            rows += sum(map(len, held.values()))
            try:
                data = read_original(folder, sha256)
                result = read(data, name, json.loads(told))
            except (ClubError, IntakeError) as error:
                faults.append(f"Receipt {number} ({name}): {error}")
                continue
            again = {table: store.cells_of(table, f) for table, f in result.tables.items() if len(f)}
            differing = [table for table in tables.STORED if held.get(table) != again.get(table)]
            if differing or [result.rows_read, result.rows_kept, result.rows_listed] != counts:
                faults.append(f"Receipt {number} ({name}): reading the original again gives other rows"
                              f"{' in ' + ', '.join(differing) if differing else ''}. If patchstats or the club's "
                              "answers have changed since, read it again with read_again; if not, copy the book back "
                              "from a backup.")
    named = {sha256 for _, _, sha256, *_ in receipts}
    kept = {p.name for p in (folder / ORIGINALS).glob("*") if not p.name.startswith(".")}
    if not faults and (loose := kept - named):
        notes.append(f"{len(loose)} files in {ORIGINALS} belong to no receipt: a taking-in was stopped before its end. "
                     "Take those files in again, or leave them.")
    return Verification(len(receipts), len(named), rows, tuple(faults), tuple(notes))


def _structure(connection: sqlite3.Connection, folder: Path) -> list[str]:
    found = [row[0] for row in connection.execute("PRAGMA integrity_check(5)")]
    if found != ["ok"]:
        return [damaged(folder, found[0])]
    if connection.execute("PRAGMA foreign_key_check").fetchone():
        return [damaged(folder, "rows without a receipt")]
    return []

