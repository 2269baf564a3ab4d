"""Findings: what the club found, as sentences a grower can read aloud. The only maker of prose with numbers.

A :class:`Finding` holds an estimate with its interval in stored (metric) units, and the sentence that says it in the
club's shown units. Notebooks, the annual meeting and members' cards print findings; nobody types a number by hand.

An effect is said as "went with", never as "causes": nothing in members' logs was decided by lot. An interval that
holds zero is said as "cannot be told from none". Figures are rounded to what the interval can carry.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from patchstats.remarks import ModelError, PatchstatsError
from patchstats.units import IMPERIAL, Shown, display_of, from_shown, say, to_shown

OBSERVATIONAL = "Observational: members were not told by lot when to set or how large a plant to keep."


@dataclass(frozen=True)
class Finding:
    """One thing found.

    ``estimate``, ``se``, ``low``, ``high`` in the stored unit that ``column`` carries, the interval at ``level``;
    ``se`` is NaN where an interval was found without one. ``sentence`` says it; ``caveat`` says what it is not;
    ``doubts`` are what was seen in the data that speaks against leaning on it.
    """

    name: str
    estimate: float
    se: float
    low: float
    high: float
    level: float
    column: str
    sentence: str
    caveat: str = ""
    doubts: tuple[str, ...] = ()

    def _markdown(self) -> str:
        lines = [self.sentence]
        if self.caveat:
            lines.append(f"*{self.caveat}*")
        lines += [f"- Doubt: {doubt}" for doubt in self.doubts]
        return "\n\n".join(lines)

    def _repr_markdown_(self) -> str:
        return self._markdown()

    def __repr__(self) -> str:
        return self._markdown().replace("*", "").replace("\n\n", "\n")


@dataclass(frozen=True)
class Findings:
    """Several findings in the order to be read, each caveat said once."""

    items: tuple[Finding, ...]

    def __iter__(self) -> Iterator[Finding]:
        return iter(self.items)

    def __len__(self) -> int:
        return len(self.items)

    def table(self) -> pd.DataFrame:
        """One row a finding: name, estimate, se, low, high, level, column, sentence."""
        names = ["name", "estimate", "se", "low", "high", "level", "column", "sentence"]
        return pd.DataFrame([[getattr(f, n) for n in names] for f in self.items], columns=names)

    def _markdown(self) -> str:
        lines = [line for f in self.items
                 for line in (f"- {f.sentence}", *(f"  - Doubt: {doubt}" for doubt in f.doubts))]
        caveats = dict.fromkeys(f.caveat for f in self.items if f.caveat)
        return "\n".join(lines) + "".join(f"\n\n*{caveat}*" for caveat in caveats)

    def _repr_markdown_(self) -> str:
        return self._markdown()

    def __repr__(self) -> str:
        return self._markdown().replace("*", "").replace("\n\n", "\n")


def together(*found: Finding | Iterable[Finding]) -> Findings:
    """Findings, one by one or in groups, as one :class:`Findings`."""
    items: list[Finding] = []
    for f in found:
        items += [f] if isinstance(f, Finding) else list(f)
    return Findings(tuple(items))


# --- effects -----------------------------------------------------------------------------------------------------

# How a change of each term is said: by one unit, and by {n} of them.
_CHANGES = {
    "secondaries": ("every further secondary vine at pollination", "every {n} more secondary vines at pollination"),
    "set_day": ("every day later that a fruit was set", "every {n} days later that a fruit was set"),
    "soil_c": ("every {unit} of warmer soil", "every {n} {unit} of warmer soil"),
    "heat_c_day": ("every further degree day of heat a day", "every {n} more degree days of heat a day"),
    "main_vine_cm": ("every further {unit} of main vine at pollination",
                     "every {n} {unit} more of main vine at pollination"),
    "water_mm": ("every further {unit} of water a day", "every {n} {unit} more of water a day"),
    "rain_mm": ("every further {unit} of rain a day", "every {n} {unit} more of rain a day"),
    "day": ("every further day of age", "every {n} days of age"),
}
_UNITS_ALOUD = {"°F": ("degree Fahrenheit", "degrees Fahrenheit"), "°C": ("degree Celsius", "degrees Celsius"),
                "in": ("inch", "inches"), "cm": ("centimetre", "centimetres"), "mm": ("millimetre", "millimetres")}
_SIDES = {"_within": "among one grower's own fruits, ", "_between": "between growers, "}
_MORE = {
    "gain_kg_day": ("more gain", "less gain"),
    "pace_percent": ("more daily gain", "less daily gain"),
    "mass_kg": ("more weight", "less weight"),
    "scale_kg": ("more weight on the scale", "less weight on the scale"),
}


def effect(fit, term: str, *, per: float = 1.0, column: str | None = None, shown: Shown = IMPERIAL, level: float = 0.9,
           caveat: str = OBSERVATIONAL, doubts: Sequence[str] = ()) -> Finding:
    """One effect of a fitted mixed model as a sentence.

    ``term`` a row of ``fit.coef``; ``per`` how much of it, in the club's shown units (5 secondary vines, 7 days,
    5 degrees Fahrenheit); ``column`` the response, read off ``fit.formula`` when not given. The interval is the
    estimate plus and minus the t quantile of ``level`` at the fit's degrees of freedom times the standard error.
    Raises :class:`ModelError` for a term that the model lacks.
    """
    if term not in fit.coef.index:
        raise ModelError(f"The model has no term {term!r}; its terms are {', '.join(map(str, fit.coef.index))}.")
    row = fit.coef.loc[term]
    bare = term.removesuffix("_within").removesuffix("_between")
    step = from_shown(per, bare, shown, difference=True)
    estimate, se = step * row["estimate"], abs(step) * row["se"]
    df = row["df"] if np.isfinite(row.get("df", np.nan)) else np.inf
    reach = float(stats.t.ppf(0.5 + level / 2, df)) * se
    response = column or fit.formula.split("~")[0].strip()
    return changed(_change(term, per, shown), estimate, se=se, low=estimate - reach, high=estimate + reach,
                   column=response, name=term, shown=shown, level=level, caveat=caveat, doubts=doubts)


def changed(change: str, estimate: float, *, low: float, high: float, se: float = math.nan, column: str, name: str = "",
            shown: Shown = IMPERIAL, level: float = 0.9, caveat: str = OBSERVATIONAL,
            doubts: Sequence[str] = ()) -> Finding:
    """An effect in words: ``change`` (such as "every 5 more secondary vines") "went with" so much more or less.

    ``estimate``, ``low`` and ``high`` are for that change, in the stored unit of ``column``.
    """
    more, less = _MORE.get(column, ("more", "less"))
    places = _places(low, high, column, shown)
    number = _speaker(column, shown, places)
    amount = say(abs(estimate), column, shown, difference=True, decimals=places)
    which = more if estimate >= 0 else less
    if low > 0 or high < 0:
        small, large = sorted((abs(low), abs(high)))
        words = f"{amount} {which} ({level:.0%} interval {number(small)} to {number(large)})"
    else:
        words = (f"{amount} {which}, which cannot be told from none "
                 f"({level:.0%} interval {number(abs(low))} less to {number(abs(high))} more)")
    return Finding(name or change, float(estimate), float(se), float(low), float(high), level, column,
                   f"{_capital(change)} went with {words}.", caveat, tuple(doubts))


def sides_differ(name: str, estimate: float, *, low: float, high: float, se: float = math.nan, column: str,
                 shown: Shown = IMPERIAL, level: float = 0.9, caveat: str = OBSERVATIONAL) -> Finding:
    """Whether an effect differs between and within growers: ``estimate`` is between minus within.

    ``name`` the thing in words, such as "plant size".
    """
    places = _places(low, high, column, shown)
    number = _speaker(column, shown, places)
    amount = say(abs(estimate), column, shown, difference=True, decimals=places)
    told = low > 0 or high < 0
    side = "stronger" if estimate >= 0 else "weaker"
    sentence = (
        f"For {name}, the comparison between growers came out {amount} {side} than among a grower's own fruits "
        f"({level:.0%} interval {number(low)} to {number(high)}), so a plain comparison of growers misleads: "
        "act on the effect among a grower's own fruits." if told else
        f"For {name}, these logs cannot tell the effect between growers from the effect among a grower's own fruits "
        f"(difference {_signed(estimate, number)}, {level:.0%} interval {number(low)} to {number(high)}); "
        "act on the effect among a grower's own fruits.")
    return Finding(f"{name}: between less within", float(estimate), float(se), float(low), float(high), level, column,
                   sentence, caveat)


def best_soil(estimate_c: float, *, low_c: float, high_c: float, se_c: float = math.nan, shown: Shown = IMPERIAL,
              level: float = 0.9, caveat: str = OBSERVATIONAL, doubts: Sequence[str] = ()) -> Finding:
    """The soil temperature [c] at which gain was highest, with its interval."""
    at, low, high = (say(v, "soil_c", shown) for v in (estimate_c, low_c, high_c))
    return Finding("best soil temperature", estimate_c, se_c, low_c, high_c, level, "soil_c",
                   f"Gain was highest with the soil near {at} ({level:.0%} interval {low} to {high}).", caveat,
                   tuple(doubts))


# --- counts, shares and middles ----------------------------------------------------------------------------------


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
    places = _places(low, high, "share_percent", IMPERIAL)
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
    places = _places(low, high, column, shown)
    number = _speaker(column, shown, places, difference=False)
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


# --- growers, entries and seasons compared -----------------------------------------------------------------------


def compared(levels: pd.DataFrame, *, column: str = "pace_percent", group: str = "growers", shown: Shown = IMPERIAL,
             level: float = 0.9, caveat: str = OBSERVATIONAL) -> Findings:
    """Levels of a group against the club's middle: who stands first, and how many can be told from the middle.

    ``levels``: index the level's name; shift, se, low, high at ``level`` [unit of ``column``], shrunken.
    """
    rows = levels.sort_values("shift", ascending=False, kind="stable")
    first = rows.iloc[0]
    above, below = int((rows["low"] > 0).sum()), int((rows["high"] < 0).sum())
    alike = len(rows) - above - below
    places = _places(first["low"], first["high"], column, shown)
    number = _speaker(column, shown, places)
    amount = say(abs(first["shift"]), column, shown, difference=True, decimals=places)
    side = "above" if first["shift"] >= 0 else "below"
    told = "" if first["low"] > 0 else ", which cannot be told from the middle"
    best = Finding(
        f"first of the {group}", float(first["shift"]), float(first["se"]), float(first["low"]), float(first["high"]),
        level, column,
        f"With conditions taken into account, {rows.index[0]} stands first of {len(rows)} {group}: {amount} {side} the "
        f"club's middle{told} ({level:.0%} interval {number(first['low'])} to {number(first['high'])}).", caveat)
    apart = Finding(
        f"{group} told from the middle", above + below, math.nan, above + below, above + below, level, "",
        f"Of {len(rows)} {group}, {above} can be told to lie above the club's middle and {below} below it; "
        f"{_are(alike)} not to be told from it (each at {level:.0%}).", caveat,
        (f"With {len(rows)} intervals at {level:.0%}, about {len(rows) * (1 - level):.0f} would leave the middle out "
         "by luck.",))
    return Findings((best, apart))


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
    sentence = f"The chance that {first} does better than {second} under the same conditions is {_chance(chance)}."
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
    sentence = (f"{best.name} is the likeliest of the {len(ranks)} {group} to be among the first {top}, with a chance "
                f"of {_chance(chance)}; the rank may be anywhere from {best['low']:.0f} to {best['high']:.0f} "
                f"({level:.0%} interval).")
    return Finding(f"likeliest among the first {top} {group}", float(best["rank"]), math.nan, float(best["low"]),
                   float(best["high"]), level, "", sentence, caveat)


def seasons(table: pd.DataFrame, *, column: str = "pace_percent", shown: Shown = IMPERIAL, level: float = 0.9,
            caveat: str = "Seasons differ in weather as well as in what members did.") -> Finding:
    """The best season against the worst, from ``table``: season, estimate, low, high at ``level`` [unit of ``column``].

    The finding's estimate is the best season's, with its interval; the sentence names both and says whether their
    intervals part.
    """
    order = table.sort_values("estimate", kind="stable")
    worst, best = order.iloc[0], order.iloc[-1]
    part = best["low"] > worst["high"]
    said = []
    for row in (best, worst):
        places = _places(row["low"], row["high"], column, shown)
        number = _speaker(column, shown, places)
        side = "above" if row["estimate"] >= 0 else "below"
        amount = say(abs(row["estimate"]), column, shown, difference=True, decimals=places)
        said.append(f"{row['season']:.0f}, {amount} {side} the club's middle "
                    f"({level:.0%} interval {number(row['low'])} to {number(row['high'])})")
    ending = "their intervals do not meet" if part else "their intervals meet, so the order is not sure"
    return Finding("best season", float(best["estimate"]), float(best.get("se", math.nan)), float(best["low"]),
                   float(best["high"]), level, column,
                   f"The best of {len(table)} seasons was {said[0]}, the poorest {said[1]}; {ending}.", caveat)


# --- words -------------------------------------------------------------------------------------------------------


def _change(term: str, per: float, shown: Shown) -> str:
    side, bare = "", term
    for ending, words in _SIDES.items():
        if term.endswith(ending):
            side, bare = words, term.removesuffix(ending)
    if bare == "set_day" and per == 7:
        return f"{side}every week later that a fruit was set"
    one, many = _CHANGES.get(bare, ("every further unit of {name}", "every {n} more of {name}"))
    sign = display_of(bare, shown).unit
    unit = _UNITS_ALOUD.get(sign, (sign, sign))[0 if per == 1 else 1]
    facts = {"n": f"{per:g}", "unit": unit, "name": bare.replace("_", " ")}
    return side + (one if per == 1 else many).format(**facts)


def _places(low: float, high: float, column: str, shown: Shown) -> int:
    """Decimals that the interval can carry: its half-width keeps at least one figure, two when it starts with a 1."""
    half = abs(to_shown(high - low, column, shown, difference=True)) / 2
    if not np.isfinite(half) or half == 0:
        return display_of(column, shown).decimals
    return int(min(3, max(0, -math.floor(math.log10(half / 2)))))


def _speaker(column: str, shown: Shown, places: int, *, difference: bool = True):
    """A function that says a stored value as a bare number in the club's unit, never "-0"."""
    def number(value: float) -> str:
        text = f"{to_shown(value, column, shown, difference=difference):,.{places}f}"
        return text.replace("-", "") if float(text.replace(",", "")) == 0 else text
    return number


def _signed(value: float, number) -> str:
    return ("+" if value > 0 else "") + number(value)


def _chance(chance: float) -> str:
    percent = round(100 * chance)
    if percent >= 100:
        return "more than 99 in 100"
    return f"{percent} in 100" if percent >= 1 else "less than 1 in 100"


def _are(count: int) -> str:
    return "none is" if count == 0 else "one is" if count == 1 else f"{count} are"


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]
