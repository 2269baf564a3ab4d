"""Receipts: what became of one file that was handed in, in words that a member understands.

One list of blocks is made from a receipt (:func:`blocks`); text, Markdown and HTML are three spellings of it.
"""

from __future__ import annotations

import html
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from itertools import groupby
from types import MappingProxyType

from patchstats.remarks import SEVERITIES, Kind, Remark

STATUSES = ("taken in", "already taken in", "preview", "refused", "taken back")

HEADINGS = {
    "refused": "Not used: please write these again",
    "asked": "We need to ask",
    "blanked": "Left empty",
    "repaired": "Repaired for you: please check",
    "noted": "Kept as written, worth a look",
}
OPEN = ("asked", "refused", "blanked")  # the severities that wait for somebody
_KEPT = {"readings": ("taping", "tapings"), "sizes": ("plant size", "plant sizes"),
         "soil": ("soil temperature", "soil temperatures"), "weather": ("day of weather", "days of weather"),
         "flowers": ("pollination", "pollinations"), "weighings": ("weighing", "weighings"),
         "fruits": ("fruit", "fruits"), "plants": ("plant", "plants"), "patches": ("patch", "patches"),
         "seeds": ("seed line", "seed lines"), "growers": ("grower", "growers")}
_SHOWN_PLACES = 12


@dataclass(frozen=True)
class Receipt:
    """What became of one file.

    ``number`` is its place in the club book (0 when nothing was kept); ``status`` is one of ``STATUSES``;
    ``kept`` counts the rows by table; ``rows_read`` is ``rows_kept`` + ``rows_listed``; ``reason`` says why a file
    was refused or taken back.
    """

    number: int
    name: str
    sha256: str
    size_bytes: int
    status: str
    taken_in: str = ""
    rows_read: int = 0
    rows_kept: int = 0
    rows_listed: int = 0
    kept: Mapping[str, int] = field(default_factory=dict)
    understood: Mapping[str, str] = field(default_factory=dict)
    remarks: tuple[Remark, ...] = ()
    reason: str = ""
    replaced_by: int = 0

    def __post_init__(self):
        if self.status not in STATUSES:
            raise ValueError(f"status {self.status!r} is not one of {STATUSES}")
        object.__setattr__(self, "kept", MappingProxyType(dict(self.kept)))
        object.__setattr__(self, "understood", MappingProxyType(dict(self.understood)))

    def __reduce__(self):
        values = (getattr(self, f.name) for f in fields(self))
        return Receipt, tuple(dict(v) if isinstance(v, MappingProxyType) else v for v in values)

    def _markdown(self) -> str:
        return _spell(blocks(self), _markdown_block)

    def _repr_markdown_(self) -> str:
        return self._markdown()

    def __repr__(self) -> str:
        return as_text(self)


@dataclass(frozen=True)
class Block:
    """A piece of a receipt: ``kind`` is heading, subheading, words or places (one line each)."""

    kind: str
    lines: tuple[str, ...]


def as_text(receipt: Receipt) -> str:
    """A receipt as plain text, lines of at most about 100 letters where the member's own words allow."""
    return _spell(blocks(receipt), _text_block)


def as_html(receipt: Receipt, *, chart: str = "") -> str:
    """A receipt as a piece of HTML (an ``article``), everything from the member's file escaped.

    ``chart`` is a finished piece of HTML or SVG, such as the member's own growth chart, put at the end.
    """
    body = _spell(blocks(receipt), _html_block)
    return f'<article class="receipt">\n{body}{chart}</article>\n'


def blocks(receipt: Receipt) -> list[Block]:
    """A receipt as blocks, worst first: the one source of its text, Markdown and HTML."""
    out = [Block("heading", (_title(receipt),)), Block("words", tuple(_opening(receipt)))]
    if receipt.understood and receipt.status in ("taken in", "preview"):
        out.append(Block("subheading", ("How we read it",)))
        out.append(Block("places", tuple(f"{key}: {value}" for key, value in receipt.understood.items())))
    rank = {name: place for place, name in enumerate(SEVERITIES)}
    ordered = sorted(receipt.remarks, key=lambda r: (rank[r.severity], r.code, r.file, r.line, r.column))
    for severity, of_severity in groupby(ordered, key=lambda r: r.severity):
        out.append(Block("subheading", (HEADINGS[severity],)))
        for _, group in groupby(of_severity, key=lambda r: r.code):
            out += _group(list(group))
    return out


def settled(remark: Remark) -> Remark:
    """The same remark with its message and advice filled in for good, as the book keeps it."""
    kind = remark.kind
    return remembered(remark.severity, remark.code, kind.title, kind.teaching, remark.file, remark.line,
                      remark.column, remark.read, remark.message, remark.advice, remark.before, remark.after)


def remembered(severity: str, code: str, title: str, teaching: str, file: str, line: int, column: str, read: str,
               message: str, advice: str, before: str, after: str) -> Remark:
    """A remark as read back from the book."""
    kind = Kind(code, severity, title, teaching, _plain(message), _plain(advice))
    return Remark(kind, file, line, column, read, before, after)


def _plain(text: str) -> str:
    return text.replace("{", "{{").replace("}", "}}")


def _title(receipt: Receipt) -> str:
    if receipt.number:
        return f"Receipt {receipt.number}: {receipt.name}"
    return f"{'Preview' if receipt.status == 'preview' else 'No receipt'}: {receipt.name}"


def _opening(receipt: Receipt) -> list[str]:
    if receipt.status == "refused":
        return [f"This file was not taken in. {receipt.reason}"]
    if receipt.status == "already taken in":
        return [f"This file is in the club book already, as receipt {receipt.number}; nothing was changed. "
                f"{receipt.reason}"]
    lines = []
    if receipt.status == "taken back":
        lines.append("Taken back: nothing of this file counts any more." + (
            f" Receipt {receipt.replaced_by} takes its place." if receipt.replaced_by else "")
            + (f" Why: {receipt.reason}" if receipt.reason else ""))
    verb = "would be kept" if receipt.status == "preview" else "kept"
    lines.append(f"Lines read: {receipt.rows_read}; {verb}: {receipt.rows_kept}; listed below: {receipt.rows_listed}.")
    kept = [f"{count} {_KEPT[name][count != 1]}" for name, count in receipt.kept.items() if count and name in _KEPT]
    lines.append(f"{'In it' if receipt.status == 'preview' else 'Kept'}: {', '.join(kept)}." if kept else
                 "Nothing of it could be kept.")
    if not receipt.remarks and receipt.rows_kept:
        lines.append("Everything was understood. Thank you.")
    return lines


def _group(remarks: list[Remark]) -> list[Block]:
    first = remarks[0]
    times = "" if len(remarks) == 1 else f" ({len(remarks)} times)"
    shared = first.advice if len(remarks) > 1 and all(r.advice == first.advice for r in remarks) else ""
    lines = [_place(r, advise=not shared) for r in remarks[:_SHOWN_PLACES]]
    for sheet, more in groupby(remarks[_SHOWN_PLACES:], key=sheet_of):
        rest = [r.line for r in more]
        where = f"line{'s' if len(set(rest)) > 1 else ''} {_runs(rest)}" + (f" of {sheet}" if sheet else "")
        lines.append(f"and {len(rest)} more, on {where}")
    title = f"{first.kind.title}{times}"
    title += "" if title.endswith("?") else "."
    out = [Block("words", tuple(x for x in (title, first.kind.teaching) if x)),
           Block("places", tuple(lines))]
    return [*out, Block("words", (shared,))] if shared else out


def _place(remark: Remark, *, advise: bool) -> str:
    words = [sheet] if (sheet := sheet_of(remark)) else []
    words += [f"line {remark.line}"] if remark.line else []
    words += [f"column {remark.column}"] if remark.column else []
    where = ", ".join(words) or "the whole file"
    told = remark.message if remark.before in remark.message and remark.after in remark.message else (
        f"{remark.message} Before: {remark.before}; after: {remark.after}.")
    return f"{where}: {told} {remark.advice if advise else ''}".strip()


def sheet_of(remark: Remark) -> str:
    """The sheet of a workbook with several that a remark speaks of, in words; empty for any other file."""
    name, found, sheet = remark.file.rpartition(", sheet ")
    return f"sheet {sheet}" if found and name else ""


def _runs(lines: list[int]) -> str:
    """Line numbers as runs.

    >>> _runs([4, 5, 6, 9])
    '4 to 6, 9'
    """
    runs: list[list[int]] = []
    for line in sorted(set(lines)):
        if runs and line == runs[-1][1] + 1:
            runs[-1][1] = line
        else:
            runs.append([line, line])
    return ", ".join(str(a) if a == b else f"{a} to {b}" for a, b in runs)


def _spell(pieces: list[Block], spelling) -> str:
    return "".join(spelling(piece) for piece in pieces)


def _text_block(block: Block) -> str:
    lines = [_one_line(line) for line in block.lines]
    if block.kind in ("heading", "subheading"):
        rule = "=" if block.kind == "heading" else "-"
        return ("" if block.kind == "heading" else "\n") + f"{lines[0]}\n{rule * len(lines[0])}\n"
    mark = "  - " if block.kind == "places" else ""
    return "".join(f"{mark}{line}\n" for line in lines)


def _markdown_block(block: Block) -> str:
    lines = [_escaped(_one_line(line)) for line in block.lines]
    if block.kind == "heading":
        return f"### {lines[0]}\n\n"
    if block.kind == "subheading":
        return f"#### {lines[0]}\n\n"
    if block.kind == "places":
        return "".join(f"- {line}\n" for line in lines) + "\n"
    return "\n\n".join(lines) + "\n\n"


def _html_block(block: Block) -> str:
    lines = [html.escape(_one_line(line)) for line in block.lines]
    if block.kind == "heading":
        return f"<h2>{lines[0]}</h2>\n"
    if block.kind == "subheading":
        return f"<h3>{lines[0]}</h3>\n"
    if block.kind == "places":
        return "<ul>\n" + "".join(f"<li>{line}</li>\n" for line in lines) + "</ul>\n"
    return "".join(f"<p>{line}</p>\n" for line in lines)


def _one_line(text: str) -> str:
    """Line breaks and control characters shown as a space, so that a cell cannot break the receipt."""
    return " ".join("".join(ch if ch.isprintable() else " " for ch in text).split())


def _escaped(text: str) -> str:
    return re.sub(r"([\\`*_{}\[\]<>#|~$&])", r"\\\1", text)
