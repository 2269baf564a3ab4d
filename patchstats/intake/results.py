"""Results: lists of a weigh-off as a secretary writes them: a place, a name and a weight in a line, the day on top."""

from __future__ import annotations

import re
from pathlib import PurePath

from patchstats.intake.blocks import Block, Column, Fact, facts_of, joined
from patchstats.intake.cells import clean, is_disqualified, is_nothing, read_choice
from patchstats.intake.dates import MONTHS, WEEKDAYS, parse
from patchstats.intake.headings import Words, plain
from patchstats.intake.layout import Laid
from patchstats.intake.meaning import kinds_of
from patchstats.intake.page import BLANK, OPEN, Page
from patchstats.intake.titles import kind_of_line

_LINE = re.compile(
    r"\s*(?:(\d{1,3}|(?:dmg|exh|dq)(?=\s))(?:st|nd|rd|th)?\s*[.):,;\t-]?\s*)?"  # its place
    r"([^\W\d_][^\d,;\t|]*?)[\s,;\t|.:–—-]+"  # the grower
    r"((?:\d{1,3}(?:,\d{3})+(?:\.\d+)?|\d+(?:[.,]\d+)?)[\s,;\t|]*(?:lbs?\b|pounds?\b|kgs?\b)?)[.\s,;\t|(]*"
    r"((?:exh|dmg|damaged|official|dq|disq)\w*)?[.\s,;\t|)]*", re.IGNORECASE)
_LONGEST_LINE = 120  # no name and weight take more
_WEIGH_OFF = re.compile(r"weigh|results?\b|wiegen|ergebnis|pesee|weging", re.IGNORECASE)
_FIRST = ("first name", "first", "given name", "forename", "vorname", "prenom", "voornaam")
_LAST = ("last name", "last", "surname", "family name", "nachname", "nom", "achternaam")
_COLUMNS = {"rank": "place", "grower": "grower", "scale": "weight", "status": "status"}
_STATUS = re.compile(r"\s*(\d[\d.,]*\s*[a-z]*?)[\s(]+([a-z]+)\)?\s*", re.IGNORECASE)


def results_page(text: str, name: str, words: Words) -> tuple[Page, Laid] | None:
    """A text whose lines are places, names and weights, without headings, as a page and its block; None for others.

    Most lines must be such, and units or a word of the title must say that they are weights.
    """
    if len(text) > 200_000:
        return None
    lines = [(number, line) for number, line in enumerate(text.split("\n"), start=1) if line.strip()]
    found = {number: entry for number, line in lines if (entry := _entry(line.rstrip("\r"), words))}
    rest = " ".join([plain(name), *(line for number, line in lines if number not in found)])
    weighed = sum(bool(re.search("[a-z]", entry[2], re.IGNORECASE)) for entry in found.values())
    if len(found) < 2 or len(found) < 0.6 * len(lines) or not (_WEIGH_OFF.search(rest) or 2 * weighed > len(found)):
        return None
    page = Page(name, [list(found.get(n, (line.strip(),))) for n, line in lines], [n for n, _ in lines], " ")
    rows = [record for record, (number, _) in enumerate(lines) if number in found]
    used = [p for p in range(4) if any(page.text(r, p) for r in rows)]
    concepts = list(_COLUMNS)
    page.headed.append((rows[0], {p: _COLUMNS[concepts[p]] for p in used}))
    page.say("headings-missing", None, None, order=", ".join(_COLUMNS[concepts[p]] for p in used))
    facts: dict[str, Fact] = {}
    laid = Laid(layout="a list of results")
    for record in (r for r in range(len(lines)) if r not in rows):
        new = facts_of(page, record, words)
        facts = joined(facts, new)
        page.use_record(record, [p for f in new for p in page.full(f.record)])
        if not new:
            laid.titles.append(page.words(record))
            page.say(kind_of_line(page, record, record < rows[0]), record)
    laid.blocks.append(Block([Column(concepts[p], [page.text(r, p) for r in rows], list(rows), [p] * len(rows),
                                     _COLUMNS[concepts[p]]) for p in used], rows, facts))
    return page, laid


def _entry(line: str, words: Words) -> tuple[str, str, str, str] | None:
    """Place, grower, weight and status of a line, or None when it is something else."""
    found = _LINE.fullmatch(line) if len(line) <= _LONGEST_LINE else None
    if found is None:
        return None
    grower = found[2].strip()
    if len(grower) < 3 or words.match(grower) or words.fact(grower) or plain(grower) in MONTHS | WEEKDAYS:
        return None
    return found[1] or "", grower, " ".join(found[3].replace("\t", " ").split()).rstrip(",;|"), found[4] or ""


def complete_results(pages: list[Page], laid: list[Laid], name: str) -> None:
    """What lists of weights leave to their titles: the day, when the titles or the file's name say one day; and the
    word for a damaged or an exhibition fruit behind its weight."""
    for page, found in zip(pages, laid, strict=True):
        for block in found.blocks:
            if kinds_of(block) != ("weighings",):
                continue
            _split_status(block)
            _status_in_place(block)
            if "date" in block.concepts or "day" in block.concepts or "date" in block.facts:
                continue
            for where, texts in (("a line of words", found.titles), ("the file's name", [PurePath(name).stem])):
                days = list(dict.fromkeys(day for text in texts for day in _days_in(text)))
                if len(days) == 1:
                    block.facts["date"] = Fact("date", days[0], 0, -1)
                    if not any(r.code == "day-from-title" for r in page.remarks):
                        page.say("day-from-title", None, None, read=days[0], where=where)
                if days:
                    break


def join_names(page: Page) -> None:
    """A first and a last name in two columns become the grower's one name, in the first of the two."""
    for head in range(min(30, len(page.cells))):
        names = {plain(page.text(head, p)): p for p in page.full(head)}
        first, last = (next((names[w] for w in listed if w in names), None) for listed in (_FIRST, _LAST))
        if first is None or last is None:
            continue
        for record in range(head, len(page.cells)):
            row = page.cells[record]
            if len(row) <= max(first, last) or not row[last].strip():
                continue
            row[first] = "Grower" if record == head else f"{row[first].strip()} {row[last].strip()}".strip()
            row[last] = ""
            page.fate[record, first], page.fate[record, last] = OPEN, BLANK
        return


def _days_in(text: str) -> list[str]:
    """The whole dates within a text, as ISO 8601; dates that may be read in two ways are left out."""
    tokens, found, at = re.split(r"[\s_]+", text.strip()), [], 0
    while at < len(tokens):
        for size in (4, 3, 2, 1):
            p = parse(" ".join(tokens[at:at + size]).strip(",;.()[]"), serials=False)
            if p and p.year and p.month and p.day and at + size <= len(tokens):
                found.append(f"{p.year:04d}-{p.month:02d}-{p.day:02d}")
                at += size - 1
                break
        at += 1
    return found


def _status_in_place(block: Block) -> None:
    """Where a place would stand, DMG or EXH is no place: it says that the fruit was damaged or shown only."""
    column, beside = block.column("rank"), block.column("status")
    if column is None:
        return
    texts = [t if len(plain(t)) > 1 and (is_disqualified(t) or read_choice("status", t)) else "" for t in column.texts]
    if beside is not None:  # what the place says where the status is empty; where it says the same, it is no news
        for row, status in enumerate(texts):
            if status and is_nothing(beside.texts[row]):
                beside.texts[row], beside.positions[row] = status, column.positions[row]
                column.texts[row] = ""
    elif any(texts):
        column.texts = ["" if status else t for t, status in zip(column.texts, texts, strict=True)]
        block.columns.append(Column("status", texts, list(column.records), list(column.positions), column.heading))


def _split_status(block: Block) -> None:
    column = block.column("scale")
    if column is None or "status" in block.concepts:
        return
    texts = []
    for at, text in enumerate(column.texts):
        found = _STATUS.fullmatch(clean(text)) if len(text) <= _LONGEST_LINE else None
        status = read_choice("status", found[2]) if found and len(found[2]) > 2 else None
        texts.append(found[2] if found and status else "")
        if found and status:
            column.texts[at] = found[1]
    if any(texts):
        block.columns.append(Column("status", texts, list(column.records), list(column.positions), "status"))
