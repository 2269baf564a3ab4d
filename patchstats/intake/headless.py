"""Headless: logs without headings, read by the order of their columns as the trade writes them, or asked about."""

from __future__ import annotations

from collections import Counter

from patchstats.intake.blocks import Block, Column, Fact
from patchstats.intake.cells import clean, is_nothing, read_number, three_measures
from patchstats.intake.concepts import CONCEPTS
from patchstats.intake.dates import parse
from patchstats.intake.headings import Heading, Words
from patchstats.intake.page import Page
from patchstats.intake.records import JOTS

_SAID = ("circumference", "side_to_side", "stem_to_blossom", "over_the_top", "three", "written", "soil")
_ORDER = ("circumference", "side_to_side", "stem_to_blossom", "over_the_top")


def read_headless(page: Page, records: list[int], facts: dict[str, Fact], blocks: list[Block],
                  words: Words) -> list[int]:
    """Blocks from lines that begin with a date; returns the records that are none of them."""
    jots = [r for r in records if page.delimiter == JOTS and len(page.full(r)) > 1]
    found: Counter[int] = Counter({0: len(jots)} if jots else {})
    for record in records if not jots else []:
        for position in page.full(record):
            if parse(clean(page.text(record, position))) is not None:
                found[position] += 1
    if not found or max(found.values()) < 2:
        return records
    at = min(found, key=lambda p: (-found[p], p))
    rows = jots or [r for r in records if parse(clean(page.text(r, at))) is not None]
    others = Counter(p for r in rows for p in page.full(r) if p != at)
    numeric, three, wordy = [], [], []
    for position in sorted(others):
        texts = [
            page.text(r, position) for r in rows if page.text(r, position) and not is_nothing(page.text(r, position))
        ]
        if texts and sum(three_measures(t, None) is not None for t in texts) >= 0.6 * len(texts):
            three.append(position)
        elif texts and sum(read_number(t, None) is not None for t in texts) >= 0.6 * len(texts):
            numeric.append(position)
        else:
            wordy.append(position)
    order = _order(page, rows, numeric, three)
    said = _said_above(page, [r for r in records if r < rows[0]], words)
    if said and len(numeric) == 1 and not three and said[1].concept != "three":
        order = {numeric[0]: said[1].concept}
    elif said and not (order and said[1].concept in ("three", "over_the_top")):
        said = None
    if said:
        page.use_record(said[0])
    if not order:
        places = [(r, p) for r in rows for p in page.full(r)]
        if numeric:
            page.say("measure-unknown", rows[0], also=places, count=sum(p in numeric for _, p in places),
                     sample=", ".join(page.text(rows[0], p) for p in numeric)[:40])
            return [r for r in records if r not in set(rows)]
        return records
    named = [parse(clean(page.text(r, at))) for r in jots]
    first = "day" if any(p is None or p.number is not None for p in named) else "date"
    page.headed.append((rows[0], {at: first, **{p: CONCEPTS[c].title for p, c in order.items()}}))
    made = [Column(first, [page.text(r, at) for r in rows], list(rows), [at] * len(rows), first)]
    for position, concept in order.items():
        made.append(Column(concept, [page.text(r, position) for r in rows], list(rows), [position] * len(rows),
                           concept.replace("_", " "), said[1].unit if said else ""))
    notes = [p for p in wordy if p not in order]
    for position in notes:
        made.append(Column("note", [page.text(r, position) for r in rows], list(rows), [position] * len(rows), "note"))
    page.say("headings-missing", None, None, order=", ".join(CONCEPTS[c].title for c in (first, *order.values())))
    blocks.append(Block(made, rows, dict(facts)))
    return [r for r in records if r not in {*rows, said[0] if said else -1}]


def _said_above(page: Page, records: list[int], words: Words) -> tuple[int, Heading] | None:
    """The line above the readings that holds nothing but the name of what was measured: ``OTT in inches``."""
    found = [(r, heading) for r in records if len(page.full(r)) == 1
             and (heading := words.match(clean(page.text(r, page.full(r)[0])))) and heading.concept in _SAID]
    return found[0] if len(found) == 1 else None


def _order(page: Page, rows: list[int], numeric: list[int], three: list[int]) -> dict[int, str]:
    """Position -> measure, when the numbers bear out the trade's order; empty when they do not."""
    if three and len(numeric) <= 1:
        order = {three[0]: "three"}
        return {**order, numeric[0]: "over_the_top"} if numeric and _sums(page, rows, three[0], numeric[0]) else order
    if len(numeric) not in (3, 4):
        return {}
    values = [[_value(page.text(r, p)) for p in numeric] for r in rows]
    full = [v for v in values if all(x is not None for x in v)]
    if not full:
        return {}
    first_largest = sum(v[0] > v[1] and v[0] > v[2] for v in full) >= 0.9 * len(full)
    sums = len(numeric) == 3 or sum(abs(sum(v[:3]) - v[3]) <= 0.02 * v[3] + 0.6 for v in full) >= 0.8 * len(full)
    return dict(zip(numeric, _ORDER, strict=False)) if first_largest and sums else {}


def _value(text: str):
    number = read_number(text, None)
    return getattr(number, "value", None)


def _sums(page: Page, rows: list[int], three: int, total: int) -> bool:
    pairs = [(three_measures(page.text(r, three), None), _value(page.text(r, total))) for r in rows]
    full = [(t[0], v) for t, v in pairs if t and v is not None]
    return bool(full) and sum(abs(sum(t) - v) <= 0.02 * v + 0.6 for t, v in full) >= 0.8 * len(full)
