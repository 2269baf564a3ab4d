"""Thanks: a member's own growth charts, for having handed in a log."""

from __future__ import annotations

import functools
from pathlib import Path

from patchstats import charts
from patchstats.clubbook import Club, store
from patchstats.clubbook.faults import in_words
from patchstats.growthpath import FEWEST, PathSettings, growth_paths, learn_path_settings
from patchstats.remarks import ModelError
from patchstats.tapings import tapings

MOST = 3


def fruits_of(folder: Path, receipt: int) -> list[str]:
    """The fruits that the tapings of a receipt tell of, the most taped first."""
    with in_words(folder, "reading a receipt"), store.reading(folder) as connection:
        rows = store.read_frame(connection, "readings", "receipt = ?", (receipt,))
    counts = rows["fruit"].value_counts()
    return sorted(counts.index, key=lambda fruit: (-counts[fruit], fruit))


def growth_charts(club: Club, fruits: list[str]) -> list[charts.Chart]:
    """The growth of these fruits, at most three that have tapings enough, with all that the club holds of them.

    How growth paths bend is learnt from the club's fruits, all of them; a club with too few takes the usual numbers.
    """
    if not fruits:
        return []
    held = club.tables | {"readings": club.readings[club.readings["fruit"].isin(fruits)]}
    made: list[charts.Chart] = []
    taped = tapings(held)
    taped = taped[taped["used"]]
    if taped.empty:
        return []
    paths = growth_paths(held, settings=_shared(club))
    for fruit in fruits:
        path = paths[paths["fruit"] == fruit].dropna(subset=["mass_kg"])
        if len(path) >= 2 and len(made) < MOST:
            made.append(charts.growth_of_fruit(path, taped[taped["fruit"] == fruit], fruit=fruit, shown=club.shown))
    return made


@functools.lru_cache(maxsize=2)
def _shared(club: Club) -> PathSettings:
    try:
        return learn_path_settings(club)
    except ModelError:
        return PathSettings()


def why_none(fruits: list[str]) -> str:
    """What a member reads in place of a chart."""
    if not fruits:
        return "This file holds no tapings, so there is no growth to draw."
    return (f"A growth chart needs tapings of one fruit on {FEWEST} days, and its day of pollination. Hand in "
            "more, and it will be here.")
