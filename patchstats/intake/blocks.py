"""Blocks: what layout makes of a page: facts on top, and columns of cells that still know where they stood."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace

from patchstats.intake.cells import clean
from patchstats.intake.concepts import CONCEPTS, FACTS
from patchstats.intake.dates import parse
from patchstats.intake.headings import Words, plain, unit_of
from patchstats.intake.page import Page
from patchstats.tables import KINDS_OF_FRUIT


@dataclass(frozen=True)
class Fact:
    """One fact of a block: ``text`` as written, at a place on the page (position -1: told, not written there)."""

    concept: str
    text: str
    record: int
    position: int
    unit: str = ""
    name: str = ""
    label: str = ""  # the fruit that it speaks of, when it names one itself: "Fruit A pollinated"


@dataclass
class Column:
    """A column of a block: ``texts[row]`` stood at ``records[row]``, ``positions[row]`` (record -1: nowhere)."""

    concept: str
    texts: list[str]
    records: list[int]
    positions: list[int]
    heading: str = ""
    unit: str = ""
    depth: str = ""
    time_of_day: str = ""
    read_in: str = ""  # the unit in which its bare numbers were read
    counts: list[int] | None = None  # how often each text stands, when ``texts`` holds each only once

    def places(self) -> list[tuple[int, int]]:
        return [
            (r, p) for r, p, t in zip(self.records, self.positions, self.texts, strict=True) if r >= 0 and t.strip()
        ]


@dataclass
class Block:
    """A table of one page: columns of equal length, ``rows[row]`` the record of each row, and the facts above it."""

    columns: list[Column]
    rows: list[int]
    facts: dict[str, Fact] = field(default_factory=dict)

    def column(self, concept: str) -> Column | None:
        return next((c for c in self.columns if c.concept == concept), None)

    @property
    def concepts(self) -> set[str]:
        return {c.concept for c in self.columns}


# Facts of one fruit, dropped when a new fruit is named; of one plant, dropped with a new plant.
_OF_FRUIT = ("fruit", "kind", "cross", "pollen", "set_date", "secondaries_at_set", "secondaries", "main_vine", "lobes",
             "distance_out", "lobe_evenness", "fruit_evenness", "end_date", "end_reason", "note", "scale", "date",
             "status", "cover", "males", "covered_hours")
_OF_PLANT = (*_OF_FRUIT, "plant", "seed", "sown_date", "planted_date")
_OF_PATCH = (*_OF_PLANT, "patch", "area", "latitude", "soil_heated")


def joined(old: dict[str, Fact], new: list[Fact]) -> dict[str, Fact]:
    """Facts in force after new ones: a new grower, patch, plant or fruit ends what was said of the one before."""
    concepts = {fact.concept for fact in new}
    gone: set[str] = set()
    if "grower" in concepts and "grower" in old:
        gone |= set(old) - {"units", "season"}
    elif "patch" in concepts and "patch" in old:
        gone |= set(_OF_PATCH)
    elif "plant" in concepts and "plant" in old:
        gone |= set(_OF_PLANT)
    elif "fruit" in concepts and "fruit" in old:
        gone |= set(_OF_FRUIT)
    kept = {concept: fact for concept, fact in old.items() if concept not in gone}
    for fact in new:
        beside = any(f.concept == fact.concept and f.record == fact.record and f is not fact for f in new)
        suffix = f" of {fact.label}" if fact.label else f" at {fact.position}" if beside and fact.position >= 0 else ""
        kept[fact.concept + suffix] = fact
    named = kept.get("fruit")
    if named:  # what was said of this very fruit
        for key in [k for k, f in kept.items() if f.label and f.label == named.text]:
            own = kept.pop(key)
            kept[own.concept] = own
    return kept


_CLASSES = {f"{word}{end}": kind for kind in KINDS_OF_FRUIT for word in (kind, f"giant {kind}")
            for end in ("", "es" if kind == "tomato" else "" if kind == "squash" else "s")}
_OF_ONE = re.compile(r"^(?:fruit|pumpkin|frucht|kürbis)\s+(\S{1,12})\s+(\D.*)$", re.IGNORECASE)
_COUNTED = re.compile(r"[#*-]*\s*(\d{1,3})\s+(\D{4,40}?)[.!]?")  # 18 secondaries at set
_PAIR = re.compile(r"^\s*(?:#|//|\*|-|;)*\s*([^:=\d][^:=]{0,40}?)\s*[:=]\s*(.*?)\s*$", re.DOTALL)
_SEVERAL = re.compile(r"[,;|/]\s*(?=[^,;|:=\d][^,;|:=]{1,40}[:=])|\s{2,}(?=[^,;|:=\d][^,;|:=]{1,40}[:=])")


def facts_of(page: Page, record: int, words: Words) -> list[Fact]:
    """The facts that a record states: ``Grower: Marta``, ``Seed,895 Quell``, several in a line; none for prose."""
    full = page.full(record)
    found: list[Fact] = []
    index = 0
    while index < len(full):
        position = full[index]
        text = clean(page.text(record, position))
        pairs = [_pair(part, words) for part in _SEVERAL.split(text)]
        if all(pairs):
            for concept, unit, value, name in pairs:  # type: ignore[misc]
                if not value:  # the value stands in the next cell
                    following = full[index + 1] if index + 1 < len(full) else None
                    if following is None:
                        continue
                    after = clean(page.text(record, following))
                    if _pair(after, words):
                        continue
                    found.append(Fact(concept, after, record, following, unit, name))
                    index += 1
                else:
                    found.append(Fact(concept, value, record, position, unit, name))
            index += 1
            continue
        heading = words.match(text.lstrip("#*- "))
        of = _OF_ONE.match(text)
        if of and heading is None and index + 1 < len(full):
            said = words.match(of[2])
            if said and said.concept in FACTS:
                found.append(Fact(said.concept, clean(page.text(record, full[index + 1])), record, full[index + 1],
                                  said.unit, text, of[1]))
                index += 2
                continue
        if heading and heading.concept in FACTS and index + 1 < len(full):
            value = clean(page.text(record, full[index + 1]))
            free = heading.concept in ("kind", "units", "note", "fruit", "patch", "plant", "seed")
            dated = CONCEPTS[heading.concept].kind != "date" or any(ch.isdigit() for ch in value)
            if dated and (len(full) == 2 or free or not words.match(value)):
                found.append(Fact(heading.concept, value, record, full[index + 1], heading.unit, text))
                index += 2
                continue
        if len(full) == 1:
            if plain(text) in _CLASSES:  # Watermelons, above the list of them
                return [Fact("kind", _CLASSES[plain(text)], record, position, "", "kind of fruit")]
            counted = _COUNTED.fullmatch(text)
            heading = words.match(counted[2]) if counted else None
            if counted and heading and heading.concept in ("secondaries", "secondaries_at_set", "lobes"):
                return [Fact(heading.concept, counted[1], record, position, "", counted[2])]
            spoken = words.fact(text.lstrip("#*- "))
            if spoken and _sounds_true(*spoken) and (spoken[0] != "seed" or any(ch.isdigit() for ch in spoken[1])):
                name = text[: len(text) - len(spoken[1])].strip()
                return _weight_and_day(Fact(spoken[0], spoken[1], record, position, "", name))
        if not found:
            return _in_words(page, record, words)
        index += 1
    return [part for fact in found for part in _weight_and_day(fact)]


def _in_words(page: Page, record: int, words: Words) -> list[Fact]:
    """Several facts in words, between commas: ``Fruit A, pollinated 1 July``; none unless every part is one."""
    found: list[Fact] = []
    for position in page.full(record):
        for part in re.split(r"\s*[,;]\s+", clean(page.text(record, position)).lstrip("#*- ")):
            spoken = None if words.match(part) else words.fact(part)
            if spoken is None or not _sounds_true(*spoken) or any(f.concept == spoken[0] for f in found):
                return []
            name = part[: len(part) - len(spoken[1])].strip()
            found += _weight_and_day(Fact(spoken[0], spoken[1], record, position, "", name))
    return found if len(found) > 1 else []


def _weight_and_day(fact: Fact) -> list[Fact]:
    """``512.5 kg on 5 Oct`` as a weight and the day of the weigh-off."""
    parts = re.fullmatch(r"(.*\d.*?)\s+(?:on|am|le)\s+(.*\d.*)", fact.text) if fact.concept == "scale" else None
    if parts is None or parse(parts[2]) is None:
        return [fact]
    return [replace(fact, text=parts[1]), Fact("date", parts[2], fact.record, fact.position, "", fact.name)]


def _pair(text: str, words: Words) -> tuple[str, str, str, str] | None:
    """``Main vine (ft): 12`` as (concept, unit, value, name), or None."""
    found = _PAIR.match(text)
    if not found:
        return None
    heading, of = words.match(found[1]), _OF_ONE.match(found[1])
    if heading is None and of and (heading := words.match(of[2])) and heading.concept in FACTS:
        return heading.concept, heading.unit, found[2].strip(), found[1].strip()
    if heading is None or heading.concept not in FACTS:
        return None
    return heading.concept, heading.unit, found[2].strip(), found[1].strip()


# What a page of a fruit, a plant or a grower is called: Fruit log, Plant sizes, Patch diary.
_OF_A_PAGE = {"log", "logs", "notes", "note", "record", "records", "list", "lists", "book", "diary", "data", "growth",
              "size", "sizes", "tapings", "measurements", "readings", "results", "sheet", "chart", "table", "history",
              "journal", "tracker", "tracking", "report", "weights", "summary"}


def _sounds_true(concept: str, value: str) -> bool:
    """Whether a line without a colon is a fact: the value must look like one of its kind."""
    kind = CONCEPTS[concept].kind
    if kind in ("date", "season", "count", "vine", "area", "angle", "depth", "mass", "hours", "evenness"):
        return value.lstrip("'~ ")[:1].isdigit() or kind == "date" and any(ch.isdigit() for ch in value)
    if kind == "units":
        return bool(unit_of(value))
    if concept in ("note", "site"):
        return False
    if plain(value) in _OF_A_PAGE:
        return False
    if concept in ("fruit", "plant", "patch"):
        return len(value.split()) == 1 and len(value) <= 12
    return len(value.split()) <= 6
