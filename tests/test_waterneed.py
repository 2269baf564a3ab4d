"""Reference evapotranspiration, against the worked examples of FAO-56 (Allen et al. 1998) and another program.

The figures of the examples are from memory, save those that programs' tests hold as well: examples 2 to 6, 10, 11 and
18 in pyet 1.5.0, 17, 18 and 20 in PyETo.
"""

import numpy as np
import pandas as pd
import pytest

from patchstats import waterneed
from patchstats.remarks import OutOfRangeError, PatchstatsError
from patchstats.waterneed import (
    actual_vapour_pressure_kpa,
    air_pressure_kpa,
    clear_sky_radiation_mj_m2,
    net_longwave_radiation_mj_m2,
    net_radiation_mj_m2,
    psychrometric_constant_kpa_c,
    reference_evapotranspiration_by_day,
    reference_evapotranspiration_mm_fao56,
    reference_evapotranspiration_mm_hargreaves,
    saturation_vapour_pressure_kpa,
    solar_radiation_mj_m2,
    vapour_pressure_slope_kpa_c,
    wind_at_two_metres_m_s,
)


def printed(text):
    """A printed number, to half a unit in its last digit."""
    return pytest.approx(float(text), abs=0.5 * 10.0 ** -len(text.partition(".")[2]) * (1 + 1e-9))


def test_example_2_pressure_at_1800_m():
    assert air_pressure_kpa(1800.0) == printed("81.8")
    assert psychrometric_constant_kpa_c(1800.0) == printed("0.054")
    assert air_pressure_kpa(1200.0) == printed("87.9")  # example 4


def test_example_3_saturation():
    warm, cool = saturation_vapour_pressure_kpa(24.5), saturation_vapour_pressure_kpa(15.0)
    assert (warm, cool) == (printed("3.075"), printed("1.705"))
    assert (warm + cool) / 2.0 == printed("2.39")
    assert saturation_vapour_pressure_kpa(19.75) == printed("2.30")  # at the mean: too low, says the paper
    assert (warm + cool) / 2.0 == printed("2.389998")  # recomputed by an independent program


def test_examples_5_and_6_actual_vapour_pressure():
    assert saturation_vapour_pressure_kpa([18.0, 25.0]).tolist() == [printed("2.064"), printed("3.168")]
    actual = actual_vapour_pressure_kpa(18.0, 25.0, humidity_min_percent=54.0, humidity_max_percent=82.0)
    assert actual == printed("1.70")
    assert saturation_vapour_pressure_kpa([18.0, 25.0]).mean() - actual == printed("0.91")


def test_examples_10_to_12_radiation_in_rio():
    # 22.9 south, 15 May; 220 hours of sunshine in the month; 19.1 to 25.1 C; 2.1 kPa
    solar = solar_radiation_mj_m2(220.0 / 31.0, latitude_deg=-22.9, day_of_year=135)
    clear = clear_sky_radiation_mj_m2(0.0, latitude_deg=-22.9, day_of_year=135)
    assert solar == printed("14.5")
    assert solar == printed("14.456098")  # recomputed by an independent program
    assert clear == printed("18.8")
    air = {"vapour_pressure_kpa": 2.1, "solar_mj_m2": solar, "clear_sky_mj_m2": clear}
    assert net_longwave_radiation_mj_m2(19.1, 25.1, **air) == printed("3.5")
    assert net_radiation_mj_m2(19.1, 25.1, **air) == printed("7.6")


def test_example_14_wind():
    assert wind_at_two_metres_m_s(3.2, 10.0) == printed("2.4")
    assert wind_at_two_metres_m_s(3.2, 2.0) == pytest.approx(3.2, rel=1e-3)  # the formula's own gauge height


def test_example_17_bangkok_in_april():
    # 13 deg 44' north, 2 m, 25.6 to 34.8 C, 2.85 kPa, 2 m/s, 8.5 hours of sunshine; the month before was 29.2 C
    place = {"latitude_deg": 13.0 + 44.0 / 60.0, "day_of_year": 105}
    assert vapour_pressure_slope_kpa_c(30.2) == printed("0.246")
    assert air_pressure_kpa(2.0) == printed("101.3")  # the paper goes on with the rounded pressure: gamma 0.0674
    assert psychrometric_constant_kpa_c(2.0) * 101.3 / air_pressure_kpa(2.0) == printed("0.0674")
    assert saturation_vapour_pressure_kpa([25.6, 34.8]).mean() == printed("4.42")
    solar, clear = solar_radiation_mj_m2(8.5, **place), clear_sky_radiation_mj_m2(2.0, **place)
    assert solar == printed("22.65")
    assert clear == printed("28.54")
    air = {"vapour_pressure_kpa": 2.85, "solar_mj_m2": solar, "clear_sky_mj_m2": clear}
    assert net_longwave_radiation_mj_m2(25.6, 34.8, **air) == printed("3.11")
    net = net_radiation_mj_m2(25.6, 34.8, **air)
    assert net == printed("14.33")
    ground = 0.14 * (30.2 - 29.2)  # equation 44
    assert reference_evapotranspiration_mm_fao56(
        25.6, 34.8, vapour_pressure_kpa=2.85, wind_m_s=2.0, net_mj_m2=net, altitude_m=2.0,
        ground_mj_m2=ground) == printed("5.72")


def test_example_18_uccle_on_6_july():
    # 50.80 north, 100 m, 12.3 to 21.5 C, 63 to 84 % humidity, 10 km/h at 10 m, 9.25 hours of sunshine
    place = {"latitude_deg": 50.80, "day_of_year": 187}
    wind = wind_at_two_metres_m_s(10.0 / 3.6, 10.0)
    assert wind == printed("2.078")
    assert air_pressure_kpa(100.0) == printed("100.1")
    assert vapour_pressure_slope_kpa_c(16.9) == printed("0.122")
    assert psychrometric_constant_kpa_c(100.0) == printed("0.0666")
    assert saturation_vapour_pressure_kpa([12.3, 21.5]).mean() == printed("1.997")
    actual = actual_vapour_pressure_kpa(12.3, 21.5, humidity_min_percent=63.0, humidity_max_percent=84.0)
    assert actual == printed("1.409")
    solar, clear = solar_radiation_mj_m2(9.25, **place), clear_sky_radiation_mj_m2(100.0, **place)
    assert (solar, clear) == (printed("22.07"), printed("30.90"))
    air = {"vapour_pressure_kpa": actual, "solar_mj_m2": solar, "clear_sky_mj_m2": clear}
    assert net_longwave_radiation_mj_m2(12.3, 21.5, **air) == printed("3.71")
    net = net_radiation_mj_m2(12.3, 21.5, **air)
    assert net == printed("13.28")
    assert reference_evapotranspiration_mm_fao56(
        12.3, 21.5, vapour_pressure_kpa=actual, wind_m_s=wind, net_mj_m2=net, altitude_m=100.0) == printed("3.88")


def test_example_20_hargreaves_near_lyon():
    # 45 deg 43' north in July, 14.8 to 26.6 C
    assert reference_evapotranspiration_mm_hargreaves(
        14.8, 26.6, latitude_deg=45.72, day_of_year=196) == printed("5.0")
    # with the radiation as printed, 40.6, an independent program has 5.0387
    exact = waterneed.extraterrestrial_radiation_mj_m2(45.72, 196)
    assert 40.6 / exact * reference_evapotranspiration_mm_hargreaves(
        14.8, 26.6, latitude_deg=45.72, day_of_year=196) == printed("5.0387")


def test_ten_days_of_another_program():
    # The R package Evapotranspiration (Guo, Westra, Maier 2016, Environ. Model. Softw. 78:216), daily FAO-56 values of
    # 1 to 10 March 2001 at -0.6095 rad, 48 m, wind at 10 m, as held in the tests of pyet 1.5.0.
    high = [28.8, 27.4, 29.0, 26.3, 32.7, 35.7, 33.8, 33.8, 35.6, 27.5]
    low = [15.1, 14.0, 16.3, 16.2, 17.8, 26.7, 20.6, 22.3, 22.7, 17.1]
    solar = [20.44477761, 20.34991941, 20.25373437, 20.1562439, 20.05747057, 19.95743816, 19.85617161, 19.75369701,
             19.65004162, 19.54523386]
    gauge = [2.65625, 2.78472222, 2.49305556, 3.73611111, 3.30902778, 4.93402778, 2.90972222, 4.48958333, 3.99305556,
             4.31597222]
    place = {"latitude_deg": np.degrees(-0.6095), "day_of_year": np.arange(60, 70)}
    damp = actual_vapour_pressure_kpa(low, high, humidity_min_percent=[30, 25, 30, 34, 29, 20, 18, 18, 10, 30],
                                      humidity_max_percent=[68, 77, 69, 70, 73, 36, 51, 46, 34, 67])
    net = net_radiation_mj_m2(low, high, vapour_pressure_kpa=damp, solar_mj_m2=solar,
                              clear_sky_mj_m2=clear_sky_radiation_mj_m2(48.0, **place))
    found = reference_evapotranspiration_mm_fao56(low, high, vapour_pressure_kpa=damp, net_mj_m2=net, altitude_m=48.0,
                                                  wind_m_s=wind_at_two_metres_m_s(gauge, 10.0))
    assert found.round(1).tolist() == [5.1, 5.0, 5.0, 5.2, 5.9, 8.8, 6.3, 7.8, 8.0, 5.7]
    # and its solar radiation from 8.6 hours of sunshine on each of the days (0.23 and 0.5 for Angstrom's two there)
    share = (solar_radiation_mj_m2(8.6, **place) / waterneed.extraterrestrial_radiation_mj_m2(**place) - 0.02)
    assert np.allclose(share * waterneed.extraterrestrial_radiation_mj_m2(**place), solar, atol=5e-9)


def test_slope_is_the_derivative():
    air = np.linspace(-20.0, 45.0, 131)
    step = 1e-3
    rise = (saturation_vapour_pressure_kpa(air + step) - saturation_vapour_pressure_kpa(air - step)) / (2.0 * step)
    # 4098 is 17.27 * 237.3 = 4098.17 rounded
    assert np.allclose(vapour_pressure_slope_kpa_c(air), rise, rtol=5e-5)


def test_laws_of_the_day():
    place = {"latitude_deg": 45.0, "day_of_year": 190}
    sunshine = solar_radiation_mj_m2(np.linspace(0.0, 15.0, 31), **place)
    assert (np.diff(sunshine) > 0.0).all()
    # sun from rise to set gives the cloudless day of equation 36, a + b = 0.75; no sun a third of it
    top = solar_radiation_mj_m2(16.0, **place)
    assert top == pytest.approx(clear_sky_radiation_mj_m2(0.0, **place), rel=1e-12)
    assert sunshine[0] == pytest.approx(top / 3.0, rel=1e-12)
    # at 1000 m 0.77 of what comes in above the air (equation 37)
    assert clear_sky_radiation_mj_m2(1000.0, **place) == pytest.approx(
        0.77 * waterneed.extraterrestrial_radiation_mj_m2(**place), rel=1e-12)
    # a sky is never clearer than clear: Rs / Rso is at most 1 (text below equation 39)
    clear = {"vapour_pressure_kpa": 1.5, "clear_sky_mj_m2": 25.0}
    assert (net_longwave_radiation_mj_m2(10.0, 20.0, solar_mj_m2=26.0, **clear)
            == net_longwave_radiation_mj_m2(10.0, 20.0, solar_mj_m2=25.0, **clear))
    # air as damp as it can be, without sun, draws no water; drier or windier air draws more
    damp = saturation_vapour_pressure_kpa(20.0)

    def need(vapour, wind):
        return reference_evapotranspiration_mm_fao56(20.0, 20.0, vapour_pressure_kpa=vapour, wind_m_s=wind,
                                                     net_mj_m2=0.0, altitude_m=100.0)
    assert need(damp, 3.0) == 0.0
    assert need(damp, 3.0) < need(0.8 * damp, 3.0) < need(0.5 * damp, 3.0) < need(0.5 * damp, 6.0)
    # Hargreaves: the southern hemisphere's year is the northern one's but for the distance of the sun
    assert (reference_evapotranspiration_mm_hargreaves(15.0, 27.0, latitude_deg=38.0, day_of_year=172)
            < reference_evapotranspiration_mm_hargreaves(15.0, 27.0, latitude_deg=-38.0, day_of_year=355))
    assert reference_evapotranspiration_mm_hargreaves(-40.0, -30.0, **place) == 0.0


def test_polar_night_is_no_error():
    place = {"latitude_deg": 70.0, "day_of_year": 355}
    assert solar_radiation_mj_m2(0.0, **place) == pytest.approx(0.0, abs=1e-12)
    clear = clear_sky_radiation_mj_m2(0.0, **place)
    assert clear == pytest.approx(0.0, abs=1e-12)
    assert np.isnan(net_radiation_mj_m2(-20.0, -10.0, vapour_pressure_kpa=0.1, solar_mj_m2=0.0, clear_sky_mj_m2=0.0))


def test_missing_readings_make_missing_answers():
    assert np.isnan(saturation_vapour_pressure_kpa([np.nan, 20.0])).tolist() == [True, False]
    assert np.isnan(solar_radiation_mj_m2([np.nan, 8.0], latitude_deg=45.0, day_of_year=190)).tolist() == [True, False]
    assert np.isnan(reference_evapotranspiration_mm_hargreaves(
        [np.nan, 10.0], [20.0, 20.0], latitude_deg=45.0, day_of_year=[190, 190])).tolist() == [True, False]


def test_need_by_day():
    # Days of the year by ISO 8601 (R 4.2.2): 2020-12-31 is day 366 and 2024-02-29 day 60.
    weather = pd.DataFrame({
        "patch": ["lyon", "lyon", "lyon", "lyon", "nowhere", "bare", "lyon"],
        "date": pd.to_datetime(["2023-07-15", "2020-12-31", "2024-02-29", "2023-07-16", "2023-07-15", "2023-07-15",
                                "2023-07-17"]),
        "air_min_c": [14.8, 14.8, 14.8, np.nan, 14.8, 14.8, 30.0],
        "air_max_c": [26.6, 26.6, 26.6, 26.6, 26.6, 26.6, 26.6]}, index=[9, 8, 7, 6, 5, 4, 3])
    patches = pd.DataFrame({"patch": ["lyon", "bare"], "latitude_deg": [45.72, np.nan]})
    made = reference_evapotranspiration_by_day(weather, patches=patches)
    assert made.index.tolist() == [9, 8, 7, 6, 5, 4, 3]
    assert made["flag"].tolist() == ["", "", "", "no reading", "no latitude", "no latitude", "lowest above highest"]
    need = made["reference_evapotranspiration_mm"]
    assert need.isna().tolist() == [False, False, False, True, True, True, True]
    assert need.loc[9] == printed("5.0")  # FAO-56, example 20
    expected = reference_evapotranspiration_mm_hargreaves(14.8, 26.6, latitude_deg=45.72, day_of_year=[366, 60])
    assert need.loc[[8, 7]].tolist() == expected.tolist()
    with pytest.raises(PatchstatsError, match=r"The patches table lacks the column\(s\) latitude_deg"):
        reference_evapotranspiration_by_day(weather, patches=patches[["patch"]])
    assert reference_evapotranspiration_by_day(weather.iloc[:0], patches=patches).empty


@pytest.mark.parametrize(("wrong", "words"), [
    (lambda: air_pressure_kpa(20000.0), "write metres"),
    (lambda: saturation_vapour_pressure_kpa(86.0), "was it written in Fahrenheit"),
    (lambda: wind_at_two_metres_m_s(3.0, 0.05), "wind gauge stands between"),
    (lambda: wind_at_two_metres_m_s(-1.0, 2.0), "mean wind lies between"),
    (lambda: solar_radiation_mj_m2(25.0, latitude_deg=45.0, day_of_year=190), "between 0 and 24"),
    (lambda: solar_radiation_mj_m2(14.0, latitude_deg=45.0, day_of_year=355), "more sunshine than the day is long"),
    (lambda: actual_vapour_pressure_kpa(10.0, 20.0, humidity_min_percent=50.0, humidity_max_percent=101.0),
     "between 0 and 100 %"),
    (lambda: reference_evapotranspiration_mm_fao56(10.0, 20.0, vapour_pressure_kpa=14.0, wind_m_s=2.0, net_mj_m2=10.0,
                                                   altitude_m=0.0), "between 0 and 6 kPa")])
def test_what_cannot_be_is_said(wrong, words):
    with pytest.raises(OutOfRangeError, match=words):
        wrong()


def test_exchanged_columns_are_said():
    with pytest.raises(PatchstatsError, match=r"On 1 day\(s\) the lowest temperature lies above the highest"):
        reference_evapotranspiration_mm_hargreaves([20.0, 10.0], [10.0, 20.0], latitude_deg=45.0, day_of_year=190)
    with pytest.raises(PatchstatsError, match="were the two columns exchanged"):
        actual_vapour_pressure_kpa(10.0, 20.0, humidity_min_percent=80.0, humidity_max_percent=40.0)
