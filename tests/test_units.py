"""Conversion factors, against NIST SP 811 (2008), appendix B, and the yard and pound agreement of 1959."""

from decimal import Decimal

import pytest

from patchstats.remarks import PatchstatsError
from patchstats.units import (
    CM_PER_FOOT,
    CM_PER_INCH,
    IMPERIAL,
    KG_PER_LB,
    M2_PER_SQFT,
    METRIC,
    c_to_f,
    cm_to_inches,
    display_of,
    f_to_c,
    from_shown,
    inches_to_cm,
    kg_to_lb,
    lb_to_kg,
    read_quantity,
    to_metric,
    to_shown,
)

# The factors as written in the module, without the rounding of a float.
INCH_M, FOOT_M = Decimal(str(CM_PER_INCH)) / 100, Decimal(str(CM_PER_FOOT)) / 100
POUND_KG, SQFT_M2 = Decimal(str(KG_PER_LB)), Decimal(str(M2_PER_SQFT))


@pytest.mark.parametrize(("found", "exact"), [
    (POUND_KG, "0.45359237"), (INCH_M, "0.0254"), (FOOT_M, "0.3048"), (SQFT_M2, "0.09290304"),
    (SQFT_M2, FOOT_M**2), (FOOT_M, 12 * INCH_M),
    # what follows from them: short ton 2000 lb, long ton 2240 lb, ounce 1/16 lb, US gallon 231 cubic inches in
    # litres, acre 43,560 square feet, cubic foot
    (2000 * POUND_KG, "907.18474"), (2240 * POUND_KG, "1016.0469088"), (POUND_KG / 16, "0.028349523125"),
    (231 * INCH_M**3 * 1000, "3.785411784"), (43560 * SQFT_M2, "4046.8564224"),
    (FOOT_M**3, "0.028316846592")])
def test_exact_factors(found, exact):
    assert found == Decimal(exact)


def test_weights_and_lengths_that_growers_meet():
    # NIST SP 811, appendix B; the last digits by division with 20 digits
    assert lb_to_kg(2000.0) == pytest.approx(907.18474, rel=1e-15)
    assert kg_to_lb(1000.0) == pytest.approx(2204.62262184878, abs=5e-12)
    assert inches_to_cm(500.0) == 1270.0
    assert cm_to_inches(1270.0) == 500.0
    # one pound in a cubic foot, in kg in a cubic metre
    assert lb_to_kg(1.0) / (CM_PER_FOOT / 100.0) ** 3 == pytest.approx(16.0184633739601, abs=5e-14)


@pytest.mark.parametrize(("fahrenheit", "celsius"), [(86.0, 30.0), (-40.0, -40.0), (32.0, 0.0), (212.0, 100.0)])
def test_temperatures(fahrenheit, celsius):
    # NIST SP 811, appendix B.8: t/C = (t/F - 32) / 1.8
    assert f_to_c(fahrenheit) == pytest.approx(celsius, abs=1e-13)
    assert c_to_f(celsius) == pytest.approx(fahrenheit, abs=1e-13)


def test_differences_of_temperature_and_degree_days_have_no_offset():
    # NIST SP 811, appendix B.8: a difference of 1 F is 5/9 K, so 900 F days are 500 C days
    assert from_shown(1.0, "soil_c", IMPERIAL, difference=True) == pytest.approx(5.0 / 9.0, rel=1e-15)
    assert to_shown(1.0, "soil_c_se", IMPERIAL) == 1.8
    assert from_shown(900.0, "heat_c_day", IMPERIAL) == pytest.approx(500.0, rel=1e-15)
    assert display_of("heat_c_day", IMPERIAL).offset == 0.0
    assert to_shown(30.0, "soil_c", IMPERIAL) == pytest.approx(86.0, abs=1e-13)


@pytest.mark.parametrize(("written", "value", "unit"), [
    ("2000 lbs", 907.18474, "kg"), ("500 in", 1270.0, "cm"), ("3 ft", 91.44, "cm"), ("86 F", 30.0, "c"),
    ("100 sq ft", 9.290304, "m2"), ("7' 2\"", 218.44, "cm"), ("84 1/2 in", 214.63, "cm"), ("1.5 m", 150.0, "cm")])
def test_cells_in_metric(written, value, unit):
    # the same factors; 7 ft 2 in is 86 in
    quantity = read_quantity(written)
    assert to_metric(quantity.value, quantity.unit) == (pytest.approx(value, rel=1e-14), unit)


@pytest.mark.parametrize("shown", [IMPERIAL, METRIC])
@pytest.mark.parametrize("column", ["mass_kg", "gain_kg_day", "over_the_top_cm", "area_m2", "rain_mm", "soil_c",
                                    "soil_c_se", "heat_c_day", "water_mj_m2", "share_percent", "secondaries"])
def test_shown_and_back(column, shown):
    # a law: what is shown can be read back
    for value in (-3.5, 0.0, 1234.5):
        assert from_shown(to_shown(value, column, shown), column, shown) == pytest.approx(value, rel=1e-14, abs=1e-13)


def test_a_unit_that_is_not_known():
    with pytest.raises(PatchstatsError, match="The unit 'stone' is not known; write one of"):
        to_metric(3.0, "stone")
