"""Wide: tables with one day a column, turned into rows."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from patchstats.intake.blocks import Block, Column, Fact, joined
from patchstats.intake.cells import clean, is_nothing, three_measures
from patchstats.intake.concepts import CONCEPTS, FACTS
from patchstats.intake.dates import parse
from patchstats.intake.headings import Heading, Words, plain
from patchstats.intake.page import Page

_MEASURED = ("length", "three", "mass", "temperature", "count", "vine", "area", "rain", "weekday", "time", "day",
             "hours")


@dataclass
class Wide:
    """A line of days: its record, the positions of the days, the positions before them, and what the days are."""

    record: int
    days: list[int]
    labels: list[int]
    concept: str


def wide_at(page: Page, record: int, words: Words) -> Wide | None:
    """The line of days at a record, or None. Dates say it themselves; day numbers need a heading that says so."""
    full = page.full(record)
    if len(full) < 2:
        return None
    texts = {p: clean(page.text(record, p)) for p in full}
    first = words.match(texts[full[0]])
    if first and CONCEPTS[first.concept].kind == "date" and first.concept != "date":
        return None  # Pollinated, 4 Jul
    dates = [p for p in full if parse(texts[p], serials=False) is not None]
    if dates and full[-1] in dates and len(dates) >= 0.6 * (len(full) - 1) and dates == full[-len(dates):]:
        labels = [p for p in full if p < dates[0]]
        if any(CONCEPTS[h.concept].kind in ("length", "three") for p in labels
               if (h := words.match(texts[p])) and p != full[0]):
            return None
        measured = _labels_below(page, record, dates[0], words)
        if first and len(full) > 2 or not labels and len(full) > 2 or len(dates) >= 3 and measured or measured > 1:
            kinds = [parse(texts[p], serials=False) for p in dates]
            number = all(k is not None and k.number is not None for k in kinds)
            return Wide(record, dates, list(range(dates[0])), "day" if number else "date")
    if first and first.concept in ("day", "date") and len(full) > 2:
        days = [p for p in full[1:] if texts[p].isdigit() and int(texts[p]) <= 200]
        if len(days) >= 2 and len(days) >= 0.8 * (len(full) - 1):
            return Wide(record, days, list(range(days[0])), "day")
    return None


def _labels_below(page: Page, record: int, before: int, words: Words) -> int:
    """How many of the next lines begin with the name of a measure, so that a line of dates is a heading."""
    below = [r for r in range(record + 1, min(record + 4, len(page.cells))) if not page.blank(r)]
    found = [[words.match(clean(page.text(r, p))) for p in page.full(r) if p < before] for r in below]
    return sum(any(h and CONCEPTS[h.concept].kind in ("length", "three", "mass", "temperature") for h in hs)
               for hs in found)


def read_wide(page: Page, wide: Wide, words: Words, facts: dict[str, Fact], blocks: list[Block]) -> int:
    """Turn the table round into blocks, one for each fruit, plant or patch that its lines name; returns its end."""
    page.use_record(wide.record)
    page.headed.append((wide.record, {p: clean(page.text(wide.record, p)) for p in wide.days}))
    ids = {p: words.match(clean(page.text(wide.record, p))) for p in wide.labels}
    corner = next((h for h in ids.values() if h and CONCEPTS[h.concept].kind in ("length", "three", "mass")), None)
    lines: dict[tuple[tuple[tuple[str, str], ...], int], list[tuple[Heading, int]]] = {}
    told: Counter[tuple] = Counter()
    unsure: list[int] = []
    record = wide.record + 1
    while record < len(page.cells):
        if page.blank(record):
            record += 1
            continue
        if wide_at(page, record, words):
            break
        names, heading = _names(page, record, ids, wide, words)
        filled = [p for p in page.full(record) if p in wide.days]
        if heading is not None and heading.concept in FACTS and heading.concept != "note" and CONCEPTS[
                heading.concept].kind not in _MEASURED:
            break
        if heading is None and not filled:
            break
        heading = heading or corner
        if heading is None and all(three_measures(page.text(record, p), None) or is_nothing(page.text(record, p))
                                   for p in filled):
            heading = Heading("three")
        if heading is None:
            unsure.append(record)
        else:
            if heading.group:
                names = (*names, (heading.group_of or "fruit", heading.group))
            said = (names, heading.concept, heading.depth, heading.time_of_day)
            lines.setdefault((names, told[said]), []).append((heading, record))
            told[said] += 1  # a measure told twice of one fruit: a table of its own
            page.use_record(record, [p for p in page.full(record) if p in wide.labels])
        record += 1
    for (names, _), measures in lines.items():
        blocks.append(_turned(page, wide, names, measures, facts))
    if unsure:
        places = [(r, p) for r in unsure for p in page.full(r)]
        page.say("measure-unknown", unsure[0], also=places, count=sum(p in wide.days for _, p in places),
                 sample=", ".join(page.text(r, p) for r, p in places if p in wide.days)[:40])
    return record


def _names(page: Page, record: int, ids: dict[int, Heading | None], wide: Wide, words: Words):
    """What the cells before the days say: names under id headings, and the measure of the line."""
    names: list[tuple[str, str]] = []
    measure: Heading | None = None
    for position in wide.labels:
        text = clean(page.text(record, position))
        if not text:
            continue
        head, cell = ids.get(position), words.match(text)
        of_fruit = cell is not None and cell.group and head is not None and head.concept == "fruit"  # Fruit: A circ
        if cell and measure is None and (of_fruit or head is None or head.concept in (
                "date", "day", "three", "units", "kind")):
            measure = cell
        elif head and head.concept in FACTS:
            names.append((head.concept, text))
        elif cell is None and measure is None:
            found = words.fact(text)
            names.append(found if found and found[0] in ("fruit", "plant", "patch") else ("fruit", text))
    return tuple(names), measure


def _turned(page: Page, wide: Wide, names, measures: list[tuple[Heading, int]], facts: dict[str, Fact]) -> Block:
    size = len(wide.days)
    columns = [Column(wide.concept, [page.text(wide.record, p) for p in wide.days], [wide.record] * size,
                      list(wide.days), wide.concept)]
    for heading, record in measures:
        label = next((clean(page.text(record, p)) for p in wide.labels if page.text(record, p)), plain(heading.concept))
        columns.append(Column(heading.concept, [page.text(record, p) for p in wide.days], [record] * size,
                              list(wide.days), label, heading.unit, heading.depth, heading.time_of_day))
    new = [Fact(concept, text, measures[0][1], -1) for concept, text in names]
    return Block(columns, [measures[0][1]] * size, joined(facts, new))
