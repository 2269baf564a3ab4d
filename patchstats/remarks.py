"""Remarks: what is said to a member about a line of a log, and the exceptions of the project.

Data is never lost. What cannot be used is kept as a remark that names the file, the line, the column,
what was read, why it could not be used, and what to write instead. The kinds of remark are data
(:mod:`patchstats.remark_kinds`); a remark is one kind at one place.
"""

from __future__ import annotations

import string
from collections.abc import Iterable
from dataclasses import dataclass, field

import pandas as pd


class PatchstatsError(Exception):
    """Any failure that a person can understand and mend; its text is one or two plain sentences."""


class OutOfRangeError(PatchstatsError):
    """A value outside what a published table, a curve or a formula speaks of."""


class ModelError(PatchstatsError):
    """A model that cannot be built or fitted as asked."""


class IntakeError(PatchstatsError):
    """A file or folder that cannot be taken in at all."""


class ClubError(PatchstatsError):
    """A club folder or club book that cannot be opened, read or written."""


class OutputError(PatchstatsError):
    """A place where results cannot be written."""


# Worst first. "refused": the line or file is in no table; "asked": two readings are possible, a person must
# choose; "blanked": the cell is left empty in the table; "repaired": kept after a sure repair, shown as before
# and after; "noted": kept as written, worth a look.
SEVERITIES = ("refused", "asked", "blanked", "repaired", "noted")

REMARK_COLUMNS = ("severity", "code", "file", "line", "column", "read", "message", "advice", "before", "after")


@dataclass(frozen=True)
class Kind:
    """A kind of remark.

    ``code`` is a short word-with-dashes; ``title`` names the fault; ``teaching`` explains it once, to someone who
    has never met it; ``message`` is a template filled with the facts of one place; ``advice`` says what to write
    instead (a template too).
    """

    code: str
    severity: str
    title: str
    teaching: str
    message: str
    advice: str

    def __post_init__(self):
        if self.severity not in SEVERITIES:
            raise ValueError(f"{self.code}: severity {self.severity!r} is not one of {SEVERITIES}")


@dataclass(frozen=True)
class Remark:
    """One kind of remark at one place in one file; ``line`` counts from 1 as an editor does (0: the whole file)."""

    kind: Kind
    file: str
    line: int = 0
    column: str = ""
    read: str = ""
    before: str = ""
    after: str = ""
    facts: tuple[tuple[str, str], ...] = field(default=())

    @property
    def severity(self) -> str:
        return self.kind.severity

    @property
    def code(self) -> str:
        return self.kind.code

    @property
    def message(self) -> str:
        return self._fill(self.kind.message)

    @property
    def advice(self) -> str:
        return self._fill(self.kind.advice)

    @property
    def place(self) -> str:
        """The place in words, such as ``log.csv, line 7, column SS``."""
        words = [self.file]
        if self.line:
            words.append(f"line {self.line}")
        if self.column:
            words.append(f"column {self.column}")
        return ", ".join(words)

    def _fill(self, template: str) -> str:
        known = {"file": self.file, "line": str(self.line), "column": self.column, "read": self.read,
                 "before": self.before, "after": self.after, **dict(self.facts)}
        if "count" in known:
            known = {**_counted(known["count"]), **known}
        return _Template().vformat(template, (), known)

    def __str__(self) -> str:
        return f"{self.place}: {self.message} {self.advice}".strip()


def _counted(count: str) -> dict[str, str]:
    """A count in the words that templates use: 1 cell waits, 2 cells wait."""
    one = count == "1"
    things = {f"{thing}s": f"{count} {thing}" + ("" if one else "s") for thing in ("cell", "line", "date")}
    return {**things, "were": "was" if one else "were", "wait": "waits" if one else "wait"}


class _Template(string.Formatter):
    """Fills only plain ``{name}`` fields: a member's text can never be read as a template."""

    def get_field(self, field_name, args, kwargs):
        return kwargs[field_name], field_name


def remark(kind: Kind, file: str, line: int = 0, column: str = "", read: str = "", *, before: str = "",
           after: str = "", **facts: object) -> Remark:
    """A remark of ``kind`` at a place; further keyword facts fill the kind's templates.

    Raises ``KeyError`` at once (not when shown) if a fact that the template names is missing.
    """
    made = Remark(kind, file, int(line), str(column), str(read), str(before), str(after),
                  tuple(sorted((name, str(value)) for name, value in facts.items())))
    _ = made.message, made.advice
    return made


def remarks_table(remarks: Iterable[Remark]) -> pd.DataFrame:
    """Remarks as a table, worst first, then by file and line.

    Columns: severity, code, file, line, column, read, message, advice, before, after.
    """
    rows = [(r.severity, r.code, r.file, r.line, r.column, r.read, r.message, r.advice, r.before, r.after)
            for r in remarks]
    frame = pd.DataFrame(rows, columns=list(REMARK_COLUMNS))
    order = frame["severity"].map({name: rank for rank, name in enumerate(SEVERITIES)})
    frame = frame.assign(_rank=order).sort_values(["_rank", "file", "line", "column"], kind="stable")
    return frame.drop(columns="_rank").reset_index(drop=True).astype({"line": "int64"})


def worst(remarks: Iterable[Remark]) -> str | None:
    """The worst severity present, or None when there are no remarks."""
    found = {r.severity for r in remarks}
    return next((name for name in SEVERITIES if name in found), None)
