"""Fast: large, plain tables of tapings read all at once.

A log of a few hundred lines is read line by line. A club's table of 200,000 need not be: its columns are read whole,
the distinct names and dates by the ordinary reader, and every check of :mod:`~patchstats.intake.sense` is asked of
whole columns first, in a form that is never less strict. Only the fruits with something to speak of are then read line
by line, so the result is the same, which the tests hold it to. Whatever is not plain (quotation marks, lines with more
or fewer cells than the rest, missing names, units to be settled, dates in unknown order) is left to the ordinary reader
altogether.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from patchstats import tables
from patchstats.intake import cells, values
from patchstats.intake.blocks import Block, Column
from patchstats.intake.concepts import NAMES, TAPE
from patchstats.intake.dates import year_of
from patchstats.intake.fastframes import page_of, tables_of
from patchstats.intake.fastparse import parse_rows
from patchstats.intake.headings import Words
from patchstats.intake.layout import Laid, lay_out
from patchstats.intake.meaning import kinds_of, settle_meanings
from patchstats.intake.page import Page
from patchstats.intake.records import split_text
from patchstats.intake.sense import LEAP_CM_DAY, OUT_OF_PROPORTION, odd_shares
from patchstats.intake.settings import Settings
from patchstats.intake.settle import settle
from patchstats.intake.values import Told
from patchstats.units import to_metric

WORTH_BYTES = 400_000
_HEAD_LINES = 60
_ALLOWED = {*NAMES, "seed", "date", "set_date", *TAPE}
_FALL_CM = 3.9  # the least fall that any check of sense speaks of
_MOST_ODD = 0.3


@dataclass
class Clean:
    """What was read all at once, and a page of the lines that were not, as if they were the whole file."""

    tables: dict[str, pd.DataFrame]
    rows: int
    page: Page
    laid: Laid
    told: Told
    twice: str  # a fruit that is in ``tables`` already although its lines are on ``page`` too


def prepare(data: bytes, words: Words, settings: Settings, name: str) -> Clean | None:
    """The clean part of a large plain table of tapings, or None when the file is not one."""
    if len(data) < WORTH_BYTES or b'"' in data or b"\r" in data and data.count(b"\r") != data.count(b"\r\n"):
        return None
    body = data[3:] if data.startswith(b"\xef\xbb\xbf") else data
    if not body.isascii():
        return None
    at = -1
    for _ in range(_HEAD_LINES):
        at = body.find(b"\n", at + 1)
        if at < 0:
            return None
    split = split_text(body[:at].decode("ascii"))
    if split.broken or split.delimiter not in (",", ";", "\t", "|"):
        return None
    page = Page(name, split.cells, split.lines, split.delimiter)
    if "fruit" not in {h.concept for row in split.cells[:30] for t in row if (h := words.match(cells.clean(t)))}:
        return None
    laid = lay_out(page, words)
    block = laid.blocks[0] if len(laid.blocks) == 1 else None
    if block is None or not _is_plain(page, block, settings):
        return None
    start = page.lines[block.rows[0]]  # the line, from 1, of the first row
    frame = parse_rows(body, block, split.delimiter, start)
    return None if frame is None else _sift(body, frame, block, laid, page, words, settings, name, start)


def _is_plain(page: Page, block: Block, settings: Settings) -> bool:
    settle_meanings(block)
    concepts = [c.concept for c in block.columns]
    fruits = block.column("fruit")
    if kinds_of(block) != ("readings",) or fruits is None or "date" not in concepts:
        return False
    if set(concepts) - _ALLOWED or len(set(concepts)) != len(concepts):
        return False
    told = "grower" in concepts or "grower" in block.facts or settings.grower
    if not told and not all(t.count("/") == 2 for t in fruits.texts):
        return False
    whole = block.rows == list(range(block.rows[0], len(page.cells)))
    contiguous = page.lines[block.rows[0]:] == list(range(page.lines[block.rows[0]], page.lines[block.rows[0]] + len(
        block.rows))) if whole else False
    spoken = any(r.code not in ("title-line", "title-figures") for r in page.remarks)
    return contiguous and not spoken and all(c.unit in ("in", "cm") for c in block.columns if c.concept in TAPE)


def _sift(body, frame: pd.DataFrame, block: Block, laid: Laid, head: Page, words: Words, settings: Settings, name: str,
          start: int) -> Clean | None:
    told = _told(frame, block, laid, head, words, settings, name)
    known = None if told is None else _keys(frame, block, told, settings)
    if told is None or known is None:
        return None
    fruit, keys, days = known
    units = {c.concept: c.unit for c in block.columns}
    tapes = {c: np.asarray(to_metric(frame[c].to_numpy(), units[c])[0]) for c in TAPE if c in frame}
    step = np.diff(fruit)
    # Most such tables run fruit by fruit and day by day already.
    in_order = ((step > 0) | (step == 0) & (np.diff(days) >= 0)).all()
    order: np.ndarray | slice = slice(None) if in_order else np.lexsort((days, fruit))
    odd = _odd({c: v[order] for c, v in tapes.items()}, fruit[order], days[order], len(keys))
    odd |= _inconstant(frame, fruit, order, len(keys))
    odd[fruit[_out_of_season(keys, fruit, days)]] = True
    good = None
    line_odd = odd[fruit]
    if line_odd.sum() > _MOST_ODD * len(frame):
        return None
    line_odd[0] = True  # the first line is always read by the ordinary reader too: it carries the facts above the table
    page = page_of(body, head, block, np.flatnonzero(line_odd), start, name)
    if odd.any():
        good = ~odd[fruit]
        tapes = {c: v[good] for c, v in tapes.items()}
    else:
        good = np.ones(len(frame), dtype=bool)
    made = tables_of(frame, fruit, keys, days, good, tapes, start, name, block)
    if made is None:
        return None
    again = lay_out(page, words)
    again.titles = laid.titles
    return Clean(made, int((~line_odd).sum()), page, again, told, "" if odd[fruit[0]] else keys[fruit[0]])


def _told(frame, block: Block, laid: Laid, head: Page, words: Words, settings: Settings, name: str) -> Told | None:
    """What the whole file settles, from its distinct dates; None when that leaves anything open."""
    stand_in = Block([_distinct(frame, c) for c in block.columns], block.rows, block.facts)
    told = settle([head], [Laid([stand_in], laid.titles)], words, settings, name)
    if told.calendar.mixed or told.calendar.turns:
        return None
    for concept in ("date", "set_date"):
        if concept in frame:
            for text in frame[concept].cat.categories:
                p = told.calendar.parse(cells.clean(text))
                plain = (
                    p is not None
                    and p.year is not None
                    and p.number is None
                    and not (p.serial or p.time)
                    and p.weekday is None
                )
                if p is None or not plain or p.pair and told.calendar.order is None or told.calendar.read(p) is None:
                    return None
    return told


def _distinct(frame: pd.DataFrame, column: Column) -> Column:
    if column.concept not in ("date", "set_date"):
        return column
    known = frame[column.concept].cat
    counts = np.bincount(known.codes.to_numpy()[known.codes.to_numpy() >= 0], minlength=len(known.categories))
    return Column(column.concept, list(map(str, known.categories)), [], [], column.heading, counts=counts.tolist())


def _mapped(column: pd.Series, read) -> tuple[np.ndarray, list] | None:
    """Codes and distinct values of a column of names, its categories read; None when one is missing or no name.

    A category with a control character in it is left to the ordinary reader.
    """
    codes = column.cat.codes.to_numpy()
    if len(codes) and codes.min() < 0:
        return None
    made: list[int] = []
    place: dict[object, int] = {}
    for text in column.cat.categories:
        bare = cells.clean(text)
        value = (
            None
            if not text.isprintable() or cells.is_nothing(bare) or cells.is_ditto(bare) or cells.is_error(bare)
            else read(bare)
        )
        if value is None:
            return None
        made.append(place.setdefault(value, len(place)))
    return np.asarray(made, dtype=np.int64)[codes], list(place)


def _keys(frame, block: Block, told: Told, settings: Settings):
    """Each row's fruit as a code, the fruits' keys in order of appearance, and each row's day."""
    days_known = _mapped(frame["date"], lambda t: told.calendar.read(told.calendar.parse(t)))  # type: ignore[arg-type]
    fruit_known = _mapped(frame["fruit"], str)
    if days_known is None or fruit_known is None:
        return None
    day_values = np.array(days_known[1], dtype="datetime64[D]").astype(np.int64)
    days = day_values[days_known[0]]
    full = [label.count("/") == 2 and len(label.split("/")[1]) == 4 and year_of(label.split("/")[1]) is not None
            for label in fruit_known[1]]
    if all(full):
        if {"grower", "season", "plant", "patch"} & set(frame):
            return None
        codes, keys = fruit_known
    else:
        if any("/" in label for label in fruit_known[1]):
            return None
        parts: list[tuple[np.ndarray | None, list]] = []
        for concept, read in (("grower", str), ("season", lambda t: values.word(told, "season", t))):
            if concept in frame:
                known = _mapped(frame[concept], read)
                if known is None:
                    return None
                parts.append(known)
            elif concept in block.facts or concept == "grower":
                text = block.facts[concept].text if concept in block.facts else settings.grower
                value = read(text) if text else None
                if value is None:
                    return None
                parts.append((None, [value]))
            else:
                if told.calendar.season is not None:
                    parts.append((None, [told.calendar.season]))
                    continue
                years = np.array([d.year for d in days_known[1]])
                distinct, at = np.unique(years, return_inverse=True)
                parts.append((at[days_known[0]], distinct.tolist()))
        (g, growers), (s, seasons) = parts
        if any("/" in grower for grower in growers):  # which parts the names within a fruit's key
            return None
        combined = fruit_known[0].copy()
        if s is not None:
            combined += len(fruit_known[1]) * s
        if g is not None:
            combined += len(fruit_known[1]) * len(seasons) * g
        codes, distinct = pd.factorize(combined)
        keys = []
        for number in distinct.tolist():
            rest, label = divmod(number, len(fruit_known[1]))
            grower, season = divmod(rest, len(seasons))
            keys.append(f"{growers[grower]}/{seasons[season]}/{fruit_known[1][label]}")
        return codes, keys, days
    codes, order = pd.factorize(codes)
    return codes, [keys[n] for n in order], days


def _odd(tapes: dict[str, np.ndarray], fruit: np.ndarray, days: np.ndarray, count: int) -> np.ndarray:
    """Fruits that any check might speak of; all arrays sorted by fruit and day."""
    flagged = np.zeros(len(fruit), dtype=bool)
    same = fruit[1:] == fruit[:-1]
    flagged[1:] |= same & (days[1:] == days[:-1])
    nothing = np.ones(len(fruit), dtype=bool)
    for concept, column in tapes.items():
        spec = tables.table("readings")[f"{concept}_cm"]
        absent = np.isnan(column)
        nothing &= absent
        with np.errstate(invalid="ignore"):
            flagged |= ~absent & ~((column >= spec.low) & (column <= spec.high))
        full = np.flatnonzero(~absent) if absent.any() else None
        v, f, d = (column, fruit, days) if full is None else (column[full], fruit[full], days[full])
        step, gap = v[1:] - v[:-1], np.maximum(d[1:] - d[:-1], 1)
        bad = (f[1:] == f[:-1]) & ((step < -_FALL_CM) | (step > LEAP_CM_DAY[f"{concept}_cm"] * gap))
        where = np.flatnonzero(bad) + 1
        flagged[where if full is None else full[where]] = True
    flagged |= nothing
    if all(c in tapes for c in TAPE[:3]):
        around, side, end = (tapes[c] for c in TAPE[:3])
        total = around + side + end
        if "over_the_top" in tapes:
            written = tapes["over_the_top"]
            with np.errstate(invalid="ignore"):
                flagged |= np.abs(total - written) > np.maximum(1.99, 0.0099 * written)
        with np.errstate(invalid="ignore", divide="ignore"):
            flagged |= (around < (side + end) / 2) | odd_shares(side / around, end / around)
            ratios = np.log(side / around), np.log(end / around)
        starts = np.flatnonzero(np.concatenate([[True], ~same]))
        ranges = [np.fmax.reduceat(r, starts) - np.fmin.reduceat(r, starts) for r in ratios]
        first, second = ranges
        crooked = (first + second / 2 > OUT_OF_PROPORTION) | (second + first / 2 > OUT_OF_PROPORTION)
        flagged[starts[crooked]] = True
    odd = np.zeros(count, dtype=bool)
    odd[fruit[flagged]] = True
    return odd


def _out_of_season(keys: list[str], fruit: np.ndarray, days: np.ndarray) -> np.ndarray:
    """Rows whose day is not from September before their season's year to its end."""
    seasons = np.array([int(key.split("/")[1]) for key in keys]) - 1970
    years = seasons.astype("datetime64[Y]")
    first = ((years - 1).astype("datetime64[M]") + 8).astype("datetime64[D]").astype(np.int64)
    past = (years + 1).astype("datetime64[D]").astype(np.int64)
    return (days < first[fruit]) | (days >= past[fruit])


def _inconstant(frame, fruit: np.ndarray, order: np.ndarray | slice, count: int) -> np.ndarray:
    """Fruits whose plant, patch, seed or pollination date is missing, or changes from line to line."""
    odd = np.zeros(count, dtype=bool)
    sorted_fruit = fruit[order]
    same = sorted_fruit[1:] == sorted_fruit[:-1]
    for concept in ("plant", "patch", "seed", "set_date"):
        if concept in frame:
            codes = frame[concept].cat.codes.to_numpy()[order]
            odd[sorted_fruit[codes < 0]] = True
            odd[sorted_fruit[1:][same & (codes[1:] != codes[:-1])]] = True
    return odd


