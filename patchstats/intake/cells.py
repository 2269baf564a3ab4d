"""Cells: marks of nothing, ditto marks, three measures in one cell, and numbers in columns whose unit is settled
by the whole column."""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass

from patchstats.intake.concepts import CHOICES, NO, YES
from patchstats.intake.headings import plain
from patchstats.units import read_decimal, read_quantity, to_metric

_NOTHING = {
    "",
    "-",
    "--",
    "---",
    "–",
    "—",
    ".",
    "..",
    "...",
    "n/a",
    "na",
    "n.a.",
    "n. a.",
    "none",
    "nil",
    "null",
    "nan",
    "#n/a",
    "no reading",
    "not taped",
    "not measured",
    "missed",
    "?",
    "??",
    "x",
    "/",
    "*",
    "nr",
    "n/r",
    "tbd",
    "unknown",
    "not known",
    "k.a.",
    "blank",
    "missing",
    "(blank)",
    "n.b.",
    "non mesure",
    "skip",
    "skipped",
    "~",
}
_DITTO = {
    '"',
    "''",
    "″",
    "”",
    "〃",
    "ditto",
    "do.",
    "do",
    "same",
    "idem",
    "dito",
    '"same"',
    "same as above",
    "↓",
    "as above",
    "gleich",
    "unchanged",
    "no change",
    '""',
    "id.",
    ",,",
    "“",
}
_ERRORS = re.compile(r"#(REF|VALUE|DIV/0|NAME|NUM|NULL|GETTING_DATA|SPILL|CALC|N/A)[!?]?|^=.+|Err:\d+", re.IGNORECASE)
_NUMBER = r"\d+(?:[.,]\d+)?(?:\s+\d+/\d+|[½¼¾⅛⅜⅝⅞])?"
_UNIT_TAIL = r"(?:\s*(?:in|ins|inch|inches|cm|\"|″|”))?"
_THREE = re.compile(
    rf"^\s*(?:c(?:irc)?\.?\s*)?({_NUMBER})({_UNIT_TAIL})\s*(?:[-–/x×;|+,]|\s)\s*(?:ss\.?\s*)?({_NUMBER}){_UNIT_TAIL}\s*"
    rf"(?:[-–/x×;|+,]|\s)\s*(?:ee\.?\s*|sb\.?\s*)?({_NUMBER})({_UNIT_TAIL})\s*(?:[=:(]\s*({_NUMBER}){_UNIT_TAIL}\s*\)?)?\s*$",
    re.IGNORECASE)


@functools.lru_cache(maxsize=50_000)
def clean(text: str) -> str:
    """A cell without surrounding spaces and quotation marks, and without the ' that protects a formula sign."""
    s = text.replace("\u00a0", " ").replace("\u202f", " ").replace("\u200b", "").replace("\ufeff", "").strip()
    plain_quotes = len(s) > 2 and s[0] == s[-1] and s[0] in "'\"" and not s[1:-1].strip().isdigit()
    if plain_quotes or len(s) > 2 and (s[0], s[-1]) in (("“", "”"), ("„", "“"), ("‘", "’"), ("«", "»")):
        s = s[1:-1].strip()
    if len(s) > 1 and s[0] == "'" and s[1] in "=+-@":
        s = s[1:]
    return s


def is_nothing(text: str) -> bool:
    """Whether a cell says that there is nothing: empty, ``n/a``, a dash.

    >>> is_nothing(" n/a "), is_nothing("0")
    (True, False)
    """
    return text.strip().casefold() in _NOTHING


def is_ditto(text: str) -> bool:
    """Whether a cell stands for the one above it."""
    return text.strip().casefold() in _DITTO


def is_error(text: str) -> bool:
    """Whether a cell holds a spreadsheet's error or an uncomputed formula."""
    return _ERRORS.search(text.strip()) is not None


def three_measures(text: str, decimal: str | None) -> tuple[list[float], float | None, str, bool] | None:
    """``120-77-76`` as ([circumference, side to side, stem to blossom], total or None, unit or "", doubtful).

    >>> three_measures("120-77-76", None)
    ([120.0, 77.0, 76.0], None, '', False)
    """
    bare = text.strip().strip("~?")
    doubtful = bare != text.strip()
    found = _THREE.match(bare)
    if not found:
        return None
    values = [_plain_number(found[n], decimal) for n in (1, 3, 4)]
    if any(v is None for v in values):
        return None
    total = _plain_number(found[6], decimal) if found[6] else None
    unit = "cm" if "cm" in (found[2] + found[5]).lower() else "in" if (found[2] + found[5]).strip() else ""
    return [v for v in values if v is not None], total, unit, doubtful


def _plain_number(text: str, decimal: str | None) -> float | None:
    quantity = read_quantity(text, decimal=decimal)
    if quantity is None and decimal is None:
        quantity = read_quantity(text, decimal=".")
    return None if quantity is None else quantity.value


def decimal_sign(texts: Iterable[str], delimiter: str) -> str | None:
    """The decimal sign of a file: "," or "." when its numbers show one, None when they show both or neither.

    A comma before one or two digits, or four and more, can only be a decimal comma; before three it can be either.
    """
    comma = point = 0
    for text in texts:
        for number in re.findall(r"(?<![\d.,/])\d+(?:[.,]\d+)+(?![\d.,/])", text):
            if re.fullmatch(r"\d+,(\d{1,2}|\d{4,})", number) or re.fullmatch(r"\d{1,3}(\.\d{3})+,\d+", number):
                comma += 1
            elif re.fullmatch(r"\d+\.(\d{1,2}|\d{4,})", number) or re.fullmatch(r"\d{1,3}(,\d{3})+\.\d+", number):
                point += 1
    if comma and not point:
        return ","
    if point and not comma:
        return "."
    if comma and point:
        return "," if comma > 20 * point else "." if point > 20 * comma else None
    return None


@dataclass(frozen=True)
class Number:
    """A cell read as a number in the unit written in the cell ("" when it names none)."""

    value: float
    unit: str
    doubtful: bool


def read_number(text: str, decimal: str | None) -> Number | list[float] | None:
    """A cell as a number; a list of its possible values when there are several; None when it is no number."""
    quantity = read_quantity(text, decimal=decimal)
    if quantity is None and decimal is None:
        readings = {q.value for q in (read_quantity(text, decimal=d) for d in (".", ",")) if q is not None}
        if len(readings) > 1:
            return sorted(readings)
        if readings:
            quantity = read_quantity(text, decimal=".") or read_quantity(text, decimal=",")
    elif quantity is None and decimal is not None:
        # A cell in the other sign than the rest of its file is read when it has one reading only.
        quantity = read_quantity(text, decimal=None)
    if quantity is None or not math.isfinite(quantity.value):
        return None
    return Number(quantity.value, quantity.unit or "", quantity.doubtful)


def in_metric(value: float, unit: str) -> float:
    """A value in the metric unit that the tables keep."""
    return to_metric(value, unit)[0]


def read_yes(text: str) -> bool | None:
    """Yes or no as growers write it, or None."""
    word = text.strip().casefold().rstrip(".!")
    return True if word in YES else False if word in NO else None


def is_disqualified(text: str) -> bool:
    """Whether a judge's word says that a fruit was disqualified, for which the tables have no status."""
    return plain(text) in ("dq", "dsq", "disq", "disqualified", "disqualification")


def read_choice(concept: str, text: str) -> str | None:
    """One of the words that a column allows, from the ways growers write it, or None."""
    word = plain(text)
    for choice, ways in CHOICES[concept].items():
        if word == plain(choice) or word in {plain(w) for w in ways}:
            return choice
    return None


def read_evenness(text: str, decimal: str | None) -> float | None:
    """A share from 0 to 1: ``0.8``, ``80 %``, ``8/10``."""
    found = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*(?:/|of|out of)\s*(\d+)\s*", text)
    if found and float(found[2]) > 0:
        share = float(found[1].replace(",", ".")) / float(found[2])
        return share if 0 <= share <= 1 else None
    quantity = read_quantity(text, decimal=decimal) or read_quantity(text, decimal=None)
    if quantity is None:
        return None
    value = quantity.value / 100 if quantity.unit == "percent" else quantity.value
    return value if 0 <= value <= 1 else None


def read_count(text: str, decimal: str | None) -> int | None:
    """A whole number, or the sum of two sides: ``18``, ``9+9``, ``9 + 9 = 18``.

    >>> read_count("9+9", None), read_count("18", None), read_count("18.5", None)
    (18, 18, None)
    """
    found = re.fullmatch(r"\s*(\d{1,3})\s*[+&]\s*(\d{1,3})\s*(?:=\s*(\d{1,3})\s*)?", text)
    if found:
        total = int(found[1]) + int(found[2])
        return total if not found[3] or int(found[3]) == total else None
    value = read_decimal(text.strip().strip("~?").strip(), decimal=decimal)
    return int(value) if value is not None and value == int(value) and value >= 0 else None
