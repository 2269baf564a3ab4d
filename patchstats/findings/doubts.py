"""Doubts in words: on whom an effect leans, and what filling the gaps would change."""

from __future__ import annotations

import pandas as pd

from patchstats.findings.words import capital, count_words, places_for, signed, speaker
from patchstats.units import IMPERIAL, Shown, display_of

_ABOUT = {"secondaries": "plant size", "set_day": "set date", "soil_from_20_c": "soil temperature"}


def about(term: str) -> str:
    """A model's term as a grower calls it."""
    bare = term.removesuffix("_within").removesuffix("_between")
    bare = "soil_from_20_c" if "soil_from_20_c" in bare else bare
    side = " between growers" if term.endswith("_between") else ""
    return _ABOUT.get(bare, bare.replace("_", " ")) + side


def of_fit(check: pd.DataFrame) -> pd.Series:
    """The doubts of a fit (``fit.check()``: doubt, about, sentence) as a grower calls its terms.

    The curve of age and the intercept answer no question here; their degrees of freedom are not spoken of.
    """
    out = []
    for row in check.to_dict("records"):
        term, rests = row.get("about", ""), " rests on about "
        if row.get("doubt") == "few degrees of freedom":
            if term != "(Intercept)" and not term.startswith("spline"):
                out.append(f"The effect of {about(term)}{rests}{row['sentence'].partition(rests)[2]}")
        else:
            out.append(capital(row["sentence"].replace("patch_season", "patch in a season")))
    return pd.Series(list(dict.fromkeys(out)), dtype=object)


def little_to_go_by(n_rows: pd.Series, *, group: str = "growers", fewest: int = 4) -> pd.Series:
    """How many levels have so few stretches of gain that their shift says little; nothing where none has."""
    few = int((n_rows < fewest).sum())
    said = (f"{capital(count_words(few))} of {len(n_rows)} {group} {'has' if few == 1 else 'have'} fewer than {fewest} "
            "stretches of gain: what is said of them is mostly the club's middle.")
    return pd.Series([said] if few else [], dtype=object)


def pairs_told(pairs: pd.DataFrame) -> pd.Series:
    """How many pairs can be told apart, from :func:`patchstats.ranking.pairs`."""
    return pd.Series([f"Of {len(pairs):,} pairs, {count_words(int(pairs['told_apart'].sum()))} can be told apart when "
                      "all are asked at once (Holm's method)."] if len(pairs) else [], dtype=object)


def leans_on(without: pd.DataFrame) -> pd.Series:
    """On which grower and season the effects lean most.

    ``without``: group, left_out, term, moved [standard errors], see :func:`patchstats.robustness.leave_one_out`.
    """
    worst = without.loc[without["moved"].abs().groupby(without["group"]).idxmax()]
    return pd.Series([f"Leaving out {row.left_out} moves the effect of {about(row.term)} most of all {row.group}s: by "
                      f"{abs(row.moved):.1f} of its standard errors." for row in worst.itertuples()], dtype=object)


def gaps_filled(table: pd.DataFrame, per: dict[str, float], *, column: str = "pace_percent",
                shown: Shown = IMPERIAL) -> pd.Series:
    """What multiple imputation of the gaps says beside complete cases, a sentence an effect.

    ``table`` as :func:`patchstats.robustness.imputed` gives it; ``per``: term and how much of it is asked.
    """
    out = []
    for term, amount in per.items():
        row = table.loc[term]
        whole, filled = amount * row["complete"], amount * row["imputed"]
        ends = [amount * row[c] for c in ("complete_low", "complete_high", "imputed_low", "imputed_high")]
        number = speaker(column, shown, places_for(ends[0], ends[1], column, shown))
        sign = display_of(column, shown).unit
        unit = sign if sign == "%" else f" {sign}"
        out.append(f"Effect of {about(term)} from the {int(row['complete_rows']):,} rows without gaps: "
                   f"{signed(whole, number)}{unit} ({signed(ends[0], number)} to {signed(ends[1], number)}); from "
                   f"{int(row['imputed_rows']):,} rows with their gaps filled in many times over: "
                   f"{signed(filled, number)}{unit} ({signed(ends[2], number)} to {signed(ends[3], number)}).")
    return pd.Series(out, dtype=object)
