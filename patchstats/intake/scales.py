"""Scales: in what unit a column is written, settled by the whole column, its heading, the rest of the log and what a
fruit, a plant or the ground can be. Where two units remain possible, none is chosen.

The size of a fruit by day, in inches around, is the middle of the dated growth points of public growers' logs
(Denver 2008-2014, Northern Rockies 2008, New Mexico 2011, British Columbia 2015: day 10 about 19, day 14 35, day 22
58, day 30 100, day 40 118, day 66 145) and is used only to tell inches from centimetres, a factor of 2.54.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from patchstats.tape import mass_from_tape
from patchstats.units import to_metric

IMPERIAL_UNITS = {"in", "ft", "lb", "F", "sqft"}
METRIC_UNITS = {"cm", "mm", "m", "kg", "C", "m2"}
_DAYS = (0.0, 5.0, 10.0, 14.0, 22.0, 30.0, 40.0, 66.0, 100.0)
_INCHES_AROUND = (3.0, 9.0, 19.0, 33.0, 60.0, 92.0, 118.0, 145.0, 155.0)
# Share of the circumference: 120-77-76 of the British Columbia log.
_SHARE = {"circumference": 1.0, "side_to_side": 0.64, "stem_to_blossom": 0.63, "over_the_top": 2.27}
# Below the first, numbers are inches (in centimetres the fruit would be a third of the usual size or less); above the
# second they are centimetres (in inches it would be beyond any fruit weighed, about 260 in around).
_SURELY_INCHES, _SURELY_CM = 0.20, 0.65
_BEYOND_INCHES = 0.80  # more than twice the usual fruit: no inches, whatever else the log says


def excess(concept: str, values: Sequence[float], days: Sequence[float]) -> list[float]:
    """How far numbers taken as inches stand above the usual fruit of that day, as natural logarithms."""
    return [math.log(v / (_SHARE[concept] * float(np.interp(max(d, 1.0), _DAYS, _INCHES_AROUND))))
            for v, d in zip(values, days, strict=True) if v > 0]


def unlikely(unit: str, excesses: Sequence[float]) -> str:
    """The unit that the numbers look like when that of their heading makes no fruit of them, "" when it does.

    ``excesses`` are those of the numbers as inches. Inches beyond any fruit are centimetres; centimetres a third of
    the usual fruit, which as inches would be an ordinary one, are inches.
    """
    middle = float(np.median(excesses))
    if unit == "in" and middle > _BEYOND_INCHES:
        return "cm"
    return "in" if unit == "cm" and abs(middle) < _SURELY_INCHES else ""


@dataclass
class Company:
    """What the rest of a log says of its units: counts of cells, headings and facts in either system."""

    imperial: int = 0
    metric: int = 0
    stated: str = ""  # the unit that a line on top names, "" if none
    fractions: int = 0
    custom: str = ""  # an answer: "in" or "cm"
    excesses: list[float] = field(default_factory=list)
    by_size: set[str] = field(default_factory=set)  # systems of the columns whose size alone settles their unit
    paired: dict[str, str] = field(default_factory=dict)  # "length" and "mass" as the weights beside the tapes say

    def hear(self, unit: str, weight: int = 1) -> None:
        if unit in IMPERIAL_UNITS:
            self.imperial += weight
        elif unit in METRIC_UNITS:
            self.metric += weight

    @property
    def system(self) -> str:
        """"imperial", "metric" or "" when the log names no unit or names both."""
        if self.imperial and not self.metric:
            return "imperial"
        if self.metric and not self.imperial:
            return "metric"
        return ""

    def length(self) -> tuple[str, str, str]:
        """The unit of tapes that name none: (unit or "", how it was settled, why in words)."""
        if self.stated in ("in", "cm", "mm", "m", "ft"):
            return self.stated, "stated", "a line on top says so"
        if self.custom:
            return self.custom, "stated", "the writer or the club says so"
        middle = float(np.median(self.excesses)) if self.excesses else math.nan
        if self.fractions and not middle > _BEYOND_INCHES:
            return "in", "unit-by-company", "its numbers are written with fractions"
        if "length" in self.paired:
            return self.paired["length"], "unit-by-size", "only so do the tapes fit the weights beside them"
        if middle < _SURELY_INCHES:
            settled = "in"
        elif middle > _SURELY_CM:
            settled = "cm"
        else:
            settled = ""
        if settled == "cm" and (self.system != "imperial" or middle > _BEYOND_INCHES):
            return "cm", "unit-by-size", "in inches the fruit would be larger than any grown"
        if self.system and not (self.system == "metric" and settled == "in" and middle < -0.9):
            unit = "in" if self.system == "imperial" else "cm"
            return unit, "unit-by-company", f"the other units of the log are {self.system}"
        if settled == "in":
            return "in", "unit-by-size", "in centimetres the fruit would be far smaller than any entry"
        return "", "", ""

    def other(self, kind: str, values: Sequence[float]) -> tuple[str, str, str]:
        """The unit of a column without one that is no fruit's length: vine, mass, temperature, area, rain, depth."""
        size = float(np.median(np.abs(values))) if len(values) else math.nan
        if kind in self.paired:
            return self.paired[kind], "unit-by-size", "only so do the weights fit the tapes beside them"
        told = {"in": "imperial", "cm": "metric"}.get(self.custom or self.stated, "")
        sized = next(iter(self.by_size)) if len(self.by_size) == 1 else ""
        system = self.system or told or sized
        why = f"the other units of the log are {self.system}" if self.system else "the rest of the log is"
        if kind == "temperature":
            if self.stated in ("F", "C"):
                return self.stated, "stated", ""
            if size > 45:
                return "F", "unit-by-size", "in Celsius nothing would live"
            if size < 33:
                return "C", "unit-by-size", "in Fahrenheit the ground would be frozen"
            return ("F" if system == "imperial" else "C", "unit-by-company", why) if system else ("", "", "")
        if kind == "vine":
            if system == "imperial" or self.fractions:
                return ("ft" if size < 45 else "in"), "unit-by-company", why if system else "of the fractions"
            if system == "metric":
                return ("m" if size < 15 else "cm"), "unit-by-company", why
            if size > 45:
                return ("cm", "unit-by-size", "in inches or feet no vine is so long") if size > 300 else ("", "", "")
            if size > 20:
                return "ft", "unit-by-size", "in metres no vine is so long"
            return "", "", ""
        choices = {"mass": ("lb", "kg"), "area": ("sqft", "m2"), "rain": ("in", "mm"), "depth": ("in", "cm")}[kind]
        if kind == "rain" and len(values) and max(values) > 12:
            return "mm", "unit-by-size", "in inches it would have been a flood"
        if system:
            return choices[0] if system == "imperial" else choices[1], "unit-by-company", why
        return "", "", ""


def paired_units(
    weights: Sequence[float], totals: Sequence[float], weight_unit: str, total_unit: str
) -> dict[str, str]:
    """The units under which weights fit the over-the-top totals beside them by the published table, if only one pair
    of units does; a unit that is known ("" when it is not) is kept to.

    A weight within a third of its table is a fit: the table's own error is 9 % (weigh-offs 2017-21).
    """
    fits = []
    for mass, length in itertools.product((weight_unit,) if weight_unit else ("lb", "kg"),
                                          (total_unit,) if total_unit else ("in", "cm")):
        table = np.asarray(mass_from_tape([to_metric(t, length)[0] for t in totals])["mass_kg"], dtype=float)
        written = np.array([to_metric(w, mass)[0] for w in weights])
        good = np.isfinite(table) & (written > 0) & (table > 0)
        if good.sum() >= max(1, 0.5 * len(good)) and np.median(np.abs(np.log(written[good] / table[good]))) < math.log(
            4 / 3
        ):
            fits.append({"mass": mass, "length": length})
    return fits[0] if len(fits) == 1 else {}


# What to ask when two units remain: kind -> the two units.
ASKED = {"length": ("in", "cm"), "vine": ("ft", "m"), "mass": ("lb", "kg"), "temperature": ("F", "C"),
         "area": ("sqft", "m2"), "rain": ("in", "mm"), "depth": ("in", "cm")}
