"""Calibrate: the tape held against the scale.

The published table says what a fruit of so many inches weighs on the average; a fruit is heavy or light to that
chart by its walls, cavity and shape. What is seen here are fruits that reached the scale: lost fruits never do, and
prize lists hold the heavy ones (at 450 in and more, entries went 3 % heavy on the average while all entries together
went to chart: Giant Pumpkins, R4DS TidyTuesday 2021-10-19, class P, 2017-21).
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from patchstats.remarks import PatchstatsError
from patchstats.tables import table_of
from patchstats.tape import WeightTable, mass_from_tape, percent_to_chart, table_for, table_named

WEIGHED = ("fruit", "grower", "season", "seed", "kind", "date", "status", "over_the_top_cm", "scale_kg", "table_kg",
           "to_chart_percent", "table")


def weighed(club, *, table: WeightTable | str | None = None) -> pd.DataFrame:
    """Every entry with the weight that its tape would have told: one row a weighing, by season and fruit.

    ``club`` is an opened club or a dict of tables. ``table`` None takes the table of each season and class (a fruit
    without a class counts as a pumpkin). Adds ``table_kg``, empty where there was no tape at the weigh-off or it lies
    outside the table, and ``to_chart_percent`` = 100 * (scale / table - 1), heavy to chart above zero.
    """
    fruits = table_of(club, "fruits")[["fruit", "grower", "season", "seed", "kind"]]
    rows = table_of(club, "weighings")[["fruit", "date", "status", "over_the_top_cm", "scale_kg"]].merge(
        fruits, on="fruit", how="left")
    kind = rows["kind"].fillna("pumpkin")
    rows["table_kg"], rows["table"] = np.nan, None
    for (season, of_kind), group in rows.groupby(["season", kind]):
        try:
            chosen = table_for(int(season), str(of_kind)) if table is None else table_named(table)
        except PatchstatsError:
            if table is not None:
                raise
            continue  # a class that has no table, or a season whose table is not held
        rows.loc[group.index, "table_kg"] = mass_from_tape(group["over_the_top_cm"], table=chosen)["mass_kg"]
        rows.loc[group.index, "table"] = chosen.name
    rows["to_chart_percent"] = percent_to_chart(rows["scale_kg"], rows["table_kg"])
    return rows.sort_values(["season", "fruit"], kind="stable")[list(WEIGHED)].reset_index(drop=True)
