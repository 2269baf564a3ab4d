"""Backup: a whole club folder, copied while others may go on reading and writing."""

from __future__ import annotations

import shutil
from pathlib import Path

from patchstats.clubbook import store
from patchstats.clubbook.faults import in_words
from patchstats.clubbook.files import ORIGINALS, original_path, write_whole
from patchstats.clubbook.settings import SETTINGS_NAME, read_settings
from patchstats.remarks import ClubError

_DESK_FILES = "desk-*.json*"  # what the upload desk keeps: who handed in what, and the digests of the members' codes


def backup(folder: str | Path, target: str | Path) -> Path:
    """Copies the club in ``folder`` to the new folder ``target``, itself a club that can be opened; returns it.

    With it come its settings, the members' originals, and what the upload desk keeps beside the book: who handed in
    what, and the members' codes (salted digests, never the codes). The book is copied by ``VACUUM INTO``
    (https://www.sqlite.org/lang_vacuum.html), as it stands at one moment.
    Raises :class:`ClubError` when ``target`` is there already and is not empty, or cannot be written.
    """
    folder, target = Path(folder), Path(target)
    read_settings(folder)
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise ClubError(f"{target} is there already; name a new folder for the backup.")
    with in_words(target, "the backup"):
        try:
            (target / ORIGINALS).mkdir(parents=True, exist_ok=True)
            with store.reading(folder) as connection:
                connection.execute("ROLLBACK")  # VACUUM INTO makes its own view of one moment
                connection.execute("PRAGMA query_only = OFF")
                connection.execute("VACUUM INTO ?", (str(store.book_path(target)),))
            with store.writing(target) as connection:
                connection.execute("PRAGMA journal_mode = WAL")  # the copy starts out without a log
                needed = [row[0] for row in connection.execute("SELECT DISTINCT sha256 FROM receipts")]
            for sha256 in needed:  # each was kept before its receipt, so all are there
                shutil.copy2(original_path(folder, sha256), original_path(target, sha256))
            for path in sorted(folder.glob(_DESK_FILES)):  # with their permissions
                shutil.copy2(path, target / path.name)
            write_whole(target / SETTINGS_NAME, (folder / SETTINGS_NAME).read_bytes())  # last: now it is a club
        except BaseException:
            shutil.rmtree(target, ignore_errors=True)
            raise
    return target
