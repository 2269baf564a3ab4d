"""Day length and radiation, against the worked examples of FAO-56 (Allen et al. 1998)."""

import numpy as np
import pytest

from patchstats import daylight
from patchstats.remarks import OutOfRangeError


def test_example_8_and_9():
    # FAO-56, examples 8 and 9: 3 September (J = 246), 20 degrees south
    assert daylight.sun_distance_factor(246).round(3) == 0.985
    assert daylight.solar_declination_rad(246).round(3) == 0.120
    assert daylight.sunset_hour_angle_rad(-20.0, 246).round(3) == 1.527
    assert daylight.extraterrestrial_radiation_mj_m2(-20.0, 246).round(1) == 32.2
    assert daylight.day_length_hours(-20.0, 246).round(1) == 11.7
    # NCL documentation of daylight_fao56
    assert daylight.day_length_hours(-20.0, 246) == pytest.approx(11.66559, abs=5e-6)


@pytest.mark.parametrize(("latitude", "day", "radiation", "hours"), [
    (-22.9, 135, 25.1, 10.9),  # example 10, Rio de Janeiro; the paper rounds the latitude to -22.90
    (-(22 + 54 / 60), 135, 25.1, 10.9),
    (50.8, 187, 41.09, 16.1),  # example 18, Uccle
])
def test_printed_examples(latitude, day, radiation, hours):
    places = len(str(radiation).split(".")[1])
    assert daylight.extraterrestrial_radiation_mj_m2(latitude, day).round(places) == radiation
    assert daylight.day_length_hours(latitude, day).round(1) == hours


@pytest.mark.parametrize(("latitude", "day", "radiation", "hours"), [
    (-20.0, 246, 32.193996, 11.665592), (-22.9, 135, 25.111028, 10.895076), (50.8, 187, 41.088376, 16.104612)])
def test_examples_to_more_digits(latitude, day, radiation, hours):
    # examples 8 to 10 and 18, recomputed by an independent program
    assert daylight.extraterrestrial_radiation_mj_m2(latitude, day) == pytest.approx(radiation, abs=5e-7)
    assert daylight.day_length_hours(latitude, day) == pytest.approx(hours, abs=5e-7)


def test_example_20_lyon():
    # printed 40.6
    assert daylight.extraterrestrial_radiation_mj_m2(45.72, 196).round(1) == 40.6
    assert daylight.extraterrestrial_radiation_mj_m2(45.72, 196) == pytest.approx(40.554556, abs=5e-7)


@pytest.mark.parametrize(("latitude", "day", "hours"), [
    (45.0, 172, 15.425), (45.0, 213, 14.502), (45.0, 274, 11.423), (40.0, 172, 14.844), (51.5, 172, 16.40)])
def test_latitudes_of_growers(latitude, day, hours):
    # computed with the paper's formulas by an independent program
    half_unit = 0.5 * 10.0 ** -len(str(hours).split(".")[1])
    assert daylight.day_length_hours(latitude, day) == pytest.approx(hours, abs=half_unit)


def test_polar_night_and_midnight_sun():
    assert daylight.day_length_hours(70.0, 172) == 24.0
    assert daylight.day_length_hours(70.0, 355) == 0.0
    assert daylight.extraterrestrial_radiation_mj_m2(70.0, 172) == pytest.approx(42.694986, abs=5e-7)
    assert daylight.extraterrestrial_radiation_mj_m2(70.0, 355) == pytest.approx(0.0, abs=1e-12)
    assert np.isfinite(daylight.day_length_hours([90.0, -90.0], 172)).all()


def test_the_two_hemispheres_share_the_day():
    days = np.arange(1, 367)
    assert np.allclose(daylight.day_length_hours(38.0, days) + daylight.day_length_hours(-38.0, days), 24.0)


def test_impossible_places_and_days():
    with pytest.raises(OutOfRangeError, match="between -90 .south. and 90"):
        daylight.day_length_hours(91.0, 100)
    with pytest.raises(OutOfRangeError, match="between 1 and 366"):
        daylight.day_length_hours(45.0, 367)
