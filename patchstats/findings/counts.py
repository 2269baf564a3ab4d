"""Findings of counts, shares and middles."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from patchstats.findings.finding import Finding
from patchstats.findings.words import places_for, speaker
from patchstats.remarks import PatchstatsError
from patchstats.units import IMPERIAL, Shown, say


def rows_taken_in(*, files: int, read: int, kept: int, listed: int) -> Finding:
    """What came in: rows read, kept and listed. Raises :class:`PatchstatsError` when they do not add up."""
    if read != kept + listed:
        raise PatchstatsError(f"Rows do not add up: {read:,} read, but {kept:,} kept and {listed:,} listed.")
    sentence = (f"From {files:,} files {read:,} rows were read: {kept:,} were kept and {listed:,} listed with what to "
                "write instead, which adds up.")
    return Finding("rows taken in", kept, 0.0, kept, kept, 1.0, "", sentence)


def share(part: int, whole: int, what: str, *, level: float = 0.9, caveat: str = "",
          doubts: Sequence[str] = ()) -> Finding:
    """A share as a count and a percentage, with Wilson's interval (Wilson 1927, J. Am. Stat. Assoc. 22:209-212).

    ``what`` completes "7 of 20 ...", such as "flowers set". The estimate is in percent.
    """
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


def middle(values: pd.Series, column: str, what: str, *, of: str = "fruits", shown: Shown = IMPERIAL,
           level: float = 0.9, caveat: str = "", doubts: Sequence[str] = ()) -> Finding:
    """The middle of many values: half lie above, half below.

    ``what`` completes "The middle ...", such as "weight on the scale". The interval is that of the ranks and assumes
    nothing of the shape (Conover 1999, *Practical Nonparametric Statistics*, 3rd ed., section 3.2): it holds with at
    least ``level``; with too few values it reaches from the least to the greatest, and a doubt says so.
    """
    x = np.sort(values.dropna().to_numpy(dtype=float))
    n = len(x)
    if n == 0:
        raise PatchstatsError(f"There is no value to take the middle {what} of.")
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
    reach = float(stats.t.ppf(0.5 + level / 2, len(x) - 1)) * se
    low, high = mean - reach, mean + reach
    side = "heavy" if mean >= 0 else "light"
    told = "" if low > 0 or high < 0 else ", which cannot be told from none"
    sentence = (f"On the average {len(x):,} entries went {abs(mean):.1f}% {side} to chart{told} ({level:.0%} interval "
                f"{low:+.1f}% to {high:+.1f}%); single entries scatter about that with a standard deviation of "
                f"{spread:.0f}%.")
    return Finding("percent to chart", mean, se, low, high, level, "to_chart_percent", sentence,
                   "Only fruits that reached the scale are counted; lost fruits never are.", tuple(doubts))
