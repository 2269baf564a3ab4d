"""Fastframes: the stored tables of the fruits that were read all at once, and their joining with the rest."""

from __future__ import annotations

import numpy as np
import pandas as pd

from patchstats import tables
from patchstats.intake import cells
from patchstats.intake.blocks import Block
from patchstats.intake.concepts import TAPE
from patchstats.intake.page import Page


def page_of(body: bytes, head: Page, block: Block, rows: np.ndarray, start: int, name: str) -> Page:
    """A page of the lines above the rows and of the odd rows, each with its own line number."""
    above = block.rows[0]
    lines = list(head.lines[:above])
    texts = [list(cells_) for cells_ in head.cells[:above]]
    line, end = 0, -1
    for row in rows.tolist():
        number = start + row  # line, from 1
        while line < number:
            begin, line = end + 1, line + 1
            end = body.find(b"\n", begin)
        end = len(body) if end < 0 else end
        texts.append(body[begin:end].decode("ascii").rstrip("\r").split(head.delimiter))
        lines.append(number)
    return Page(name, texts, lines, head.delimiter)


def _summed(tapes: dict[str, np.ndarray]) -> np.ndarray:
    """The total of the three measures, empty where no fruit could have it."""
    total = tapes["circumference"] + tapes["side_to_side"] + tapes["stem_to_blossom"]
    return np.where(total <= tables.DICTIONARY["readings"]["over_the_top_cm"].high, total, np.nan)


def tables_of(frame, fruit, keys, days, good, tapes, start: int, name: str, block: Block):
    """The stored tables of the fruits that are plain."""
    size = int(good.sum())
    names = np.array(keys, dtype=object)
    file = _objects(np.full(size, name, dtype=object))
    line = pd.arrays.IntegerArray(np.flatnonzero(good) + start, np.zeros(size, dtype=bool))
    nothing = _objects(np.full(size, None, dtype=object))
    made: dict[str, object] = {}
    for column in tables.table("readings").columns:
        concept = column.name.removesuffix("_cm")
        if column.name == "fruit":
            made[column.name] = _objects(names[fruit[good]])
        elif column.name == "date":
            made[column.name] = days[good].astype("datetime64[D]").astype("datetime64[ns]")
        elif concept in tapes:
            made[column.name] = tapes[concept]
        elif column.name == "over_the_top_cm" and all(c in tapes for c in TAPE[:3]):
            made[column.name] = _summed(tapes)
        elif column.name == "doubtful":
            made[column.name] = pd.arrays.BooleanArray(np.zeros(size, dtype=bool), np.zeros(size, dtype=bool))
        elif column.name == "file":
            made[column.name] = file
        elif column.name == "line":
            made[column.name] = line
        else:
            made[column.name] = np.full(size, np.nan) if column.kind == "number" else nothing
    if "over_the_top" in tapes and all(c in tapes for c in TAPE[:3]):
        total, summed = tapes["over_the_top"], _summed(tapes)
        made["over_the_top_cm"] = np.where(np.isnan(total), summed, total)
    out = {"readings": pd.DataFrame(made, copy=False)}
    rows = np.flatnonzero(good)
    seen = np.full(len(keys), -1)
    seen[fruit[rows][::-1]] = rows[::-1]  # the last one written is each fruit's first line
    first = np.sort(seen[seen >= 0])
    about = pd.DataFrame({"fruit": names[fruit[first]], "file": name, "line": first + start})
    about["grower"] = [k.split("/")[0] for k in about["fruit"]]
    about["season"] = [int(k.split("/")[1]) for k in about["fruit"]]
    if {"plant", "patch", "seed", "set_date"} & (set(frame) | set(block.facts)) or set(block.facts) - {
        "grower",
        "season",
        "units",
    }:
        return None if not _simple_facts(frame, block) else _with_facts(out, about, frame, first, block)
    out["fruits"] = tables.conform("fruits", about)
    out["growers"] = tables.conform("growers", about.drop_duplicates("grower")[["grower", "file", "line"]])
    return out


def _objects(array: np.ndarray) -> pd.Series:
    return pd.Series(array, dtype=object, copy=False)  # said to be objects, so that pandas does not look at each


def _simple_facts(frame, block: Block) -> bool:
    return not set(block.facts) - {"grower", "season", "units"} and "set_date" not in frame


def _with_facts(out, about, frame, first: np.ndarray, block: Block):
    """Fruits with their plants, patches and seeds from columns that do not change within a fruit."""
    for concept in ("plant", "patch", "seed"):
        if concept in frame:
            texts = [cells.clean(t) for t in frame[concept].astype(object).to_numpy()[first]]
            if any(cells.is_nothing(t) or cells.is_ditto(t) or "/" in t and concept != "seed" for t in texts):
                return None
            about[concept] = texts
    if "plant" in about:
        about["plant"] = about["grower"] + "/" + about["season"].astype(str) + "/" + about["plant"]
    if "patch" in about:
        about["patch"] = about["grower"] + "/" + about["patch"]
        out["patches"] = tables.conform("patches", about.drop_duplicates("patch")[["patch", "grower", "file", "line"]])
    if "plant" in about:
        columns = [c for c in ("plant", "patch", "grower", "season", "seed", "file", "line") if c in about]
        per_plant = about.groupby("plant")[[c for c in ("patch", "seed") if c in about]].nunique()
        if len(per_plant.columns) and (per_plant > 1).any(axis=None):
            return None
        out["plants"] = tables.conform("plants", about.drop_duplicates("plant")[columns])
    out["fruits"] = tables.conform("fruits", about)
    out["growers"] = tables.conform("growers", about.drop_duplicates("grower")[["grower", "file", "line"]])
    return out


def together(clean: dict[str, pd.DataFrame], odd: dict[str, pd.DataFrame], twice: str) -> dict[str, pd.DataFrame]:
    """The tables of both parts as one, in the order of the lines; a name in both is kept once, where it came first.

    ``twice``: a fruit whose tapings are in both.
    """
    out = {}
    if twice and "readings" in odd:
        odd = {**odd, "readings": odd["readings"][odd["readings"]["fruit"] != twice]}
    for table in tables.STORED:
        parts = [t[table] for t in (clean, odd) if table in t and len(t[table])]
        if not parts:
            continue
        if len(parts) == 1:
            out[table] = parts[0]
            continue
        lines = np.concatenate([part["line"].to_numpy(dtype=np.int64) for part in parts])
        order = np.argsort(lines, kind="stable")
        # pandas' own concat looks at every object of every column; these columns are known to be of one kind.
        columns = {c: _stacked([part[c].array for part in parts], order) for c in parts[0].columns}
        whole = pd.DataFrame(columns, copy=False)
        if table != "readings":
            whole = whole.drop_duplicates(list(tables.table(table).key), ignore_index=True)
        out[table] = whole
    return out


def _stacked(arrays: list, order: np.ndarray):
    if isinstance(arrays[0], (pd.arrays.IntegerArray, pd.arrays.BooleanArray)):
        return type(arrays[0])(
            np.concatenate([a._data for a in arrays])[order], np.concatenate([a._mask for a in arrays])[order]
        )
    return np.concatenate([np.asarray(a) for a in arrays])[order]
