"""Page: one sheet of a file as records of cells, with a ledger in which every non-blank cell is accounted for.

The ledger is how nothing gets lost: a cell is *used* (it is a heading, a fact or a value of a table) or *spoken of*
(a remark names its place). Whatever is neither when the reading ends gets a remark of its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from patchstats.remark_kinds import kind
from patchstats.remarks import Remark, remark

BLANK, OPEN, USED, SPOKEN = 0, 1, 2, 3


@dataclass
class Page:
    """A sheet: ``cells[record][position]`` as written, ``lines[record]`` its line, ``label`` how remarks name it.

    ``sheet``: the name on its tab, of a workbook with several.
    """

    label: str
    cells: list[list[str]]
    lines: list[int]
    delimiter: str = ","
    sheet: str = ""
    remarks: list[Remark] = field(default_factory=list)
    headed: list[tuple[int, dict[int, str]]] = field(default_factory=list)  # from a record on: position -> heading
    labels: dict[tuple[int, int], str] = field(default_factory=dict)  # a fact's cell -> what the fact is called
    fate: np.ndarray = field(init=False)

    def __post_init__(self):
        width = max((len(row) for row in self.cells), default=0)
        self.fate = np.zeros((len(self.cells), width), dtype=np.int8)
        for record, row in enumerate(self.cells):
            for position, text in enumerate(row):
                if text and not text.isspace():
                    self.fate[record, position] = OPEN

    def blank(self, record: int) -> bool:
        return not self.fate[record].any()

    def full(self, record: int) -> list[int]:
        """Positions of a record's non-blank cells."""
        return np.flatnonzero(self.fate[record]).tolist()

    def text(self, record: int, position: int) -> str:
        row = self.cells[record]
        return row[position].strip() if position < len(row) else ""

    def use(self, record: int, position: int) -> None:
        """The cell is in a table, or is a heading or a fact that was understood."""
        if self.fate[record, position] != BLANK:
            self.fate[record, position] = USED

    def unuse(self, record: int, position: int) -> None:
        """The cell was thought to be used and is not: it must be spoken of after all."""
        if self.fate[record, position] == USED:
            self.fate[record, position] = OPEN

    def give_up(self, record: int) -> None:
        """No cell of the record is used after all: it is to be spoken of as a whole."""
        for position in self.full(record):
            self.unuse(record, position)

    def use_record(self, record: int, positions: Iterable[int] | None = None) -> None:
        for position in self.full(record) if positions is None else positions:
            self.use(record, position)

    def name(self, record: int, position: int) -> str:
        """What remarks call the column of a cell: its heading or its fact's name as written, or its number."""
        if (record, position) in self.labels:
            return self.labels[record, position]
        for start, names in reversed(self.headed):
            if start <= record:
                return names.get(position) or f"{position + 1}"
        return f"{position + 1}"

    def say(self, code: str, record: int | None = None, position: int | None = None, *, read: str | None = None,
            also: Sequence[tuple[int, int]] = (), mark: bool = True, **facts) -> None:
        """A remark at a cell (or a record, or the whole page), which makes its cells spoken of.

        ``also`` names further cells that the same remark covers. A fact called ``column`` names the column.
        ``mark`` False: a remark in passing, that speaks for no cell.
        """
        if record is None:
            self.remarks.append(remark(kind(code), self.label, 0, str(facts.pop("column", "")), read or "", **facts))
        else:
            column = "" if position is None else self.name(record, position)
            if read is None:
                read = self.text(record, position) if position is not None else self.words(record)
            self.remarks.append(remark(kind(code), self.label, self.lines[record], column, read, **facts))
            places = [(record, p) for p in self.full(record)] if position is None else [(record, position)]
            self.spoken(places if mark else [])
        self.spoken(also)

    def spoken(self, places: Iterable[tuple[int, int]]) -> None:
        for record, position in places:
            if self.fate[record, position] == OPEN:
                self.fate[record, position] = SPOKEN

    def words(self, record: int) -> str:
        """A whole record as written, for a remark."""
        joint = " | " if self.delimiter in ("\t", "|", "  ", " ", "day ") else f"{self.delimiter} "
        return joint.join(text.strip() for text in self.cells[record] if text.strip())

    def close(self) -> None:
        """Speak of every cell that nothing has used or spoken of."""
        for record in np.flatnonzero((self.fate == OPEN).any(axis=1)).tolist():
            left = np.flatnonzero(self.fate[record] == OPEN).tolist()
            if len(left) == len(self.full(record)):
                self.say("line-not-understood", record)
            else:
                for position in left:
                    self.say("cell-not-read", record, position, expected="part of this line",
                             wanted="it under a heading of its own")

    def counts(self) -> tuple[int, int, int]:
        """Records read (not blank), kept (a cell of theirs is used) and listed (only spoken of)."""
        read = int((self.fate != BLANK).any(axis=1).sum())
        kept = int((self.fate == USED).any(axis=1).sum())
        return read, kept, read - kept
