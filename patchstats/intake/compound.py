"""Compound: the container of an .xls file, and whether its tables of sectors can be followed to an end.

A damaged container may send its reader round in a circle, or far beyond the file's end, until the computer's memory is
full; so it is looked through first. Format: [MS-CFB], sections 2.2 to 2.6.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

MAGIC = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_LARGEST = 0xFFFFFFFA  # sectors have smaller numbers; greater ones mean the end of a chain, free, or a table
_HEADER_BYTES = 512
_ENTRY_BYTES = 128
_STREAM, _ROOT = 2, 5
_MOST_ROWS, _MOST_COLUMNS, _MOST_CELLS = 65_536, 256, 4_000_000
_CELLS = (0x06, 0xD6, 0xBD, 0xBE, 0xFD, 0x201, 0x203, 0x204, 0x205, 0x27E)


def workbook_stream(data: bytes) -> bytes | None:
    """The stream ``Workbook`` (before 1997 ``Book``) of a compound file; None when the container is damaged."""
    try:
        return _Compound(data).workbook()
    except (_DamagedError, struct.error):
        return None


class _DamagedError(Exception):
    pass


class _Compound:
    def __init__(self, data: bytes):
        if len(data) < _HEADER_BYTES or data[:8] != MAGIC or struct.unpack_from("<H", data, 30)[0] not in (9, 12):
            raise _DamagedError
        self.data, self.size = data, 1 << struct.unpack_from("<H", data, 30)[0]
        self.count = -(-(len(data) - self.size) // self.size)
        counts = struct.unpack_from("<III", data, 40)[:2] + struct.unpack_from("<I", data, 64) + struct.unpack_from(
            "<I", data, 72)
        if max(counts) > self.count or struct.unpack_from("<H", data, 32)[0] != 6:
            raise _DamagedError
        self.table = self._table()
        _follow_all(self.table, self.count)

    def workbook(self) -> bytes:
        folder = self._chain(struct.unpack_from("<I", self.data, 48)[0])
        cutoff, small_start = struct.unpack_from("<II", self.data, 56)
        small = self._chain(small_start) if small_start < _LARGEST else b""
        small_table = list(struct.unpack(f"<{len(small) // 4}I", small))
        found = shorts = b""
        for at in range(0, len(folder) - _ENTRY_BYTES + 1, _ENTRY_BYTES):
            kind = folder[at + 66]
            start, length = struct.unpack_from("<II", folder, at + 116)
            if kind not in (_STREAM, _ROOT):
                continue
            if length > len(self.data) or self.size == 4096 and struct.unpack_from("<I", folder, at + 124)[0]:
                raise _DamagedError
            name = folder[at:at + 64].decode("utf-16-le", "replace").split("\x00")[0]
            if kind == _ROOT:
                shorts = self._chain(start) if start < _LARGEST else b""
                _follow_all(small_table, len(shorts) // 64)
            elif length >= cutoff:
                stream = self._chain(start)[:length]
                found = stream if name in ("Workbook", "Book") else found
            elif length and start >= len(small_table):
                raise _DamagedError
        return found

    def _table(self) -> list[int]:
        """The successor of each sector."""
        places = list(struct.unpack_from("<109I", self.data, 76))
        more, read = struct.unpack_from("<I", self.data, 68)[0], 0
        while more < _LARGEST and (read := read + 1) <= self.count:  # the places of further parts of the table
            *places_there, more = struct.unpack(f"<{self.size // 4}I", self._sector(more).ljust(self.size, b"\xff"))
            places += places_there
        parts = [self._sector(place) for place in places if place < _LARGEST]
        return [n for part in parts for n in struct.unpack(f"<{len(part) // 4}I", part[:len(part) // 4 * 4])]

    def _sector(self, number: int) -> bytes:
        if number >= self.count:
            raise _DamagedError
        return self.data[(number + 1) * self.size:(number + 2) * self.size]

    def _chain(self, number: int) -> bytes:
        read = []
        while number < _LARGEST:
            read.append(self._sector(number))
            if number >= len(self.table) or len(read) > self.count:
                raise _DamagedError
            number = self.table[number]
        return b"".join(read)


def _follow_all(table: list[int], count: int) -> None:
    """Raises when a chain of a table leaves its ``count`` sectors or comes back to where it was."""
    seen = [0] * len(table)  # the walk on which each was met
    for walk, start in enumerate(range(len(table)), start=1):
        at = start
        while at < len(table) and not seen[at]:
            seen[at] = walk
            following = table[at]
            if following < _LARGEST and following >= count:
                raise _DamagedError
            at = following
        if at < len(table) and seen[at] == walk:
            raise _DamagedError


def is_modest(stream: bytes) -> bool:
    """Whether the records of a workbook stream speak of no more cells and words than a sheet of this format can hold.

    Its reader takes room for all that the records announce ([MS-XLS] 2.4: Dimensions, SST, and the cells themselves).
    """
    starts = {0}
    for code, body in _records(stream, 0):
        if code == 0x85 and len(body) >= 4:  # where a sheet begins
            starts.add(struct.unpack_from("<I", body)[0])
    return all(_is_modest(code, body, len(stream)) for start in starts for code, body in _records(stream, start))


def _is_modest(code: int, body: bytes, longest: int) -> bool:
    if code == 0x200 and len(body) >= 14:
        first, last, left, right = struct.unpack_from("<IIHH", body)
        modest = first <= last <= _MOST_ROWS and left <= right <= _MOST_COLUMNS
        return modest and (last - first) * (right - left) <= _MOST_CELLS
    if code == 0x00 and len(body) >= 8:
        first, last, left, right = struct.unpack_from("<HHHH", body)
        return first <= last and left <= right <= _MOST_COLUMNS
    if code == 0xFC and len(body) >= 8:
        return max(struct.unpack_from("<II", body)) <= longest
    if code in _CELLS and len(body) >= 4:
        return struct.unpack_from("<HH", body)[1] < _MOST_COLUMNS
    return True


def _records(stream: bytes, at: int) -> Iterator[tuple[int, bytes]]:
    while at + 4 <= len(stream):
        code, size = struct.unpack_from("<HH", stream, at)
        yield code, stream[at + 4:at + 4 + size]
        if code == 0x0A:
            return
        at += 4 + size
