"""Labelled: tables whose columns are named for fruits, patches or times of day alone (date, Fruit A, Fruit B; date, am,
pm); the title, or the cells themselves, say what was measured."""

from __future__ import annotations

import re

from patchstats.intake.cells import clean, is_nothing, three_measures
from patchstats.intake.columns import Table
from patchstats.intake.headings import Heading, Words
from patchstats.intake.page import Page

_OF = {"fruit": "fruit", "pumpkin": "fruit", "frucht": "fruit", "patch": "patch", "garden": "patch", "bed": "patch",
       "beet": "patch"}
_TITLES = (("circumference", r"circ|girth|umfang|tour"), ("over_the_top", r"over the top|ott|total inches|totals"),
           ("soil", r"soil|boden|ground temp"))


def labelled_at(page: Page, record: int, words: Words, titles: list[int]) -> Table | None:
    """The table whose columns are named so at a record, or None when what was measured is not said anywhere."""
    full = page.full(record)
    first = words.match(clean(page.text(record, full[0])))
    if first is None or first.concept not in ("date", "day") or len(full) < 2:
        return None
    times = {p: words.extra(clean(page.text(record, p))).get("time_of_day", "") for p in full[1:]}
    if all(times.values()) and _said(page, titles) == "soil":
        return _soil_by_time(page, record, words, titles, first, times)
    labels = {p: _label(clean(page.text(record, p))) for p in full[1:]}
    if not all(labels.values()):
        return None
    below = [r for r in range(record + 1, min(record + 6, len(page.cells))) if not page.blank(r)]
    texts = [t for r in below for p in labels if (t := page.text(r, p)) and not is_nothing(t)]
    concept = "three" if texts and all(three_measures(t, None) for t in texts) else _said(page, titles)
    if not texts or concept is None:
        return None
    headings: list[tuple[int, Heading | None, str]] = [(full[0], first, page.text(record, full[0]))]
    groups = {}
    for position, label in labels.items():
        headings.append((position, Heading(concept), page.text(record, position)))
        groups[position] = label or ("", "")
    return Table(record, 1, headings, groups)


def _soil_by_time(page: Page, record: int, words: Words, titles: list[int], first: Heading,
                  times: dict[int, str]) -> Table:
    """Columns headed am and pm below a title that speaks of the soil, and perhaps of the probe's depth."""
    deep = [(r, depth) for r in titles if (depth := words.extra(page.words(r)).get("depth"))]
    at, depth = deep[0] if len(deep) == 1 else (None, "")
    page.say("soil-from-title", at, mark=False, columns=", ".join(page.text(record, p) for p in times),
             depth=f" at {depth}" if depth else "")
    if at is not None:
        page.use_record(at)
    there = page.full(record)[0]
    return Table(record, 1, [(there, first, page.text(record, there)),
                             *((p, Heading("soil", depth=depth, time_of_day=time), page.text(record, p))
                               for p, time in times.items())])


def _label(text: str) -> tuple[str, str] | None:
    """``Fruit A`` or ``North Patch`` as (what it names, label)."""
    found = re.fullmatch(r"(\w+)[\s:#.-]+(\S.{0,20})", text)
    if found and found[1].casefold() in _OF:
        return _OF[found[1].casefold()], found[2]
    found = re.fullmatch(r"(\S.{0,20}?)\s+(\w+)", text)
    if found and found[2].casefold() in _OF:
        return _OF[found[2].casefold()], found[1]
    return None


def _said(page: Page, titles: list[int]) -> str | None:
    """The one measure that the lines above, or the file's name, speak of."""
    told = " ".join([re.sub(r"[_\W]+", " ", page.label), *(page.words(r) for r in titles)]).casefold()
    found = [concept for concept, pattern in _TITLES if re.search(rf"\b(?:{pattern})", told)]
    return found[0] if len(found) == 1 else None
