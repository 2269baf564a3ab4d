"""Seed names as the trade writes them: weight, surname, year of the fruit that the seed came from.

``895 Quell 08`` is a seed from the 895-lb fruit that Quell grew in 2008; the year is often left off. The cross that
made it stands behind in brackets, seed parent (mother) first: ``895 Quell 08 (1016 Thornby x 1385 Ashmere)``. In the
place of the pollen parent may stand *self* (the same plant), *sib* (another plant of the same seed lot) or *open*
(the bees chose). A letter tells two fruits of one weight apart (``209 B Quell``). Marks: *est* or ``*``, weight
estimated by the tape; *dmg*, damaged; *exh*, exhibition; *uow*, unofficial weight (the last and *est* as commonly
used, no source).

Spellings vary wildly. Reading brings them to one form and keeps the raw text beside it; two names that merely look
alike are listed for a person to decide on (:func:`look_alikes`), and never merged.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import SequenceMatcher
from itertools import combinations

import pandas as pd

from patchstats.remarks import PatchstatsError
from patchstats.units import lb_to_kg

POLLEN_WORDS = {
    "self": "self", "selfed": "self", "selfing": "self", "selved": "self",
    "sib": "sib", "sibb": "sib", "sibbed": "sib", "sibling": "sib",
    "open": "open", "op": "open", "open pollinated": "open", "open-pollinated": "open", "bees": "open", "bee": "open",
    "unknown": "open", "unk": "open", "?": "open",
}
MARK_WORDS = {
    "est": "est", "estimated": "est", "estimate": "est", "*": "est",
    "dmg": "dmg", "dmgd": "dmg", "dmg'd": "dmg", "damaged": "dmg",
    "exh": "exh", "exhibition": "exh", "exb": "exh", "uow": "uow", "unofficial": "uow",
}
_FIRST_YEAR, _LAST_YEAR = 1950, 2100
_TWO_DIGIT_TURN = 70  # 70 to 99 are of the last century, 00 to 69 of this one


@dataclass(frozen=True)
class SeedName:
    """A seed name, read. ``weight`` is in ``unit`` ("lb" unless written); "" or None where the text says nothing.

    ``pollen`` is "named" when ``pollen_parent`` holds a name, else "self", "sib", "open" or "" (not said).
    ``doubt`` is a sentence where the reading is not sure.
    """

    raw: str
    weight: float | None = None
    unit: str = "lb"
    letter: str = ""
    surname: str = ""
    year: int | None = None
    marks: tuple[str, ...] = ()
    seed_parent: SeedName | None = None
    pollen_parent: SeedName | None = None
    pollen: str = ""
    doubt: str = ""

    @property
    def name(self) -> str:
        """The one spelling: ``895 Quell 2008``; without the marks and the cross. The raw text if nothing was read."""
        weight = "" if self.weight is None else f"{self.weight:g}" + (" kg" if self.unit == "kg" else "")
        parts = [weight, self.letter, self.surname, "" if self.year is None else str(self.year)]
        plain = " ".join(part for part in parts if part)
        if not plain and self.seed_parent is not None:
            return self.cross
        return plain or " ".join(self.raw.split())

    @property
    def key(self) -> str:
        """The name for comparing: without regard to capitals."""
        return self.name.casefold()

    @property
    def cross(self) -> str:
        """The cross, ``1016 Thornby x self``, or "" where none is written."""
        if self.seed_parent is None and not self.pollen:
            return ""
        mother = self.seed_parent.name if self.seed_parent is not None else "?"
        father = self.pollen_parent.name if self.pollen_parent is not None else self.pollen or "?"
        return f"{mother} x {father}"

    @property
    def mass_kg(self) -> float | None:
        """The weight in the name [kg]."""
        if self.weight is None:
            return None
        return self.weight if self.unit == "kg" else lb_to_kg(self.weight)


def read_seed_name(text: str) -> SeedName:
    """A seed name as written, read into its parts; never fails, but says where it is in doubt.

    >>> seed = read_seed_name("895.5Quell '08 (1016 THORNBY x Self) dmg")
    >>> seed.name, seed.cross, seed.marks
    ('895.5 Quell 2008', '1016 Thornby x self', ('dmg',))
    """
    raw = text
    s = _spaced(text)
    outside, inside = _take_brackets(s)
    marks: list[str] = []
    doubts: list[str] = []
    cross = ""
    for content in inside:
        found, rest = _take_marks(content)
        if not rest:
            marks += found
        elif cross:
            doubts.append("It names more than one cross.")
        else:
            cross = content  # with its marks, which belong to the parents
    if len(_split_cross(outside)) > 1 and not cross:
        name, _, behind = (part.strip() for part in outside.partition(" - "))
        outside, cross = (name, behind) if behind and len(_split_cross(name)) == 1 else ("", outside)
    elif not cross:
        outside, cross = _take_last_pollen(outside)
    found, plain = _take_marks(outside)
    marks += found
    seed_parent, pollen_parent, pollen, doubt = _read_cross(cross)
    if doubt:
        doubts.append(doubt)
    doubts += [f"Of its {role} {parent.raw}: {parent.doubt}" for role, parent in
               (("seed parent", seed_parent), ("pollen parent", pollen_parent)) if parent is not None and parent.doubt]
    weight, unit, letter, surname, year, doubt = _read_plain(plain)
    if doubt and (plain or not cross):
        doubts.append(doubt)
    return SeedName(raw, weight, unit, letter, surname, year, tuple(dict.fromkeys(marks)), seed_parent, pollen_parent,
                    pollen, " ".join(doubts))


_WORD = r"[^\W\d_]"


def _spaced(text: str) -> str:
    """The text with one space wherever a part of a name begins: 209-B, 895est, 08x1016, ``895 Quell 08: ...``."""
    s = text.replace("×", " x ").replace("’", "'").replace("[", "(").replace("]", ")").replace("_", " ")
    s = re.sub(r"(?<![^\W_])[xX](?=\d)|(?<=\d)[xX](?=[\s(]|\d)", " x ", s)
    s = re.sub(rf"(?<=\d)-(?={_WORD})|(?<={_WORD})-(?=\d)", " ", s)
    s = re.sub(r"\s*[:=]\s*", " - ", re.sub(r"^\s*~", "est ", s))
    return " ".join(re.sub(rf"(?<=\d)(?={_WORD})|(?<={_WORD})(?=\d)", " ", s).split())


def _take_last_pollen(s: str) -> tuple[str, str]:
    """``895 Quell 08 self`` is the seed of ``895 Quell 08 (self)``: the name, and the word of its pollen or ""."""
    name, _, word = s.rpartition(" ")
    known = word.casefold().strip(".,;") in POLLEN_WORDS and re.search(r"\d", name) and re.search(_WORD * 2, name)
    return (name, word) if known else (s, "")


def read_pollen(text: str) -> tuple[str, SeedName | None]:
    """What stands in the place of the pollen parent: ("self", None), ("sib", None), ("open", None), ("named", name).

    Empty text gives ("", None).

    >>> read_pollen("Selfed"), read_pollen("1385 Ashmere 11")[1].name
    (('self', None), '1385 Ashmere 2011')
    """
    word = " ".join(text.strip(" ()").replace(".", "").casefold().split())
    if not word:
        return "", None
    if word in POLLEN_WORDS or text.strip() == "?":
        return POLLEN_WORDS.get(word, "open"), None
    return "named", read_seed_name(text)


def _take_brackets(s: str) -> tuple[str, list[str]]:
    """The text outside of brackets, and the contents of the outermost brackets. An unclosed bracket runs to the end."""
    outside, inside, depth = [], [], 0
    for ch in s:
        if ch == "(":
            depth += 1
            if depth == 1:
                inside.append("")
                continue
        elif ch == ")" and depth:
            depth -= 1
            if depth == 0:
                continue
        if depth:
            inside[-1] += ch
        else:
            outside.append(ch)
    return " ".join("".join(outside).split()), [content.strip() for content in inside if content.strip()]


def _split_cross(s: str) -> list[str]:
    """The text cut at each x that stands alone outside of brackets."""
    parts: list[str] = []
    words: list[str] = []
    depth = 0
    for word in s.split():
        depth += word.count("(") - word.count(")")
        if word.casefold() == "x" and depth <= 0:
            parts.append(" ".join(words))
            words = []
        else:
            words.append(word)
    return [*parts, " ".join(words)]


def _take_marks(s: str) -> tuple[list[str], str]:
    """The marks in a text, and the text without them."""
    marks, rest = [], []
    for word in s.replace("*", " * ").split():
        mark = MARK_WORDS.get(word.casefold().strip(".,;"))
        if mark:
            marks.append(mark)
        else:
            rest.append(word)
    return marks, " ".join(rest).strip(" ,;")


def _read_cross(content: str) -> tuple[SeedName | None, SeedName | None, str, str]:
    """Seed parent, pollen parent, kind of pollen, doubt."""
    if not content:
        return None, None, "", ""
    parts = _split_cross(content)
    if len(parts) == 1:  # "1016 Thornby self", "self 1016 Thornby", "self", or the mother alone
        words = parts[0].split()
        for mother, word in ((words[:-1], words[-1]), (words[1:], words[0])):
            kind = POLLEN_WORDS.get(word.casefold().strip("."))
            if kind:
                return (read_seed_name(" ".join(mother)) if mother else None), None, kind, ""
        return read_seed_name(parts[0]), None, "", "Only one parent of the cross is named."
    kind, father = read_pollen(parts[1])
    mother_kind, mother_name = read_pollen(parts[0])
    doubt = "It names more than two parents." if len(parts) > 2 else ""
    if mother_kind in ("self", "sib", "open"):
        doubt = (doubt + f" {mother_kind!r} stands in the place of the seed parent.").strip()
    return mother_name, father, kind, doubt


_NUMBER = re.compile(r"\d{1,3}(?:,\d{3})+(?:\.\d+)?|\d+(?:[.,]\d+)?|\.\d+")
_HALVES = {"½": ".5", "¼": ".25", "¾": ".75"}


def _read_plain(s: str) -> tuple[float | None, str, str, str, int | None, str]:
    """Weight, unit, letter, surname, year, doubt of a name without marks or cross."""
    year: int | None = None
    for sign, decimals in _HALVES.items():
        s = s.replace(" " + sign, decimals).replace(sign, decimals)
    short = re.search(r"(?<![\w])'(\d{2})(?!\d)|(?<=[A-Za-z])'(\d{2})(?!\d)", s)
    if short:
        year = _full_year(int(short.group(1) or short.group(2)))
        s = (s[: short.start()] + " " + s[short.end():]).strip()
    s = re.sub(r"(?<=\d)(?=[^\W\d])|(?<=[^\W\d])(?=\d)", " ", s)  # 895Quell08
    unit, letter = "lb", ""
    words: list[str] = []
    numbers: list[tuple[str, int]] = []  # a number and how many words stand before it
    previous_number = False
    for token in s.replace("#", " lb ").split():
        token = token.strip(",;:")
        if _NUMBER.fullmatch(token):
            numbers.append((token, len(words)))
            previous_number = True
            continue
        low = token.casefold().rstrip(".")
        if previous_number and low in ("lb", "lbs", "kg", "kgs"):
            unit = "kg" if low.startswith("kg") else "lb"
            continue
        if (previous_number or words) and re.fullmatch(r"[A-Za-z]", token) and not letter and numbers:
            letter = token.upper()
        elif token:
            words.append(token)
        previous_number = False
    weight, year, doubt = _sort_numbers(numbers, year)
    surname = _capitals(" ".join(words))
    if not surname:
        doubt = (doubt + " No grower's name was found.").strip()
    return weight, unit, letter, surname, year, doubt


def _sort_numbers(numbers: list[tuple[str, int]], year: int | None) -> tuple[float | None, int | None, str]:
    """Which number is the weight and which the year."""
    values = [_value(text) for text, _ in numbers]
    if len(values) > 2 or (len(values) == 2 and year is not None):
        return values[0], year, "It holds more numbers than a weight and a year."
    if not values:
        return None, year, "No weight was found."
    if len(values) == 1:
        behind_the_name = numbers[0][1] > 0
        if behind_the_name and year is None and _as_year(numbers[0][0]) is not None:
            doubt = "Its one number may be a weight or a year." if values[0] > 99 else "No weight was found."
            return None, _as_year(numbers[0][0]), doubt
        return values[0], year, ""
    second = _as_year(numbers[1][0])
    if second is None:
        return values[0], None, f"{numbers[1][0]} is neither a year nor the weight."
    return values[0], second, ""


def _value(text: str) -> float:
    if re.fullmatch(r"\d{1,3}(,\d{3})+(\.\d+)?", text):
        return float(text.replace(",", ""))
    return float(text.replace(",", "."))


def _as_year(text: str) -> int | None:
    if re.fullmatch(r"\d{2}", text):
        return _full_year(int(text))
    if re.fullmatch(r"\d{4}", text) and _FIRST_YEAR <= int(text) <= _LAST_YEAR:
        return int(text)
    return None


def _full_year(two_digits: int) -> int:
    return (1900 if two_digits >= _TWO_DIGIT_TURN else 2000) + two_digits


def _capitals(surname: str) -> str:
    """QUELL and quell as Quell; a name in mixed letters as its writer has it."""
    return surname.title().replace("'S", "'s") if surname.isupper() or surname.islower() else surname


LOOK_ALIKE_COLUMNS = ["name", "other", "why"]


def look_alikes(names: Iterable[str]) -> pd.DataFrame:
    """Pairs of different names that may be one seed, for a person to decide on: columns ``name, other, why``.

    Suggested are: the same weight and surname with a year missing; the same weight and year with surnames a slip of
    the pen apart; the same surname and year with weights less than 1 apart or with two digits exchanged; one name
    with a letter and one without.

    >>> look_alikes(["895 Quell 08", "895 Quel 2008", "895 quell"])["why"].tolist()
    ['surnames nearly the same', 'year missing', 'surnames nearly the same, year missing']
    """
    if isinstance(names, str) or not isinstance(names, Iterable):
        raise PatchstatsError("Give the names to compare, such as the column seed of the club's seeds.")
    seeds = {seed.key: seed for seed in map(read_seed_name, names)}
    blocks: dict[object, list[str]] = defaultdict(list)
    for key, seed in seeds.items():
        if seed.weight is not None:
            blocks[int(seed.weight)].append(key)
        if seed.surname:
            blocks[(seed.surname.casefold(), seed.year)].append(key)
    pairs = {tuple(sorted(pair, key=list(seeds).index)) for block in blocks.values() for pair in combinations(block, 2)}
    rows = [(seeds[a].name, seeds[b].name, why) for a, b in pairs if (why := _likeness(seeds[a], seeds[b]))]
    order = {seed.name: rank for rank, seed in enumerate(seeds.values())}
    rows.sort(key=lambda row: (order[row[0]], order[row[1]]))
    return pd.DataFrame(rows, columns=LOOK_ALIKE_COLUMNS)


def _likeness(a: SeedName, b: SeedName) -> str:
    """Why two names may be one, or "" where too much sets them apart."""
    reasons = []
    first, second = a.surname.casefold(), b.surname.casefold()
    if first != second:
        one, other = (re.sub(r"[\W_]", "", s) for s in (first, second))
        if not (one and other) or SequenceMatcher(None, one, other).ratio() < 0.8:
            return ""
        reasons.append("surnames nearly the same")
    if a.weight != b.weight:
        if a.weight is None or b.weight is None:
            return ""
        digits = [f"{w:g}" for w in (a.weight, b.weight)]
        if abs(a.weight - b.weight) < 1.0:
            reasons.append("weights nearly the same")
        elif _exchanged(*digits):
            reasons.append("two digits of the weight exchanged")
        else:
            return ""
    if a.year != b.year:
        if a.year is not None and b.year is not None:
            return ""
        reasons.append("year missing")
    if a.letter != b.letter:
        if a.letter and b.letter:
            return ""
        reasons.append("letter missing")
    # one slip is likely, two are not, unless one of them is a plain omission
    slips = [r for r in reasons if not r.endswith("missing")]
    return ", ".join(reasons) if len(slips) <= 1 else ""


def _exchanged(a: str, b: str) -> bool:
    at = [i for i, (x, y) in enumerate(zip(a, b, strict=False)) if x != y]
    return len(a) == len(b) and len(at) == 2 and at[1] == at[0] + 1 and a[at[0]] == b[at[1]] and a[at[1]] == b[at[0]]
