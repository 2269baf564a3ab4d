"""Findings of counts, shares, middles, and of numbers held against a scale or a book."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from patchstats.findings.finding import Finding
from patchstats.findings.words import capital, places_for, reach, speaker
from patchstats.remarks import PatchstatsError
from patchstats.tape import percent_to_chart
from patchstats.units import IMPERIAL, Shown, say


def rows_taken_in(*, files: int, read: int, kept: int, listed: int) -> Finding:
    """What came in: rows read, kept and listed. Raises :class:`PatchstatsError` when they do not add up."""
    if read != kept + listed:
        raise PatchstatsError(f"Rows do not add up: {read:,} read, but {kept:,} kept and {listed:,} listed.")
    sentence = (f"From {files:,} {'file' if files == 1 else 'files'} {read:,} rows were read: {kept:,} were kept and "
                f"{listed:,} listed with a remark, which adds up.")
    return Finding("rows taken in", kept, 0.0, kept, kept, 1.0, "", sentence)


def share(part: int, whole: int, what: str, *, level: float = 0.9, caveat: str = "",
          doubts: Sequence[str] = ()) -> Finding:
    """A share as a count and a percentage, with Wilson's interval (Wilson 1927, J. Am. Stat. Assoc. 22:209-212).

    ``what`` completes "7 of 20 ...", such as "flowers set". The estimate is in percent.
    """
    if whole == 0 == part:
        raise PatchstatsError(f"Nothing is counted yet to take a share of ({what}).")
    if whole <= 0 or not 0 <= part <= whole:
        raise PatchstatsError(f"A share needs a part of a whole; {part} of {whole} is none.")
    interval = stats.binomtest(part, whole).proportion_ci(level, method="wilson")
    p = part / whole
    low, high = 100 * interval.low, 100 * interval.high
    places = places_for(low, high, "share_percent", IMPERIAL)
    sentence = (f"{part:,} of {whole:,} {what}: {100 * p:.{places}f}% "
                f"({level:.0%} interval {low:.{places}f} to {high:.{places}f}).")
    return Finding(f"share of {what}", 100 * p, 100 * math.sqrt(p * (1 - p) / whole), low, high, level, "share_percent",
                   sentence, caveat, tuple(doubts))


def portion(what: str, of: str, estimate: float, *, low: float, high: float, se: float = math.nan, level: float = 0.9,
            told: bool = True, caveat: str = "", doubts: Sequence[str] = ()) -> Finding:
    """A part of a whole that a model told, such as how much of the differences between fruits goes with the seed line.

    ``estimate``, ``low``, ``high`` and ``se`` as shares between 0 and 1; the finding holds them in percent. ``told``
    False where the data cannot tell it from none: then the sentence says so, and no number.
    """
    places = places_for(100 * low, 100 * high, "share_percent", IMPERIAL)
    sentence = (f"Of {of}, {100 * estimate:.{places}f}% goes with {what} "
                f"({level:.0%} interval {100 * low:.{places}f} to {100 * high:.{places}f})." if told else
                f"These logs cannot tell how much of {of} goes with {what}.")
    return Finding(f"share of {what}", 100 * estimate, 100 * se, 100 * low, 100 * high, level, "share_percent",
                   sentence, caveat, tuple(doubts))


def path_against_scale(fruit: str, mass_kg: float, *, low: float, high: float, scale_kg: float, se: float = math.nan,
                       shown: Shown = IMPERIAL, level: float = 0.9, doubts: Sequence[str] = ()) -> Finding:
    """What a fruit's smoothed tape said last [kg], and what the scale said [kg]."""
    places = places_for(low, high, "mass_kg", shown)
    number = speaker("mass_kg", shown, places, difference=False)
    percent = percent_to_chart(scale_kg, mass_kg)
    side = "heavy" if percent >= 0 else "light"
    sentence = (f"By tape and table {fruit} stood last at {say(mass_kg, 'mass_kg', shown, decimals=places)} "
                f"({level:.0%} interval {number(low)} to {number(high)}, of the tape alone); the scale said "
                f"{say(scale_kg, 'mass_kg', shown)}, {abs(percent):.0f}% {side} to chart.")
    caveat = "The interval holds the tape's error; how heavy a fruit runs to its chart is not in it."
    return Finding(f"last weight of {fruit} by tape", float(mass_kg), float(se), float(low), float(high), level,
                   "mass_kg", sentence, caveat, tuple(doubts))


def against_book(name: str, value: float, printed: str, source: str) -> Finding:
    """A number worked out here against one printed in a book, to the book's last digit.

    ``printed`` is the number as it stands there, such as "49.51". They agree when the number here rounds to it: when it
    lies within half a unit of the last printed digit, which is the finding's interval.
    """
    places = len(printed.partition(".")[2])
    half = 0.5 * 10.0**-places
    there = float(printed)
    agrees = abs(value - there) <= half * (1 + 1e-9)
    words = "which agree" if agrees else "which do NOT agree"
    return Finding(name, float(value), 0.0, there - half, there + half, 1.0, "",
                   f"{capital(name)}: {value:.{places}f} here, {printed} in the source, {words}.",
                   f"Source: {source}.")


def middle(values: pd.Series, column: str, what: str, *, of: str = "fruits", shown: Shown = IMPERIAL,
           level: float = 0.9, caveat: str = "", doubts: Sequence[str] = ()) -> Finding:
    """The middle of many values: half lie above, half below.

    ``what`` completes "The middle ...", such as "weight on the scale". The interval is that of the ranks and assumes
    nothing of the shape (Conover 1999, *Practical Nonparametric Statistics*, 3rd ed., section 3.2): it holds with at
    least ``level``; with too few values it reaches from the least to the greatest, and a doubt says so. One value has
    no interval.
    """
    x = np.sort(values.dropna().to_numpy(dtype=float))
    n = len(x)
    if n == 0:
        raise PatchstatsError(f"There is no value to take the middle {what} of.")
    if n == 1:
        sentence = f"The {what} was {say(x[0], column, shown)} in the one case that there is, which has no interval."
        return Finding(f"middle {what}", float(x[0]), math.nan, -math.inf, math.inf, level, column, sentence, caveat,
                       (*doubts, "One case says little of others."))
    cut = int(stats.binom.ppf((1 - level) / 2, n, 0.5))  # P(fewer than cut below the middle) <= (1 - level)/2
    few = cut < 1
    low, high = (x[0], x[-1]) if few else (x[cut - 1], x[n - cut])
    estimate = float(np.median(x))
    places = places_for(low, high, column, shown)
    number = speaker(column, shown, places, difference=False)
    sentence = (f"The middle {what} was {say(estimate, column, shown, decimals=places)} "
                f"({level:.0%} interval {number(low)} to {number(high)}), from {n:,} {of}.")
    doubt = (f"Only {n} {of}: the interval is all there is, and holds less surely than {level:.0%}.",) if few else ()
    return Finding(f"middle {what}", estimate, math.nan, float(low), float(high), level, column, sentence, caveat,
                   (*doubts, *doubt))


def against_chart(to_chart_percent: pd.Series, *, level: float = 0.9, doubts: Sequence[str] = ()) -> Finding:
    """How heavy or light to chart the entries went on the average, with the t interval of a mean.

    ``to_chart_percent``: 100 * (scale / table - 1), one value an entry, heavy above zero.
    """
    x = to_chart_percent.dropna().to_numpy(dtype=float)
    if len(x) < 2:
        raise PatchstatsError("Two entries at least are needed to say how they went to chart.")
    mean, spread = float(x.mean()), float(x.std(ddof=1))
    se = spread / math.sqrt(len(x))
    half = float(stats.t.ppf(0.5 + level / 2, len(x) - 1)) * se
    low, high = mean - half, mean + half
    side = "heavy" if mean >= 0 else "light"
    told = "" if low > 0 or high < 0 else ", which cannot be told from none"
    interval = reach(low, high, "{:.1f}".format, "heavy", "light")
    sentence = (f"On the average {len(x):,} entries went {abs(mean):.1f}% {side} to chart{told} ({level:.0%} interval "
                f"{interval}); single entries scatter about that with a standard deviation of {spread:.0f}%.")
    return Finding("percent to chart", mean, se, low, high, level, "to_chart_percent", sentence,
                   "Only fruits that reached the scale are counted; lost fruits never are.", tuple(doubts))
