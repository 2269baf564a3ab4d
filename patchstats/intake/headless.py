"""Headless: logs without headings, read by the order of their columns as the trade writes them, or asked about."""

from __future__ import annotations

from collections import Counter

from patchstats.intake.blocks import Block, Column, Fact
from patchstats.intake.cells import clean, is_nothing, read_number, three_measures
from patchstats.intake.concepts import CONCEPTS
from patchstats.intake.dates import parse
from patchstats.intake.page import Page

_ORDER = ("circumference", "side_to_side", "stem_to_blossom", "over_the_top")


def read_headless(page: Page, records: list[int], facts: dict[str, Fact], blocks: list[Block]) -> list[int]:
    """Blocks from lines that begin with a date; returns the records that are none of them."""
    found: Counter[int] = Counter()
    for record in records:
        for position in page.full(record):
            if parse(clean(page.text(record, position))) is not None:
                found[position] += 1
    if not found or max(found.values()) < 2:
        return records
    at = min(found, key=lambda p: (-found[p], p))
    rows = [r for r in records if parse(clean(page.text(r, at))) is not None]
    others = Counter(p for r in rows for p in page.full(r) if p != at)
    numeric, three, words = [], [], []
    for position in sorted(others):
        texts = [
            page.text(r, position) for r in rows if page.text(r, position) and not is_nothing(page.text(r, position))
        ]
        if texts and sum(three_measures(t, None) is not None for t in texts) >= 0.6 * len(texts):
            three.append(position)
        elif texts and sum(read_number(t, None) is not None for t in texts) >= 0.6 * len(texts):
            numeric.append(position)
        else:
            words.append(position)
    order = _order(page, rows, numeric, three)
    if not order:
        places = [(r, p) for r in rows for p in page.full(r)]
        if numeric:
            page.say("measure-unknown", rows[0], also=places, count=sum(p in numeric for _, p in places),
                     sample=", ".join(page.text(rows[0], p) for p in numeric)[:40])
            return [r for r in records if r not in set(rows)]
        return records
    page.headed.append((rows[0], {at: "date", **{p: CONCEPTS[c].title for p, c in order.items()}}))
    made = [Column("date", [page.text(r, at) for r in rows], list(rows), [at] * len(rows), "date")]
    for position, concept in order.items():
        made.append(Column(concept, [page.text(r, position) for r in rows], list(rows), [position] * len(rows),
                           concept.replace("_", " ")))
    notes = [p for p in words if p not in order]
    for position in notes:
        made.append(Column("note", [page.text(r, position) for r in rows], list(rows), [position] * len(rows), "note"))
    page.say("headings-missing", None, None, order=", ".join(["date", *(CONCEPTS[c].title for c in order.values())]))
    blocks.append(Block(made, rows, dict(facts)))
    return [r for r in records if r not in set(rows)]


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
