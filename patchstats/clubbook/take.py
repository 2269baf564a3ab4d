"""Taking in: each file is one transaction with one receipt; the same bytes come in once, under whatever name."""

from __future__ import annotations

import datetime as dt
import json
import sqlite3
from collections.abc import Callable, Iterable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

import pandas as pd

import patchstats
from patchstats import tables
from patchstats.clubbook import store
from patchstats.clubbook.between import with_found
from patchstats.clubbook.faults import in_words
from patchstats.clubbook.files import ORIGINALS, keep_original, read_original, sha256_of, sweep_parts
from patchstats.clubbook.handed import HandedIn, bytes_of, gathered
from patchstats.clubbook.receipts import Receipt, remembered, settled
from patchstats.clubbook.settings import ClubSettings, checked_name, read_settings, write_settings
from patchstats.remark_kinds import kind
from patchstats.remarks import ClubError, IntakeError, Remark, remark
from patchstats.units import IMPERIAL, Shown


class Read(Protocol):
    """What a reader makes of one file; ``rows_read`` is ``rows_kept`` + ``rows_listed``."""

    @property
    def tables(self) -> Mapping[str, pd.DataFrame]: ...
    @property
    def remarks(self) -> tuple[Remark, ...]: ...
    @property
    def rows_read(self) -> int: ...
    @property
    def rows_kept(self) -> int: ...
    @property
    def rows_listed(self) -> int: ...
    @property
    def understood(self) -> Mapping[str, str]: ...


Reader = Callable[[bytes, str, Mapping[str, Any]], Read]


def create_club(folder: str | Path, *, name: str, shown: Shown = IMPERIAL) -> Path:
    """Makes a club folder with its settings, an empty book and a place for the originals; returns its path."""
    folder = Path(folder)
    settings = ClubSettings(checked_name(name), shown)
    with in_words(folder, "making the club"):
        if (folder / "patchstats.toml").exists():
            raise ClubError(f"There is a club in {folder} already; open it, or choose another folder.")
        folder.mkdir(parents=True, exist_ok=True)
        store.make_book(folder)
        write_settings(folder, settings)  # last: a folder with settings is a whole club
    return folder


def take_in(folder: str | Path, paths: str | Path | HandedIn | Iterable[str | Path | HandedIn], *,
            answers: Mapping[str, object] | None = None, replaces: int | None = None, dry_run: bool = False,
            progress: Callable[[int, int, Receipt], None] | None = None,
            reader: Reader | None = None, compare: bool = True) -> list[Receipt]:
    """Takes members' files into the club in ``folder`` and returns one receipt a file, in the order given.

    ``paths``: files, folders (every file in them, by name) or :class:`HandedIn`. ``answers``: what a member said to
    settle the reading, such as ``{"date_order": "day first"}``; the same bytes with other answers replace their
    first reading. ``replaces``: the receipt that a corrected file takes the place of. ``dry_run`` reads and reports,
    and writes nothing. ``progress`` is called with (files done, files in all, receipt). ``compare`` puts on the
    receipts what these files and the club's others say of one another; it takes a reading of the whole book.

    A file that cannot be read at all gets a receipt with status "refused" and its reason; the others go on.
    Raises :class:`IntakeError` when there is nothing to take in and :class:`ClubError` when the club cannot be
    written; the files before it are in, that file is wholly out, and running again completes the work.
    """
    folder = Path(folder)
    settings = read_settings(folder)
    files = gathered(paths)
    if replaces is not None and len(files) != 1:
        raise ClubError(f"A receipt can be replaced by one file, not by {len(files)}.")
    job = _Job(_json(dict(answers or {})), _told(settings, answers or {}), replaces, dry_run,
               reader or read_with_intake)
    receipts = []
    with in_words(folder, "taking in"), ExitStack() as stack:
        connection = None
        if not dry_run:
            store.make_book(folder)
            sweep_parts(folder / ORIGINALS)
            sweep_parts(folder)
            connection = stack.enter_context(store.writing(folder))
        elif store.book_path(folder).exists():
            connection = stack.enter_context(store.reading(folder))
        for done, (name, source) in enumerate(files, start=1):
            with in_words(folder, f"taking in {name}"):
                receipts.append(_take_one(connection, folder, name, source, job))
            if progress is not None:
                progress(done, len(files), receipts[-1])
        if compare and not dry_run and connection is not None:
            with in_words(folder, "comparing with the other files"), store.unchanging(connection):
                receipts = with_found(connection, receipts, settings.shown)
    return receipts


def read_again(folder: str | Path, *, reader: Reader | None = None) -> list[Receipt]:
    """Reads every standing original again, after the club's heading words or patchstats itself have changed.

    A file that is now read otherwise gets a new receipt in place of its old one, each in one transaction; the members'
    answers go with it. Returns the new receipts.
    """
    folder = Path(folder)
    settings = read_settings(folder)
    read = reader or read_with_intake
    receipts = []
    with in_words(folder, "reading again"), store.writing(folder) as connection:
        standing = connection.execute("SELECT number, sha256, name, answers FROM receipts WHERE taken_back IS NULL "
                                      "ORDER BY number").fetchall()
        for number, sha256, name, answers in standing:
            with in_words(folder, f"reading {name} again"):
                data = read_original(folder, sha256)
                told = _told(settings, json.loads(answers))
                result = read(data, name, told)
                rows = {table: store.cells_of(table, f) for table, f in result.tables.items() if len(f)}
                if rows != store.cells_of_receipt(connection, number):
                    job = _Job(answers, told, None, False, read, again=True)
                    receipts.append(_take_one(connection, folder, name, data, job))
        with store.unchanging(connection):
            return with_found(connection, receipts, settings.shown)


def read_with_intake(data: bytes, name: str, told: Mapping[str, Any]) -> Read:
    """The project's own reader of members' files, told what the club's settings and the member's answers say."""
    from patchstats import intake  # heavy, and only needed when something is read

    known = intake.Settings.__dataclass_fields__
    if unknown := [key for key in told if key not in known]:
        raise IntakeError(f"There is no answer called {unknown[0]!r}; an answer settles {', '.join(known)}.")
    return intake.read_bytes(data, name, settings=intake.Settings(**told))


def load_receipt(connection: sqlite3.Connection, number: int) -> Receipt:
    """A receipt as the book holds it."""
    row = connection.execute(
        "SELECT number, name, sha256, size_bytes, taken_in, rows_read, rows_kept, rows_listed, understood, taken_back,"
        " taken_back_why, replaced_by FROM receipts WHERE number = ?", (number,)).fetchone()
    if row is None:
        raise ClubError(f"There is no receipt {number}.")
    remarks = tuple(remembered(*fields) for fields in connection.execute(
        'SELECT severity, code, title, teaching, file, line, "column", read, message, advice, before, after '
        "FROM remarks WHERE receipt = ? ORDER BY row", (number,)))
    kept = {name: connection.execute(f'SELECT count(*) FROM "{name}" WHERE receipt = ?', (number,)).fetchone()[0]
            for name in tables.STORED}
    return Receipt(row[0], row[1], row[2], row[3], "taken back" if row[9] else "taken in", row[4], row[5], row[6],
                   row[7], {name: count for name, count in kept.items() if count}, json.loads(row[8]), remarks,
                   row[10] or "", row[11] or 0)


def now() -> str:
    """The time in UTC, ISO 8601, to the second."""
    return dt.datetime.now(dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _take_one(connection: sqlite3.Connection | None, folder: Path, name: str, source: Path | bytes,
              job: _Job) -> Receipt:
    try:
        data = bytes_of(source)
    except IntakeError as error:
        return Receipt(0, name, "", 0, "refused", reason=str(error))
    sha256 = sha256_of(data)
    if connection is not None and job.replaces is None:
        known = _known(connection, sha256, name, job)
        if known is not None:
            return known
    try:
        result = job.reader(data, name, job.told)
    except IntakeError as error:
        return Receipt(0, name, sha256, len(data), "refused", reason=str(error))
    understood = {str(key): store.clean_text(value) for key, value in result.understood.items()}
    remarks = tuple(settled(r) for r in result.remarks)
    whole = [r for r in remarks if r.severity == "refused" and not r.line]
    if whole and not result.rows_read:  # no log at all, such as a picture
        return Receipt(0, name, sha256, len(data), "refused", reason=f"{whole[0].message} {whole[0].advice}")
    rows = {table: store.cells_of(table, frame) for table, frame in result.tables.items() if len(frame)}
    counts = (result.rows_read, result.rows_kept, result.rows_listed)
    if connection is None or job.dry_run:
        return Receipt(0, name, sha256, len(data), "preview", "", *counts,
                       {table: len(cells) for table, cells in rows.items()}, understood, remarks)
    keep_original(folder, data)  # first the bytes, then the row that names them: a crash between loses nothing
    with store.transaction(connection):
        standing = _standing(connection, sha256)
        known = _known(connection, sha256, name, job)
        if known is None:
            replaced = {standing[0]} if standing else set()
            for old in replaced:  # before the new one, since one receipt stands for the same bytes
                mark_taken_back(connection, old, "read again" if job.again else "read again with other answers")
            number = _insert_receipt(connection, name, sha256, len(data), job, understood, counts)
            for table, cells in rows.items():
                store.insert_cells(connection, table, number, cells)
            _insert_remarks(connection, number, (*remarks, *_handed_in_before(connection, number, name)))
        else:
            number, replaced = known.number, set()
        if job.replaces is not None and job.replaces not in (number, *replaced):
            mark_taken_back(connection, job.replaces, "a corrected file takes its place")
            replaced.add(job.replaces)
        connection.executemany("UPDATE receipts SET replaced_by = ? WHERE number = ?", [(number, n) for n in replaced])
        return known or load_receipt(connection, number)


def mark_taken_back(connection: sqlite3.Connection, number: int, why: str) -> None:
    """Marks a standing receipt as taken back; raises :class:`ClubError` when there is none or it is marked."""
    row = connection.execute("SELECT taken_back FROM receipts WHERE number = ?", (number,)).fetchone()
    if row is None:
        raise ClubError(f"There is no receipt {number}.")
    if row[0]:
        raise ClubError(f"Receipt {number} was taken back already, on {row[0][:10]}.")
    connection.execute("UPDATE receipts SET taken_back = ?, taken_back_why = ? WHERE number = ?", (now(), why, number))


@dataclass(frozen=True)
class _Job:
    """What is the same for every file of one taking-in."""

    answers: str
    told: dict[str, object]
    replaces: int | None
    dry_run: bool
    reader: Reader
    again: bool = False  # the same bytes are read anew and take the place of their standing receipt


def _told(settings: ClubSettings, answers: Mapping[str, object]) -> dict[str, object]:
    """What a reader is told: the club's settings, and over them the member's answers."""
    return {"heading_words": dict(settings.heading_words), "club_date_order": settings.date_order, **answers}


def _standing(connection: sqlite3.Connection, sha256: str) -> tuple[int, str, str] | None:
    """Number, answers and name of the receipt that stands for these bytes."""
    return connection.execute("SELECT number, answers, name FROM receipts WHERE sha256 = ? AND taken_back IS NULL",
                              (sha256,)).fetchone()


def _known(connection: sqlite3.Connection, sha256: str, name: str, job: _Job) -> Receipt | None:
    """The receipt that stands for these bytes, unless the member has now answered otherwise."""
    standing = _standing(connection, sha256)
    if standing is None or job.again or job.answers not in ("{}", standing[1]):
        return None
    under = "" if standing[2] == name else f"It came in under the name {standing[2]}."
    return replace(load_receipt(connection, standing[0]), name=name, status="already taken in", reason=under)


def _insert_receipt(connection: sqlite3.Connection, name: str, sha256: str, size: int, job: _Job,
                    understood: dict[str, str], counts: tuple[int, int, int]) -> int:
    cursor = connection.execute(
        "INSERT INTO receipts (sha256, name, size_bytes, taken_in, reader, answers, told, understood, rows_read,"
        " rows_kept, rows_listed) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (sha256, name, size, now(), patchstats.__version__, job.answers, _json(job.told), _json(understood), *counts))
    assert cursor.lastrowid is not None
    return cursor.lastrowid


def _insert_remarks(connection: sqlite3.Connection, number: int, remarks: Iterable[Remark]) -> None:
    connection.executemany(
        f"INSERT INTO remarks VALUES ({', '.join('?' * 14)})",
        [(number, row, *map(store.clean_text, (r.severity, r.code, r.kind.title, r.kind.teaching, r.file)), r.line,
          *map(store.clean_text, (r.column, r.read, r.message, r.advice, r.before, r.after)))
         for row, r in enumerate(remarks)])


def _handed_in_before(connection: sqlite3.Connection, number: int, name: str) -> list[Remark]:
    """A remark for each standing receipt that tells of the same fruits on the same days as this one."""
    count = connection.execute("SELECT count(*) FROM readings WHERE receipt = ?", (number,)).fetchone()[0]
    rows = connection.execute(
        "SELECT o.receipt, r.name, count(DISTINCT n.row) FROM readings n"
        " JOIN readings o ON o.fruit = n.fruit AND o.date = n.date AND o.receipt <> n.receipt"
        " JOIN receipts r ON r.number = o.receipt AND r.taken_back IS NULL"
        " WHERE n.receipt = ? GROUP BY o.receipt ORDER BY o.receipt", (number,)).fetchall()
    return [settled(remark(kind("handed-in-before"), name, alike=alike, count=count, other=first, number=receipt))
            for receipt, first, alike in rows]


def _json(value: object) -> str:
    return json.dumps(value, sort_keys=True, ensure_ascii=False, default=str)
