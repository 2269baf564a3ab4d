"""Findings of growers, entries and seasons compared."""

from __future__ import annotations

import math

import pandas as pd
from scipy import stats

from patchstats.findings.finding import OBSERVATIONAL, Finding, Findings
from patchstats.findings.words import capital, chance_words, count_words, places_for, reach, speaker
from patchstats.remarks import PatchstatsError
from patchstats.units import IMPERIAL, Shown, say


def compared(levels: pd.DataFrame, *, column: str = "pace_percent", group: str = "growers", shown: Shown = IMPERIAL,
             level: float = 0.9, caveat: str = OBSERVATIONAL) -> Findings:
    """Levels of a group against the club's middle: who stands first, and how many can be told from the middle.

    ``levels``: index the level's name; shift, se, low, high at ``level`` [unit of ``column``], shrunken.
    """
    rows = levels.sort_values("shift", ascending=False, kind="stable")
    first = rows.iloc[0]
    if len(rows) > 1 and _alike(rows["shift"]):
        return Findings((Finding(
            f"first of the {group}", 0.0, 0.0, 0.0, 0.0, level, column,
            f"With conditions taken into account, none of {len(rows)} {group} stands first: how far they lie apart is "
            "estimated as nothing.", caveat),))
    above, below = int((rows["low"] > 0).sum()), int((rows["high"] < 0).sum())
    alike = len(rows) - above - below
    places = places_for(first["low"], first["high"], column, shown)
    number = speaker(column, shown, places)
    amount = say(abs(first["shift"]), column, shown, difference=True, decimals=places)
    side = "above" if first["shift"] >= 0 else "below"
    told = "" if first["low"] > 0 else ", which cannot be told from the middle"
    best = Finding(
        f"first of the {group}", float(first["shift"]), float(first["se"]), float(first["low"]), float(first["high"]),
        level, column,
        f"With conditions taken into account, {rows.index[0]} stands first of {len(rows)} {group}: {amount} {side} the "
        f"club's middle{told} ({level:.0%} interval {reach(first['low'], first['high'], number, 'above', 'below')}).",
        caveat)
    apart = Finding(
        f"{group} told from the middle", above + below, math.nan, above + below, above + below, level, "",
        f"Of {len(rows)} {group}, {count_words(above)} can be told to lie above the club's middle and "
        f"{count_words(below)} below it; {count_words(alike)} cannot be told from it (each at {level:.0%}).", caveat,
        (f"With {len(rows)} intervals at {level:.0%}, about {len(rows) * (1 - level):.0f} would leave the middle out "
         "by luck.",))
    return Findings((best, apart))


def _alike(values: pd.Series) -> bool:
    """Whether a group's spread is estimated as none, so that all its levels stand at the middle."""
    return bool(values.abs().max() < 1e-9)


def better(first: str, second: str, chance: float, *, draws: int = 0, level: float = 0.9,
           caveat: str = OBSERVATIONAL) -> Finding:
    """The chance that one is better than the other under the same conditions.

    ``chance`` between 0 and 1. With ``draws``, the number of simulations behind it, the interval is Wilson's for
    the simulation's own error; without, it is the chance itself (a computed probability).
    """
    if not 0 <= chance <= 1:
        raise PatchstatsError(f"A chance lies between 0 and 1; {chance} does not.")
    low = high = 100 * chance
    se = 0.0
    if draws:
        ci = stats.binomtest(round(chance * draws), draws).proportion_ci(level, method="wilson")
        low, high, se = 100 * ci.low, 100 * ci.high, 100 * math.sqrt(chance * (1 - chance) / draws)
    sentence = f"The chance that {first} does better than {second} under the same conditions is {chance_words(chance)}."
    if 0.1 < chance < 0.9:
        sentence += " That settles nothing between the two."
    return Finding(f"{first} better than {second}", 100 * chance, se, low, high, level, "chance_percent", sentence,
                   caveat)


def among_first(ranks: pd.DataFrame, *, group: str = "growers", top: int = 3, level: float = 0.9,
                caveat: str = OBSERVATIONAL) -> Finding:
    """The likeliest of the first three, and where their rank may lie.

    ``ranks``: index the name; rank, low, high (at ``level``) and ``top_3``, the chance of being among the first.
    """
    best = ranks.sort_values(f"top_{top}", ascending=False, kind="stable").iloc[0]
    chance = float(best[f"top_{top}"])
    # Where nothing tells them apart, all have the same chance but for the simulation's error.
    if len(ranks) > 1 and ranks[["low", "high"]].nunique().max() == 1 and chance < top / len(ranks) + 0.03:
        return Finding(f"likeliest among the first {top} {group}", math.nan, math.nan, float(best["low"]),
                       float(best["high"]), level, "",
                       f"None of the {len(ranks)} {group} is likelier than another to be among the first {top}.",
                       caveat)
    sentence = (f"{best.name} is the likeliest of the {len(ranks)} {group} to be among the first {top}, with a chance "
                f"of {chance_words(chance)}; the rank may be anywhere from {best['low']:.0f} to {best['high']:.0f} "
                f"({level:.0%} interval).")
    return Finding(f"likeliest among the first {top} {group}", float(best["rank"]), math.nan, float(best["low"]),
                   float(best["high"]), level, "", sentence, caveat)


_AT_ONCE = (f"{OBSERVATIONAL} The best growers do many things at once: that a practice differs does not say that it "
            "did it.")


def practices(table: pd.DataFrame, *, shown: Shown = IMPERIAL, level: float = 0.9,
              caveat: str = _AT_ONCE) -> Findings:
    """What the best patches did differently, from :func:`patchstats.practices.best_against_middle` at ``level``.

    First how many practices can be told apart when the number of questions is counted (Holm), then each of those.
    """
    told = table[table["p_adjusted"] < 1 - level]
    found = [Finding(
        "practices told apart", len(told), math.nan, len(told), len(told), level, "",
        f"Of {len(table)} practices compared between the best patches and the middle ones, {count_words(len(told))} "
        f"can be told apart when all are asked at once (Holm's method, {level:.0%}).", caveat)]
    for row in told.itertuples():
        places = places_for(row.low, row.high, row.practice, shown)
        number = speaker(row.practice, shown, places)
        best, middle = (say(value, row.practice, shown, decimals=places) for value in (row.best, row.middle))
        amount = say(abs(row.difference), row.practice, shown, difference=True, decimals=places)
        interval = reach(row.low, row.high, number, "more", "less")
        found.append(Finding(
            row.practice, row.difference, row.se, row.low, row.high, level, row.practice,
            f"{capital(row.meaning)}: {best} on the best patches, {middle} on the middle ones; season by season the "
            f"best had {amount} {'more' if row.difference >= 0 else 'less'} ({level:.0%} interval {interval}).",
            caveat))
    return Findings(tuple(found))


_SEASONS = f"{OBSERVATIONAL} Seasons differ in weather as well as in what members did."


def seasons(table: pd.DataFrame, *, column: str = "pace_percent", shown: Shown = IMPERIAL, level: float = 0.9,
            caveat: str = _SEASONS) -> Finding:
    """The best season against the worst, from ``table``: season, estimate, low, high at ``level`` [unit of ``column``].

    The finding's estimate is the best season's, with its interval; the sentence names both and says whether their
    intervals part.
    """
    order = table.sort_values("estimate", kind="stable")
    worst, best = order.iloc[0], order.iloc[-1]
    if len(order) > 1 and _alike(order["estimate"]):
        return Finding("best season", 0.0, 0.0, 0.0, 0.0, level, column,
                       f"None of {len(table)} seasons was the best: how far they lie apart is estimated as nothing.",
                       caveat)
    part = best["low"] > worst["high"]
    said = []
    for row in (best, worst):
        places = places_for(row["low"], row["high"], column, shown)
        number = speaker(column, shown, places)
        side = "above" if row["estimate"] >= 0 else "below"
        amount = say(abs(row["estimate"]), column, shown, difference=True, decimals=places)
        said.append(f"{row['season']:.0f}, {amount} {side} the club's middle "
                    f"({level:.0%} interval {reach(row['low'], row['high'], number, 'above', 'below')})")
    ending = "their intervals do not meet" if part else "their intervals meet, so the order is not sure"
    return Finding("best season", float(best["estimate"]), float(best.get("se", math.nan)), float(best["low"]),
                   float(best["high"]), level, column,
                   f"The best of {len(table)} seasons was {said[0]}, the poorest {said[1]}; {ending}.", caveat)


def progress(line: pd.Series, *, column: str = "pace_percent", shown: Shown = IMPERIAL, level: float = 0.9,
             caveat: str = _SEASONS) -> Finding:
    """Whether the club is getting better, from :func:`patchstats.fairness.progress` at ``level``."""
    low, high, estimate = (float(line[c]) for c in ("low", "high", "estimate"))
    places = places_for(low, high, column, shown)
    number = speaker(column, shown, places)
    amount = say(abs(estimate), column, shown, difference=True, decimals=places)
    interval = f"{level:.0%} interval {reach(low, high, number, 'more', 'less')}"
    start = f"Over {line['seasons']:.0f} seasons, members, seed and conditions taken out, daily gain"
    told = low > 0 or high < 0
    sentence = (f"{start} {'rose' if estimate > 0 else 'fell'} by {amount} a season ({interval})." if told else
                f"{start} went neither up nor down by more than these logs can tell ({interval} a season).")
    return Finding("progress a season", estimate, float(line["se"]), low, high, level, column, sentence, caveat)
