"""Outputs: a folder of results is written whole, or left as it was."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from patchstats.remarks import OutputError


@contextmanager
def finished_whole(folder: str | os.PathLike) -> Iterator[Path]:
    """A workplace inside ``folder``, whose files move to ``folder`` when all has gone well; else it is taken away.

    Other files of ``folder`` stay. Files that lie deeper move first, so that a page never names a chart that is not
    there yet. Raises :class:`OutputError` at once when ``folder`` cannot be written, and when the disk fails later.
    """
    folder = Path(folder)
    made = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        work = Path(tempfile.mkdtemp(prefix=".unfinished-", dir=folder))
    except OSError as error:
        raise OutputError(f"The folder {folder} cannot be written ({error.strerror}): name another one.") from error
    try:
        yield work
        _move_into(work, folder)
    except OSError as error:
        raise OutputError(f"The results cannot be written to {folder} ({error.strerror or error}).") from error
    finally:
        shutil.rmtree(work, ignore_errors=True)
        if made and not any(folder.iterdir()):
            folder.rmdir()


def _move_into(work: Path, folder: Path) -> None:
    files = (path.relative_to(work) for path in work.rglob("*") if path.is_file())
    for name in sorted(files, key=lambda name: (-len(name.parts), name)):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        os.replace(work / name, folder / name)
