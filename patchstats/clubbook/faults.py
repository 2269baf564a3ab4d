"""Faults of the disk and of the book, said in one sentence that tells what to do.

Everything in the club book runs inside :func:`in_words`: an error of the operating system or of SQLite leaves it
as a :class:`~patchstats.remarks.ClubError`. Result codes: https://www.sqlite.org/rescode.html.
"""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from patchstats.remarks import ClubError

BUSY_SECONDS = 60.0

_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_DENIED = (errno.EACCES, errno.EPERM, errno.EROFS)


@contextmanager
def in_words(folder: Path, doing: str) -> Iterator[None]:
    """Turns ``OSError`` and ``sqlite3.Error`` into a ``ClubError``; ``doing`` completes "nothing of ... was kept"."""
    try:
        yield
    except sqlite3.Error as error:
        raise ClubError(_of_sqlite(folder, doing, error)) from error
    except OSError as error:
        raise ClubError(_of_system(folder, doing, error)) from error


def damaged(folder: Path, what: str) -> str:
    """What to do about a damaged book."""
    return (f"The club book in {folder} is damaged ({what}). Put book.sqlite aside (and book.sqlite-wal and "
            "book.sqlite-shm, if they are there), copy book.sqlite back from the newest backup, and take in what was "
            "handed in since; every file ever handed in is still in originals.")


def _of_sqlite(folder: Path, doing: str, error: sqlite3.Error) -> str:
    code = (getattr(error, "sqlite_errorcode", None) or 0) & 0xFF
    if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT) or (
            not code and isinstance(error, sqlite3.DatabaseError) and "utf-8" in str(error).lower()):
        return damaged(folder, str(error))
    if code == sqlite3.SQLITE_FULL:
        return _full(folder, doing)
    if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM):
        return _read_only(folder, doing)
    if code == sqlite3.SQLITE_CANTOPEN:
        return (f"The club book in {folder} cannot be opened, so {doing} was not done; see that the folder is there "
                "and that you may read and write it.")
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return (f"Another program has kept the club book in {folder} to itself for {BUSY_SECONDS:g} seconds, so "
                f"{doing} was not done; close that program and try again.")
    if code == sqlite3.SQLITE_IOERR:
        return (f"The disk of {folder} would not read or write ({error}), so {doing} was not done; see that the disk "
                "is there and has room, then try again. The book is as it was before.")
    return f"The club book in {folder} could not be used ({error}), so {doing} was not done."


def _of_system(folder: Path, doing: str, error: OSError) -> str:
    if error.errno in _FULL:
        return _full(folder, doing)
    if error.errno in _DENIED:
        return _read_only(folder, doing)
    place = error.filename or folder
    return f"{place}: {error.strerror or error}, so {doing} was not done."


def _full(folder: Path, doing: str) -> str:
    return (f"The disk of {folder} is full, so {doing} was not done; free some room and try again. "
            "The book is as it was before.")


def _read_only(folder: Path, doing: str) -> str:
    return (f"The folder {folder} may not be written, so {doing} was not done; make the folder writable, "
            "or copy it to a place that is.")
