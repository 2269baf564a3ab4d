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


def chance_words(chance: float) -> str:
    percent = round(100 * chance)
    if percent >= 100:
        return "more than 99 in 100"
    return f"{percent} in 100" if percent >= 1 else "less than 1 in 100"


def are(count: int) -> str:
    return "none is" if count == 0 else "one is" if count == 1 else f"{count} are"


def capital(words: str) -> str:
    return words[:1].upper() + words[1:]
