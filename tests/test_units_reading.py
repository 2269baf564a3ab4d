"""Units: quantities as growers write them, read; numbers as the club shows them, said."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from patchstats import units
from patchstats.remarks import PatchstatsError
from patchstats.units import IMPERIAL, METRIC, read_decimal, read_quantity, say, to_metric


# NIST SP 811 (2008), appendix B.8: factors printed in bold are exact.
@pytest.mark.parametrize(("unit", "metric", "factor"), [
    ("in", "cm", 2.54), ("ft", "cm", 30.48), ("lb", "kg", 0.45359237), ("sqft", "m2", 0.09290304)])
def test_exact_factors(unit, metric, factor):
    assert to_metric(1.0, unit) == (factor, metric)


@pytest.mark.parametrize(("fahrenheit", "celsius"), [(32.0, 0.0), (212.0, 100.0), (-40.0, -40.0)])
def test_temperatures(fahrenheit, celsius):
    """Fixed points of both scales (NIST SP 811, B.8: t/°C = (t/°F - 32)/1.8)."""
    assert math.isclose(units.f_to_c(fahrenheit), celsius, abs_tol=1e-12)
    assert math.isclose(units.c_to_f(celsius), fahrenheit, abs_tol=1e-12)


# Common practice among growers, no source.
@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("84", 84.0, None),
        ("84 1/2", 84.5, None),
        ("84½", 84.5, None),
        ("84-1/2", 84.5, None),
        ("1/2", 0.5, None),
        ("7' 2\"", 86.0, "in"),
        ("7'2", 86.0, "in"),
        ("7 ft 2 in", 86.0, "in"),
        ("9' 1/2\"", 108.5, "in"),
        ("12'", 12.0, "ft"),
        ("12 ft", 12.0, "ft"),
        ('84"', 84.0, "in"),
        ("84 in.", 84.0, "in"),
        ("213 cm", 213.0, "cm"),
        ("213cm", 213.0, "cm"),
        ("1,204 lbs", 1204.0, "lb"),
        ("1204.5 lb", 1204.5, "lb"),
        ("71F", 71.0, "F"),
        ("71 °F", 71.0, "F"),
        ("-2 C", -2.0, "C"),
        ("600 sq ft", 600.0, "sqft"),
        ("600ft2", 600.0, "sqft"),
        ("0.8 m2", 0.8, "m2"),
        ("80 %", 80.0, "percent"),
        ("24 h", 24.0, "h"),
        ("about 84", 84.0, None),
    ],
)
def test_quantities_as_growers_write_them(text, value, unit):
    quantity = read_quantity(text)
    assert (quantity.value, quantity.unit) == (value, unit)


@pytest.mark.parametrize(
    "text", ["", "soon", "7' 14\"", "84 pumpkins", "1/0", "84 1/0", "12.7.2024", "120-77-76", "1e5", "--5"]
)
def test_what_is_no_quantity(text):
    assert read_quantity(text) is None


@pytest.mark.parametrize("text", ["~84", "84?", "≈84", "ca. 84", "84 ?"])
def test_marks_of_doubt(text):
    quantity = read_quantity(text)
    assert (quantity.value, quantity.doubtful) == (84.0, True)


@pytest.mark.parametrize(
    ("text", "decimal", "value"),
    [
        ("1,204", None, None),
        ("1,204", ".", 1204.0),
        ("1,204", ",", 1.204),
        ("1.204,5", None, 1204.5),
        ("1,204.5", None, 1204.5),
        ("84,5", None, 84.5),
        ("84.5", None, 84.5),
        ("1 204", None, 1204.0),
        ("1'204.5", None, 1204.5),
        ("84,5", ".", None),
        ("1,20,4", None, None),
        ("12,34,567", None, None),
        (".5", None, 0.5),
        ("−5", None, -5.0),
    ],
)
def test_decimal_signs_and_thousands(text, decimal, value):
    assert read_decimal(text, decimal=decimal) == value


def test_shown_and_back():
    values = pd.Series([0.0, 1.0, 250.0])
    for column in ("mass_kg", "gain_kg_day", "over_the_top_cm", "soil_c", "area_m2", "rain_mm"):
        for shown in (IMPERIAL, METRIC):
            back = units.from_shown(units.to_shown(values, column, shown), column, shown)
            pd.testing.assert_series_equal(back, values, rtol=1e-12)


def test_numbers_in_words():
    # 2,000 lb = 907.18474 kg (NIST SP 811, B.8: short ton).
    assert say(907.18474, "mass_kg") == "2,000 lb"
    assert say(907.18474, "mass_kg", METRIC) == "907 kg"
    assert say(float("nan"), "mass_kg") == "not known"
    assert say(-0.0001, "gain_kg_day") == "0.0 lb a day"
    assert say(10.0, "soil_c") == "50°F" or say(10.0, "soil_c") == "50 °F"


def test_a_difference_of_temperatures_has_no_offset():
    assert say(1.0, "soil_c", difference=True, decimals=1).startswith("1.8")


def test_a_unit_that_is_not_known_says_which_are():
    with pytest.raises(PatchstatsError, match="The unit 'stone' is not known; write one of"):
        to_metric(1.0, "stone")
    with pytest.raises(PatchstatsError, match="The club's length unit is written as 'feet'"):
        units.Shown(length="feet")
