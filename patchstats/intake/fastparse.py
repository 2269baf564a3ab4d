"""Fastparse: the rows of a large plain table as columns, straight from its bytes, all cells of a column at a time.

A parser made for data is forgiving: it passes over what stands beyond the last column, ends a cell at a null, fills a
short line up. A member's cell must not be lost that way. So a table is plain only when every line has a cell for every
column and no control character, and every tape in it is empty or a bare decimal number, such as 84.5; all else is the
ordinary reader's.

Eight bytes of each cell are read at once as one number, so equal cells are found by comparing numbers. Only the
distinct cells of a column become text and are looked at one by one: of tapes to a quarter of an inch there are a
thousand or two.
"""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd

from patchstats.intake.blocks import Block
from patchstats.intake.concepts import TAPE

_LONGEST = 64  # bytes of a cell; a longer one is neither name nor tape
_NUMBER = re.compile(r"[0-9]{1,15}(?:\.[0-9]{1,15})?")
# The lowest n bytes of eight, for n from 0 to 8.
_LOWEST = np.array([(1 << 8 * n) - 1 for n in range(9)], dtype=np.uint64)
_MIXER = np.uint64(0x9E3779B97F4A7C15)  # odd, so that multiplying by it loses no bit
# Pieces small enough to stay near the processor: on large arrays the time goes into fetching memory.
_BYTES_AT_ONCE = 1 << 17
_LINES_AT_ONCE = 1 << 15


class Cells:
    """Where every cell of a plain table starts and ends. ``plain`` is False when the table is none."""

    def __init__(self, rows: bytes | memoryview, delimiter: str, width: int):
        size = len(rows)
        signs = np.zeros(size + _LONGEST + 8, dtype=np.uint8)  # room to read eight bytes anywhere
        signs[:size] = np.frombuffer(rows, dtype=np.uint8)
        if size and signs[size - 1] != ord("\n"):
            signs[size] = ord("\n")
            size += 1
        self._signs = signs
        self._words = np.ndarray((len(signs) - 8,), dtype="<u8", buffer=signs.data, strides=(1,))
        found, controls, returns = [np.empty(0, dtype=np.int32)], 0, 0
        for at in range(0, size, _BYTES_AT_ONCE):
            piece = signs[at:min(at + _BYTES_AT_ONCE, size)]
            marks = np.flatnonzero((piece == ord(delimiter)) | (piece == ord("\n")))
            found.append((marks + at).astype(np.int32))  # no file that is opened is too large for that
            controls += int(np.count_nonzero(piece < 32))
            returns += int(np.count_nonzero(piece == ord("\r")))
        marks = np.concatenate(found)
        self.lines = len(marks) // width
        self.plain = size > 0 and len(marks) == self.lines * width and returns in (0, self.lines)
        if self.plain:
            self._marks = np.ascontiguousarray(marks.reshape(self.lines, width).T)
            self._returns = returns > 0
            line_ends = np.count_nonzero(signs[self._marks[-1]] == ord("\n"))
            expected = returns + (len(marks) if delimiter == "\t" else self.lines)
            # Every line ends where its last cell does, and there is no other control character.
            self.plain = line_ends == self.lines and controls == expected

    def numbers(self, column: int) -> np.ndarray | None:
        """The column as numbers, an empty cell as nan; None when a cell is neither."""
        named = self.names(column)
        if named is None or not all(_NUMBER.fullmatch(text) for text in named.categories):
            return None
        return np.array([*map(float, named.categories), np.nan])[named.codes]  # the code -1 is the last, nan

    def names(self, column: int) -> pd.Categorical | None:
        """The column as categories in order of appearance, an empty cell as missing; None when a cell is too long."""
        words: list[np.ndarray] = [np.zeros(self.lines, dtype="<u8")]
        for start in range(0, self.lines, _LINES_AT_ONCE):
            rows = slice(start, min(start + _LINES_AT_ONCE, self.lines))
            first, length = self._places(column, rows)
            longest = int(length.max())
            if longest > _LONGEST:
                return None
            for number, at in enumerate(range(0, longest, 8)):
                if number == len(words):
                    words.append(np.zeros(self.lines, dtype="<u8"))
                kept = np.minimum(np.maximum(length - at, 0), 8)
                words[number][rows] = self._words[first + at] & _LOWEST[kept]
        mixed = words[0]
        for word in words[1:]:
            mixed = mixed * _MIXER + word
        codes, distinct = pd.factorize(mixed)
        where = np.empty(len(distinct), dtype=np.int64)
        where[codes[::-1]] = np.arange(len(codes))[::-1]  # the last one written is each name's first row
        if len(words) > 1 and not all((word[where][codes] == word).all() for word in words):
            return None  # two names gave one number
        texts = [b"".join(word[row].tobytes() for word in words).rstrip(b"\0").decode() for row in where.tolist()]
        if "" in texts:
            gap = texts.index("")
            del texts[gap]
            codes = np.where(codes == gap, -1, codes - (codes > gap))
        return pd.Categorical.from_codes(codes, categories=pd.Index(texts, dtype=object))

    def _places(self, column: int, rows: slice) -> tuple[np.ndarray, np.ndarray]:
        """First byte and length of each cell of a column, spaces around it left out."""
        if column:
            first = self._marks[column - 1, rows] + 1
        elif rows.start:
            first = self._marks[-1, rows.start - 1:rows.stop - 1] + 1
        else:
            first = np.append(np.int32(0), self._marks[-1, :rows.stop - 1] + np.int32(1))
        past = self._marks[column, rows].copy()
        if self._returns and column == len(self._marks) - 1:
            past -= 1
        # A cell that is empty has delimiters on both sides, so no blank is found in it.
        while (blank := self._signs[first] == ord(" ")).any():
            first += blank
        while (blank := (self._signs[past - 1] == ord(" ")) & (first < past)).any():
            past -= blank
        return first, past - first


def parse_rows(body: bytes, block: Block, delimiter: str, start: int) -> pd.DataFrame | None:
    """The rows from line ``start`` (from 1) on: tapes as numbers, all else as categories; None when they aren't plain.

    Every cell of every line must belong to a column of the block.
    """
    where = {c.positions[0]: c.concept for c in block.columns}
    if sorted(where) != list(range(len(where))):
        return None
    offset = 0
    for _ in range(start - 1):
        offset = body.find(b"\n", offset) + 1
    cells = Cells(memoryview(body)[offset:], delimiter, len(where))
    if not cells.plain:
        return None
    with ThreadPoolExecutor(2) as pool:  # numpy lets go of Python's lock while it works on large pieces
        columns = list(pool.map(lambda p: (cells.numbers if where[p] in TAPE else cells.names)(p), range(len(where))))
    if any(column is None for column in columns):
        return None
    return pd.DataFrame({where[p]: column for p, column in enumerate(columns)}, copy=False)
