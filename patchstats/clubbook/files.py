"""Files: written whole or not at all, and on the disk before the call returns."""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import time
from pathlib import Path

from patchstats.remarks import ClubError

ORIGINALS = "originals"
_PART = ".part"
_STALE_SECONDS = 3600.0


def sha256_of(data: bytes) -> str:
    """The SHA-256 (FIPS 180-4) of some bytes, in 64 hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()


def write_whole(path: Path, data: bytes) -> None:
    """Writes a file so that a reader, or a crash, meets the old bytes or the new ones and never a mixture."""
    part = path.with_name(f".{path.name}.{os.getpid()}-{secrets.token_hex(4)}{_PART}")
    try:
        with open(part, "xb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        os.replace(part, path)
    except BaseException:
        with contextlib.suppress(OSError):
            part.unlink()
        raise
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Puts a folder's new names on the disk (where the system can)."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def keep_original(folder: Path, data: bytes) -> str:
    """Keeps the bytes in ``originals/`` under their SHA-256, and returns that; what is there already stays."""
    sha256 = sha256_of(data)
    path = original_path(folder, sha256)
    path.parent.mkdir(exist_ok=True)
    if not path.exists() or path.stat().st_size != len(data):
        write_whole(path, data)
    return sha256


def read_original(folder: Path, sha256: str) -> bytes:
    """The bytes kept under a SHA-256; raises :class:`ClubError` when they are gone or changed."""
    path = original_path(folder, sha256)
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise ClubError(f"The original {path} is gone; copy it back from a backup.") from None
    if sha256_of(data) != sha256:
        raise ClubError(f"The original {path} was changed after it was handed in; copy it back from a backup.")
    return data


def original_path(folder: Path, sha256: str) -> Path:
    """Where the bytes with this SHA-256 are kept."""
    return folder / ORIGINALS / sha256


def sweep_parts(folder: Path) -> None:
    """Takes away half-written files that a killed run left behind more than an hour ago."""
    for part in folder.glob(f".*{_PART}"):
        with contextlib.suppress(OSError):
            if time.time() - part.stat().st_mtime > _STALE_SECONDS:
                part.unlink()
