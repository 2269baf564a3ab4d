"""What is handed in: files on the disk, folders of them, or bytes with a name."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from patchstats.clubbook.store import clean_text
from patchstats.remarks import IntakeError

LARGEST_BYTES = 100_000_000
_LONGEST_NAME = 200


@dataclass(frozen=True)
class HandedIn:
    """A file that is not on the disk, such as one that came through the upload desk."""

    name: str
    data: bytes


def gathered(paths: str | Path | HandedIn | Iterable[str | Path | HandedIn]) -> list[tuple[str, Path | bytes]]:
    """Each file as (name to show, its path or bytes), a folder's files by name.

    Raises :class:`IntakeError` for a path that is not there, an empty folder, or nothing at all.
    """
    files = list(_each(paths))
    if not files:
        raise IntakeError("No files were given to take in.")
    return files


def bytes_of(source: Path | bytes) -> bytes:
    """The bytes of one file; raises :class:`IntakeError` when it is too large or may not be read."""
    try:
        size = len(source) if isinstance(source, bytes) else source.stat().st_size
        if size > LARGEST_BYTES:
            raise IntakeError(f"The file has {size / 1e6:,.0f} MB; a log may have {LARGEST_BYTES / 1e6:g} MB. "
                              "Hand in the sheet with the log alone, as CSV.")
        return source if isinstance(source, bytes) else source.read_bytes()
    except OSError as error:
        raise IntakeError(f"The file cannot be read: {error.strerror}.") from error


def _each(paths: str | Path | HandedIn | Iterable[str | Path | HandedIn]) -> Iterator[tuple[str, Path | bytes]]:
    for item in [paths] if isinstance(paths, (str, Path, HandedIn)) else paths:
        if isinstance(item, HandedIn):
            yield _shown_name(re.split(r"[/\\]", item.name)[-1]), item.data
            continue
        path = Path(item)
        if path.is_dir():
            inside = sorted(p for p in path.rglob("*") if p.is_file()
                            and not any(part.startswith(".") for part in p.relative_to(path).parts))
            if not inside:
                raise IntakeError(f"The folder {path} holds no files to take in.")
            for file in inside:
                yield _shown_name(file.relative_to(path).as_posix()), file
        elif path.is_file():
            yield _shown_name(path.name), path
        else:
            raise IntakeError(f"There is no file or folder {path}.")


def _shown_name(name: str) -> str:
    """A file's name as receipts show it: printable, and of a length that a person can read."""
    name = "".join(ch if ch.isprintable() else " " for ch in clean_text(name)).strip()
    return (name if len(name) <= _LONGEST_NAME else "…" + name[1 - _LONGEST_NAME:]) or "a file without a name"
