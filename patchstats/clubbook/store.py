"""The store: one SQLite file per club, ``book.sqlite``, in write-ahead-log mode.

Tables of the book: ``receipts`` (one row a taking-in), ``remarks`` (what was said of its lines), and one table for
each stored table of the data dictionary, with ``receipt`` and ``row`` in front. Dates are ISO 8601 text, counts and
yes/no integers, numbers 8-byte floats, empty cells NULL. Rows are only ever added; taking back marks the receipt.

The write-ahead log needs all programs that use the book to run on one computer (https://www.sqlite.org/wal.html).
"""

from __future__ import annotations

import contextlib
import os
import secrets
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import pandas as pd

from patchstats import tables
from patchstats.clubbook.faults import BUSY_SECONDS
from patchstats.clubbook.files import ORIGINALS, sync_folder
from patchstats.clubbook.settings import must_be_club
from patchstats.remarks import ClubError

BOOK_NAME = "book.sqlite"
APPLICATION_ID = 0x50415443  # "PATC": marks the file as a club book (https://www.sqlite.org/pragma.html)
SCHEMA_VERSION = 1

_RECEIPTS = """
CREATE TABLE receipts (
  number INTEGER PRIMARY KEY AUTOINCREMENT,
  sha256 TEXT NOT NULL, name TEXT NOT NULL, size_bytes INTEGER NOT NULL,
  taken_in TEXT NOT NULL, reader TEXT NOT NULL, answers TEXT NOT NULL, told TEXT NOT NULL, understood TEXT NOT NULL,
  rows_read INTEGER NOT NULL, rows_kept INTEGER NOT NULL, rows_listed INTEGER NOT NULL,
  taken_back TEXT, taken_back_why TEXT, replaced_by INTEGER REFERENCES receipts (number))
"""
_ONE_STANDING = "CREATE UNIQUE INDEX one_standing ON receipts (sha256) WHERE taken_back IS NULL"
_REMARKS = """
CREATE TABLE remarks (
  receipt INTEGER NOT NULL REFERENCES receipts (number), row INTEGER NOT NULL,
  severity TEXT NOT NULL, code TEXT NOT NULL, title TEXT NOT NULL, teaching TEXT NOT NULL,
  file TEXT NOT NULL, line INTEGER NOT NULL, "column" TEXT NOT NULL, read TEXT NOT NULL,
  message TEXT NOT NULL, advice TEXT NOT NULL, before TEXT NOT NULL, after TEXT NOT NULL,
  PRIMARY KEY (receipt, row)) WITHOUT ROWID
"""
_SQL_TYPE = {"text": "TEXT", "choice": "TEXT", "date": "TEXT", "number": "REAL", "count": "INTEGER",
             "yes_no": "INTEGER"}

_NO_SIDE_FILES = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_FULL)
Row = tuple  # one row of a table: text, float, int or None, column by column

# version -> what brings a book of that version to the next one; columns new in the dictionary are added by themselves
UPGRADES: dict[int, Callable[[sqlite3.Connection], None]] = {}


def book_path(folder: Path) -> Path:
    """Where the book of a club is kept."""
    return folder / BOOK_NAME


def make_book(folder: Path) -> None:
    """Makes an empty book, unless one is there; many programs may do so at once."""
    book = book_path(folder)
    (folder / ORIGINALS).mkdir(exist_ok=True)
    if book.exists():
        return
    part = folder / f".{BOOK_NAME}.{os.getpid()}-{secrets.token_hex(4)}.part"
    try:
        with contextlib.closing(_connect(part.resolve().as_uri())) as connection:
            connection.execute("PRAGMA journal_mode = WAL")
            with transaction(connection):
                connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
                for statement in (_RECEIPTS, _ONE_STANDING, _REMARKS):
                    connection.execute(statement)
                _complete_tables(connection)
        _name_once(part, book)
    finally:
        for leftover in (part, Path(f"{part}-wal"), Path(f"{part}-shm"), Path(f"{part}-journal")):
            with contextlib.suppress(OSError):
                leftover.unlink()
    sync_folder(folder)


def _name_once(part: Path, book: Path) -> None:
    """Gives a finished book its name, unless another program was first: then that one's book stands."""
    try:
        os.link(part, book)
    except FileExistsError:
        return
    except OSError:  # a file system without links, such as a memory stick's
        if not book.exists():
            os.rename(part, book)


@contextlib.contextmanager
def writing(folder: Path) -> Iterator[sqlite3.Connection]:
    """A connection that may write; an older book is brought up to date first."""
    if not book_path(folder).exists():
        must_be_club(folder)
        make_book(folder)
    with contextlib.closing(_connect(f"{book_path(folder).resolve().as_uri()}?mode=rw")) as connection:
        _check_identity(connection, folder)
        _upgrade(connection)
        yield connection


@contextlib.contextmanager
def reading(folder: Path) -> Iterator[sqlite3.Connection]:
    """A connection that reads one unchanging state of the book, while others may write."""
    book = book_path(folder)
    if not book.exists():
        must_be_club(folder)
        raise ClubError(f"The club in {folder} has no book yet; take in a member's log first.")
    with contextlib.closing(_connect_to_read(book)) as connection:
        _check_identity(connection, folder)
        connection.execute("BEGIN")
        yield connection


@contextlib.contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """All of it or nothing: the write lock is taken at the start, so what was read inside stays true."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(sqlite3.Error):  # a full disk may have rolled back already
            connection.execute("ROLLBACK")
        raise


@contextlib.contextmanager
def unchanging(connection: sqlite3.Connection) -> Iterator[None]:
    """What is read inside is one state of the book, while others may write."""
    connection.execute("BEGIN")
    try:
        yield
    finally:
        connection.execute("ROLLBACK")


def cells_of(name: str, frame: pd.DataFrame) -> list[Row]:
    """The rows of a conforming table as the book keeps them: an empty text is an empty cell."""
    spec = tables.table(name)
    if tuple(frame.columns) != spec.names:
        frame = tables.conform(name, frame)
    return list(zip(*(_to_cells(frame[column.name], column.kind) for column in spec.columns), strict=True))


def insert_cells(connection: sqlite3.Connection, name: str, receipt: int, cells: list[Row]) -> None:
    """Adds the rows of one table under a receipt."""
    columns = ("receipt", "row", *tables.table(name).names)
    connection.executemany(
        f"INSERT INTO {_quote(name)} ({', '.join(map(_quote, columns))}) VALUES ({', '.join('?' * len(columns))})",
        [(receipt, row, *values) for row, values in enumerate(cells)])


def cells_of_receipt(connection: sqlite3.Connection, receipt: int) -> dict[str, list[Row]]:
    """The rows of one receipt by table, as the book keeps them; tables without rows are left out."""
    out = {}
    for name in tables.STORED:
        held = _held(connection, name)
        columns = ", ".join(_quote(c) if c in held else "NULL" for c in tables.table(name).names)
        rows = connection.execute(f"SELECT {columns} FROM {_quote(name)} WHERE receipt = ? ORDER BY row",
                                  (receipt,)).fetchall()
        if rows:
            out[name] = rows
    return out


def read_frame(connection: sqlite3.Connection, name: str, where: str = "", facts: tuple = ()) -> pd.DataFrame:
    """Rows of one table, conforming, with ``receipt`` in front, in the order of taking in.

    ``where`` is a condition in SQL with ``?`` for each of ``facts``.
    """
    spec = tables.table(name)
    held = _held(connection, name)
    columns = [c for c in spec.columns if c.name in held]
    names = ", ".join(_quote(c) for c in ("receipt", *(c.name for c in columns)))
    sql = f"SELECT {names} FROM {_quote(name)} {'WHERE ' + where if where else ''} ORDER BY receipt, row"
    rows = connection.execute(sql, facts).fetchall()
    by_column = list(zip(*rows, strict=True)) if rows else [()] * (len(columns) + 1)
    frame = pd.DataFrame({c.name: _from_cells(cells, c.kind) for c, cells in zip(columns, by_column[1:], strict=True)})
    frame = tables.conform(name, frame)
    frame.insert(0, "receipt", pd.Series(by_column[0], dtype="int64"))
    return frame


def _held(connection: sqlite3.Connection, name: str) -> set[str]:
    """The columns that the book has; an older book lacks those that the dictionary has gained since."""
    return {row[1] for row in connection.execute(f"PRAGMA table_info({_quote(name)})")}


def _to_cells(values: pd.Series, kind: str) -> list:
    raw = values.tolist()
    present = [not (v is None or v is pd.NA or v is pd.NaT or v != v) for v in raw]
    spell = _SPELL.get(kind, _text)
    return [spell(v) if ok else None for v, ok in zip(raw, present, strict=True)]


def _text(value: object) -> str | None:
    return clean_text(value) or None


def _iso_day(value: object) -> str:
    return pd.Timestamp(str(value)).date().isoformat()


_SPELL: dict[str, Callable] = {"date": _iso_day, "number": float, "count": int, "yes_no": int}


def _from_cells(cells: tuple, kind: str) -> pd.Series:
    if kind == "date":
        return pd.to_datetime(pd.Series(cells, dtype=object), format="%Y-%m-%d")
    if kind == "number":
        return pd.Series([float("nan") if c is None else c for c in cells], dtype="float64")
    if kind == "count":
        return pd.Series(cells, dtype="Int64")
    if kind == "yes_no":
        return pd.Series([None if c is None else bool(c) for c in cells], dtype="boolean")
    return pd.Series(cells, dtype=object)


def clean_text(text: object) -> str:
    """Text that can be stored as UTF-8: half a surrogate pair, as odd file names hold, becomes ``?``."""
    return str(text).encode("utf-8", "replace").decode("utf-8")


def _connect(uri: str) -> sqlite3.Connection:
    connection = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=BUSY_SECONDS)
    try:
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA synchronous = FULL")  # a receipt that was given survives a power cut
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def _connect_to_read(book: Path) -> sqlite3.Connection:
    uri = book.resolve().as_uri()
    try:
        connection = _connect(f"{uri}?mode=rw")  # not "ro": that would leave the log's side files lying about
    except sqlite3.OperationalError as error:
        # In a folder that may not be written, or on a disk that is full, the log's side files cannot be made. With no
        # log there is nothing newer than the book itself, and nobody can be writing, so it may be read as it lies.
        wal = Path(f"{book}-wal")
        code = error.sqlite_errorcode & 0xFF
        if code not in _NO_SIDE_FILES or (wal.exists() and wal.stat().st_size):
            raise
        connection = _connect(f"{uri}?immutable=1")
    connection.execute("PRAGMA query_only = ON")
    return connection


def _check_identity(connection: sqlite3.Connection, folder: Path) -> None:
    marked = connection.execute("PRAGMA application_id").fetchone()[0]
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if marked != APPLICATION_ID:
        raise ClubError(f"{book_path(folder)} is not a club book; put it elsewhere, and copy the book back from a "
                        "backup if there was one.")
    if version > SCHEMA_VERSION:
        raise ClubError(f"The club book in {folder} was written by a newer patchstats (its book has version {version}, "
                        f"this one knows {SCHEMA_VERSION}); install the newer one.")


def _upgrade(connection: sqlite3.Connection) -> None:
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version == SCHEMA_VERSION and not _missing_columns(connection):
        return
    with transaction(connection):
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        for step in range(version, SCHEMA_VERSION):
            UPGRADES[step](connection)
            connection.execute(f"PRAGMA user_version = {step + 1}")
        _complete_tables(connection)


def _missing_columns(connection: sqlite3.Connection) -> list[tuple[str, tables.Column]]:
    held = {(table, column) for table, column in connection.execute(
        "SELECT m.name, c.name FROM sqlite_master m, pragma_table_info(m.name) c WHERE m.type = 'table'")}
    return [(name, column) for name in tables.STORED for column in tables.table(name).columns
            if (name, column.name) not in held]


def _complete_tables(connection: sqlite3.Connection) -> None:
    """Makes the dictionary's tables, and the columns that it has gained since the book was made."""
    for name, column in _missing_columns(connection):
        connection.execute(
            f"CREATE TABLE IF NOT EXISTS {_quote(name)} (receipt INTEGER NOT NULL REFERENCES receipts (number), "
            "row INTEGER NOT NULL, PRIMARY KEY (receipt, row)) WITHOUT ROWID")
        connection.execute(f"ALTER TABLE {_quote(name)} ADD COLUMN {_quote(column.name)} {_SQL_TYPE[column.kind]}")
    connection.execute("CREATE INDEX IF NOT EXISTS taping_of_a_day ON readings (fruit, date)")


def _quote(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
