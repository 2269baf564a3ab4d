"""Settle: what a whole file settles together: its season, the order of its dates, its decimal sign, its units."""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter

from patchstats.intake import cells, values
from patchstats.intake.blocks import Block, Column
from patchstats.intake.concepts import CONCEPTS, TAPE
from patchstats.intake.dates import Calendar
from patchstats.intake.headings import Words, unit_of
from patchstats.intake.layout import Laid
from patchstats.intake.meaning import settle_meanings
from patchstats.intake.names import season_of_file
from patchstats.intake.page import Page
from patchstats.intake.scales import excess, paired_units, unlikely
from patchstats.intake.settings import Settings
from patchstats.intake.values import Told


def settle(pages: list[Page], laid: list[Laid], words: Words, settings: Settings, name: str) -> Told:
    """Everything that a whole file settles together: season, order of dates, decimal sign, units."""
    told = Told(Calendar(), values.Company(custom=settings.length or ""), words)
    told.around = " ".join([re.sub(r"[_\W]+", " ", name), *(t for found in laid for t in found.titles)])
    for found in laid:
        for block in found.blocks:
            settle_meanings(block, told.around)
    blocks = [(page, block) for page, found in zip(pages, laid, strict=True) for block in found.blocks]
    runs, singles, numbers = [], [], []
    written: Counter[str] = Counter()
    for _, block in blocks:
        for column in block.columns:
            about = CONCEPTS[column.concept].kind
            if about == "date" or column.concept == "day":
                runs.append([cells.clean(t) for t in column.texts if t.strip()])
                for text, count in zip(column.texts, column.counts or [1] * len(column.texts), strict=True):
                    written[cells.clean(text)] += count
            elif about in (*values.SCALED, "evenness"):
                numbers += column.texts[:400]
        for fact in block.facts.values():
            if CONCEPTS[fact.concept].kind == "date":
                singles.append(fact.text)
                written[fact.text] += 1
            elif CONCEPTS[fact.concept].kind in (*values.SCALED, "evenness"):
                numbers.append(fact.text)
    told.decimal = cells.decimal_sign(numbers, pages[0].delimiter if pages else ",")
    seasons = {values.word(told, "season", b.facts["season"].text) for _, b in blocks if "season" in b.facts}
    titled = {int(y) for found in laid for t in found.titles for y in re.findall(r"\b(20\d\d|19[5-9]\d)\b", t)}
    years = {p.year for run in [*runs, singles] for t in run if (p := told.calendar.parse(t)) and p.year}
    told.season_from = told.calendar.settle_season({
        "a line on top": seasons.pop() if len(seasons) == 1 else None,
        "the dates": None if not years else max(years) if len(years) == 1 else None,
        "the club": settings.season,
        "the title": titled.pop() if len(titled) == 1 else None,
        "the file's name": None if years else season_of_file(name)}, written)
    sets = [f.text for _, b in blocks for f in b.facts.values() if f.concept == "set_date"]
    sets += [
        cells.clean(t) for _, b in blocks for c in b.columns if c.concept == "set_date" for t in c.texts if t.strip()
    ]
    told.calendar.settle(runs, singles, settings.date_order, sets, _spans(blocks), stated=_stated_order(blocks),
                         custom=settings.club_date_order)
    for page, block in blocks:
        values.hear(block, told, page)
        if "units" in block.facts:
            told.company.stated = unit_of(block.facts["units"].text) or told.company.stated
            told.company.hear(told.company.stated)
    for found in laid:
        for title in found.titles:
            said = re.search(
                r"\b(?:in|units?)\b\s*:?\s*(inches|inch|cm|centimet\w+|metric|zentimetern?)\b", title, re.IGNORECASE
            )
            if said and not told.company.stated:
                told.company.stated = unit_of(said[1])
    for page, block in blocks:
        _weigh_sizes(page, block, told)
        _pair_weights(block, told)
    for _, block in blocks:
        for column in block.columns:
            if CONCEPTS[column.concept].kind == "temperature" and not column.unit:
                unit, how, _ = told.company.other("temperature", _bare(column, told))
                if how == "unit-by-size":
                    told.company.by_size.add("imperial" if unit == "F" else "metric")
    unit, how, _ = told.company.length()
    if how == "unit-by-size":
        told.company.by_size.add("imperial" if unit == "in" else "metric")
    return told


def _spans(blocks: list[tuple[Page, Block]]) -> list[tuple[str, str, int]]:
    """Pollination and end of each fruit, with the most days between: a fruit aborts within weeks, and the vine season
    after the set is 90 to 120 days (growers' posts; a third is allowed on top)."""
    spans = []
    for _, block in blocks:
        begin, end, why = (block.facts.get(c) for c in ("set_date", "end_date", "end_reason"))
        if begin and end:
            aborted = why is not None and cells.read_choice("end_reason", why.text) == "aborted"
            spans.append((begin.text, end.text, 45 if aborted else 160))
    return spans


def _stated_order(blocks: list[tuple[Page, Block]]) -> str | None:
    """The order of day and month that a heading states: ``date (m/d/y)``."""
    for _, block in blocks:
        for column in block.columns:
            if CONCEPTS[column.concept].kind == "date":
                stated = re.search(r"\b([dmtj])\1?[/.\- ]([dmtj])", column.heading.lower())
                if stated and stated[1] != stated[2]:
                    return "month first" if stated[1] == "m" else "day first"
    return None


def _bare(column: Column, told: Told) -> list[float]:
    """The numbers of a column that name no unit."""
    read = (cells.read_number(cells.clean(t), told.decimal) for t in column.texts if t.strip())
    return [n.value for n in read if isinstance(n, cells.Number) and not n.unit]


def _pair_weights(block: Block, told: Told) -> None:
    """Units of weights and totals that stand beside each other without one, settled by the published table."""
    weights = block.column("scale") or block.column("written")
    totals = block.column("over_the_top")
    if weights is None or totals is None or weights.unit and totals.unit or told.company.system:
        return
    pairs = []
    for w, t in zip(weights.texts, totals.texts, strict=True):
        a, b = (cells.read_number(cells.clean(x), told.decimal) if x.strip() else None for x in (w, t))
        if isinstance(a, cells.Number) and isinstance(b, cells.Number) and not a.unit and not b.unit and b.value > 0:
            pairs.append((a.value, b.value))
    if pairs:
        written, taped = [a for a, _ in pairs], [b for _, b in pairs]
        told.company.paired |= paired_units(written, taped, weights.unit, totals.unit)


def _usual_set(day: dt.date) -> dt.date:
    """The usual pollination before a taping: about 4 July (growers' guides), half a year later south of the line."""
    south = day.month in (12, 1, 2, 3, 4, 5)
    usual = dt.date(day.year + (day.month == 12), 1, 3) if south else dt.date(day.year, 7, 4)
    return min(usual, day - dt.timedelta(days=10))


def _weigh_sizes(page: Page, block: Block, told: Told) -> None:
    """How large the tapes would be as inches, against the usual fruit of that day; a heading's unit in which they
    would be no fruit is spoken of."""
    tapes = [c for c in block.columns if c.concept in TAPE or c.concept == "three"]
    dates = block.column("date") or block.column("day")
    if not tapes or dates is None or dates.counts is not None:  # distinct dates alone belong to no tape
        return
    fact = block.facts.get("set_date")
    start = None
    if fact is not None:
        parsed = told.calendar.parse(fact.text)
        start = told.calendar.read(parsed) if parsed else None
    days: list[float | None] = []
    for text in dates.texts:
        parsed = told.calendar.parse(text) if text.strip() else None
        number = (
            values.word(told, "day", text) if parsed is None and text.strip() else parsed.number if parsed else None
        )
        if number is not None:
            days.append(float(number))
            continue
        day = told.calendar.read(parsed) if parsed else None
        if day is None:
            days.append(None)
            continue
        days.append(float((day - (start or _usual_set(day))).days))
    for column in tapes:
        excesses: list[float] = []
        for text, at in zip(column.texts, days, strict=True):
            if at is None or not text.strip():
                continue
            if column.concept == "three":
                three = cells.three_measures(cells.clean(text), told.decimal)
                if three and not three[2] and three[0][0] > 0:
                    excesses += excess("circumference", [three[0][0]], [at])
                continue
            number = cells.read_number(cells.clean(text), told.decimal)
            if isinstance(number, cells.Number) and not number.unit and number.value > 0:
                excesses += excess(column.concept, [number.value], [at])
        if not column.unit:
            told.company.excesses += excesses
        elif len(excesses) >= 3 and (start or dates.concept == "day") and (other := unlikely(column.unit, excesses)):
            page.say("unit-unlikely", None, None, read=column.heading, column=column.heading,
                     unit=values.UNIT_WORDS[column.unit], other=values.UNIT_WORDS[other])
