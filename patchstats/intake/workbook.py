"""Workbook: what the sheets of one workbook tell of each other.

A person who opens it reads the name of the grower once, and takes the sheets of several logs without a fruit's name
for one fruit each, named on the sheet's tab.
"""

from __future__ import annotations

import re

from patchstats.intake.blocks import Block, Fact
from patchstats.intake.cells import clean
from patchstats.intake.dates import MONTHS, year_of
from patchstats.intake.headings import plain
from patchstats.intake.layout import Laid
from patchstats.intake.meaning import kinds_of
from patchstats.intake.names import grower_of_file
from patchstats.intake.page import Page
from patchstats.intake.settings import Settings

_SAID = {"grower": "grower-from-sheet", "fruit": "fruit-from-sheet"}


def share_among_sheets(pages: list[Page], laid: list[Laid], settings: Settings, name: str) -> None:
    """Facts that a sheet's blocks take from the other sheets and from their own tab, each with a remark.

    The grower: when the whole workbook names one. The season: when the tab is a year. The fruit: when the tab is
    that of a fruit which another sheet names, or when several sheets hold tapings without a fruit's name; but tabs
    named for the months of a season are one log. What a sheet says itself stands. While nothing
    says whose the workbook is, not even the file's ``name``, a tab may as well be a grower's, and is left alone.
    """
    if len(pages) < 2:
        return
    growers = {name for found in laid for block in found.blocks for name in _names(block, "grower")}
    fruits = {plain(name) for found in laid for block in found.blocks for name in _names(block, "fruit")}
    known = bool(growers or settings.grower or grower_of_file(name))
    nameless = [page for page, found in zip(pages, laid, strict=True) if any(_nameless(b) for b in found.blocks)]
    by_month = all(set(plain(page.sheet).split()) & set(MONTHS) for page in nameless)
    for page, found in zip(pages, laid, strict=True):
        year = year_of(page.sheet.strip()) if re.fullmatch(r"\s*\d{4}\s*", page.sheet) else None
        told: dict[str, str] = {}
        if len(growers) == 1 and not settings.grower:
            told["grower"] = next(iter(growers))
        if year:
            told["season"] = str(year)
        elif known and not settings.fruit and page in nameless and (
                plain(page.sheet) in fruits or len(nameless) > 1 and not by_month):
            told["fruit"] = clean(page.sheet)
        for concept, text in told.items():
            blocks = [b for b in found.blocks if not _names(b, concept) and (concept != "fruit" or _nameless(b))]
            for block in blocks:
                block.facts[concept] = Fact(concept, text, 0, -1)
            if blocks and concept in _SAID:
                page.say(_SAID[concept], None, None, read=text)


def _names(block: Block, concept: str) -> list[str]:
    """The names of a concept that a block holds, as facts or in a column."""
    fact, column = block.facts.get(concept), block.column(concept)
    return ([fact.text] if fact else []) + ([text for t in column.texts if (text := clean(t))] if column else [])


def _nameless(block: Block) -> bool:
    """Whether a block holds tapings and says of neither fruit nor plant what it is called."""
    return "readings" in kinds_of(block) and not _names(block, "fruit") and not _names(block, "plant")
