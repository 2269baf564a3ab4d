"""Read: a member's file to tables and remarks. The only part of the reader that the rest of the project calls."""

from __future__ import annotations

import functools
import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pandas as pd

from patchstats import tables
from patchstats.intake import fast, sense
from patchstats.intake.bytes import LARGEST_BYTES, in_words, open_bytes
from patchstats.intake.concepts import CONCEPTS, NAMES
from patchstats.intake.dates import year_of
from patchstats.intake.emit import Emitter
from patchstats.intake.exported import list_of, read_exported, table_of
from patchstats.intake.fastframes import together
from patchstats.intake.harvest import Harvest, Row
from patchstats.intake.headings import Words
from patchstats.intake.identity import give_fact_uses
from patchstats.intake.layout import Laid, lay_out
from patchstats.intake.names import alike, grower_of_file
from patchstats.intake.page import Page
from patchstats.intake.records import COLON, JOTS, SPACE, SPACES, split_text
from patchstats.intake.results import complete_results, join_names, results_page
from patchstats.intake.settings import Settings
from patchstats.intake.settle import settle
from patchstats.intake.titles import take_names
from patchstats.intake.values import UNIT_WORDS, Told
from patchstats.intake.workbook import share_among_sheets
from patchstats.remark_kinds import kind
from patchstats.remarks import SEVERITIES, IntakeError, Remark, remark

_DELIMITER_WORDS = {
    ",": "comma",
    ";": "semicolon",
    "\t": "tab",
    "|": "upright stroke",
    SPACES: "spaces",
    SPACE: "space",
    COLON: "colon",
    JOTS: "day, then readings",
}


@dataclass(frozen=True)
class Intake:
    """What was read of one file.

    ``tables`` conform to the data dictionary (stored tables with rows only); ``remarks`` name all that is in none of
    them; ``rows_read`` (lines that are not blank) = ``rows_kept`` + ``rows_listed``; ``understood`` says in words how
    the file was read.
    """

    name: str
    sha256: str
    tables: Mapping[str, pd.DataFrame] = field(repr=False)
    remarks: tuple[Remark, ...] = field(repr=False)
    rows_read: int
    rows_kept: int
    rows_listed: int
    understood: Mapping[str, str] = field(repr=False)

    def __post_init__(self):
        object.__setattr__(self, "tables", MappingProxyType(dict(self.tables)))
        object.__setattr__(self, "understood", MappingProxyType(dict(self.understood)))

    def _markdown(self) -> str:
        lines = [f"**{self.name}**: {self.rows_read} lines read, {self.rows_kept} kept, {self.rows_listed} listed.", ""]
        lines += [f"* {key}: {value}" for key, value in self.understood.items()]
        lines += [f"* {name}: {len(frame)} rows" for name, frame in self.tables.items()]
        if self.remarks:
            lines += ["", "| severity | place | what |", "| --- | --- | --- |"]
            for r in sorted(self.remarks, key=lambda r: SEVERITIES.index(r.severity)):
                what = f"{r.message} {r.advice}".replace("|", "\\|").replace("\n", " ")
                lines.append(f"| {r.severity} | {r.place.replace('|', chr(92) + '|')} | {what} |")
        return "\n".join(lines)

    def _repr_markdown_(self) -> str:
        return self._markdown()

    def __repr__(self) -> str:
        return self._markdown()


def read_file(path: str | Path, *, settings: Settings | None = None) -> Intake:
    """One file from the disk; raises :class:`IntakeError` when it cannot be opened or is too large to be a log."""
    path = Path(path)
    try:
        size = path.stat().st_size
        if size > LARGEST_BYTES:
            raise IntakeError(
                f"{path.name} is {in_words(size)} large; files over {in_words(LARGEST_BYTES)} are not opened. "
                "Save only the sheet with the log as CSV."
            )
        data = path.read_bytes()
    except OSError as error:
        raise IntakeError(f"{path.name} cannot be read: {error.strerror}.") from error
    return read_bytes(data, path.name, settings=settings)


def read_folder(folder: str | Path, *, settings: Settings | None = None) -> list[Intake]:
    """Every file in a folder and below it, hidden ones left out, in order of their names.

    Raises :class:`IntakeError` when there is no such folder, or nothing in it.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise IntakeError(f"There is no folder {folder}.")
    files = sorted(p for p in folder.rglob("*") if p.is_file() and not any(
        part.startswith(".") for part in p.relative_to(folder).parts))
    if not files:
        raise IntakeError(f"The folder {folder} holds no files.")
    return [read_file(path, settings=settings) for path in files]


def read_bytes(data: bytes, name: str, *, settings: Settings | None = None) -> Intake:
    """One file's bytes, judged by their content; never raises for what a file holds.

    Deterministic: the same bytes, name and settings give the same tables and remarks.
    """
    return _read(data, name, settings)[0]


def account(data: bytes, name: str, *, settings: Settings | None = None) -> pd.DataFrame:
    """What became of every non-blank cell of a file: page, line, position (from 1), text, and fate.

    ``fate`` is "used" (a heading, a fact or a value that is in the tables) or "remark" (a remark names its place);
    there is no third. For the curious, and for the tests of that law.
    """
    words_of_fate = {1: "lost", 2: "used", 3: "remark"}
    rows = [
        (
            page.label,
            page.lines[record],
            position + 1,
            page.text(record, position),
            words_of_fate[int(page.fate[record, position])],
        )
        for page in _read(data, name, settings)[1]
        for record in range(len(page.cells))
        for position in page.full(record)
    ]
    return pd.DataFrame(rows, columns=["page", "line", "position", "text", "fate"])


def _read(data: bytes, name: str, settings: Settings | None, *, quick: bool = True) -> tuple[Intake, list[Page]]:
    settings = settings or Settings()
    digest = hashlib.sha256(data).hexdigest()
    words = _words(tuple(settings.heading_words.items()))
    clean = fast.prepare(data, words, settings, name) if quick else None
    if clean is not None:
        return _joined(clean, digest, settings, name)
    opened = open_bytes(data, name)
    if opened.text is None and not opened.sheets:
        return Intake(name, digest, {}, tuple(opened.remarks), 0, 0, 0, {}), []
    pages = _pages(opened, name)
    laid = [_laid(page, words) for page in pages]
    if opened.text is not None and not laid[0].layout.startswith("a ") and not any(b.columns for b in laid[0].blocks):
        listed = results_page(opened.text, name, words)
        pages, laid = ([listed[0]], [listed[1]]) if listed else (pages, laid)
    if len(pages) == 1 and not settings.grower and not _names_grower(laid) and not grower_of_file(name):
        take_names(pages[0], laid[0].blocks, laid[0].titles)
    share_among_sheets(pages, laid, settings, name)
    complete_results(pages, laid, name)
    told = settle(pages, laid, words, settings, name)
    result, harvest = _harvested(pages, laid, told, settings, name)
    remarks = (*opened.remarks, *result, *alike(harvest.named, name))
    counts = _counts(pages)
    understood = _understood(opened.encoding, pages, laid, told, harvest.named)
    return Intake(name, digest, _frames(harvest), remarks, *counts, understood), pages


def _laid(page: Page, words: Words) -> Laid:
    if table_of(page):
        return Laid(layout="a table of the club")
    if list_of(page):
        return Laid(layout="a list of the club")
    join_names(page)
    return lay_out(page, words)


def _joined(clean: fast.Clean, digest: str, settings: Settings, name: str) -> tuple[Intake, list[Page]]:
    """The fruits that were read all at once, and those with something to speak of, read line by line, together."""
    remarks, harvest = _harvested([clean.page], [clean.laid], clean.told, settings, name)
    frames = together(clean.tables, _frames(harvest), clean.twice)
    named = {
        table: list(frame[tables.table(table).key[0]]) for table, frame in frames.items() if table in harvest.named
    }
    remarks += alike(named, name)
    read, kept, listed = _counts([clean.page])
    understood = _understood("UTF-8", [clean.page], [clean.laid], clean.told, named)
    return Intake(name, digest, frames, tuple(remarks), read + clean.rows, kept + clean.rows, listed, understood), [
        clean.page
    ]


def _counts(pages: list[Page]) -> tuple[int, int, int]:
    counted = [page.counts() for page in pages]
    return sum(c[0] for c in counted), sum(c[1] for c in counted), sum(c[2] for c in counted)


def _harvested(pages: list[Page], laid: list[Laid], told: Told, settings: Settings, name: str):
    """The rows of all blocks, checked, and the remarks of all pages."""
    harvest = Harvest()
    grower = None
    if not settings.grower and not _names_grower(laid):
        grower = grower_of_file(name)
    for page, found in zip(pages, laid, strict=True):
        if table := table_of(page):
            read_exported(page, table, harvest)
        elif what := list_of(page):
            page.say("club-list", 0, what=what, also=[(r, p) for r in range(len(page.cells)) for p in page.full(r)])
        readers = []
        for block in found.blocks:
            reader = Emitter(page, block, told, settings, harvest, grower)
            reader.read()
            reader.give()
            readers.append(reader)
        for reader in readers:
            reader.give_labelled()
        for block in found.blocks:
            for fact in give_fact_uses(block, page, harvest.used_facts):
                if "grower" in harvest.unnamed:  # what waits is the name: that is said of the whole log
                    page.unuse(fact.record, fact.position)
                    page.spoken([(fact.record, fact.position)])
                elif page.fate[fact.record, fact.position] == 2:
                    page.unuse(fact.record, fact.position)
                    undated = fact.concept == "scale" and not {"date", "end_date"} & set(block.facts)
                    code = "weight-without-day" if undated else "fact-not-used"
                    page.say(code, fact.record, fact.position, read=fact.text,
                             what=CONCEPTS[fact.concept].title)
    harvest.speak_of_idle()
    _ask_names(pages, harvest, grower, name)
    sense.check(harvest)
    remarks: list[Remark] = []
    if not any(found.blocks or found.layout for found in laid) and any(len(page.cells) for page in pages):
        remarks.append(remark(kind("nothing-understood"), name))
    for page in pages:
        page.close()
        remarks += page.remarks
    return remarks, harvest


@functools.lru_cache(maxsize=8)
def _words(own: tuple[tuple[str, str], ...]) -> Words:
    return Words(dict(own))


def _pages(opened, name: str) -> list[Page]:
    if opened.text is not None:
        split = split_text(opened.text)
        page = Page(name, split.cells, split.lines, split.delimiter)
        for record, line in split.broken:
            page.remarks.append(remark(kind("quote-broken"), name, split.lines[record], "", line, before=line,
                                       after=page.words(record)))
        return [page]
    several = len(opened.sheets) > 1
    pages = []
    for sheet, grid in opened.sheets:
        label = f"{name}, sheet {sheet}" if several else name
        page = Page(label, grid, list(range(1, len(grid) + 1)), "\t", sheet if several else "")
        if not page.fate.any():
            page.remarks.append(remark(kind("sheet-empty"), label, sheet=sheet))
        pages.append(page)
    return pages


def _names_grower(laid: list[Laid]) -> bool:
    return any("grower" in b.facts or "grower" in b.concepts for found in laid for b in found.blocks)


def _ask_names(pages: list[Page], harvest: Harvest, grower: str | None, name: str) -> None:
    for what, places in harvest.unnamed.items():
        page, record = places[0]
        page.say(f"{what}-missing", None, None, count=len(places))
        for at, row in places:
            at.spoken((row, p) for p in at.full(row))
    if grower and harvest.named.get("growers"):
        pages[0].say("grower-from-name", None, None, read=grower)
    if harvest.fruit_unnamed:
        pages[0].say("fruit-unnamed", None, None, before="", after=harvest.fruit_unnamed)


def _frames(harvest: Harvest) -> dict[str, pd.DataFrame]:
    frames = {}
    for table in tables.STORED:
        rows: list[Row] = [*harvest.rows.get(table, []), *harvest.named.get(table, {}).values(),
                           *harvest.exported.get(table, [])]
        if rows:
            frames[table] = _frame(table, rows)
    return frames


def _frame(table: str, rows: list[Row]) -> pd.DataFrame:
    """The rows as a table that conforms to the dictionary: what ``tables.conform`` would make, without its detours."""
    made: dict[str, object] = {}
    for column in tables.table(table).columns:
        listed = [row.values.get(column.name) for row in rows]
        if column.name == "file":
            listed = [value or row.page.label for value, row in zip(listed, rows, strict=True)]
        elif column.name == "line":
            listed = [row.page.lines[row.record] if value is None and row.page.lines else value or 0
                      for value, row in zip(listed, rows, strict=True)]
        made[column.name] = _array(column.kind, listed)
    return pd.DataFrame(made)


def _array(kind_of_column: str, listed: list):
    if kind_of_column in ("text", "choice"):
        out = np.empty(len(listed), dtype=object)
        out[:] = listed
        return out
    if kind_of_column == "number":
        return np.array([np.nan if v is None else v for v in listed], dtype="float64")
    if kind_of_column == "date":
        return np.array(["NaT" if v is None else v for v in listed], dtype="datetime64[ns]")
    absent = np.array([v is None for v in listed], dtype=bool)
    if kind_of_column == "count":
        return pd.arrays.IntegerArray(np.array([0 if v is None else v for v in listed], dtype="int64"), absent)
    return pd.arrays.BooleanArray(np.array([bool(v) for v in listed], dtype=bool), absent)


def _understood(encoding: str, pages: list[Page], laid: list[Laid], told: Told,
                named: Mapping[str, Iterable[object]]) -> dict[str, str]:
    made = {"encoding": encoding}
    if encoding != "workbook":
        made["delimiter"] = _DELIMITER_WORDS.get(pages[0].delimiter, repr(pages[0].delimiter))
    else:
        made["sheets"] = str(len(pages))
    made["layout"] = next((found.layout for found in laid if found.layout), "none")
    if told.decimal:
        made["decimal sign"] = "comma" if told.decimal == "," else "point"
    if told.calendar.order:
        made["date order"] = f"{told.calendar.order}, {told.calendar.why}"
    tapes = {c.unit for found in laid for b in found.blocks for c in b.columns if CONCEPTS[c.concept].kind in (
        "length", "three")}
    if tapes:
        unit, _, why = told.company.length()
        stated = [UNIT_WORDS[u] for u in sorted(tapes - {""})]
        if "" in tapes and not (unit and stated == [UNIT_WORDS[unit]]):
            stated.append(f"{UNIT_WORDS[unit]}, since {why}" if unit else "the unit of each cell, or none")
        made["tapes in"] = " and ".join(stated)
    if told.calendar.season:
        made["season"] = (
            f"{told.calendar.season}, from {told.season_from}" if told.season_from else str(told.calendar.season)
        )
    for table, title in (("growers", "grower"), ("patches", "patch"), ("fruits", "fruit")):
        keys = list(named.get(table, ()))
        if keys:
            made[title] = ", ".join(map(str, keys[:5])) + (f" and {len(keys) - 5} more" if len(keys) > 5 else "")
    return {key: value for key, value in made.items() if value}


__all__ = ["NAMES", "Intake", "Settings", "read_bytes", "read_file", "read_folder", "year_of"]
