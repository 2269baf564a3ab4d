"""Units: the only home of conversion factors, of reading quantities as growers write them, and of showing them.

Inside the project everything is metric. Imperial units live at three doors only: reading a cell,
inside a published weight table, and showing a number. Exact factors: NIST SP 811, appendix B (the
international yard and pound agreement of 1959).

A column's name carries its unit: ``<quantity>_<unit>[_<per>][_<statistic>]``, such as ``mass_kg``,
``gain_kg_day`` or ``gain_kg_day_low``. :func:`unit_of_column` reads that grammar, and every axis label
and every displayed number is made from it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import pandas as pd

from patchstats.remarks import PatchstatsError

CM_PER_INCH = 2.54
KG_PER_LB = 0.45359237
M2_PER_SQFT = 0.09290304
CM_PER_FOOT = 30.48


def inches_to_cm(inches):
    """Inches to centimetres (exact, NIST SP 811)."""
    return inches * CM_PER_INCH


def cm_to_inches(cm):
    """Centimetres to inches (exact, NIST SP 811)."""
    return cm / CM_PER_INCH


def lb_to_kg(lb):
    """Pounds to kilograms (exact, NIST SP 811)."""
    return lb * KG_PER_LB


def kg_to_lb(kg):
    """Kilograms to pounds (exact, NIST SP 811)."""
    return kg / KG_PER_LB


def f_to_c(fahrenheit):
    """Degrees Fahrenheit to degrees Celsius, for a temperature (not for a difference)."""
    return (fahrenheit - 32.0) / 1.8


def c_to_f(celsius):
    """Degrees Celsius to degrees Fahrenheit, for a temperature (not for a difference)."""
    return celsius * 1.8 + 32.0


# What a club may choose to show. Nothing stored depends on it.
@dataclass(frozen=True)
class Shown:
    """The units that a club shows: ``length`` "in" or "cm", ``mass`` "lb" or "kg", ``temperature`` "F" or "C"."""

    length: str = "in"
    mass: str = "lb"
    temperature: str = "F"

    def __post_init__(self):
        for name, value, allowed in (
            ("length", self.length, ("in", "cm")),
            ("mass", self.mass, ("lb", "kg")),
            ("temperature", self.temperature, ("F", "C")),
        ):
            if value not in allowed:
                raise PatchstatsError(
                    f"The club's {name} unit is written as {value!r}; write {allowed[0]!r} or {allowed[1]!r}."
                )


METRIC = Shown("cm", "kg", "C")
IMPERIAL = Shown("in", "lb", "F")


@dataclass(frozen=True)
class Display:
    """How stored numbers of one column are shown: ``shown = stored * factor + offset``, with a unit and decimals."""

    factor: float
    offset: float
    unit: str
    decimals: int


_STATISTICS = ("se", "low", "high", "sd", "mean", "median")
# A stored unit, longest first, so that "kg_day" is read before "day" and "c_day" before "c".
_STORED_UNITS = ("kg_day", "cm_day", "c_day", "mj_m2", "kg", "cm", "m2", "mm", "percent", "days", "hours", "deg", "c")


def unit_of_column(column: str) -> str:
    """The stored unit that a column's name carries, or "" for a bare number, count or word.

    >>> unit_of_column("gain_kg_day_low"), unit_of_column("over_the_top_cm"), unit_of_column("secondaries")
    ('kg_day', 'cm', '')
    """
    stem = column
    for statistic in _STATISTICS:
        if stem.endswith("_" + statistic):
            stem = stem[: -len(statistic) - 1]
            break
    for unit in _STORED_UNITS:
        if stem == unit or stem.endswith("_" + unit):
            return unit
    return ""


def display_of(column: str, shown: Shown = IMPERIAL, *, difference: bool = False) -> Display:
    """How a column is shown in the club's units.

    ``difference=True`` is for a change in the quantity: a temperature difference has no offset of 32
    (1 F = 5/9 K, NIST SP 811).

    >>> display_of("soil_c"), display_of("soil_c", difference=True).offset
    (Display(factor=1.8, offset=32.0, unit='°F', decimals=0), 0.0)
    """
    unit = unit_of_column(column)
    inches = shown.length == "in"
    pounds = shown.mass == "lb"
    fahrenheit = shown.temperature == "F"
    spread = difference or column.endswith(("_se", "_sd"))
    table = {
        "kg": Display(1 / KG_PER_LB, 0.0, "lb", 0) if pounds else Display(1.0, 0.0, "kg", 0),
        "kg_day": Display(1 / KG_PER_LB, 0.0, "lb a day", 1) if pounds else Display(1.0, 0.0, "kg a day", 1),
        "cm": Display(1 / CM_PER_INCH, 0.0, "in", 1) if inches else Display(1.0, 0.0, "cm", 0),
        "cm_day": Display(1 / CM_PER_INCH, 0.0, "in a day", 2) if inches else Display(1.0, 0.0, "cm a day", 1),
        "m2": Display(1 / M2_PER_SQFT, 0.0, "sq ft", 0) if inches else Display(1.0, 0.0, "m²", 0),
        "mm": Display(0.1 / CM_PER_INCH, 0.0, "in", 2) if inches else Display(1.0, 0.0, "mm", 0),
        "c": Display(1.8, 0.0 if spread else 32.0, "°F", 0) if fahrenheit else Display(1.0, 0.0, "°C", 1),
        "c_day": Display(1.8, 0.0, "°F days", 0) if fahrenheit else Display(1.0, 0.0, "°C days", 0),
        "mj_m2": Display(1.0, 0.0, "MJ/m²", 1),
        "percent": Display(1.0, 0.0, "%", 0),
        "days": Display(1.0, 0.0, "days", 0),
        "hours": Display(1.0, 0.0, "h", 1),
        "deg": Display(1.0, 0.0, "°", 1),
    }
    return table.get(unit, Display(1.0, 0.0, "", 1))


def to_shown(values, column: str, shown: Shown = IMPERIAL, *, difference: bool = False):
    """Stored values (scalar, array or Series) of ``column`` in the club's units."""
    d = display_of(column, shown, difference=difference)
    return values * d.factor + d.offset


def from_shown(values, column: str, shown: Shown = IMPERIAL, *, difference: bool = False):
    """Shown values back to the stored unit: the inverse of :func:`to_shown`."""
    d = display_of(column, shown, difference=difference)
    return (values - d.offset) / d.factor


def say(value: float, column: str, shown: Shown = IMPERIAL, *, difference: bool = False,
        decimals: int | None = None) -> str:
    """One stored value as words with its unit, thousands set apart by a comma.

    >>> say(907.18474, "mass_kg"), say(1.0, "gain_kg_day", METRIC)
    ('2,000 lb', '1.0 kg a day')
    """
    if value is None or not np.isfinite(value):
        return "not known"
    d = display_of(column, shown, difference=difference)
    number = value * d.factor + d.offset
    places = d.decimals if decimals is None else decimals
    text = f"{number:,.{places}f}"
    if float(text.replace(",", "")) == 0.0:  # never "-0"
        text = text.replace("-", "")
    joint = "" if d.unit in ("%", "°") else " "
    return f"{text}{joint}{d.unit}" if d.unit else text


def axis_label(title: str, column: str, shown: Shown = IMPERIAL, *, difference: bool = False) -> str:
    """An axis label: the quantity in words and the club's unit in brackets.

    >>> axis_label("Daily gain", "gain_kg_day")
    'Daily gain (lb a day)'
    """
    unit = display_of(column, shown, difference=difference).unit
    return f"{title} ({unit})" if unit else title


# ---------------------------------------------------------------------------------------------------
# Reading quantities as growers write them


@dataclass(frozen=True)
class Quantity:
    """A number as read from a cell: ``value`` in ``unit`` (None when the cell names none), and the raw text."""

    value: float
    unit: str | None
    text: str
    doubtful: bool = False  # the writer marked it with ~ or ?


_UNIT_WORDS = {
    "in": ("in", "ins", "inch", "inches", '"', "″", "”", "''", "´´"),
    "cm": ("cm", "cms", "centimetre", "centimetres", "centimeter", "centimeters", "zentimeter"),
    "mm": ("mm", "millimetres", "millimeters"),
    "m": ("m", "metre", "metres", "meter", "meters"),
    "ft": ("ft", "foot", "feet", "'", "′", "’", "´"),
    "lb": ("lb", "lbs", "lb.", "lbs.", "pound", "pounds", "#"),
    "kg": ("kg", "kgs", "kilo", "kilos", "kilogram", "kilograms"),
    "C": ("c", "°c", "ºc", "degc", "deg c", "celsius"),
    "F": ("f", "°f", "ºf", "degf", "deg f", "fahrenheit"),
    "sqft": ("sqft", "sq ft", "sq.ft", "sq. ft.", "ft2", "ft²", "square feet"),
    "m2": ("m2", "m²", "sqm", "sq m", "square metres", "square meters"),
    "percent": ("%", "percent", "per cent"),
    "h": ("h", "hr", "hrs", "hour", "hours"),
}
_UNIT_OF_WORD = {word: unit for unit, words in _UNIT_WORDS.items() for word in words}

_TO_METRIC = {
    "in": ("cm", CM_PER_INCH), "cm": ("cm", 1.0), "mm": ("cm", 0.1), "m": ("cm", 100.0), "ft": ("cm", CM_PER_FOOT),
    "lb": ("kg", KG_PER_LB), "kg": ("kg", 1.0), "sqft": ("m2", M2_PER_SQFT), "m2": ("m2", 1.0),
    "percent": ("percent", 1.0), "h": ("hours", 1.0),
}
_VULGAR = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8", "⅓": "1/3", "⅔": "2/3"}

_FEET_INCHES = re.compile(
    r"""^(?P<feet>\d+)\s*(?:'|′|’|´|ft\.?|feet|foot)\s*
        (?:(?P<inches>\d+(?:[.,]\d+)?)?(?:\s*[- ]\s*)?(?P<fraction>\d+\s*/\s*\d+)?\s*
        (?:"|″|”|''|´´|in\.?|ins|inch|inches)?)?$""",
    re.VERBOSE | re.IGNORECASE,
)
_NUMBER = re.compile(
    r"^(?P<sign>[-+−]?)\s*(?P<whole>\d[\d.,'  ]*|[.,]\d+)?(?:(?:\s+|\s*-\s*)?(?P<fraction>\d+\s*/\s*\d+))?$"
)


def unit_word(word: str) -> str | None:
    """The unit that a word or sign names ("lbs" is "lb"), or None."""
    return _UNIT_OF_WORD.get(" ".join(word.strip().lower().split()))


def read_decimal(text: str, *, decimal: str | None = None) -> float | None:
    """A plain number, or None when it is none or when two readings are possible.

    ``decimal`` "." or "," settles what the sign means; with None, ``1,204`` is refused (it may be 1204
    or 1.204) while ``1,204.5`` or ``84,5`` have one reading only.

    >>> read_decimal("1,204"), read_decimal("1,204", decimal="."), read_decimal("84,5"), read_decimal("1.204,5")
    (None, 1204.0, 84.5, 1204.5)
    """
    s = text.strip().replace("−", "-").replace(" ", " ").replace(" ", " ")
    if not re.fullmatch(r"[-+]?(\d[\d.,' ]*|[.,]\d+)", s):
        return None
    sign = -1.0 if s.startswith("-") else 1.0
    s = s.lstrip("+-").strip()
    if re.search(r"[' ]", s):
        if not re.fullmatch(r"\d{1,3}([' ]\d{3})+([.,]\d+)?", s):
            return None
        s = re.sub(r"[' ]", "", s)
    dots, commas = s.count("."), s.count(",")
    if dots and commas:
        point = "." if s.rfind(".") > s.rfind(",") else ","
        group = "," if point == "." else "."
        whole, _, rest = s.rpartition(point)
        if s.count(point) > 1 or not re.fullmatch(rf"\d{{1,3}}(\{group}\d{{3}})+", whole):
            return None
        if decimal is not None and decimal != point:
            return None
        return sign * float(whole.replace(group, "") + "." + rest)
    mark = "." if dots else ","
    if dots or commas:
        grouped = re.fullmatch(rf"[1-9]\d{{0,2}}(\{mark}\d{{3}})+", s) is not None
        if s.count(mark) > 1:
            return sign * float(s.replace(mark, "")) if grouped and decimal != mark else None
        if decimal == mark or not grouped:
            if decimal is not None and decimal != mark:
                return None
            return sign * float(s.replace(mark, "."))
        if decimal is not None:
            return sign * float(s.replace(mark, ""))
        return float(s) * sign if mark == "." else None
    return sign * float(s)


def read_quantity(text: str, *, decimal: str | None = ".") -> Quantity | None:
    """A quantity as a grower writes it, or None when the text is no quantity.

    Understands fractions (``84 1/2``, ``84½``, ``84-1/2``), feet and inches (``7' 2"``), a unit behind the
    number (``213 cm``, ``1,204 lbs``, ``71F``), and the marks of doubt ``~`` and ``?``. The value stays in the
    unit as written: :func:`to_metric` converts it. ``decimal`` as in :func:`read_decimal`.

    >>> read_quantity("84 1/2").value, read_quantity("7' 2\\"").value, read_quantity("213 cm").unit
    (84.5, 86.0, 'cm')
    """
    raw = text
    s = text.strip().replace(" ", " ").replace(" ", " ")
    doubtful = False
    stripped = s.strip("~?≈ ")
    if stripped != s:
        doubtful, s = True, stripped
    s = re.sub(r"^(about|approx\.?|ca\.?|circa)\s+", "", s, flags=re.IGNORECASE)
    doubtful = doubtful or s != stripped
    for sign, plain in _VULGAR.items():
        s = s.replace(sign, " " + plain)
    s = s.strip()
    if not s or not any(ch.isdigit() for ch in s):
        return None
    area = re.fullmatch(r"(.+?)\s*(m2|m²|ft2|ft²)", s, re.IGNORECASE)  # before feet: "600ft2" is no height
    feet = None if area else _FEET_INCHES.match(s)
    if feet and (feet["inches"] or feet["fraction"]):
        inches = float((feet["inches"] or "0").replace(",", ".")) + float(_fraction(feet["fraction"]))
        if inches >= 12.0 or feet["fraction"] and inches == float((feet["inches"] or "0").replace(",", ".")):
            return None  # 14 inches is more than a foot, and x/0 is no fraction
        return Quantity(12.0 * int(feet["feet"]) + inches, "in", raw, doubtful)
    unit = None
    tail = re.search(r"\s*([^\d\s.,/'][^\d]*|['\"′″’”´]+)\s*$", s)
    if area:
        unit, s = unit_word(area.group(2)), area.group(1)
    elif tail and tail.start() > 0:
        unit = unit_word(tail.group(1).rstrip("."))
        if unit is None:
            return None
        s = s[: tail.start()].strip()
    match = _NUMBER.match(s)
    if not match or (match["whole"] is None and match["fraction"] is None):
        return None
    if match["fraction"] and int(match["fraction"].split("/")[1]) == 0:
        return None
    whole = 0.0
    if match["whole"] is not None:
        read = read_decimal(match["whole"].strip(), decimal=decimal)
        if read is None:
            return None
        whole = read
    value = whole + float(_fraction(match["fraction"]))
    return Quantity(-value if match["sign"] in ("-", "−") else value, unit, raw, doubtful)


def _fraction(text: str | None) -> Fraction:
    if not text:
        return Fraction(0)
    top, bottom = (int(part) for part in text.split("/"))
    return Fraction(top, bottom) if bottom else Fraction(0)


def to_metric(value: float, unit: str) -> tuple[float, str]:
    """A value in a unit that :func:`read_quantity` knows, as (value, metric unit).

    >>> to_metric(84.0, "in")[1], to_metric(212.0, "F")
    ('cm', (100.0, 'c'))
    """
    if unit == "C":
        return value, "c"
    if unit == "F":
        return f_to_c(value), "c"
    if unit not in _TO_METRIC:
        raise PatchstatsError(f"The unit {unit!r} is not known; write one of {', '.join(sorted(_TO_METRIC))}, C or F.")
    name, factor = _TO_METRIC[unit]
    return value * factor, name


def shown_frame(frame: pd.DataFrame, shown: Shown = IMPERIAL) -> pd.DataFrame:
    """A copy of a table with every unit-bearing column in the club's units, and that unit in the heading."""
    out = {}
    for column in frame.columns:
        unit = unit_of_column(str(column))
        if unit and pd.api.types.is_numeric_dtype(frame[column]):
            out[f"{column} [{display_of(str(column), shown).unit}]"] = to_shown(frame[column], str(column), shown)
        else:
            out[str(column)] = frame[column]
    return pd.DataFrame(out, index=frame.index)
