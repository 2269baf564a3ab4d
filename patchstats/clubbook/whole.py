"""Whole: the ladder of identity made whole when all logs are in."""

from __future__ import annotations

import pandas as pd

from patchstats.tables import STORED, conform, empty


def completed(held: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """A club's stored tables with the ladder of identity made whole, from what the logs together say.

    A log seldom names everything. When all are in: a fruit without a plant gets the plant of its own label, a plant
    or fruit without a patch gets the other's, or ``<grower>/home``; a seed named for the plant or the fruit counts
    for both; and every grower, patch and plant that something refers to has a row. What a log does say stays.
    """
    out = {name: held.get(name, empty(name)) for name in STORED}
    fruits, plants = out["fruits"].copy(), out["plants"].copy()
    fruits["plant"] = fruits["plant"].where(fruits["plant"].notna(), fruits["fruit"])
    told = pd.concat([fruits["plant"], out["sizes"]["plant"], out["flowers"]["plant"]]).dropna().unique()
    new = [key for key in told if key not in set(plants["plant"])]
    if new:
        rows = pd.DataFrame({"plant": new, "grower": [k.split("/")[0] for k in new],
                             "season": [int(k.split("/")[1]) if k.count("/") == 2 else None for k in new]})
        plants = pd.concat([plants, conform("plants", rows)], ignore_index=True)
    for column in ("patch", "seed"):
        of_plant = plants.drop_duplicates("plant").set_index("plant")[column]
        fruits[column] = fruits[column].where(fruits[column].notna(), fruits["plant"].map(of_plant))
        of_fruit = fruits.dropna(subset=[column]).drop_duplicates("plant").set_index("plant")[column]
        plants[column] = plants[column].where(plants[column].notna(), plants["plant"].map(of_fruit))
    for frame in (fruits, plants):
        frame["patch"] = frame["patch"].where(frame["patch"].notna(), frame["grower"] + "/home")
    patches = out["patches"]
    patch_columns = [plants["patch"], fruits["patch"], out["soil"]["patch"], out["weather"]["patch"]]
    keys = pd.concat(patch_columns).dropna().unique()
    new = [key for key in keys if key not in set(patches["patch"])]
    if new:
        rows = pd.DataFrame({"patch": new, "grower": [k.split("/")[0] for k in new]})
        patches = pd.concat([patches, conform("patches", rows)], ignore_index=True)
    growers = out["growers"]
    names = pd.concat([patches["grower"], plants["grower"], fruits["grower"]]).dropna().unique()
    new = [key for key in names if key not in set(growers["grower"])]
    if new:
        growers = pd.concat([growers, conform("growers", pd.DataFrame({"grower": new}))], ignore_index=True)
    out |= {"growers": growers, "patches": patches, "plants": plants, "fruits": fruits}
    return {name: conform(name, frame) for name, frame in out.items()}
