"""Words and figures of sentences: how many decimals an interval carries, signs, chances."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from patchstats.units import Shown, display_of, to_shown


def places_for(low: float, high: float, column: str, shown: Shown) -> int:
    """Decimals that the interval can carry: its half-width keeps at least one figure, two when it starts with a 1."""
    half = abs(to_shown(high - low, column, shown, difference=True)) / 2
    if not np.isfinite(half) or half == 0:
        return display_of(column, shown).decimals
    return int(min(3, max(0, -math.floor(math.log10(half / 2)))))


def speaker(column: str, shown: Shown, places: int, *, difference: bool = True) -> Callable[[float], str]:
    """A function that says a stored value as a bare number in the club's unit, never "-0"."""
    def number(value: float) -> str:
        text = f"{to_shown(value, column, shown, difference=difference):,.{places}f}"
        return text.replace("-", "") if float(text.replace(",", "")) == 0 else text
    return number


def signed(value: float, number) -> str:
    return ("+" if value > 0 else "") + number(value)


def reach(low: float, high: float, number: Callable[[float], str], up: str, down: str) -> str:
    """An interval as one reads it aloud, without signs: "2 to 8", or "3 below to 5 above" where it holds zero.

    Ends on one side are said by their distance from zero, the nearer first.
    """
    if low < 0 < high:
        return f"{number(-low)} {down} to {number(high)} {up}"
    near, far = sorted((abs(low), abs(high)))
    return f"{number(near)} to {number(far)}"


def chance_words(chance: float) -> str:
    percent = round(100 * chance)
    if percent >= 100:
        return "more than 99 in 100"
    return f"{percent} in 100" if percent >= 1 else "less than 1 in 100"


def deed(effect: str) -> str:
    """An effect as the subject of a sentence: "set a week later" is "setting a week later"."""
    return f"setting {effect.removeprefix('set ')}" if effect.startswith("set ") else effect


def p_words(p: float) -> str:
    return "p below 0.01" if p < 0.01 else f"p = {p:.2f}"


_COUNTS = ("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def count_words(count: int) -> str:
    """A count as one writes it in a sentence: words up to ten."""
    return _COUNTS[count] if count < len(_COUNTS) else f"{count:,}"


def capital(words: str) -> str:
    return words[:1].upper() + words[1:]
