"""Findings of what lies behind the differences: what explains them, and at which age an effect acts."""

from __future__ import annotations

import math

import pandas as pd

from patchstats.findings.finding import OBSERVATIONAL, Finding, Findings
from patchstats.findings.words import capital, deed, p_words, places_for, reach, speaker
from patchstats.units import IMPERIAL, Shown, say

_HERE = (f"{OBSERVATIONAL} Shares within this club, as its plants, patches and members were; another club's would be "
         "others.")


def explains(table: pd.DataFrame, *, of: str = "the lasting differences between fruits", level: float = 0.9,
             most: int = 3) -> Findings:
    """What explains most, largest first: ``table`` with what, share, low, high (between 0 and 1)."""
    out = []
    for row in table.sort_values("share", ascending=False, kind="stable").head(most).itertuples():
        low, high = 100 * row.low, 100 * row.high
        bounds = f"{level:.0%} interval {low:.0f} to {high:.0f}" if math.isfinite(high) else "no interval can be given"
        said = (f"{100 * row.share:.0f}% stays with the single fruit, explained by nothing here"
                if row.what == "the fruit itself" else f"{row.what} explains {100 * row.share:.0f}%")
        out.append(Finding(f"share of {row.what}", 100 * row.share, math.nan, low, high, level, "share_percent",
                           f"Of {of}, {said} ({bounds}).", _HERE))
    return Findings(tuple(out))


def acts_at_age(table: pd.DataFrame, changes: pd.DataFrame, *, column: str = "pace_percent", shown: Shown = IMPERIAL,
                level: float = 0.9, caveat: str = OBSERVATIONAL) -> Findings:
    """Whether effects change with the age of the fruit.

    ``table``: effect (words), day, estimate, low, high [unit of ``column``]; ``changes``: p by effect (index), of the
    test that an effect is the same at every age. The finding holds the effect at the last age less that at the first.
    """
    out = []
    for effect in dict.fromkeys(table["effect"]):
        rows = table[table["effect"] == effect].sort_values("day")
        first, last = rows.iloc[0], rows.iloc[-1]
        places = places_for(first["low"], first["high"], column, shown)
        number = speaker(column, shown, places)
        ends = [_at(row, number, say(abs(row["estimate"]), column, shown, difference=True, decimals=places), level)
                for _, row in rows.iloc[[0, -1]].iterrows()]
        p = float(changes.loc[effect, "p"])
        verdict = ("so it changes with age" if p < 1 - level else
                   "and these logs cannot tell whether it changes with age")
        change = float(last["estimate"] - first["estimate"])
        out.append(Finding(f"{effect}, by age", change, math.nan, math.nan, math.nan, level, column,
                           f"{capital(deed(effect))} went with {ends[0]} and {ends[1]}, {verdict} ({p_words(p)}).",
                           caveat))
    return Findings(tuple(out))


def _at(row: pd.Series, number, amount: str, level: float) -> str:
    sign = 1 if row["estimate"] >= 0 else -1
    return (f"{amount} {'more' if sign > 0 else 'less'} daily gain at day {row['day']:g} ({level:.0%} interval "
            f"{reach(row['low'], row['high'], number, 'more', 'less')})")
