"""Headings: from the words above a column to what the column means, its unit, and whose fruit it is.

The words are data (``headings.toml``); a club adds its own. A heading is known or it is not: a near miss is
suggested, never applied.
"""

from __future__ import annotations

import difflib
import functools
import re
import tomllib
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace
from importlib import resources

from patchstats.intake.concepts import CONCEPTS, FACTS
from patchstats.remarks import PatchstatsError
from patchstats.tables import DICTIONARY
from patchstats.units import read_quantity, unit_word

_TIMES = {
    "am": "morning",
    "morning": "morning",
    "pm": "evening",
    "evening": "evening",
    "noon": "noon",
    "midday": "noon",
    "night": "evening",
    "morgens": "morning",
    "abends": "evening",
    "mittags": "noon",
    "a m": "morning",
    "p m": "evening",
}
_GROUP_WORDS = ("fruit", "pumpkin", "plant", "patch", "kurbis", "no", "nr", "bed", "garden", "pflanze", "frucht")
# What a unit written alone above or beside a column can mean is left to the column's other words.
_UNIT_ENDING = re.compile(r"[\s_,;:/-]+(?:in\s+)?([^\s_,;:/()-]+|sq\.?\s?ft\.?|deg\s?[CFcf])$")
_NO_WORD = re.compile(r"[^a-z0-9]+")
_DEPTH = re.compile(r"(\d+(?:[.,]\d+)?)\s*(cm|in(?:ch(?:es)?)?|\"|″|”)(?:\s*(?:deep|depth|down))?", re.IGNORECASE)


@dataclass(frozen=True)
class Heading:
    """A heading understood: its concept, unit ("" if none), group (whose column it is), depth and time of day."""

    concept: str
    unit: str = ""
    group: str = ""
    group_of: str = ""  # what the group names: fruit, plant or patch
    depth: str = ""
    time_of_day: str = ""


@functools.lru_cache(maxsize=50_000)
def plain(text: str) -> str:
    """Small letters without accents and signs, one space between words: how headings are compared.

    >>> plain("  Circ. (SS/EE) "), plain("Bestäubt am:")
    ('circ ss ee', 'bestaubt am')
    """
    if text.isascii():
        return " ".join(_NO_WORD.sub(" ", text.lower().replace("%", " pct ")).split())
    text = text.casefold().replace("ß", "ss").replace("æ", "ae").replace("ø", "o").replace("%", " pct ")
    text = "".join(ch for ch in unicodedata.normalize("NFKD", text) if not unicodedata.combining(ch))
    return " ".join(_NO_WORD.sub(" ", text).split())


@functools.cache
def _house_words() -> dict[str, str]:
    raw = tomllib.loads(resources.files("patchstats.intake").joinpath("headings.toml").read_text("utf-8"))
    words: dict[str, str] = {}
    for concept, listed in raw.items():
        if concept not in CONCEPTS:
            raise PatchstatsError(f"headings.toml speaks of {concept!r}, which is no concept.")
        for word in listed:
            if words.setdefault(plain(word), concept) != concept:
                raise PatchstatsError(f"headings.toml gives {word!r} two meanings: {words[plain(word)]}, {concept}.")
    for table in DICTIONARY.values():  # the club's own column names, as exported, without their units
        for column in table.names:
            stem = re.sub(r"_(cm|kg|c|m2|mm|deg|hours)$", "", column)
            word = plain(stem.replace("_", " "))
            if stem in CONCEPTS:
                words.setdefault(word, stem)
    return words


def words_with(own: Mapping[str, str] | None = None) -> dict[str, str]:
    """The house's words and a club's own (word -> concept, such as ``{"rund": "circumference"}``).

    Raises :class:`PatchstatsError` when a club's word points to no concept.
    """
    words = dict(_house_words())
    for word, concept in (own or {}).items():
        target = concept.strip()
        if target not in CONCEPTS:
            target = words.get(plain(target), "")
        if not target:
            raise PatchstatsError(f"The club's heading {word!r} should mean {concept!r}, but that is no known heading; "
                                  f"known are {', '.join(sorted(CONCEPTS))}.")
        words[plain(word)] = target
    return words


class Words:
    """The headings known to one reading, with a memory of what was looked up."""

    def __init__(self, own: Mapping[str, str] | None = None):
        self._words = words_with(own)
        self._seen: dict[str, Heading | None] = {}

    def match(self, text: str) -> Heading | None:
        """The heading as understood, or None."""
        if text not in self._seen:
            if len(self._seen) > 100_000:
                self._seen.clear()
            self._seen[text] = self._match(text)
        return self._seen[text]

    def near(self, text: str) -> str | None:
        """A known heading that differs by a slip, to be suggested; None when there is none."""
        bracket = re.search(r"[(\[](.*?)[)\]]", text)
        if bracket and unit_of(bracket.group(1)):
            text = text[:bracket.start()] + text[bracket.end():]
        word = plain(text)
        if len(word) < 3:
            return None
        close = difflib.get_close_matches(word, self._words, n=6, cutoff=0.75 if len(word) < 6 else 0.8)
        close = [other for other in close if other[0] == word[0]]  # who writes town did not mean sown
        if not close:
            return None
        # Of the words with the nearest one's meaning the first in the house's order, which begins with the usual ones.
        meant = [other for other in close if self._words[other] == self._words[close[0]]]
        return next(known for known in self._words if known in meant)

    def fact(self, text: str) -> tuple[str, str] | None:
        """A line such as ``Seed 895 Quell 2023`` as (concept, value), when it begins with a known fact's name."""
        tokens = text.split()
        for size in range(min(4, len(tokens) - 1), 0, -1):
            found = self._words.get(plain(" ".join(tokens[:size])))
            if found in FACTS:
                return found, " ".join(tokens[size:])
        return None

    def _match(self, text: str) -> Heading | None:
        text = text.strip().strip("*:").strip()
        if len(text) > 2 and text[0] in "\"'“" and text[-1] in "\"'”":
            text = text[1:-1].strip()
        if not text or len(text) > 80:
            return None
        direct = self._words.get(plain(text))
        if direct:
            return Heading(direct, unit=_own_unit(text, direct))
        unit = ""
        bracket = re.search(r"[(\[](.*?)[)\]]", text)
        if bracket:
            unit = unit_of(bracket.group(1))
            rest = (text[:bracket.start()] + " " + text[bracket.end():]).strip()
            if unit or self._words.get(plain(rest)):
                found = self.match(rest) if rest != text else None
                if found:
                    extra = self.extra(bracket.group(1)) if not unit else {}
                    return replace(found, unit=unit or found.unit, **extra)
        ending = _UNIT_ENDING.search(text)
        if ending:
            unit = unit_of(ending.group(1))
            if unit:
                found = self.match(text[:ending.start()])
                if found and not found.unit:
                    return replace(found, unit=unit)
        return self._with_place(text) or self._with_group(text)

    def extra(self, text: str) -> dict[str, str]:
        """The depth of a probe, or the time of day, that a text names: ``{"depth": "4 in"}``."""
        depth = _DEPTH.search(text)
        if depth:
            return {"depth": f"{depth.group(1)} {unit_of(depth.group(2))}"}
        time = _TIMES.get(plain(text))
        return {"time_of_day": time} if time else {}

    def _with_place(self, text: str) -> Heading | None:
        """A soil heading with the probe's depth or the time of day in it: ``soil 4in am``."""
        depth, time, rest = "", "", text
        found = _DEPTH.search(rest)
        if found:
            depth = f"{found.group(1)} {unit_of(found.group(2))}"
            rest = rest[:found.start()] + " " + rest[found.end():]
        kept = []
        for token in rest.replace("_", " ").split():
            if plain(token) in _TIMES and not time:
                time = _TIMES[plain(token)]
            elif plain(token) not in ("deep", "at", "depth", "the", "in"):
                kept.append(token)
        if not depth and not time:
            return None
        meaning = self.match(" ".join(kept)) if kept and " ".join(kept) != text else None
        if meaning and meaning.concept in ("soil", "temperature", *("air_max", "air_min")):
            return replace(meaning, depth=depth, time_of_day=time)
        return None

    def _with_group(self, text: str) -> Heading | None:
        """A heading that names whose column it is: ``Fruit A circ``, ``circ B``, ``North: soil``."""
        tokens = [t for t in re.split(r"[\s:_/|-]+", text) if t]
        if len(tokens) < 2:
            return None
        for size in range(len(tokens) - 1, 0, -1):
            for words, label in ((tokens[-size:], tokens[:-size]), (tokens[:size], tokens[size:])):
                concept = self._words.get(plain(" ".join(words)))
                if concept is None or CONCEPTS[concept].kind not in ("length", "three", "mass", "temperature", "count",
                                                                     "vine"):
                    continue
                of = ""
                if plain(label[0]) in _GROUP_WORDS and len(label) > 1:
                    meaning = self._words.get(plain(label[0]), "")
                    of = meaning if meaning in ("fruit", "plant", "patch") else ""
                    label = label[1:]
                elif len(" ".join(label)) > 3 or len(" ".join(label)) > 1 and self._words.get(plain(" ".join(label))):
                    continue
                if unit_of(" ".join(label)) and not re.fullmatch("[A-Z]", label[0]):
                    continue
                return Heading(concept, group=" ".join(label), group_of=of)
        return None


@functools.lru_cache(maxsize=20_000)
def unit_of(text: str) -> str:
    """The unit that a heading's words name, or "": ``inches``, ``deg F``, ``lbs.``"""
    word = text.strip().strip(".").replace("°", "").strip()
    found = unit_word(word) or unit_word(text.strip())
    if found:
        return found
    word = re.sub(r"^(in|measured in|all|deg\.?|degrees)\s+", "", word, flags=re.IGNORECASE)
    return unit_word(word) or _UNITS_ABROAD.get(plain(word), "")


_UNITS_ABROAD = {
    "zoll": "in",
    "pouces": "in",
    "pouce": "in",
    "duim": "in",
    "tommer": "in",
    "pfund": "lb",
    "livres": "lb",
    "metric": "cm",
    "imperial": "in",
    "sqft": "sqft",
    "sq ft": "sqft",
    "inchs": "in",
    "fuss": "ft",
    "feet and inches": "in",
    "square ft": "sqft",
    "qm": "m2",
    "zentimetern": "cm",
    "celcius": "C",
    "centimetres": "cm",
    "hrs": "h",
}


def _own_unit(text: str, concept: str) -> str:
    """The unit inside a heading that is itself a known word: ``total inches``, ``est lbs``."""
    if CONCEPTS[concept].kind not in ("length", "mass", "vine", "area", "temperature", "rain", "hours"):
        return ""
    for token in reversed(plain(text).split()):
        unit = unit_word(token)
        if unit and token not in ("c", "m", "f", "h"):
            return unit
    return ""


@functools.lru_cache(maxsize=50_000)
def quantity_like(text: str) -> bool:
    """Whether a cell holds a number, with or without a unit."""
    return any(ch.isdigit() for ch in text) and read_quantity(text, decimal=None) is not None or bool(
        re.fullmatch(r"[-+]?\d[\d.,' ]*", text.strip()))
