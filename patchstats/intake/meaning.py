"""Meaning: what the columns of a block together say that none says alone."""

from __future__ import annotations

import re
from dataclasses import replace

from patchstats.intake import cells
from patchstats.intake.blocks import Block
from patchstats.intake.concepts import MEASURES, OWN

_DAILY = ("readings", "sizes", "soil", "weather")


def kinds_of(block: Block) -> tuple[str, ...]:
    """The tables that a block's rows go to, by what its columns hold; several for a log of everything."""
    has = block.concepts | ({"circumference"} if "three" in block.concepts else set())
    dated = bool(has & {"date", "day"})
    if "scale" in has and not has & {"circumference", "side_to_side", "stem_to_blossom", "three"}:
        return ("weighings",)
    if has & {"males", "covered_hours", "set"} and (dated or "set_date" in has):
        return ("flowers",)
    if is_seed_list(has):
        return ("seeds",)
    if dated:
        found = [t for t in _DAILY if has & set(OWN[t])]
        if "scale" in has:
            found.append("weighings")
        return tuple(found)
    return ()


def is_seed_list(has: set[str]) -> bool:
    return "seed" in has and bool(has & {"seed_parent", "pollen_parent", "stock"}) and not has & {
        "date", "day", "fruit", "plant", "set_date", *MEASURES}


def settle_meanings(block: Block, around: str = "") -> None:
    """Words with two meanings, settled by what stands beside, below and above them.

    ``Set`` above yes and no says whether the fruit set; above dates, when. A temperature with a depth, or on a page
    whose title or file's name (``around``) speaks of the soil, is the soil's. In a list of parents the name is that
    of a seed; outside one, the parents of a cross are the seed planted and the pollen used.
    """
    has = block.concepts
    soil = "depth" in has or "depth" in block.facts or re.search(r"\b(soil|boden|sol|jord|bodem)", around.casefold())
    for column in block.columns:
        if column.concept == "temperature" and (soil or column.depth):
            column.concept = "soil"
        elif column.concept == "grower" and has & {"seed_parent", "pollen_parent"} and not has & {
                "seed", "fruit", "plant", "date"} and cells.clean(column.heading).casefold() == "name":
            column.concept = "seed"
    for column in block.columns:
        if column.concept == "set_date":
            words = [t for t in map(cells.clean, column.texts) if not cells.is_nothing(t)]
            if words and sum(cells.read_yes(t) is not None for t in words) > 0.6 * len(words):
                column.concept = "set"
    if is_seed_list(block.concepts):
        return
    for told, meant in (("pollen_parent", "pollen"), ("seed_parent", "seed")):
        if told in block.facts and meant not in block.facts:
            block.facts[meant] = replace(block.facts.pop(told), concept=meant)
        for column in block.columns:
            if column.concept == told and meant not in block.concepts:
                column.concept = meant
