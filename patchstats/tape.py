"""Tape: from the over-the-top measures of a fruit to its weight, by the published tables, with the error carried.

The measures, as the trade defines them (Arizona Giant Pumpkin Growers, *How To Measure Giant Pumpkins*; Maine
Pumpkin Growers Organization, *Estimating Weight*, 2004):

* *circumference*: the largest one near stem and blossom level, not always parallel to the ground. Older texts ask
  for the mid girth parallel to the ground; the two differ, so a log should say which it means.
* *side to side*: ground to ground over the highest point, square to the stem-blossom line. The tape falls straight
  down from the widest edge; it never follows the curve under the fruit.
* *stem to blossom*: ground below the stem end, over the top, to ground below the blossom end, again straight down.
* *over the top*: the sum of the three.

Each published table keeps the paper's own units, inches and pounds, so that it can be held against the page; all else
is metric. A fruit heavier than its table is positive ("heavy"), a lighter one negative: :func:`percent_to_chart`.

Two errors, kept apart, because only one of them shrinks with more taping: ``mass_kg_se`` is the tape's error through
the table's slope; ``mass_kg_low`` and ``mass_kg_high`` add the scatter of fruit about the table, 9 % or so, which no
tape can see (wall, cavity, shape). It was measured on weigh-off tapings, so an ordinary tape error is in it already
and the interval errs, by a hair, on the wide side.

Outside its range a table gives no weight: the answer is empty and flagged. Nobody should plan a lift on a weight from
the tape: one fruit in forty is heavier than its table by a fifth.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Protocol, TextIO

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from patchstats.remarks import OutOfRangeError, PatchstatsError
from patchstats.units import cm_to_inches, inches_to_cm, kg_to_lb, lb_to_kg

# Half an inch on the total, about what careful members repeat to: common practice, no source. Half an inch on each of
# three measures is 0.87 in on the total (over_the_top_se_cm); what a club repeats to is in tapers.tape_errors.
TAPE_SE_CM = 1.27


def over_the_top_total_cm(circumference_cm, side_to_side_cm, stem_to_blossom_cm):
    """The over-the-top total [cm]: the sum of the three measures [cm]; missing where one is missing.

    >>> over_the_top_total_cm(304.8, 195.58, 193.04)
    693.42
    """
    return circumference_cm + side_to_side_cm + stem_to_blossom_cm


def over_the_top_se_cm(circumference_se_cm, side_to_side_se_cm=None, stem_to_blossom_se_cm=None):
    """Standard error of the total [cm] from that of each measure [cm], taken as independent.

    With one value given, it holds for all three. Errors add by their squares (closed form): a ``tape_se_cm``.

    >>> float(over_the_top_se_cm(1.0).round(3))
    1.732
    """
    second = circumference_se_cm if side_to_side_se_cm is None else side_to_side_se_cm
    third = circumference_se_cm if stem_to_blossom_se_cm is None else stem_to_blossom_se_cm
    return np.sqrt(np.square(circumference_se_cm) + np.square(second) + np.square(third))


class Relation(Protocol):
    """What turns inches into pounds inside a table: an equation or printed points."""

    def weight_lb(self, inches: NDArray) -> NDArray: ...

    def slope_lb_inch(self, inches: NDArray) -> NDArray: ...


@dataclass(frozen=True)
class Equation:
    """``factor * ((top / (1 + b * 2**(-x / halving)))**3 + coefficient * x**power + constant)``, x in inches."""

    factor: float = 1.0
    top: float = 0.0
    b: float = 0.0
    halving: float = 1.0
    coefficient: float = 0.0
    power: float = 1.0
    constant: float = 0.0

    def weight_lb(self, inches: NDArray) -> NDArray:
        cube = (self.top / (1.0 + self.b * 2.0 ** (-inches / self.halving))) ** 3
        return self.factor * (cube + self.coefficient * inches**self.power + self.constant)

    def slope_lb_inch(self, inches: NDArray) -> NDArray:
        decay = self.b * 2.0 ** (-inches / self.halving)
        cube = 3.0 * self.top**3 * decay * np.log(2.0) / self.halving / (1.0 + decay) ** 4
        return self.factor * (cube + self.coefficient * self.power * inches ** (self.power - 1.0))


@dataclass(frozen=True)
class Points:
    """Printed pairs of inches and pounds, joined by a curve that never turns back (monotone cubic)."""

    inches: tuple[float, ...]
    pounds: tuple[float, ...]

    def _curve(self):
        from scipy.interpolate import PchipInterpolator  # here, since few clubs have a table of their own

        return PchipInterpolator(self.inches, self.pounds)

    def weight_lb(self, inches: NDArray) -> NDArray:
        return self._curve()(inches)

    def slope_lb_inch(self, inches: NDArray) -> NDArray:
        return self._curve()(inches, nu=1)


@dataclass(frozen=True)
class WeightTable:
    """A published relation between inches and pounds, and what is known of it.

    ``scatter`` holds (inches, percent) pairs: the standard deviation of scale weight about the table, read off
    between the pairs and held level beyond them. ``seasons`` are the years whose weigh-offs used the table.
    """

    name: str
    measure: str  # "over the top" or "circumference"
    kinds: tuple[str, ...]
    seasons: tuple[int, int]
    low_inches: float
    high_inches: float
    relation: Relation = field(repr=False)
    scatter: tuple[tuple[float, float], ...] = field(repr=False)
    source: str = field(repr=False)
    no_good_for: str = field(repr=False)

    def weight_lb(self, inches: ArrayLike) -> NDArray:
        """Pounds at inches, by the relation as it stands; the range is the caller's to mind."""
        return self.relation.weight_lb(np.asarray(inches, dtype=float))

    def slope_lb_inch(self, inches: ArrayLike) -> NDArray:
        """Pounds per inch at inches."""
        return self.relation.slope_lb_inch(np.asarray(inches, dtype=float))

    def scatter_percent(self, inches: ArrayLike) -> NDArray:
        """Standard deviation of scale weight about the table, in percent, at inches."""
        at, percent = np.array(self.scatter).T
        return np.interp(np.asarray(inches, dtype=float), at, percent)


_RESULTS = ("fitted to recorded chart values in: Giant Pumpkins, R4DS TidyTuesday 2021-10-19 (sanctioned weigh-off "
            "results 2013-21, 28,011 entries)")
_SHAPES = "unusually tall, flat, long or short fruit"
# Class P, 2017-21, 7,201 fruit, percent to chart by size, in bins of 50 in (the last 450-530), placed at their middles.
_SCATTER_BY_SIZE = ((175.0, 12.2), (225.0, 9.9), (275.0, 9.7), (325.0, 9.1), (375.0, 8.2), (425.0, 7.6), (490.0, 6.2))

_PUBLISHED = (
    WeightTable(
        "pumpkin 2017-21", "over the top", ("pumpkin", "squash"), (2017, 2021), 75.0, 517.0,
        Equation(0.993, 14.2, 7.3, 96.0, 51.0**-2.91, 2.91, -8.0), _SCATTER_BY_SIZE,
        f"constants from memory, factor 0.993 {_RESULTS}; 86 % of 7,000 rows within 0.6 lb, half an inch allowed",
        f"{_SHAPES}; under 75 in",
    ),
    WeightTable(
        "pumpkin 2013-16", "over the top", ("pumpkin", "squash"), (2013, 2016), 134.0, 475.0,
        Equation(1.0, 15.6197, 7.3504, 96.1801), _SCATTER_BY_SIZE,
        f"reconstructed, not seen in print; {_RESULTS}; 92 % of 6,570 rows within 1 lb, half an inch allowed; "
        "scatter taken from the table of 2017-21",
        f"{_SHAPES}; under 134 in, where no recorded pair was held against it",
    ),
    WeightTable(
        "field pumpkin 2013-21", "over the top", ("field pumpkin",), (2013, 2021), 77.0, 222.0,
        Equation(coefficient=2.014e-5, power=3.005), ((150.0, 11.6),),
        f"{_RESULTS}; 90 % of chart values to the pound", f"{_SHAPES}; fruit ran 2.7 % heavy to it on average",
    ),
    WeightTable(
        "watermelon 2013-21", "over the top", ("watermelon",), (2013, 2021), 86.0, 237.0,
        Equation(coefficient=8.326e-5, power=2.7943, constant=-1.20), ((150.0, 7.8),),
        f"{_RESULTS}; 67 % of chart values to the pound, none more than 1.5 lb off", _SHAPES,
    ),
    # The scatter is that of a normal error which keeps 54 % of fruit within 10 %: 10 / 0.7388.
    WeightTable(
        "circumference 2005-11", "circumference", ("pumpkin",), (2005, 2011), 37.0, 162.0,
        Equation(coefficient=0.00298, power=2.480), ((100.0, 13.5),),
        "fitted to single points of the tables of 2005-11 as growers quoted them; Stellpflug and Martin, Weight "
        "tables, Jan 2005, give 54 % of fruit within 10 %",
        "a weight to rely on: it serves day-to-day increases; late in the season a fruit may widen without rising",
    ),
)

TABLES: Mapping[str, WeightTable] = MappingProxyType({t.name: t for t in _PUBLISHED})

# Single points of the over-the-top table of January 2005, for comparison (Stellpflug and Martin; 181 in: a grower's
# post of 23 Aug 2007; 202 in: UC Master Gardener post, 28 Jul 2008; 441 in, "more than 1,770": Warren 2007). Fruit of
# 2003-04 were about 3 % heavier for their size than those of 2001-02.
POINTS_2005 = ((91.0, 21.0), (181.0, 132.0), (202.0, 184.0), (441.0, 1770.0))

_UNTAPED = {
    "long gourd": "A long gourd is judged by its length in inches; there is no weight table for it.",
    "tomato": "A tomato goes straight to the scale in pounds; there is no weight table for it.",
}


def table_for(season: int, kind: str = "pumpkin") -> WeightTable:
    """The over-the-top table that weigh-offs of ``season`` used for a ``kind`` of fruit.

    A season after 2021 gets the newest table, since no later change of the table is known here; name a table of
    your own where there is one. Raises :class:`OutOfRangeError` for a season before 2013, whose tables are known
    by single points only, and :class:`PatchstatsError` for a kind that has no table.

    >>> table_for(2015).name, table_for(2021, "squash").name
    ('pumpkin 2013-16', 'pumpkin 2017-21')
    """
    if kind in _UNTAPED:
        raise PatchstatsError(_UNTAPED[kind])
    candidates = [t for t in _PUBLISHED if t.measure == "over the top" and kind in t.kinds]
    if not candidates:
        known = sorted({k for t in _PUBLISHED for k in t.kinds})
        raise PatchstatsError(f"There is no weight table for {kind!r}; tables are held for {', '.join(known)}.")
    for table in candidates:
        if table.seasons[0] <= season <= table.seasons[1]:
            return table
    newest = max(candidates, key=lambda t: t.seasons[1])
    if season > newest.seasons[1]:
        return newest
    raise OutOfRangeError(
        f"No whole weight table is held for the season {season}; the first is of 2013. Name the table to use: the "
        "year of the table changes a weight by 3 to 6 %."
    )


def table_named(table: WeightTable | str) -> WeightTable:
    """The table itself, or the published one of that name; raises with the names that exist.

    >>> table_named("watermelon 2013-21").seasons
    (2013, 2021)
    """
    if isinstance(table, WeightTable):
        return table
    try:
        return TABLES[table]
    except KeyError:
        raise PatchstatsError(f"There is no weight table {table!r}; the tables are {', '.join(TABLES)}.") from None


def weight_tables() -> pd.DataFrame:
    """The published tables, one row each: name, measure, kinds, seasons, range, scatter, source, no good for.

    >>> weight_tables()["table"].iloc[0]
    'pumpkin 2017-21'
    """
    rows = [
        (t.name, t.measure, ", ".join(t.kinds), *t.seasons, inches_to_cm(t.low_inches), inches_to_cm(t.high_inches),
         max(p for _, p in t.scatter), min(p for _, p in t.scatter), t.source, t.no_good_for)
        for t in _PUBLISHED
    ]
    return pd.DataFrame(rows, columns=[
        "table", "measure", "kinds", "first_season", "last_season", "tape_cm_low", "tape_cm_high",
        "scatter_percent_small", "scatter_percent_large", "source", "no_good_for"])


OUTSIDE = ("blank", "keep", "refuse")


def mass_from_tape(over_the_top_cm: ArrayLike, *, table: WeightTable | str = "pumpkin 2017-21",
                   tape_se_cm: ArrayLike = TAPE_SE_CM, level: float = 0.9, outside: str = "blank") -> pd.DataFrame:
    """Weight from the over-the-top total, by one table.

    ``over_the_top_cm`` [cm] and the total's standard error ``tape_se_cm`` [cm] are numbers, arrays or Series; the
    result has one row each and a Series keeps its index. ``outside`` says what befalls a total beyond the table's
    range: "blank" leaves it empty, "keep" computes it all the same, "refuse" raises :class:`OutOfRangeError`;
    ``flag`` names it in every case.

    Columns: ``over_the_top_cm``; ``mass_kg``; ``mass_kg_se`` from the tape alone (first order, through the slope);
    ``mass_kg_low`` and ``mass_kg_high``, between which the scale weight lies at ``level``, tape and scatter of
    fruit together, normal in percent; ``table``; ``flag``: "", "no reading", "below the table" or "above the table".

    >>> mass_from_tape([762.0], table="pumpkin 2017-21")[["mass_kg", "mass_kg_low", "mass_kg_high"]].round(0).values
    array([[283., 239., 326.]])
    """
    chosen = table_named(table)
    if chosen.measure != "over the top":
        raise PatchstatsError(f"The table {chosen.name!r} reads a {chosen.measure}, not an over-the-top total.")
    return _mass(over_the_top_cm, "over_the_top_cm", chosen, tape_se_cm, level, outside)


def mass_from_circumference(circumference_cm: ArrayLike, *, table: WeightTable | str = "circumference 2005-11",
                            tape_se_cm: ArrayLike = TAPE_SE_CM, level: float = 0.9,
                            outside: str = "blank") -> pd.DataFrame:
    """Weight from the circumference alone: rougher than the total, see :func:`mass_from_tape` for the columns.

    >>> mass_from_circumference([254.0])["mass_kg"].round(0).tolist()
    [123.0]
    """
    chosen = table_named(table)
    if chosen.measure != "circumference":
        raise PatchstatsError(f"The table {chosen.name!r} reads an {chosen.measure} total, not a circumference.")
    return _mass(circumference_cm, "circumference_cm", chosen, tape_se_cm, level, outside)


def _mass(tape_cm: ArrayLike, column: str, table: WeightTable, tape_se_cm: ArrayLike, level: float,
          outside: str) -> pd.DataFrame:
    if not 0.0 < level < 1.0:
        raise PatchstatsError(f"The level must lie between 0 and 1, such as 0.9; it was {level}.")
    if outside not in OUTSIDE:
        raise PatchstatsError(f"A total outside the table can be {', '.join(OUTSIDE)}; {outside!r} is none of them.")
    index = tape_cm.index if isinstance(tape_cm, pd.Series) else None
    inches = np.atleast_1d(np.asarray(cm_to_inches(np.asarray(tape_cm, dtype=float))))
    inches = np.where(inches > 0.0, inches, np.nan)  # results lists write 0 for a fruit that was not taped
    flag = np.select([np.isnan(inches), inches < table.low_inches, inches > table.high_inches],
                     ["no reading", "below the table", "above the table"], default="").astype(object)
    beyond = (inches < table.low_inches) | (inches > table.high_inches)
    if outside == "refuse" and beyond.any():
        raise OutOfRangeError(
            f"{int(beyond.sum())} tape total(s) lie outside the table {table.name!r}, which runs from "
            f"{table.low_inches:g} to {table.high_inches:g} in; the first is {inches[beyond][0]:.1f} in.")
    usable = np.where(beyond, np.nan, inches) if outside == "blank" else inches
    mass = np.maximum(lb_to_kg(table.weight_lb(usable)), 0.0)
    se = lb_to_kg(table.slope_lb_inch(usable)) * cm_to_inches(np.asarray(tape_se_cm, dtype=float))
    half = ndtri(0.5 + level / 2.0) * np.hypot(se, mass * table.scatter_percent(usable) / 100.0)
    return pd.DataFrame({
        column: inches_to_cm(inches), "mass_kg": mass, "mass_kg_se": se,
        "mass_kg_low": np.maximum(mass - half, 0.0), "mass_kg_high": mass + half,
        "table": table.name, "flag": flag}, index=index)


def slope_kg_cm(over_the_top_cm: ArrayLike, *, table: WeightTable | str = "pumpkin 2017-21") -> NDArray:
    """How much a centimetre more of tape adds to the weight [kg per cm] at a total [cm]; empty outside the table.

    >>> slope_kg_cm([762.0]).round(2)
    array([1.11])
    """
    chosen = table_named(table)
    inches = cm_to_inches(np.asarray(over_the_top_cm, dtype=float))
    inside = (inches >= chosen.low_inches) & (inches <= chosen.high_inches)
    return cm_to_inches(lb_to_kg(chosen.slope_lb_inch(np.where(inside, inches, np.nan))))


def tape_for_mass_cm(mass_kg: ArrayLike, *, table: WeightTable | str = "pumpkin 2017-21") -> NDArray:
    """The tape [cm] at which the table gives a weight [kg]: the inverse of the table, empty outside its range.

    Found by halving, which a table that always rises cannot mislead.

    >>> tape_for_mass_cm([282.8]).round(0)
    array([762.])
    """
    chosen = table_named(table)
    pounds = kg_to_lb(np.asarray(mass_kg, dtype=float))
    low = np.full(pounds.shape, chosen.low_inches)
    high = np.full(pounds.shape, chosen.high_inches)
    inside = (pounds >= chosen.weight_lb(low)) & (pounds <= chosen.weight_lb(high))
    for _ in range(60):  # 500 in halved 60 times is below the spacing of floating-point numbers
        middle = 0.5 * (low + high)
        short = chosen.weight_lb(middle) < pounds
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return np.where(inside, inches_to_cm(0.5 * (low + high)), np.nan)


def percent_to_chart(scale_kg, table_kg):
    """How heavy a fruit went to its chart [percent]: ``100 * (scale / table - 1)``, heavy positive, light negative.

    The trade also says "the estimate was light" of a fruit that went heavy; here the sign is always the fruit's.

    >>> round(percent_to_chart(2702.9, 2553.0), 1)
    5.9
    """
    return 100.0 * (scale_kg / table_kg - 1.0)


def table_from_csv(path: str | Path | TextIO, *, name: str, source: str, kinds: Sequence[str] = ("pumpkin",),
                   seasons: tuple[int, int] = (1950, 2100), measure: str = "over the top",
                   scatter_percent: float = 9.3, no_good_for: str = _SHAPES) -> WeightTable:
    """A club's own table from a CSV file (its path, or the file opened) with the columns ``inches`` and ``pounds``.

    Lines with # are comments. The points are joined by a monotone cubic, never drawn out past their ends.
    ``scatter_percent`` is the standard deviation of fruit about the table; 9.3 is that of class P, 2017-21. Raises
    :class:`PatchstatsError` for a file without these columns, with fewer than 3 points, or that does not rise.

    >>> from io import StringIO
    >>> ours = table_from_csv(StringIO("inches,pounds\\n200,186\\n250,360\\n300,623\\n"), name="ours", source="us")
    >>> ours.weight_lb(300.0).tolist()
    623.0
    """
    try:
        frame = pd.read_csv(path, comment="#", skipinitialspace=True)
    except (OSError, ValueError) as reason:
        raise PatchstatsError(f"The weight table {path} cannot be read: {reason}") from reason
    frame.columns = frame.columns.str.strip().str.lower()
    if not {"inches", "pounds"} <= set(frame.columns):
        raise PatchstatsError(f"The weight table {path} needs the columns inches and pounds.")
    pairs = frame[["inches", "pounds"]].apply(pd.to_numeric, errors="coerce")
    if pairs.isna().any(axis=None):
        line = int(pairs.isna().any(axis=1).to_numpy().argmax()) + 1
        raise PatchstatsError(f"Point {line} of the weight table {path} is not two numbers.")
    inches, pounds = pairs.sort_values("inches").to_numpy().T
    if len(inches) < 3 or np.any(np.diff(inches) <= 0) or np.any(np.diff(pounds) <= 0) or pounds[0] < 0:
        raise PatchstatsError(
            f"The weight table {path} must hold at least 3 points, each inch once, with pounds that always rise.")
    return WeightTable(name, measure, tuple(kinds), seasons, float(inches[0]), float(inches[-1]),
                       Points(tuple(inches.tolist()), tuple(pounds.tolist())),
                       ((float(inches[0]), float(scatter_percent)),), source, no_good_for)
