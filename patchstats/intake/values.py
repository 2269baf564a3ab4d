"""Values: from a column's cells to numbers, days, names and words, each fault spoken of at its place."""

from __future__ import annotations

import datetime as dt
import math
import re
from dataclasses import dataclass, field

import numpy as np

from patchstats.intake import cells
from patchstats.intake.blocks import Block, Column, Fact
from patchstats.intake.concepts import CONCEPTS
from patchstats.intake.dates import WEEKDAY_WORDS, Calendar, Parsed, read_time, read_weekday, year_of
from patchstats.intake.headings import Words, unit_of
from patchstats.intake.page import Page
from patchstats.intake.scales import ASKED, Company

UNIT_WORDS = {"in": "inches", "cm": "centimetres", "ft": "feet", "m": "metres", "mm": "millimetres", "lb": "pounds",
              "kg": "kilograms", "F": "Fahrenheit", "C": "Celsius", "sqft": "square feet", "m2": "square metres"}
SCALED = ("length", "three", "vine", "mass", "temperature", "area", "rain", "depth")
# A fraction of an inch or feet and inches; a date with strokes is neither.
_FRACTION = re.compile(r"(?<!/)\d\s*-?\s*(?:(?:\d|1[135])/(?:2|4|8|16)(?![\d/])|[½¼¾⅛⅜⅝⅞])|\d\s*['′’]\s*\d")
_DAY_NUMBER = re.compile(r"(?:day|dap|tag|d)?\s*[#.]?\s*(\d{1,3})(?:\.0+)?(?:\s*(?:dap|days?))?", re.IGNORECASE)


@dataclass
class Told:
    """What holds for a whole file: its calendar, decimal sign, units, headings, and which questions were asked."""

    calendar: Calendar
    company: Company
    words: Words
    decimal: str | None = None
    season_from: str = ""
    around: str = ""  # the file's name and the titles above its tables
    asked: set[tuple] = field(default_factory=set)


def texts_of(page: Page, column: Column) -> list[str | None]:
    """A column's cells cleaned: None for nothing, ditto marks replaced by what they stand for (and spoken of)."""
    out: list[str | None] = []
    last: str | None = None
    run: tuple[int, int, str, str, int] | None = None
    for text, record, position in zip(column.texts, column.records, column.positions, strict=True):
        bare = cells.clean(text) if text else ""
        if bare and last is not None and cells.is_ditto(bare):
            if run is None or run[3] != last:
                _speak_ditto(page, run)
                run = (record, position, bare, last, 0)
            run = (*run[:4], run[4] + 1)
            page.use(record, position)
            out.append(last)
            continue
        if cells.is_nothing(bare) and not (bare and _says_no(column.concept, bare)):
            if bare:
                page.use(record, position)
            out.append(None)
            continue
        if cells.is_error(bare) and (CONCEPTS[column.concept].kind != "text" or bare.startswith("#")):
            page.say("cell-formula-error", record, position)
            out.append(None)
            continue
        last = bare
        out.append(bare)
    _speak_ditto(page, run)
    return out


def _says_no(concept: str, text: str) -> bool:
    """Words for nothing that are an answer where yes, no or a choice is asked: no cover, did it set."""
    if CONCEPTS[concept].kind == "yes_no":
        return text.casefold() in ("x", "none")
    return concept == "cover" and text.casefold() in ("none", "nothing")


def _speak_ditto(page: Page, run) -> None:
    if run:
        record, position, mark, meaning, count = run
        page.say("cell-ditto", record, position, before=mark, after=meaning, count=count)


def carried_down(page: Page, column: Column, texts: list[str | None], filled: list[bool]) -> list[str | None]:
    """Names written once beside the first of several lines, carried down over lines that hold something."""
    out, last, start, count = [], None, -1, 0
    for row, text in enumerate(texts):
        if text is None and last is not None and filled[row]:
            start = row if count == 0 else start
            count += 1
            out.append(last)
            continue
        if text is not None:
            if count and last is not None:
                _speak_carried(page, column, start, count, last)
            last, count = text, 0
        out.append(text)
    if count and last is not None:
        _speak_carried(page, column, start, count, last)
    return out


def _speak_carried(page: Page, column: Column, row: int, count: int, name: str) -> None:
    page.say("name-carried-down", column.records[row], column.positions[row], what=CONCEPTS[column.concept].title,
             count=count, before="", after=name)


def not_read(page: Page, record: int, position: int, concept: str, read: str | None = None) -> None:
    if record < 0 or position < 0:
        return
    page.unuse(record, position)
    about = CONCEPTS[concept]
    page.say("cell-not-read", record, position, read=read, expected=about.title,
             wanted=f"the {about.title} like this: {about.example}" if about.example else f"the {about.title} in words")


def unit_for(told: Told, page: Page, column: Column, values: list[float], fallback: str = "") -> str:
    """The unit of a column's cells that name none; "" when it has to be asked. How it was settled is spoken of once."""
    kind = CONCEPTS[column.concept].kind
    if column.unit and (kind in ("length", "three")) == (column.unit in ("in", "cm", "mm", "m", "ft")) or \
            column.unit and kind in ("vine", "depth"):
        return column.unit
    if kind in ("length", "three"):
        unit, how, why = told.company.length()
    else:
        if column.unit and kind == "mass" and column.unit in ("lb", "kg"):
            return column.unit
        if column.unit and kind not in ("length", "three", "mass"):
            return column.unit
        unit, how, why = told.company.other(kind, values)
    name = column.heading or CONCEPTS[column.concept].title
    whole = kind in ("length", "three")
    first = next(((r, p) for r, p, t in zip(column.records, column.positions, column.texts, strict=True)
                  if t.strip() and r >= 0), None)
    about = "tape" if whole else name
    if unit and how != "stated" and first and (page.label, about, how) not in told.asked:
        told.asked.add((page.label, about, how))
        page.say(how, None, None, what="The tape" if whole else f"The column {name}", unit=UNIT_WORDS[unit], why=why)
    if not unit and first:
        a, b = ASKED["length" if kind == "three" else kind]
        places = [(r, p) for r, p in column.places()]
        if (page.label, about, "asked") not in told.asked:
            told.asked.add((page.label, about, "asked"))
            page.say("unit-asked", first[0], first[1], also=places, first=a, second=b, count=len(places),
                     what="The tape" if whole else f"The column {name}", first_means=UNIT_WORDS[a],
                     second_means=UNIT_WORDS[b])
        page.spoken(places)
    return unit


def numbers(told: Told, page: Page, column: Column, texts: list[str | None]) -> tuple[np.ndarray, np.ndarray]:
    """A column of quantities in the tables' metric units, and which of its cells are marked as doubtful."""
    size = len(texts)
    out, doubt = np.full(size, np.nan), np.zeros(size, dtype=bool)
    kind = CONCEPTS[column.concept].kind
    memory: dict[str, cells.Number | list[float] | None] = {}
    bare: list[int] = []
    read: list[cells.Number | None] = [None] * size
    for row, text in enumerate(texts):
        if text is None:
            continue
        if text not in memory:
            memory[text] = cells.read_number(text, told.decimal)
        number = memory[text]
        if isinstance(number, list):
            page.say("cell-two-readings", column.records[row], column.positions[row], first=f"{number[0]:g}",
                     second=f"{number[1]:g}")
            continue
        if number is None or number.unit and not _fits(kind, number.unit):
            continue  # words in a measure's place are dealt with when the row is known
        read[row] = number
        doubt[row] = number.doubtful
        if not number.unit:
            bare.append(row)
    if kind not in SCALED:
        for row, number in enumerate(read):
            if number is not None:
                out[row] = number.value
        return out, doubt
    unit = ""
    if bare:
        unit = column.read_in = unit_for(told, page, column, [read[row].value for row in bare])  # type: ignore[union-attr]
    for row, number in enumerate(read):
        if number is None:
            continue
        use = number.unit or unit
        if use:
            value = cells.in_metric(number.value, use)
            out[row] = value * 10.0 if kind == "rain" else value  # lengths are kept in cm, rain in mm
    return out, doubt


def unit_of_text(told: Told, text: str | None, bare: str) -> str:
    """The unit that a cell or a fact was read in: the one written in it, else its column's or its heading's."""
    number = cells.read_number(text, told.decimal) if text else None
    return isinstance(number, cells.Number) and number.unit or bare


def _fits(kind: str, unit: str) -> bool:
    lengths = ("in", "cm", "mm", "m", "ft")
    return unit in {"length": lengths, "vine": lengths, "depth": lengths, "rain": ("in", "mm", "cm"),
                    "mass": ("lb", "kg"), "temperature": ("C", "F"), "area": ("sqft", "m2"),
                    "evenness": ("percent",), "hours": ("h",)}.get(kind, ())


def three(told: Told, page: Page, column: Column, texts: list[str | None]):
    """A column of ``120-77-76`` as three columns and a total in centimetres, and which cells are doubtful."""
    size = len(texts)
    out = {c: np.full(size, np.nan) for c in ("circumference", "side_to_side", "stem_to_blossom", "over_the_top")}
    doubt = np.zeros(size, dtype=bool)
    found = [cells.three_measures(t, told.decimal) if t else None for t in texts]
    bare = [f[0][0] for f in found if f and not f[2]]
    unit = column.read_in = unit_for(told, page, column, bare) if bare else ""
    for row, f in enumerate(found):
        if f is None:
            continue
        use = f[2] or unit
        if not use:
            continue
        for concept, value in zip(("circumference", "side_to_side", "stem_to_blossom"), f[0], strict=True):
            out[concept][row] = cells.in_metric(value, use)
        if f[1] is not None:
            out["over_the_top"][row] = cells.in_metric(f[1], use)
        doubt[row] = f[3]
    return out, doubt


def days(told: Told, page: Page, column: Column, texts: list[str | None], seasons: list[int | None]):
    """A column of dates: (days, parsed cells); a cell that cannot be read or must be asked is None and spoken of."""
    calendar = told.calendar
    out: list[dt.date | None] = [None] * len(texts)
    parsed: list[Parsed | None] = [None] * len(texts)
    open_cells: list[tuple[int, list[dt.date]]] = []
    yearless: list[int] = []
    serials: list[int] = []
    for row, text in enumerate(texts):
        if text is None:
            continue
        found = parsed[row] = calendar.parse(text)
        if found is None or found.number is not None:
            continue
        day = out[row] = calendar.read(found, seasons[row])
        if day is None:
            both = calendar.both(found)
            if found.pair and len(both) == 2 and calendar.order is None:
                open_cells.append((row, both))
            elif found.year is None:
                yearless.append(row)
            else:
                parsed[row] = None
        elif found.serial:
            serials.append(row)
        elif found.weekday is not None and day.weekday() != found.weekday:
            page.say("weekday-disagrees", column.records[row], column.positions[row], date=day.isoformat(),
                     weekday=WEEKDAY_WORDS[day.weekday()])
    _ask(page, column, "date-order-mixed" if calendar.mixed else "date-asked", open_cells)
    if yearless:
        places = [(column.records[r], column.positions[r]) for r in yearless]
        page.say("date-year-missing", *places[0], also=places, count=len(places))
    if serials:
        row = serials[0]
        page.say("date-serial", column.records[row], column.positions[row], before=texts[row],
                 after=f"{out[row]}, {len(serials)} cells")
    return out, parsed


def _ask(page: Page, column: Column, code: str, open_cells: list[tuple[int, list[dt.date]]]) -> None:
    if not open_cells:
        return
    row, both = open_cells[0]
    places = [(column.records[r], column.positions[r]) for r, _ in open_cells]
    page.say(code, *places[0], also=places, first=_said(both[0]), second=_said(both[1]), count=len(places))


def _said(day: dt.date) -> str:
    return f"{day.day} {day.strftime('%b')} {day.year}"


def words(told: Told, page: Page, column: Column, texts: list[str | None]) -> list:
    """A column of words, counts, yes or no, choices, times: its values, faults spoken of."""
    kind = CONCEPTS[column.concept].kind
    out: list = [None] * len(texts)
    for row, text in enumerate(texts):
        if text is None:
            continue
        value = word(told, column.concept, text)
        if column.concept == "status" and cells.is_disqualified(text):
            page.say("status-disqualified", column.records[row], column.positions[row])
        elif value is None:
            not_read(page, column.records[row], column.positions[row], column.concept)
        elif kind == "weekday":
            continue
        out[row] = value
    return out


def word(told: Told, concept: str, text: str):
    """One cell that is no quantity and no date, or None when it cannot be read."""
    kind = CONCEPTS[concept].kind
    if kind == "count":
        bare = re.sub(r"\s+[A-Za-z][A-Za-z ]*$", "", text)
        return cells.read_count(bare, told.decimal)
    if kind == "yes_no":
        return cells.read_yes(text)
    if kind == "choice":
        return cells.read_choice(concept, text)
    if kind == "time":
        return read_time(text)
    if kind == "weekday":
        return read_weekday(text)
    if kind == "evenness":
        return cells.read_evenness(text, told.decimal)
    if kind == "season":
        found = re.search(r"(?<!\d)(\d{4}|'\d{2})(?!\d)", text) or re.fullmatch(r"(\d{2})", text)
        return year_of(found[0]) if found else None
    if kind == "day":
        bare = text.strip().strip("~?").strip()
        found = _DAY_NUMBER.fullmatch(bare)
        return int(found[1]) if found else None
    return text


def fact_value(told: Told, page: Page, fact: Fact, season: int | None):
    """A fact's value as the tables keep it, or None (spoken of) when it cannot be read."""
    text, kind = cells.clean(fact.text), CONCEPTS[fact.concept].kind
    if cells.is_nothing(text):
        return None
    column = Column(fact.concept, [text], [fact.record], [fact.position], fact.name or fact.concept, fact.unit)
    if fact.position < 0 and kind != "date":
        return text if kind in ("name", "text") else word(told, fact.concept, text)
    if kind == "date":
        found, parsed = days(told, page, column, [text], [season])
        if found[0] is None and parsed[0] is None:
            not_read(page, fact.record, fact.position, fact.concept, text)
        return found[0]
    if kind in (*SCALED, "hours", "angle") and kind != "three":
        value, _ = numbers(told, page, column, [text])
        if math.isnan(value[0]):
            not_read(page, fact.record, fact.position, fact.concept, text)
            return None
        return float(value[0])
    value = word(told, fact.concept, text)
    if value is None:
        not_read(page, fact.record, fact.position, fact.concept, text)
    return value


def hear(block: Block, told: Told, page: Page) -> None:
    """Let a block's headings, facts and cells speak for the units of the log."""
    for fact in block.facts.values():
        told.company.hear(fact.unit)
        if CONCEPTS[fact.concept].kind in SCALED:
            number = cells.read_number(cells.clean(fact.text), told.decimal)
            if isinstance(number, cells.Number):
                told.company.hear(number.unit)
    for column in block.columns:
        kind = CONCEPTS[column.concept].kind
        if kind not in SCALED:
            continue
        told.company.hear(column.unit)
        for text in column.texts[:60]:
            unit = re.search(r"\d\s*(cm|in|inches|lbs?|kg|ft|°?[FC])\.?\s*$", text)
            if unit:
                told.company.hear(unit_of(unit[1]))
        if kind in ("length", "three") and not column.unit:
            told.company.fractions += sum(bool(_FRACTION.search(t)) for t in column.texts)
