"""The hands: how each member lays out a tape log. One function a hand, each adding its pages to the writer's."""

from __future__ import annotations

from collections.abc import Callable

from patchstats.demo.blemishes import Entry
from patchstats.demo.dialects import Page, feet_inches, fraction
from patchstats.demo.growth import mass_of_inches
from patchstats.demo.logs import FruitLog, Writer
from patchstats.demo.words import FACTS, MEASURES
from patchstats.units import kg_to_lb

Show = Callable[[float], str]


def _show(value: float | None, show: Show, entry: Entry) -> str:
    if value is None:
        return ""
    text = show(value)
    return f"{text}?" if entry.kind == "doubtful" else text


def _cells(entry: Entry, show: Show, *, total: bool = True) -> list[str]:
    """The cells of the measures; a blank day holds the word in its first cell."""
    shown = [_show(v, show, entry) for v in (entry.measures if total else entry.measures[:3])]
    if entry.kind == "blank":
        shown[0] = entry.note
    return shown


def _remark(entry: Entry) -> str:
    return "" if entry.kind == "blank" else entry.note


def _facts(writer: Writer, page: Page, fruit: FruitLog, mark: str = "") -> None:
    """The block of facts on top of a fruit's log."""
    for key in FACTS:
        value = writer.fact(key, fruit.facts[key])
        if value:
            page.add(writer.word(key) + mark, value)


def _rows(writer: Writer, page: Page, fruit: FruitLog, row: Callable[[Entry], list[str]]) -> None:
    for entry in fruit.lines:
        cells = row(entry)
        line = page.add(*cells)
        writer.note_planted(page, line, fruit, entry, page.dialect.delimiter.join(cells))


def _file(writer: Writer, fruit: FruitLog) -> str:
    return f"{writer.stem}_{fruit.facts['season']}_{fruit.label}.csv"


def block(writer: Writer, fruits: list[FruitLog]) -> None:
    """Facts on top, then one day a row: inches with decimals, month-first dates."""
    for fruit in fruits:
        page = writer.page(_file(writer, fruit))
        _facts(writer, page, fruit)
        page.text()
        page.add("Date", *(f"{m} (in)" for m in MEASURES["block"]), "Notes")
        _rows(writer, page, fruit,
              lambda e: [writer.dialect.date(e.day), *_cells(e, writer.dialect.number), _remark(e)])


def flat(writer: Writer, fruits: list[FruitLog]) -> None:
    """One table for a season, the fruit's facts repeated on every row."""
    page = writer.page(f"{fruits[0].facts['season']} {writer.stem} all fruit.csv")
    page.add("Grower", "Season", "Plant", "Fruit", "Seed", "Pollinated", "Date", *MEASURES["flat"], "Notes")
    for fruit in fruits:
        who = [writer.fact(k, fruit.facts[k]) for k in ("grower", "season", "plant", "fruit", "seed", "set_date")]
        _rows(writer, page, fruit, lambda e, who=who: [  # type: ignore[misc]
            *who, writer.dialect.date(e.day), *_cells(e, writer.dialect.number), _remark(e)])


def german(writer: Writer, fruits: list[FruitLog]) -> None:
    """German words, semicolons, decimal commas, dates with dots, the old Windows encoding."""
    for fruit in fruits:
        page = writer.page(f"kuerbis {writer.stem} {fruit.facts['season']} {fruit.label}.csv")
        _facts(writer, page, fruit)
        page.text()
        page.add("Datum", *MEASURES["german"], "Bemerkung")
        _rows(writer, page, fruit,
              lambda e: [writer.dialect.date(e.day), *_cells(e, writer.dialect.number), _remark(e)])


def fractions(writer: Writer, fruits: list[FruitLog]) -> None:
    """Tabs, fractions of an inch, dates without a year."""
    for fruit in fruits:
        page = writer.page(f"{writer.stem}_{fruit.facts['season']}_{fruit.label}.txt")
        _facts(writer, page, fruit, ":")
        page.add("All measures in inches")
        page.text()
        page.add("Date", *MEASURES["fractions"], "Notes")
        _rows(writer, page, fruit, lambda e: [writer.dialect.date(e.day), *_cells(e, fraction), _remark(e)])


def feet(writer: Writer, fruits: list[FruitLog]) -> None:
    """Feet and inches, dates in words with a comma inside, a byte-order mark in front."""
    for fruit in fruits:
        page = writer.page(_file(writer, fruit))
        _facts(writer, page, fruit)
        page.text()
        page.add("Date", *MEASURES["feet"], "Notes")
        _rows(writer, page, fruit, lambda e: [writer.dialect.date(e.day), *_cells(e, feet_inches), _remark(e)])


def sideways(writer: Writer, fruits: list[FruitLog]) -> None:
    """One day a column, one measure a row."""
    for fruit in fruits:
        page = writer.page(f"{writer.stem} {fruit.facts['season']} fruit {fruit.label}.csv")
        _facts(writer, page, fruit)
        page.text()
        page.add("Measure", *(writer.dialect.date(e.day) for e in fruit.lines))
        columns = [_cells(e, writer.dialect.number) for e in fruit.lines]
        lines = [page.add(head, *(c[k] for c in columns)) for k, head in enumerate(MEASURES["sideways"])]
        if any(_remark(e) for e in fruit.lines):
            page.add("Notes", *(_remark(e) for e in fruit.lines))
        for entry in fruit.lines:
            writer.note_planted(page, lines[max(entry.slipped, 0)], fruit, entry, "")


def total(writer: Writer, fruits: list[FruitLog]) -> None:
    """Days after pollination instead of dates, the total alone, and the chart's pounds beside it."""
    for fruit in fruits:
        page = writer.page(_file(writer, fruit))
        _facts(writer, page, fruit)
        page.text()
        page.add("DAP", MEASURES["total"][3], "Chart lb", "Notes")

        def row(e: Entry, fruit=fruit) -> list[str]:
            inches = e.measures[3]
            pounds = "" if inches is None else f"{float(kg_to_lb(mass_of_inches(inches))):.0f}"
            first = e.note if e.kind == "blank" else _show(inches, writer.dialect.number, e)
            return [str((e.day - fruit.set_date).days), first, pounds, _remark(e)]

        _rows(writer, page, fruit, row)


def spreadsheet(writer: Writer, fruits: list[FruitLog]) -> None:
    """A spreadsheet's Unicode text: UTF-16, tabs, the units in a row under the headings."""
    page = writer.page(f"{writer.stem} {fruits[0].facts['season']}.txt")
    page.add("Grower", "Year", "Plant", "Fruit", "Pollinated", "Date", *MEASURES["spreadsheet"], "Comment")
    page.add("", "", "", "", "", "m/d/y", "in", "in", "in", "in", "")
    for fruit in fruits:
        who = [writer.fact(k, fruit.facts[k]) for k in ("grower", "season", "plant", "fruit", "set_date")]
        _rows(writer, page, fruit, lambda e, who=who: [  # type: ignore[misc]
            *who, writer.dialect.date(e.day), *_cells(e, writer.dialect.number), _remark(e)])


def columns(writer: Writer, fruits: list[FruitLog]) -> None:
    """Several fruits side by side: a column group for each fruit, one row a day on which any was taped."""
    page = writer.page(f"{writer.stem} {fruits[0].facts['season']} tapes.csv")
    page.add("Grower", writer.member)
    page.add("Season", str(fruits[0].facts["season"]))
    for fruit in fruits:
        page.add(f"Fruit {fruit.label} pollinated", writer.dialect.date(fruit.set_date))
    page.text()
    heads = MEASURES["columns"][:3]
    page.add("Date", *(f"{fruit.label} {head}" for fruit in fruits for head in heads))
    days = sorted({e.day for fruit in fruits for e in fruit.lines})
    for day in days:
        waiting = [[e for e in fruit.lines if e.day == day] for fruit in fruits]
        for turn in range(max(len(w) for w in waiting)):
            here = [w[turn] if turn < len(w) else None for w in waiting]
            cells = [c for e in here for c in (_cells(e, writer.dialect.number, total=False) if e else ["", "", ""])]
            line = page.add(writer.dialect.date(day), *cells)
            for fruit, entry in zip(fruits, here, strict=True):
                if entry:
                    writer.note_planted(page, line, fruit, entry, "")


def shorthand(writer: Writer, fruits: list[FruitLog]) -> None:
    """The three measures in one cell, as in 120-77-76 = 273."""
    for fruit in fruits:
        page = writer.page(_file(writer, fruit))
        _facts(writer, page, fruit)
        page.text()
        page.add("Date", MEASURES["shorthand"][0], "Notes")

        def row(e: Entry) -> list[str]:
            if e.kind == "blank":
                return [writer.dialect.date(e.day), e.note, ""]
            parts = "-".join(writer.dialect.number(v) for v in e.measures[:3] if v is not None)
            mark = "?" if e.kind == "doubtful" else ""
            return [writer.dialect.date(e.day), f"{parts} = {writer.dialect.number(e.measures[3] or 0.0)}{mark}",
                    e.note]

        _rows(writer, page, fruit, row)


def ditto(writer: Writer, fruits: list[FruitLog]) -> None:
    """One table for a season with ditto marks, a totals row under each fruit, and remarks between the rows."""
    page = writer.page(f"{writer.stem}-{fruits[0].facts['season']}.csv")
    page.text(f"# {writer.member}'s pumpkins {fruits[0].facts['season']}")
    page.add("Grower", "Fruit", "Plant", "Seed", "Pollinated", "Date", *MEASURES["ditto"])
    for fruit in fruits:
        who = [writer.fact(k, fruit.facts[k]) for k in ("grower", "fruit", "plant", "seed", "set_date")]
        for k, entry in enumerate(fruit.lines):
            first = who if k == 0 else ['"'] * len(who)
            cells = [*first, writer.dialect.date(entry.day), *_cells(entry, writer.dialect.number)]
            line = page.add(*cells)
            writer.note_planted(page, line, fruit, entry, ",".join(cells))
            if _remark(entry):
                page.text(f"# {entry.note}")
        taped = [e.measures[3] for e in fruit.lines if e.measures[3] is not None]
        if taped:
            page.add("Total gain", "", "", "", "", "", "", "", "", writer.dialect.number(taped[-1] - taped[0]))
        page.text()


def centimetres(writer: Writer, fruits: list[FruitLog]) -> None:
    """Every cell with its unit: 213 cm."""
    for fruit in fruits:
        page = writer.page(f"{fruit.facts['season']}-{writer.stem}-{fruit.label}.csv")
        _facts(writer, page, fruit)
        page.text()
        page.add("Date", *MEASURES["centimetres"], "Notes")
        _rows(writer, page, fruit, lambda e: [
            writer.dialect.date(e.day), *_cells(e, lambda v: f"{writer.dialect.number(v)} cm"), _remark(e)])


def margin(writer: Writer, fruits: list[FruitLog]) -> None:
    """Two-digit years, semicolons with decimal commas, and remarks in a margin that has no heading."""
    for fruit in fruits:
        page = writer.page(_file(writer, fruit))
        _facts(writer, page, fruit)
        page.add("Date", *MEASURES["margin"])
        for entry in fruit.lines:
            cells = [writer.dialect.date(entry.day), *_cells(entry, writer.dialect.number)]
            line = page.add(*cells, _remark(entry)) if _remark(entry) else page.add(*cells)
            writer.note_planted(page, line, fruit, entry, ";".join(cells))


def french(writer: Writer, fruits: list[FruitLog]) -> None:
    """French words and month names, the circumference alone."""
    for fruit in fruits:
        page = writer.page(f"citrouille_{writer.stem}_{fruit.facts['season']}_{fruit.label}.csv")
        _facts(writer, page, fruit)
        page.text()
        page.add("Date", MEASURES["french"][0], "Remarques")
        _rows(writer, page, fruit, lambda e: [
            writer.dialect.date(e.day),
            e.note if e.kind == "blank" else _show(e.measures[0], writer.dialect.number, e), _remark(e)])


def scribe(writer: Writer, fruits: list[FruitLog]) -> None:
    """All fruits of a season one under the other in one file, bars between the cells, a line of dashes under heads."""
    page = writer.page(f"{writer.stem} pumpkin book {fruits[0].facts['season']}.txt")
    page.text(f"Pumpkin book of {writer.member}, {fruits[0].facts['season']}")
    for fruit in fruits:
        page.text()
        _facts(writer, page, fruit)
        page.add("Date", *MEASURES["scribe"], "Remarks")
        page.text("-----|-----|-----|-----|-----|-----")
        _rows(writer, page, fruit,
              lambda e: [writer.dialect.date(e.day), *_cells(e, writer.dialect.number), _remark(e)])


WRITE: dict[str, Callable[[Writer, list[FruitLog]], None]] = {
    f.__name__: f for f in (block, flat, german, fractions, feet, sideways, total, spreadsheet, columns, shorthand,
                            ditto, centimetres, margin, french, scribe)}
# These hands say a fruit's facts in the log itself; the others keep a list of fruits beside it.
FACTS_ON_TOP = ("block", "german", "fractions", "feet", "sideways", "total", "shorthand", "centimetres", "margin",
                "french", "scribe")


