"""Across: what the logs say of one another that no log says alone. Remarks only; nothing is merged or changed."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import pandas as pd

from patchstats import tables
from patchstats.clubbook.merge import line_of, shown_files
from patchstats.intake import names, sense
from patchstats.remark_kinds import kind
from patchstats.remarks import Remark, remark
from patchstats.units import IMPERIAL, Shown, say

_NAMED = ("growers", "patches", "plants", "fruits")


def look_alikes(frames: Mapping[str, pd.DataFrame], files: Mapping[int, str]) -> list[tuple[int, Remark]]:
    """A remark for each pair of names that look alike, where no single file holds both (that file has said it then).

    ``frames``: the rows of all standing receipts by table, in the order of taking in. ``files``: receipt to the name of
    its file. Growers are compared with growers; patches, plants and fruits with those of the same grower and season.
    A plant and a fruit of one label are spoken of once.
    """
    found: list[tuple[int, Remark]] = []
    spoken: set[tuple[str, str]] = set()
    for table in _NAMED:
        rows = frames[table]
        (key,) = tables.table(table).key
        if rows[key].nunique() < 2:
            continue
        holders = rows.groupby(key, sort=False)["receipt"].agg(frozenset)
        first = rows.drop_duplicates(key).set_index(key, drop=False)
        heads = pd.Series(holders.index, index=holders.index).str.rpartition("/")
        for head, labels in heads.groupby(0, sort=False)[2]:
            stem = f"{head}/" if head else ""
            for a, b in names.pairs(list(labels)) if len(labels) > 1 else ():
                pair = (stem + a, stem + b)
                if pair in spoken or holders[pair[0]] & holders[pair[1]]:
                    continue
                spoken.add(pair)
                found.append(_alike(first.loc[pair[0]], first.loc[pair[1]], pair, files))
    return found


def _alike(one: pd.Series, two: pd.Series, pair: tuple[str, str], files: Mapping[int, str]) -> tuple[int, Remark]:
    before, later = sorted((one, two), key=lambda row: row["receipt"])
    places = shown_files(pd.DataFrame([before, later]), files)
    other = f"{places.iloc[0]}, line {line_of(before)}"
    names_of = {id(one): pair[0], id(two): pair[1]}
    return int(later["receipt"]), remark(
        kind("names-alike-files"), places.iloc[1], line_of(later), read=names_of[id(later)],
        first=names_of[id(before)], other=other, first_file=places.iloc[0], earlier=before["receipt"],
        later=later["receipt"])


def far_scales(frames: Mapping[str, pd.DataFrame], held: Mapping[str, pd.DataFrame], files: Mapping[int, str], *,
               shown: Shown = IMPERIAL) -> list[tuple[int, Remark, int]]:
    """A remark for each scale weight far from the fruit's last taping within a week of it, where the weight stands in
    one file and the tapings in others: the receipt of the weight, the remark, and the receipt of the taping.
    ``held``: the club's tables made of ``frames``."""
    weighings, readings = frames["weighings"], frames["readings"]
    weighings = weighings[weighings["scale_kg"].notna()].drop_duplicates(["fruit", "date"])
    taped = readings.loc[readings["over_the_top_cm"].notna(), ["receipt", "fruit", "date", "over_the_top_cm"]]
    both = weighings[weighings["over_the_top_cm"].isna()].merge(taped, on="fruit", suffixes=("", "_taped"))
    both = both[(both["date_taped"] - both["date"]).dt.days.abs() <= sense.NEAR_SCALE_DAYS]
    alone = both["receipt"] == both["receipt_taped"]
    both = both[~both["fruit"].isin(both.loc[alone, "fruit"])]
    last = both.sort_values(["fruit", "date", "date_taped"], kind="stable")
    last = last.drop_duplicates(["fruit", "date"], keep="last")
    kinds = held["fruits"].set_index("fruit")["kind"]
    found: list[tuple[int, Remark, int]] = []
    for (_, row), file in zip(last.iterrows(), shown_files(last, files), strict=True):
        tape_kg = sense.far_from_tape(row["scale_kg"], row["over_the_top_cm_taped"], row["date"].year,
                                      kinds.get(row["fruit"]))
        if tape_kg is not None:
            weight = say(row["scale_kg"], "scale_kg", shown)
            found.append((int(row["receipt"]), remark(
                kind("scale-far"), file, line_of(row), read=weight, fruit=row["fruit"], scale=weight,
                tape=say(tape_kg, "mass_kg", shown)), int(row["receipt_taped"])))
    return found


def unnamed_weighed(frames: Mapping[str, pd.DataFrame], files: Mapping[int, str],
                    unnamed: Collection[int]) -> list[tuple[int, Remark, int]]:
    """A remark for each fruit that a list weighs without a name, where the grower's other files know one fruit of that
    season, and another than the list's: the receipt of the list, the remark, and the receipt of the other fruit.

    ``unnamed``: the receipts of which it was said that they do not name their fruit.
    """
    weighed = frames["weighings"]
    weighed = weighed[weighed["receipt"].isin(unnamed) & weighed["fruit"].str.endswith("/1")].drop_duplicates("fruit")
    fruits = frames["fruits"]
    fruits = fruits[fruits["grower"].isin(weighed["fruit"].str.split("/").str[0])]
    found: list[tuple[int, Remark, int]] = []
    for (_, row), file in zip(weighed.iterrows(), shown_files(weighed, files), strict=True):
        grower, season, _ = row["fruit"].split("/")
        others = fruits[fruits["fruit"].str.startswith(f"{grower}/{season}/") & (fruits["receipt"] != row["receipt"])]
        known = others["fruit"].unique()
        if len(known) == 1 and known[0] != row["fruit"]:
            other = others.iloc[0]
            place = f"{shown_files(others.head(1), files).iloc[0]}, line {line_of(other)}"
            found.append((int(row["receipt"]), remark(
                kind("fruit-unnamed-weighed"), file, line_of(row), grower=grower, season=season, fruit=row["fruit"],
                known=tables.short_name(known[0]), other=place), int(other["receipt"])))
    return found
