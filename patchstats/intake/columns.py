"""Columns: from a table's headings and rows to blocks of columns, one for each fruit, plant, patch or probe named."""

from __future__ import annotations

from dataclasses import dataclass, field

from patchstats.intake.blocks import Block, Column, Fact, joined
from patchstats.intake.cells import clean, is_nothing
from patchstats.intake.concepts import CONCEPTS
from patchstats.intake.dates import parse
from patchstats.intake.headings import Heading, Words, plain, quantity_like
from patchstats.intake.page import Page

_STATION = ("station", "stn", "wmo", "stationid", "station_id")


@dataclass
class Table:
    """An open table: its heading's records and columns (position, heading, text as written)."""

    record: int
    depth: int
    headings: list[tuple[int, Heading | None, str]]
    groups: dict[int, tuple[str, str]] = field(default_factory=dict)  # position -> (what it names, label)
    elsewhere: frozenset[int] = frozenset()  # positions of other tables that stand beside this one


def is_datum(text: str) -> bool:
    text = clean(text)
    return quantity_like(text) or parse(text, serials=False) is not None


def blocks_of(page: Page, table: Table, rows: list[int], facts: dict[str, Fact], words: Words) -> list[Block]:
    """A table's rows as one block, or as one for each fruit, plant or patch that its headings name."""
    table.headings = _as_meant(page, table, rows)
    starts = [p for p, h, _ in table.headings if h and h.concept == "date" and p not in table.groups]
    if len(starts) > 1 and len({h.concept for _, h, _ in table.headings if h}) < len(table.headings) - 1:
        return _side_by_side(page, table, starts, rows, facts, words)
    shared: list[Column] = []
    grouped: dict[tuple[str, str], list[Column]] = {}
    seen: dict[tuple[str, str, str, str, str], str] = {}
    unknown: list[tuple[int, str]] = []
    groups = dict(table.groups)
    counts: dict[str, int] = {}
    for _, heading, _ in table.headings:
        if heading and heading.group:
            counts[heading.group] = counts.get(heading.group, 0) + 1
    tapes = [h for _, h, _ in table.headings if h and CONCEPTS[h.concept].kind in ("length", "three")]
    all_grouped = bool(tapes) and all(h.group for h in tapes)
    for position, heading, text in table.headings:
        if heading is None:
            unknown.append((position, text))
            continue
        if heading.group and (heading.group_of or len(counts) > 1 or all_grouped):
            of = heading.group_of or {"soil": "patch", "secondaries": "plant"}.get(heading.concept, "fruit")
            groups[position] = of, heading.group
        key = (*groups.get(position, ("", "")), heading.concept, heading.depth, heading.time_of_day)
        column = Column(heading.concept, [page.text(r, position) for r in rows], list(rows), [position] * len(rows),
                        text, heading.unit, heading.depth, heading.time_of_day)
        if key in seen and heading.concept not in ("note", "derived", "rank"):
            _doubled(page, table, column, seen[key])
            continue
        seen.setdefault(key, text)
        (grouped.setdefault(groups[position], []) if position in groups else shared).append(column)
    _both_sides(page, shared, grouped)
    if not {"date", "day"} & {c.concept for c in shared}:
        _date_without_heading(page, table, rows, shared)
    _margins(page, table, rows, shared)
    for position, text in unknown:
        _unknown(page, table, position, text, rows, words)
    if not grouped:
        return _one_probe_each(shared, rows, facts)
    made = []
    own = {of for of, _ in grouped}
    for (of, label), columns in grouped.items():
        named = joined(facts, [Fact(of, label, rows[0] if rows else 0, -1)])
        made.append(Block([*shared, *columns], list(rows), named))
    measures = [c for c in shared if CONCEPTS[c.concept].kind in ("length", "three")]
    if measures and own:  # measures outside every group: a fruit that the headings do not name
        made.append(Block(list(shared), list(rows), dict(facts)))
        for block in made[:-1]:
            block.columns = [c for c in block.columns if c not in measures]
    return made


def _as_meant(page: Page, table: Table, rows: list[int]) -> list[tuple[int, Heading | None, str]]:
    """Headings whose word means something else beside the others, as weather services write them.

    The name beside a station's number is the station's and nobody's log; a time that holds dates is the date.
    """
    concepts = {h.concept for _, h, _ in table.headings if h}
    station = any(h is None and plain(text).split(" ")[0] in _STATION for _, h, text in table.headings)
    out: list[tuple[int, Heading | None, str]] = []
    for position, heading, text in table.headings:
        if heading and heading.concept == "grower" and plain(text) == "name" and station:
            heading = None
        elif heading and heading.concept == "time_of_day" and not {"date", "day"} & concepts:
            texts = [clean(page.text(r, position)) for r in rows if page.text(r, position)]
            if texts and all(parse(t, serials=False) is not None for t in texts):
                heading = Heading("date")
        out.append((position, heading, text))
    return out


def _side_by_side(page: Page, table: Table, starts: list[int], rows: list[int], facts: dict[str, Fact],
                  words: Words) -> list[Block]:
    """Tables that stand beside each other, each with a date column of its own and with the facts above it."""
    made = []
    everything = frozenset(p for p, _, _ in table.headings)
    for start, stop in zip([0, *starts[1:]], [*starts[1:], 10_000], strict=True):
        part = Table(table.record, table.depth, [h for h in table.headings if start <= h[0] < stop],
                     elsewhere=everything - set(range(start, stop)))
        above = {f.concept: f for k, f in facts.items() if " at " in k and start <= f.position < stop}
        plain_facts = {k: f for k, f in facts.items() if " at " not in k}
        made += blocks_of(page, part, rows, {**plain_facts, **above}, words)
    return made


def _both_sides(page: Page, shared: list[Column], grouped: dict[tuple[str, str], list[Column]]) -> None:
    """Secondary vines counted left and right of the main vine are one count."""
    sides = {label.casefold(): label for _, label in grouped}
    for left, right in (("l", "r"), ("left", "right"), ("links", "rechts")):
        if left not in sides or right not in sides:
            continue
        keys = [key for side in (left, right) for key in grouped if key[1] == sides[side]]
        columns = [c for key in keys for c in grouped[key] if c.concept == "secondaries"]
        if len(columns) != 2 or any(len(grouped[key]) != 1 for key in keys):
            continue
        a, b = columns
        texts = [f"{x.strip()}+{y.strip()}" if x.strip().isdigit() and y.strip().isdigit() else x
                 for x, y in zip(a.texts, b.texts, strict=True)]
        for (record, position), text in zip(zip(b.records, b.positions, strict=True), texts, strict=True):
            if "+" in text:
                page.use(record, position)
        shared.append(Column("secondaries", texts, a.records, a.positions, f"{a.heading} + {b.heading}", a.unit))
        for key in keys:
            del grouped[key]


def _one_probe_each(shared: list[Column], rows: list[int], facts: dict[str, Fact]) -> list[Block]:
    """One block, and one more for each further probe (soil at another depth, or at another time of day)."""
    kept: list[Column] = []
    more: list[Column] = []
    for column in shared:
        (more if any(c.concept == column.concept != "note" and CONCEPTS[c.concept].kind == "temperature" for c in kept)
         else kept).append(column)
    common = [c for c in kept if CONCEPTS[c.concept].kind in ("name", "season", "date", "day")]
    return [Block(kept, list(rows), dict(facts)), *(Block([*common, c], list(rows), dict(facts)) for c in more)]


def _doubled(page: Page, table: Table, column: Column, other: str) -> None:
    places = [(r, p) for r, p in column.places() if not is_nothing(page.text(r, p))]
    if places:
        page.say("heading-doubled", table.record + table.depth - 1, places[0][1], read=column.heading, also=places,
                 other=other, count=len(places), sample=_sample(page, places))
    page.spoken(column.places())


def _unknown(page: Page, table: Table, position: int, text: str, rows: list[int], words: Words) -> None:
    places = [(r, position) for r in rows if position < len(page.cells[r]) and page.text(r, position)]
    if not places:
        return
    near = words.near(text)
    near = None if near and plain(near) == plain(text) else near  # a word that means something else in this table
    code = "heading-near-miss" if near else "heading-unknown"
    page.say(code, table.record + table.depth - 1, position, read=text, also=places, count=len(places),
             sample=_sample(page, places), suggestion=near or "")


def _sample(page: Page, places: list[tuple[int, int]]) -> str:
    shown = ", ".join(page.text(r, p)[:30] for r, p in places[:3])
    return shown + (", ..." if len(places) > 3 else "")


def _date_without_heading(page: Page, table: Table, rows: list[int], shared: list[Column]) -> None:
    """A column without a heading that holds dates is the date column of a table that names none."""
    named = {position for position, _, _ in table.headings}
    width = max((len(page.cells[r]) for r in rows), default=0)
    for position in range(width):
        if position in named:
            continue
        texts = [page.text(r, position) for r in rows]
        present = [t for t in texts if t]
        if present and sum(parse(clean(t)) is not None for t in present) >= 0.6 * len(present):
            shared.append(Column("date", texts, list(rows), [position] * len(rows), "", ""))
            table.headings.append((position, Heading("date"), ""))
            return


def _margins(page: Page, table: Table, rows: list[int], shared: list[Column]) -> None:
    """Words beyond the headings or under an empty heading are notes in the margin; numbers there are asked about."""
    named = {position for position, _, _ in table.headings} | table.elsewhere
    texts, positions = [], []
    for r in rows:
        beyond = [p for p in page.full(r) if p not in named]
        wordy = [p for p in beyond if not is_datum(page.text(r, p)) and not is_nothing(page.text(r, p))]
        texts.append("; ".join(clean(page.text(r, p)) for p in wordy))
        positions.append(wordy[0] if wordy else -1)
        for p in beyond:
            if p not in wordy and not is_nothing(page.text(r, p)):
                page.say("cell-beyond-headings", r, p)
            elif p not in wordy:
                page.use(r, p)
            else:
                page.use(r, p)
    if any(texts):
        shared.append(
            Column("note", texts, [r if t else -1 for r, t in zip(rows, texts, strict=True)], positions, "margin")
        )


def speak_of_short(page: Page, table: Table, rows: list[int]) -> None:
    """A line with fewer cells than the others: what is missing at its end counts as empty."""
    width = max(position for position, _, _ in table.headings) + 1
    short = [r for r in rows if len(page.cells[r]) < width]
    if short and len(short) <= max(1, 0.2 * len(rows)) and page.delimiter in (",", ";", "\t", "|"):
        for record in short:
            page.say("line-short", record, mark=False, found=len(page.cells[record]), expected=width)
