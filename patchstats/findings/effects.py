"""Findings of effects: what goes with more daily gain, among a grower's own fruits and between growers."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from patchstats.findings.doubts import of_fit
from patchstats.findings.finding import OBSERVATIONAL, Finding, Findings
from patchstats.findings.words import capital, deed, places_for, reach, signed, speaker
from patchstats.remarks import ModelError
from patchstats.units import IMPERIAL, Shown, display_of, from_shown, say, to_shown

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
    "heat_7_c_day": ("every further degree day of heat a day in the last week",
                     "every {n} more degree days of heat a day in the last week"),
    "water_7_mm": ("every further {unit} of water a day in the last week",
                   "every {n} {unit} more of water a day in the last week"),
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
    step = from_shown(per, _bare(term), shown, difference=True)
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
    places = places_for(low, high, column, shown)
    number = speaker(column, shown, places)
    amount = say(abs(estimate), column, shown, difference=True, decimals=places)
    which = more if estimate >= 0 else less
    interval = f"({level:.0%} interval {reach(low, high, number, 'more', 'less')})"
    if low > 0 or high < 0:
        words = f"{amount} {which} {interval}"
    elif float(number(abs(estimate)).replace(",", "")) == 0:
        words = f"neither {more} nor less that could be told {interval}"
    else:
        words = f"{amount} {which}, which cannot be told from none {interval}"
    return Finding(name or change, float(estimate), float(se), float(low), float(high), level, column,
                   f"{capital(change)} went with {words}.", caveat, tuple(doubts))


def every_way(ways: pd.DataFrame, what: str, *, column: str = "pace_percent", shown: Shown = IMPERIAL,
              level: float = 0.9, caveat: str = OBSERVATIONAL) -> Finding:
    """Whether an effect hangs on how it is worked out.

    ``ways``: estimate, low, high at ``level`` [unit of ``column``], one row a way, the one reported first. The
    finding holds the reported estimate, and as low and high the least and the greatest estimate of all ways.
    """
    first = ways.iloc[0]
    least, most = float(ways["estimate"].min()), float(ways["estimate"].max())
    same = int((np.sign(ways["estimate"]) == np.sign(first["estimate"])).sum())
    sure = int(((ways["low"] > 0) | (ways["high"] < 0)).sum())
    places = max(places_for(first["low"], first["high"], column, shown), places_for(least, most, column, shown))
    number = speaker(column, shown, places)
    unit = display_of(column, shown).unit
    unit = unit if unit == "%" else f" {unit}"
    sentence = (f"Worked out in {len(ways)} ways, the effect of {deed(what)} ran from {signed(least, number)}{unit} to "
                f"{signed(most, number)}{unit} (reported: {signed(first['estimate'], number)}{unit}); {same} of "
                f"{len(ways)} have the reported sign, and {sure} of {len(ways)} have an interval at {level:.0%} that "
                "leaves out zero.")
    return Finding(f"{what}, every way", float(first["estimate"]), float(first.get("se", math.nan)), least, most, level,
                   column, sentence, caveat)


def sides_differ(name: str, estimate: float, *, low: float, high: float, se: float = math.nan, column: str,
                 change: str = "", shown: Shown = IMPERIAL, level: float = 0.9, caveat: str = OBSERVATIONAL) -> Finding:
    """Whether an effect differs between and within growers: ``estimate`` is between minus within.

    ``name`` the thing in words, such as "plant size"; ``change`` what the numbers are for, such as "5 more secondary
    vines".
    """
    places = places_for(low, high, column, shown)
    number = speaker(column, shown, places)
    amount = say(abs(estimate), column, shown, difference=True, decimals=places)
    if display_of(column, shown).unit == "%":
        amount = amount.replace("%", " percentage points")
    told = low > 0 or high < 0
    side = "higher" if estimate >= 0 else "lower"
    interval = f"({level:.0%} interval {reach(low, high, number, 'higher', 'lower')})"
    per = f" for {deed(change)}" if change else ""
    sentence = (
        f"For {name}, comparing growers with each other gives an effect {amount} {side}{per} than comparing one "
        f"grower's own fruits {interval}: growers differ in other things too, so act on the effect among a "
        "grower's own fruits." if told else
        f"For {name}, these logs cannot tell whether comparing growers with each other says the same as comparing one "
        f"grower's own fruits: the effect comes out {amount} {side}{per} {interval}; act on the effect among a "
        "grower's own fruits.")
    return Finding(f"{name}: between less within", float(estimate), float(se), float(low), float(high), level, column,
                   sentence, caveat)


def best_soil(estimate_c: float, *, low_c: float, high_c: float, se_c: float = math.nan,
              logged_c: tuple[float, float] = (-math.inf, math.inf), shown: Shown = IMPERIAL,
              level: float = 0.9, caveat: str = OBSERVATIONAL, doubts: Sequence[str] = ()) -> Finding:
    """The soil temperature [c] at which gain was highest, with its interval; one without bounds is said so.

    ``logged_c``: the coldest and the warmest soil of the logs. A top beyond them is no finding: the curve was never
    seen to turn there.
    """
    least, most = logged_c
    if np.isfinite(estimate_c) and not least <= estimate_c <= most:
        way, end = ("warmest", most) if estimate_c > most else ("coldest", least)
        sentence = (f"Gain was still rising towards the {way} soil of these logs, {say(end, 'soil_c', shown)}; where "
                    "it would be highest they cannot tell.")
    elif np.isfinite([estimate_c, low_c, high_c]).all():
        places = places_for(low_c, high_c, "soil_c", shown)
        at, low, high = (say(v, "soil_c", shown, decimals=places) for v in (estimate_c, low_c, high_c))
        sentence = f"Gain was highest with the soil near {at} ({level:.0%} interval {low} to {high})."
    else:
        sentence = "These logs cannot tell at which soil temperature gain is highest."
    return Finding("best soil temperature", float(estimate_c), float(se_c), float(low_c), float(high_c), level,
                   "soil_c", sentence, caveat, tuple(doubts))


# What each split effect is about, and its change as in the effects' table.
_ABOUT = {"secondaries": "plant size", "set_day": "set date"}


def what_drives(drivers, *, shown: Shown = IMPERIAL) -> Findings:
    """What drives daily gain, read off a :class:`patchstats.drivers.Drivers`.

    The effects among a grower's own fruits first, then whether growers compared would mislead, what a plain
    regression would have said, and the best soil temperature.
    """
    column, level = drivers.model.response, drivers.level
    doubts = tuple(of_fit(drivers.fit.check()))
    found, plain = [], []
    for row in drivers.effects.itertuples():
        per, times = _round_step(row.term, row.per, shown)
        change = _change(row.term, per, shown)
        numbers = {"low": times * row.low, "high": times * row.high, "se": times * row.se, "column": column,
                   "shown": shown, "level": level}
        if row.side in ("within", "unsplit"):
            found.append(changed(change, times * row.estimate, name=row.term, doubts=doubts, **numbers))
            doubts = ()  # of the whole fit: said once, with the first effect
        elif row.side == "naive":
            plain.append(changed(f"in a plain comparison of all fruits, whoever grew them, {change}",
                                 times * row.estimate, name=f"{row.term}, growers ignored", caveat=_PLAIN, **numbers))
    step = {_bare(row.term): row.per for row in drivers.effects.itertuples()}
    asked = {_bare(row.term): row.effect for row in drivers.effects.itertuples()}
    sides = [sides_differ(_ABOUT.get(term, term), step[term] * row["estimate"], low=step[term] * row["low"],
                          high=step[term] * row["high"], se=step[term] * row["se"], column=column, shown=shown,
                          level=level, change=asked.get(term, "")) for term, row in drivers.sides.iterrows()]
    best = drivers.soil_best
    soil = [] if drivers.soil.empty else [
        best_soil(best["estimate"], low_c=best["low"], high_c=best["high"], se_c=best["se"], shown=shown, level=level,
                  logged_c=(drivers.soil["soil_c"].min(), drivers.soil["soil_c"].max()))]
    return Findings((*found, *soil, *sides, *plain))


def _round_step(term: str, per: float, shown: Shown) -> tuple[float, float]:
    """How much of a term is asked, in the club's unit, and what to multiply by: one where it is no whole number."""
    asked = to_shown(per, _bare(term), shown, difference=True)
    return (asked, 1.0) if abs(asked - round(asked)) < 1e-9 else (1.0, 1.0 / asked)


_PLAIN = (f"{OBSERVATIONAL} A plain comparison mixes what a grower can change with what better growers have anyway.")


def _bare(term: str) -> str:
    return term.removesuffix("_within").removesuffix("_between")


def _change(term: str, per: float, shown: Shown) -> str:
    bare = _bare(term)
    side = _SIDES.get(term.removeprefix(bare), "")
    if bare == "set_day" and per == 7:
        return f"{side}every week later that a fruit was set"
    one, many = _CHANGES.get(bare, ("every further unit of {name}", "every {n} more of {name}"))
    sign = display_of(bare, shown).unit
    unit = _UNITS_ALOUD.get(sign, (sign, sign))[0 if per == 1 else 1]
    facts = {"n": f"{per:.3g}", "unit": unit, "name": bare.replace("_", " ")}
    return side + (one if per == 1 else many).format(**facts)
