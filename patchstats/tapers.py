"""Tapers: how closely each member's tape repeats, told kindly.

Two witnesses. A day taped twice shows the tape's scatter directly. And a fruit's own roughness shows it through the
growth: three neighbouring tapings, the middle one held against the line through the other two, whose scatter under an
even curve is that of the tape alone (Gasser, Sroka and Jennen-Steinmetz 1986, Biometrika 73:625-633). Roughness also
holds the fruit's own unevenness from day to day, so it overstates the tape a little, for everyone alike; it is used
only where the days are close and the fruit no longer bends.

Few tapings say little of a scatter, so each member's is drawn towards the club's middle by as much as its own evidence
is thin: variances as scaled chi-squares about a common one (Smyth 2004, Stat. Appl. Genet. Mol. Biol. 3:3, section 6).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.special import digamma, polygamma
from scipy.stats import chi2

from patchstats.remarks import PatchstatsError
from patchstats.tables import table_of
from patchstats.tape import over_the_top_total_cm
from patchstats.tapings import settle
from patchstats.units import IMPERIAL, Shown, say

LONGEST_STEP_DAYS = 4.0  # between neighbouring tapings, for roughness
WORTH_A_WORD = 1.2  # less beside the club's middle is not worth a member's while: common practice, no source
YOUNGEST_DAYS = 60.0  # 91 % of the inches are grown by then (Holland, N.E.P.G.A. Newsletter, June 1993)


def tape_scatter(club, *, level: float = 0.9, as_of=None) -> pd.DataFrame:
    """How each member's tape scatters: the standard deviation of one over-the-top total [cm], one row a grower.

    Columns: ``doubled`` days taped twice or more; ``neighbours`` triples of close tapings; ``tape_cm_sd``, the pooled
    scatter of both witnesses, with ``raw_tape_cm_sd`` before it is drawn towards the club's middle; ``tape_cm_sd_low``
    and ``tape_cm_sd_high`` at ``level``; ``df``, degrees of freedom; ``club_cm_sd``, the club's middle. Growers without
    either witness have no row. A logged slip is no scatter and is left out. Sorted by grower.

    >>> from patchstats.tables import conform
    >>> fruits = conform("fruits", pd.DataFrame({"fruit": ["Ana/2021/A"], "grower": "Ana", "season": 2021,
    ...                                          "set_date": "2021-07-01"}))
    >>> readings = conform("readings", pd.DataFrame({
    ...     "fruit": "Ana/2021/A", "date": ["2021-08-05", "2021-08-05", "2021-08-08", "2021-08-08"],
    ...     "over_the_top_cm": [762.0, 764.0, 788.0, 786.0]}))
    >>> tape_scatter({"fruits": fruits, "readings": readings})[["doubled", "tape_cm_sd"]].round(2).values.tolist()
    [[2.0, 1.41]]
    """
    if not 0.0 < level < 1.0:
        raise PatchstatsError(f"The level must lie between 0 and 1, such as 0.9; it was {level}.")
    doubled, rough = _doubled(club, as_of), _rough(club, as_of)
    parts = pd.concat([p for p in (doubled, rough) if len(p)] or [doubled], ignore_index=True)
    if parts.empty:
        return pd.DataFrame(columns=["doubled", "neighbours", "tape_cm_sd", "raw_tape_cm_sd", "tape_cm_sd_low",
                                     "tape_cm_sd_high", "df", "club_cm_sd"]).rename_axis("grower")
    out = parts.groupby("grower").agg(squares=("squares", "sum"), df=("df", "sum"))
    out["doubled"] = doubled.groupby("grower").size().reindex(out.index, fill_value=0)
    out["neighbours"] = rough.groupby("grower")["triples"].sum().reindex(out.index, fill_value=0).astype(int)
    variance = (out["squares"] / out["df"]).to_numpy()
    df = out["df"].to_numpy(float)
    common, weight = common_variance(variance, df)
    # Half the members' variances, common * weight / chi-squared, lie below that of the chi-squared's median.
    middle = common * weight / chi2.median(weight) if np.isfinite(weight) else common
    weight = min(weight, df.sum())  # the club's middle is no surer than all its tapings together
    drawn = (weight * common + df * variance) / (weight + df)
    total = df + weight
    out["tape_cm_sd"] = np.sqrt(drawn)
    out["raw_tape_cm_sd"] = np.sqrt(variance)
    out["tape_cm_sd_low"] = np.sqrt(drawn * total / chi2.ppf(0.5 + level / 2.0, total))
    out["tape_cm_sd_high"] = np.sqrt(drawn * total / chi2.ppf(0.5 - level / 2.0, total))
    out["club_cm_sd"] = np.sqrt(middle)
    return out[["doubled", "neighbours", "tape_cm_sd", "raw_tape_cm_sd", "tape_cm_sd_low", "tape_cm_sd_high", "df",
                "club_cm_sd"]]


def common_variance(variance: np.ndarray, df: np.ndarray) -> tuple[float, float]:
    """The common variance and the degrees of freedom that it is worth, from sample variances with ``df`` each.

    Smyth 2004, section 6.2: with ``e = log(variance) - digamma(df/2) + log(df/2)``, the mean of e gives the common
    variance and its spread beyond that of chi-squares the weight, which is infinite where there is no such spread.

    >>> common_variance(np.array([2.0, 2.0, 2.0]), np.array([5.0, 5.0, 5.0]))
    (2.0, inf)
    """
    good = (variance > 0) & (df > 0)
    variance, df = variance[good], df[good]
    if len(variance) == 0:
        return np.nan, np.inf
    e = np.log(variance) - digamma(df / 2.0) + np.log(df / 2.0)
    spread = float(np.mean((e - e.mean()) ** 2 * len(e) / max(len(e) - 1, 1) - polygamma(1, df / 2.0)))
    if len(e) < 3 or spread <= 1e-8:
        return float(np.sum(variance * df) / df.sum()), np.inf
    half = brentq(lambda h: polygamma(1, h) - spread, 1e-6, 1e9)
    return float(np.exp(e.mean() + digamma(half) - np.log(half))), 2.0 * float(half)


def _doubled(club, as_of) -> pd.DataFrame:
    """Sum of squares within each day taped more than once: grower, squares, df."""
    readings, fruits = table_of(club, "readings"), table_of(club, "fruits").drop_duplicates("fruit")
    if as_of is not None:
        readings = readings[readings["date"] <= pd.Timestamp(as_of)]
    three = over_the_top_total_cm(readings["circumference_cm"], readings["side_to_side_cm"],
                                  readings["stem_to_blossom_cm"])
    total = three.where(three.notna(), readings["over_the_top_cm"])
    frame = pd.DataFrame({"fruit": readings["fruit"], "date": readings["date"], "total": total}).dropna()
    days = frame.groupby(["fruit", "date"])["total"].agg(["size", "var", "mean"]).reset_index()
    # Two readings ten standard deviations of a poor tape apart are a slip of one of them, not its scatter.
    days = days[(days["size"] > 1) & (np.sqrt(days["var"]) < 0.03 * days["mean"])]
    grower = days["fruit"].map(fruits.set_index("fruit")["grower"])
    return pd.DataFrame({"grower": grower, "squares": days["var"] * (days["size"] - 1), "df": days["size"] - 1.0}
                        ).dropna(subset=["grower"])


def _rough(club, as_of) -> pd.DataFrame:
    """Sum of squares of each fruit's roughness: grower, squares, df, triples.

    Neighbouring triples share tapings; with equal days their residuals correlate, so that n triples are worth about
    n / 1.94 free ones: 1 + 2 (rho_1**2 + rho_2**2) with rho = -2/3 and 1/6 (closed form for second differences).
    """
    used = settle(club, None, 1.0, as_of)
    used = used[used["used"].to_numpy(bool) & (used["relation_percent_se"].to_numpy(float) == 0.0)
                & (used["tapings"].to_numpy() == 1)]
    fruit, day, total = used["fruit"].to_numpy(), used["day"].to_numpy(float), used["over_the_top_cm"].to_numpy(float)
    if len(used) < 3:
        return pd.DataFrame(columns=["grower", "squares", "df", "triples"])
    before, after = day[1:-1] - day[:-2], day[2:] - day[1:-1]
    close = ((fruit[:-2] == fruit[2:]) & (before <= LONGEST_STEP_DAYS) & (after <= LONGEST_STEP_DAYS)
             & (day[:-2] >= YOUNGEST_DAYS))
    with np.errstate(divide="ignore", invalid="ignore"):
        a, b = after / (before + after), before / (before + after)
        off = (a * total[:-2] + b * total[2:] - total[1:-1]) ** 2 / (a**2 + b**2 + 1.0)
    frame = pd.DataFrame({"fruit": fruit[1:-1][close], "off": off[close]})
    rows = frame.groupby("fruit")["off"].agg(["sum", "size"]).reset_index()
    rows = rows[rows["size"] >= 3]
    correlation = 1.0 + 2.0 * ((2.0 / 3.0) ** 2 + (1.0 / 6.0) ** 2)
    fruits = table_of(club, "fruits").drop_duplicates("fruit").set_index("fruit")
    df = rows["size"] / correlation
    return pd.DataFrame({"grower": rows["fruit"].map(fruits["grower"]), "squares": rows["sum"] / correlation, "df": df,
                         "triples": rows["size"]}).dropna(subset=["grower"])


def tape_errors(club, *, as_of=None) -> pd.Series:
    """Each grower's tape error [cm] as ``tape_se_cm`` of :func:`patchstats.gains.daily_gains` takes it.

    >>> from patchstats.tables import conform
    >>> fruits = conform("fruits", pd.DataFrame({"fruit": ["Ana/2021/A"], "grower": "Ana", "season": 2021,
    ...                                          "set_date": "2021-07-01"}))
    >>> readings = conform("readings", pd.DataFrame({
    ...     "fruit": "Ana/2021/A", "date": ["2021-08-05", "2021-08-05", "2021-08-08", "2021-08-08"],
    ...     "over_the_top_cm": [762.0, 764.0, 788.0, 786.0]}))
    >>> tape_errors({"fruits": fruits, "readings": readings}).round(2).to_dict()
    {'Ana': 1.41}
    """
    return tape_scatter(club, as_of=as_of)["tape_cm_sd"].rename("tape_se_cm")


def tape_words(scatter: pd.DataFrame, *, shown: Shown = IMPERIAL) -> pd.Series:
    """What to tell each member of their tape, kindly: one sentence or two a grower, in the club's units.

    ``scatter`` as :func:`tape_scatter` gives it. Only a scatter that surely lies above the club's middle (its whole
    interval does), and by a fifth at least, is met with advice; one as far below is met with praise.

    >>> row = {"tape_cm_sd": 2.0, "tape_cm_sd_low": 1.8, "tape_cm_sd_high": 2.3, "club_cm_sd": 1.3}
    >>> tape_words(pd.DataFrame([row], index=["Ana"]))["Ana"].split(". ")[0]
    "Your tape scatters 0.8 in (0.7 in to 0.9 in); the club's middle is 0.5 in"
    """
    def words(row) -> str:
        own, low, high, middle = (say(row[c], "tape_cm", shown, decimals=1) for c in (
            "tape_cm_sd", "tape_cm_sd_low", "tape_cm_sd_high", "club_cm_sd"))
        told = f"Your tape scatters {own} ({low} to {high}); the club's middle is {middle}."
        beside = row["tape_cm_sd"] / row["club_cm_sd"]
        if row["tape_cm_sd_low"] > row["club_cm_sd"] and beside > WORTH_A_WORD:
            return told + " Taping twice a day, and writing both down, brings the mean of the two nearer the fruit."
        if row["tape_cm_sd_high"] < row["club_cm_sd"] and beside < 1.0 / WORTH_A_WORD:
            return told + " Others could learn from how you tape."
        return told

    return pd.Series({grower: words(row) for grower, row in scatter.iterrows()}, dtype=object, name="tape").rename_axis(
        "grower")
