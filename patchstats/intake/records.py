"""Records: from text to lines of cells: delimiter, quotes whole and broken, line ends of every kind.

The rules are those of RFC 4180 section 2 (a quoted cell may hold delimiters, line ends and doubled quotes; the last
line end is optional; spaces are part of a cell, and stay in what remarks quote), kept to where a file keeps to them,
and bent where a person would see what was meant: a quote without its partner is a character like any other, spaces
before an opening quote do not matter, and a bare carriage return ends a line. A quote opens a cell only at its
start, so inch marks (``84"``) are safe.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field

from patchstats.intake.dates import parse

DELIMITERS = ("\t", ";", "|", ",")
SPACES = "  "  # two or more spaces
COLON = ": "  # a diary: 7/14: 19-12-12
JOTS = "day "  # pasted: day 12 250, and below it 15 - 290; or 20 July 350
SPACE = " "  # one or more spaces: the last resort for pasted text
_LONGEST_CELL_LINES = 30
_LONGEST_FACT = 200
_QUOTES = {'"': '"', "“": "”", "„": "“", "«": "»"}
_FRACTION = re.compile(r"(\d) +(\d{1,2}/(?:2|3|4|8|16)(?!\S))")  # stays with its whole number: 84 1/2
_DIARY = re.compile(r"^\s*[^:]*\d[^:]{0,12}: +\S*\d")
# Lines of pasted text that are one cell: "Grower: Petra Dunmallow" (one colon), and a measure's name with its unit.
_ONE_FACT = re.compile(r"^\s*[#*-]*\s*[^\W\d][^:\d]{0,40}:\s+[^:\s][^:]*$")
_ONE_MEASURE = re.compile(r"^\s*(?!da[ytp])[^\W\d][^:\d]{1,40}\s(?:in\s+)?[(\[]?(?:inch|inches|cm|centimet\w+)[)\]]?"
                          r"[.:]?\s*$", re.IGNORECASE)
_ONE_COUNT = re.compile(r"^\s*\d{1,3}\s+(?:secondar|side vine|sec\w* vine|stigma|lobes)\D*$", re.IGNORECASE)
_JOT = re.compile(r"\s*((?:(?:day|dap|tag)\s*#?\s*)?\d{1,3}(?:\s*(?:dap|days?))?|"
                  r"(?:\d{1,2}\.?\s+[^\W\d_]{3,9}|[^\W\d_]{3,9}\.?\s+\d{1,2}(?:st|nd|rd|th)?)(?:,?\s+20\d\d)?)(?:\s*[:=–]\s*|\s+-\s+|\s+)"
                  r"((?:\d+(?:[.,]\d+)?(?:-\d+(?:[.,]\d+)?){0,2}\s*(?:cm|in|inches|inch|\")?(?:\s*,\s+|\s+|$)){1,4})",
                  re.IGNORECASE)
_JOTTED = re.compile(r"\d[\d.,-]*(?<![,])(?:\s*(?:cm|inches|inch|in|\"))?", re.IGNORECASE)
_A_YEAR = re.compile(r"20\d\d\s*")
_DATE_THEN_NUMBERS = re.compile(r"^\s*\S*\d\S*(\s+\S*\d\S*)+\s*$")


@dataclass
class Split:
    """Text as records: ``cells`` and the ``lines`` they start on; ``broken`` records had a quote without
    partner."""

    cells: list[list[str]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    delimiter: str = ","
    broken: list[tuple[int, str]] = field(default_factory=list)  # (record, the line as it stands)


def lines_of(text: str) -> list[str]:
    """The lines of a text, whatever ends them: CRLF, LF, CR, or a mixture."""
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    return text.split("\n")


def split_text(text: str, delimiter: str | None = None) -> Split:
    """A text as records of cells. ``delimiter`` None settles it from the text, a ``sep=`` line first."""
    lines = lines_of(text)
    first, stated = 0, None
    declared = re.match(r'^"?sep=(.)"?[;,\t]*\s*$', lines[0], re.IGNORECASE) if lines else None
    if declared:
        first, stated = 1, declared.group(1)
    elif lines and lines[0].strip().lower() == "sep=":  # the delimiter itself was a tab that someone trimmed
        first = 1
    mark = delimiter or stated or settle_delimiter(lines[first:])
    made = Split(delimiter=mark)
    if first:
        made.cells.append([lines[0]])
        made.lines.append(1)
    number = first
    while number < len(lines):
        line = lines[number]
        cells, taken, broken = _cells(lines, number, mark)
        if line or cells != [""]:
            made.cells.append(cells)
            made.lines.append(number + 1)
            if broken:
                made.broken.append((len(made.cells) - 1, " ".join(lines[number:number + taken])))
        number += taken
    return made


def settle_delimiter(lines: list[str]) -> str:
    """The delimiter under which most lines have the same number of cells, more than one."""
    sample = [line for line in lines[:400] if line.strip()]
    if not sample:
        return ","
    best, best_score, best_cells = ",", 0.0, 0
    for mark in DELIMITERS:
        counts = Counter(len(_cells([line], 0, mark)[0]) for line in sample)
        several = {n: c for n, c in counts.items() if n > 1}
        if not several:
            continue
        score = max(several.values()) + 0.3 * sum(several.values())
        most = max(several, key=lambda n: several[n])
        # A comma between digits may be a decimal comma: it must win clearly, unless it makes more cells than decimal
        # commas could, one in each cell of the other mark.
        if score > best_score * (1.15 if mark == "," and most <= best_cells + 1 else 1.0):
            best, best_score, best_cells = mark, score, most
    if best_score >= 0.4 * len(sample) or best_score >= 3:
        return best
    jots = [jot for line in sample if (jot := _jot(line))]
    if len(jots) >= max(2, 0.3 * len(sample)) and sum(not jot[1].isdigit() for jot in jots) >= 2:
        return JOTS
    if not best_score and sum(_DIARY.match(line) is not None for line in sample) >= max(2, 0.3 * len(sample)):
        return COLON
    for mark in (SPACES, SPACE):
        counts = Counter(len(_cells([line], 0, mark)[0]) for line in sample if _DATE_THEN_NUMBERS.match(line))
        several = {n: c for n, c in counts.items() if n > 1}
        if several and sum(several.values()) >= max(2, 0.3 * len(sample)) and max(several.values()) >= 0.6 * sum(
                several.values()):
            return mark
    return best


def _jot(line: str) -> re.Match | None:
    """A line of a day, named or numbered, and one to four readings, or None."""
    jot = _JOT.fullmatch(line) if len(line) <= _LONGEST_FACT else None
    if jot is None or not jot[1].isdigit() and parse(jot[1]) is None or _A_YEAR.fullmatch(jot[2]):
        return None
    return jot


def _cells(lines: list[str], number: int, mark: str) -> tuple[list[str], int, bool]:
    """The cells of the record that starts on a line, the lines it takes, and whether a quote had no partner."""
    line = lines[number]
    if mark == COLON:
        return line.split(COLON, 1) if _DIARY.match(line) else [line], 1, False
    if mark == JOTS:
        jot = _jot(line)
        return [jot[1], *_JOTTED.findall(jot[2])] if jot else [line.strip()], 1, False
    if mark == SPACES:
        return re.split(r"\s{2,}|\t", line.strip()), 1, False
    if mark == SPACE:
        if len(line) <= _LONGEST_FACT and (_ONE_FACT.match(line) or _ONE_MEASURE.match(line) or _ONE_COUNT.match(line)):
            return [line.strip()], 1, False
        joined = _FRACTION.sub("\\1\N{NO-BREAK SPACE}\\2", line)
        return [t.replace("\N{NO-BREAK SPACE}", " ") for t in re.split(r"[ \t]+", joined.strip())], 1, False
    if not any(q in line for q in _QUOTES):
        return line.split(mark), 1, False
    cells: list[str] = []
    taken, broken, start = 1, False, 0
    while True:
        opening = _opens(line, start)
        if opening is not None:
            content, end, more, clean = _quoted(lines, number + taken - 1, line, opening, mark)
            if end is not None:
                broken |= not clean
                if not content.strip(mark + " ") and mark in content and taken == 1 and not more:
                    # ,",", : two ditto marks, not a cell that holds a delimiter
                    cells += ['"'] * 2 if content.strip(" ") == mark else [content]
                else:
                    cells.append(content)
                if more:
                    taken += more
                    line = lines[number + taken - 1]
                if end >= len(line):
                    return cells, taken, broken
                start = end + 1
                continue
            broken = broken or line[opening:].split(mark)[0].strip() != '"'  # a ditto mark needs no partner
        stop = line.find(mark, start)
        if stop < 0:
            cells.append(line[start:])
            return cells, taken, broken
        cells.append(line[start:stop])
        start = stop + 1


def _opens(line: str, start: int) -> int | None:
    """Where a quoted cell opens, if the cell that starts here is one."""
    at = start
    while at < len(line) and line[at] == " ":
        at += 1
    return at if at < len(line) and line[at] in _QUOTES else None


def _quoted(lines: list[str], number: int, line: str, opening: int, mark: str):
    """A quoted cell: (content, where its delimiter stands or None, further lines taken, clean)."""
    close = _QUOTES[line[opening]]
    content, clean, at, more = "", True, opening + 1, 0
    while True:
        found = line.find(close, at)
        if found < 0:
            if close != '"' or more >= _LONGEST_CELL_LINES or number + more + 1 >= len(lines):
                return "", None, 0, False
            content += line[at:] + "\n"
            more += 1
            line, at = lines[number + more], 0
            continue
        content += line[at:found]
        if close == '"' and line[found + 1:found + 2] == '"':
            content += '"'
            at = found + 2
            continue
        rest = len(line) - len(line[found + 1:].lstrip(" "))
        if rest >= len(line) or line[rest] == mark:
            return content, rest, more, clean
        if more or close != '"':
            # The text goes on behind the partner, lines below: the first quote was a character like any other.
            return "", None, 0, False
        content += line[found]
        clean, at = False, found + 1
