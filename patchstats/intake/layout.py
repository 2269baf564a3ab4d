"""Layout: where on a page the facts, the headings, the rows, the totals and the comments are.

A page is walked from top to bottom. A line of known headings opens a table, which runs until the next one; facts
above a table hold for it and for those below until they are said anew; a table with one day a column is turned round
(:mod:`~patchstats.intake.wide`); a page without any heading is read by the order of its columns, as the trade
writes them (:mod:`~patchstats.intake.headless`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace

from patchstats.intake.blocks import Block, Fact, facts_of, joined
from patchstats.intake.cells import clean, is_nothing, read_choice
from patchstats.intake.columns import Table, blocks_of, is_datum, speak_of_short
from patchstats.intake.concepts import CHOICES, CONCEPTS, FACTS
from patchstats.intake.dates import parse
from patchstats.intake.headings import Heading, Words, plain, unit_of
from patchstats.intake.headless import read_headless
from patchstats.intake.labelled import labelled_at
from patchstats.intake.page import OPEN, Page
from patchstats.intake.titles import SUMMARY, kind_of_line
from patchstats.intake.wide import read_wide, wide_at

DATE_PATTERN = re.compile(r"[dmyjta]{1,4}[/.\- ][dmyjta]{1,4}(?:[/.\- ][dmyjta]{1,4})?\.?", re.IGNORECASE)  # m/d/y


@dataclass
class Laid:
    """What layout found: the blocks, and the words above them (for the season and the units that they may name)."""

    blocks: list[Block] = field(default_factory=list)
    titles: list[str] = field(default_factory=list)
    layout: str = ""


def lay_out(page: Page, words: Words) -> Laid:
    """Every block of a page; all that belongs to none is spoken of."""
    laid = Laid()
    facts: dict[str, Fact] = {}
    waiting: list[Fact] = []
    unplaced: list[int] = []
    record, total = 0, len(page.cells)
    while record < total:
        if page.blank(record):
            record += 1
            continue
        if page.cells[record][0].lower().lstrip('"').startswith("sep=") and record == 0:
            page.use_record(record)
            record += 1
            continue
        wide = wide_at(page, record, words)
        table = None if wide else table_at(page, record, words) or labelled_at(page, record, words, unplaced)
        if wide or table:
            facts, waiting = joined(facts, waiting), []
        if wide:
            record = read_wide(page, wide, words, facts, laid.blocks)
            laid.layout = "one day a column"
        elif table:
            record = _read_table(page, record, table, words, facts, laid, waiting)
            laid.layout = laid.layout or "one day or one thing a row"
            facts = _facts_of_only_row(page, laid, facts)
        else:
            new = facts_of(page, record, words)
            if new:
                if _opens_another(new, waiting):  # cards below each other, without tables
                    facts, waiting = joined(facts, waiting), []
                    laid.blocks.append(Block([], [], dict(facts)))
                _use_facts(page, record, new)
                _join(page, waiting, new)
            else:
                unplaced.append(record)
            record += 1
    if waiting and laid.blocks:  # facts below the last table belong to it
        last = laid.blocks[-1]
        facts = joined(facts, waiting)
        if last.columns and not _opens_another(waiting, list(last.facts.values())):
            last.facts = {**{f.concept: f for f in waiting}, **last.facts}
        else:  # a card of its own
            laid.blocks.append(Block([], [], dict(facts)))
        waiting = []
    if not laid.blocks:
        facts, waiting = joined(facts, waiting), []
        unplaced = read_headless(page, unplaced, facts, laid.blocks, words)
        laid.layout = "no headings" if laid.blocks else ""
    if not laid.blocks and facts:
        laid.blocks.append(Block([], [], facts))
        laid.layout = "facts only"
    first = min((row for block in laid.blocks for row in block.rows), default=total)
    for at in unplaced:
        if at < first:
            laid.titles.append(page.words(at))
        if laid.blocks and (page.fate[at] == OPEN).any():
            page.say(kind_of_line(page, at, at < first), at)
    return laid


def _opens_another(new: list[Fact], waiting: list[Fact]) -> bool:
    """Whether facts begin the card of another fruit, plant or grower than the one whose facts still wait."""
    told = {f.concept: f.text for f in waiting}
    return any(told.get(f.concept, f.text) != f.text for f in new if f.concept in ("fruit", "plant", "grower"))


def _join(page: Page, waiting: list[Fact], new: list[Fact]) -> None:
    """Adds facts to those that wait for their table; one that contradicts another of them is spoken of."""
    for fact in new:
        before = next((f for f in waiting if (f.concept, f.label) == (fact.concept, fact.label)), None)
        if before is None or before.record == fact.record or fact.concept in ("units", "fruit", "plant", "grower"):
            waiting.append(fact)
        elif fact.concept == "note":
            waiting[waiting.index(before)] = replace(before, text=f"{before.text}; {fact.text}")
        elif fact.text != before.text:
            page.unuse(fact.record, fact.position)
            page.say("fact-disagrees", fact.record, fact.position, what=fact.name or fact.concept, first=before.text)


def _use_facts(page: Page, record: int, facts: list[Fact]) -> None:
    """The cells of the facts of a line, and those that name them, are used."""
    for fact in facts:
        page.use(fact.record, fact.position)
        if fact.name:
            page.labels[fact.record, fact.position] = fact.name.rstrip(":= ")
    for position in page.full(record):
        text = clean(page.text(record, position)).lstrip("#*- ").rstrip(":= ")
        if any(fact.name and plain(fact.name) == plain(text) for fact in facts):
            page.use(record, position)


def _facts_of_only_row(page: Page, laid: Laid, facts: dict[str, Fact]) -> dict[str, Fact]:
    """A table of one row that holds facts alone (grower, seed, pollinated) speaks of the tables below it too."""
    block = laid.blocks[-1] if laid.blocks else None
    if block is None or len(block.rows) != 1 or block.concepts & {"date", "day", "circumference", "over_the_top",
                                                                  "three", "scale", "soil"}:
        return facts
    new = [Fact(c.concept, c.texts[0], c.records[0], c.positions[0], c.unit, c.heading)
           for c in block.columns if c.texts[0].strip()]
    return joined(facts, new)


def table_at(page: Page, record: int, words: Words) -> Table | None:
    """The table whose headings stand at a record (one to three lines of them), or None."""
    best: tuple[int, Table] | None = None
    for depth in (1, 2, 3):
        last = record + depth - 1
        if last >= len(page.cells):
            break
        if page.blank(last) or depth > 1 and (_holds_data(page, last) or page.lines[last] - page.lines[record] >= depth
                                              or facts_of(page, record, words)):
            break
        headings = _headings(page, record, depth, words)
        score = sum(h is not None for _, h, _ in headings)
        if depth > 1 and _unit_row(page, last):
            if best:
                score = max(score, best[0] + 1)
        elif depth > 1:
            # A second line of headings belongs to the first only if it completes words that mean nothing alone.
            alone = max(_known(page, r, words) for r in range(record, last + 1))
            if score <= alone:
                continue
        if score and (best is None or score > best[0]) and _is_heading(page, record, depth, headings, words):
            best = score, Table(record, depth, headings)
    if best:
        return best[1]
    return _grouped_at(page, record, words) or _one_column_at(page, record, words)


def _one_column_at(page: Page, record: int, words: Words) -> Table | None:
    """A list of names under one heading."""
    full = page.full(record)
    if len(full) != 1:
        return None
    text = clean(page.text(record, full[0]))
    heading = words.match(text)
    if heading is None or heading.concept not in ("grower", "patch", "seed") or text.endswith(":"):
        return None
    below = [r for r in range(record + 1, len(page.cells)) if not page.blank(r)]
    if below and all(page.full(r) == full and not words.match(clean(page.text(r, full[0]))) for r in below):
        return Table(record, 1, [(full[0], heading, text)])
    return None


def _known(page: Page, record: int, words: Words) -> int:
    return sum(words.match(clean(page.text(record, p))) is not None for p in page.full(record))


def _grouped_at(page: Page, record: int, words: Words) -> Table | None:
    """Headings with a line above them that says whose columns they are: ``Fruit A`` over ``circ, SS, EE``."""
    if record + 1 >= len(page.cells) or page.blank(record + 1) or _holds_data(page, record):
        return None
    if page.lines[record + 1] - page.lines[record] > 1 or facts_of(page, record, words):
        return None
    headings = _headings(page, record + 1, 1, words)
    if not _is_heading(page, record + 1, 1, headings, words):
        return None
    seen = [h.concept for _, h, _ in headings if h]
    labels = page.full(record)
    if len(set(seen)) == len(seen) or not labels or labels[0] == 0 and len(labels) == 1:
        return None
    groups, current = {}, ("", "")
    for position, heading, _ in headings:
        if position in labels:
            current = _label(clean(page.text(record, position)), words)
        if heading and CONCEPTS[heading.concept].kind not in ("date", "day", "weekday") and current[1]:
            groups[position] = current
    return Table(record, 2, headings, groups)


def _label(text: str, words: Words) -> tuple[str, str]:
    """``Fruit A`` as ("fruit", "A"); a bare name is a fruit's."""
    found = words.fact(text)
    if found and found[0] in ("fruit", "plant", "patch", "grower"):
        return found
    parts = re.split(r"\s*[:=]\s*", text, maxsplit=1)
    if len(parts) == 2:
        heading = words.match(parts[0])
        if heading and heading.concept in ("fruit", "plant", "patch", "grower"):
            return heading.concept, parts[1]
    return "fruit", text


def _headings(page: Page, record: int, depth: int, words: Words) -> list[tuple[int, Heading | None, str]]:
    width = max(len(page.cells[r]) for r in range(record, record + depth))
    made = []
    for position in range(width):
        parts = [clean(page.text(r, position)) for r in range(record, record + depth)]
        text = " ".join(part for part in parts if part)
        found = words.match(text)
        if found is None and depth > 1 and len([p for p in parts if p]) > 1:
            found = next((h for h in map(words.match, parts) if h), None)
        if text:
            made.append((position, found, text))
    return made


def _unit_row(page: Page, record: int) -> bool:
    texts = [page.text(record, p).strip("()[] ") for p in page.full(record)]
    return bool(texts) and any(map(unit_of, texts)) and all(
        unit_of(t) or plain(t) in ("date", "text", "day", "words", "hh mm") or DATE_PATTERN.fullmatch(t) for t in texts)


def _is_choice(heading: Heading | None, value: str) -> bool:
    return heading is not None and heading.concept in CHOICES and read_choice(heading.concept, value) is not None


def _is_fact_name(page: Page, record: int, words: Words) -> bool:
    first = words.match(clean(page.text(record, page.full(record)[0])))
    return first is not None and first.concept in FACTS and first.concept != "date" and len(page.full(record)) > 1


def _holds_data(page: Page, record: int) -> bool:
    return any(is_datum(page.text(record, p)) for p in page.full(record))


def _is_heading(page: Page, record: int, depth: int, headings, words: Words) -> bool:
    known = [(p, h) for p, h, _ in headings if h]
    misspelt = [h.concept for _, h in known] == ["date"] and len(headings) > 1  # the others may be a slip away
    if not misspelt and (len(known) < 2 or len(known) < 0.4 * len(headings)):
        return False
    if any(is_datum(text) for p, h, text in headings if h is None):
        return False
    if any(":" in text.rstrip(":") and facts_of(page, record, words) for _, _, text in headings):
        return False
    if any(is_datum(page.text(r, p)) for r in range(record, record + depth) for p in page.full(r)
           if words.match(clean(page.text(r, p))) is None):
        return False
    if misspelt and not all(words.near(text) and not words.fact(text) for _, h, text in headings if h is None):
        return False
    below = [r for r in range(record + depth, min(record + depth + 4, len(page.cells))) if not page.blank(r)]
    if not below:
        return len(known) >= 3 or len(headings) == len(known)
    if len(headings) <= 4 and all(_is_fact_name(page, r, words) for r in below[:2]):
        return False  # Fruit, C above Seed, 895 Quell: facts, although C may head a circumference
    if len(headings) == 2 and (len(page.full(below[0])) > 4 or _is_choice(headings[0][1], headings[1][2])):
        return False  # Reason, weighed
    numeric = [p for p, h in known if CONCEPTS[h.concept].kind not in ("name", "text", "choice", "ignored")]
    if misspelt or any(is_datum(page.text(r, p)) for r in below for p in numeric):
        return any(is_datum(page.text(r, p)) for r in below for p in numeric)
    return len(known) >= 3 and not facts_of(page, record, words) or len(known) == len(headings) and not any(
        words.match(clean(page.text(r, page.full(r)[0]))) for r in below)


def _read_table(page: Page, record: int, table: Table, words: Words, facts: dict[str, Fact], laid: Laid,
                waiting: list[Fact]) -> int:
    """Gather a table's rows into blocks; returns the record where it ends. Facts left over go to ``waiting``."""
    for at in range(record, record + table.depth):
        page.use_record(at)
    page.headed.append((record, {position: text for position, _, text in table.headings}))
    texts = [[clean(t) for t in page.cells[at]] for at in range(record, record + table.depth)]
    dated = [p for p, h, _ in table.headings if h and h.concept in ("date", "day", "set_date")]
    noted = {p for p, h, _ in table.headings if h and h.concept in ("note", "site", "end_reason")}
    named = {p for p, h, _ in table.headings if h}
    rows: list[int] = []
    at = record + table.depth
    while at < len(page.cells):
        full = page.full(at)
        if not full:
            at += 1
            continue
        if all(plain(page.text(at, p)) == "" and not is_nothing(page.text(at, p)) for p in full) and len(full) > 2:
            page.say("comment-line", at)  # a ruled line: ==== ==== ====
            at += 1
            continue
        first = clean(page.text(at, full[0]))
        if [clean(t) for t in page.cells[at]] == texts[0]:
            if waiting:
                break  # facts of the next fruit stand above these headings
            for step in range(table.depth):
                if at + step < len(page.cells) and [clean(t) for t in page.cells[at + step]] == texts[step]:
                    page.use_record(at + step)
                    at += 1
            continue
        head = [words.match(clean(page.text(at, p))) for p in full[:3]]
        if any(head) and not (dated and is_datum(page.text(at, dated[0]))):
            if wide_at(page, at, words) or table_at(page, at, words):
                break
        elif not any(is_datum(page.text(at, p)) for p in full) and table_at(page, at, words):
            break
        has_date = any(parse(clean(page.text(at, p))) is not None or page.text(at, p).isdigit() for p in dated)
        if plain(first) in SUMMARY and not has_date:
            page.say("summary-row", at)
        elif first.startswith("#") and not first[1:2].isdigit() and not facts_of(page, at, words):
            page.say("comment-line", at)
        elif not has_date and (new := _facts_in_table(page, at, words, bool(dated), named)):
            _use_facts(page, at, new)
            if rows or not waiting and (not laid.blocks or laid.blocks[-1].facts != facts):
                laid.blocks += blocks_of(page, table, rows, facts, words)
                rows = []
            if _opens_another(new, waiting):  # a fruit that is named, and not taped
                facts = joined(facts, waiting)
                waiting.clear()
                laid.blocks.append(Block([], [], dict(facts)))
            _join(page, waiting, new)
        elif len(full) == 1 and len(named) > 1 and full[0] not in noted and not is_datum(first) and not is_nothing(
                first) and not has_date:
            page.say("comment-line", at)
        else:
            if waiting:
                facts = joined(facts, waiting)
                waiting.clear()
            rows.append(at)
        at += 1
    speak_of_short(page, table, rows)
    if rows or not laid.blocks or laid.blocks[-1].facts != facts:
        laid.blocks += blocks_of(page, table, rows, facts, words)
    return at


def _facts_in_table(page: Page, record: int, words: Words, dated: bool, named: set[int]) -> list[Fact]:
    """Facts on a line between the rows of a table (``Fruit B``, ``Harvested: 3 Oct``)."""
    full = page.full(record)
    if len(full) > 4 or not dated and len(full) > 1 and not any(":" in page.text(record, p) for p in full):
        return []
    found = facts_of(page, record, words)
    return found if found and len(found) * 2 >= len(full) else []


