"""Soil temperature: the sinking wave against published and closed-form values, and the corrections made with it."""

import numpy as np
import pandas as pd
import pytest
from scipy.signal import lfilter

from patchstats import soilheat
from patchstats.remarks import PatchstatsError


def test_rain_or_shine_worked_example():
    # Rain or Shine, Oklahoma State Univ., chapter 13.4: alpha 0.50e-6 m2/s, daily wave, d = 11.7 cm; 7 C at the
    # surface is 3 C at 10 cm; the annual wave goes 19.1 times deeper
    day, year = soilheat.damping_depth_cm(0.5e-6), soilheat.damping_depth_cm(0.5e-6, period_days=365.0)
    assert round(day, 1) == 11.7
    assert round(7.0 * np.exp(-10.0 / day)) == 3
    assert round(year / day, 1) == 19.1
    # closed forms
    assert year / day == pytest.approx(np.sqrt(365.0), rel=1e-12)
    assert (day, year) == (pytest.approx(11.726460, abs=5e-7), pytest.approx(224.033709, abs=5e-7))


def test_five_percent_of_the_annual_wave():
    # exercise of an Oklahoma State soil physics course: alpha 2e-7, depth of 5 % amplitude; recomputed 4.24469376 m
    damping = soilheat.damping_depth_cm(2e-7, period_days=365.0)
    assert damping * np.log(20.0) == pytest.approx(424.469376, abs=5e-7)


def test_hillel_wave():
    # Hillel 1982 as in the Oklahoma State soil physics toolkit: mean 15, A0 10, d 2.23 m, t0 15; recomputed values
    def wave(depth_m, day):
        return soilheat.soil_wave_c(100.0 * depth_m, day, mean_c=15.0, amplitude_c=10.0, minimum_days=15.0,
                                    period_days=365.0, damping_cm=223.0)

    assert wave(0.0, 15.0) == pytest.approx(5.0)
    assert wave(1.0, 15.0) == pytest.approx(9.245125, abs=5e-7)
    assert wave(2.23, 197.5) == pytest.approx(16.987661, abs=5e-7)
    # at one damping depth the wave is 1/e as strong and a sixth of a turn less a bit later: 58.0915542 days of 365
    lag = 365.0 / (2 * np.pi)
    assert lag == pytest.approx(58.0915542, abs=5e-8)
    assert wave(2.23, 15.0 + lag) - 15.0 == pytest.approx(-10.0 * np.exp(-1.0))
    # and of a day 3.81971863 hours: there the wave is at its least, 0.367879441 of the surface's
    late = 3.81971863 / 24.0
    deep = soilheat.soil_wave_c(11.7, late + np.array([-1e-3, 0.0, 1e-3]), mean_c=0.0, amplitude_c=1.0,
                                minimum_days=0.0, period_days=1.0, damping_cm=11.7)
    assert deep.argmin() == 1
    assert deep[1] == pytest.approx(-0.367879441, abs=5e-10)


def test_impossible_soil():
    with pytest.raises(PatchstatsError, match="greater than nothing"):
        soilheat.damping_depth_cm(0.0)


def test_clock_hours():
    hours = soilheat.clock_hours(pd.Series(["6:05", "Noon", "morning", "", "25:00", "late", 7, None]))
    assert hours.tolist()[:3] == [6 + 5 / 60, 12.0, 8.0]
    assert hours[3:].isna().all()


def made_readings(rng, days=40, hours=(7.0, 13.0, 20.0), depths=(5.0, 10.0, 15.0), amplitude=6.0,
                  minimum=3.0, noise=0.2):
    day = np.repeat(np.arange(days), len(hours))
    hour = np.tile(hours, days)
    depth = np.resize(depths, day.size)
    mean = 18.0 + 2.0 * np.sin(day / 6.0)
    soil = soilheat.soil_wave_c(depth, hour / 24.0, mean_c=mean, amplitude_c=amplitude, minimum_days=minimum / 24.0,
                                period_days=1.0, damping_cm=soilheat.damping_depth_cm())
    return day, hour, depth, mean, soil + rng.normal(0.0, noise, soil.shape)


def test_daily_wave_is_found_and_taken_off():
    day, hour, depth, mean, soil = made_readings(np.random.default_rng(1))
    wave = soilheat.fit_daily_wave(soil, day=day, hour=hour, depth_cm=depth)
    assert abs(wave.amplitude_c - 6.0) < 3 * wave.amplitude_c_se
    assert abs(wave.hour_of_minimum - 3.0) < 0.5
    # 80 degrees of freedom: 0.2 give or take three times 0.2 / sqrt(160)
    assert wave.residual_c_sd == pytest.approx(0.2, abs=0.05)
    level = soilheat.daily_mean_at_depth(soil, depth_cm=depth, hour=hour, wave=wave)
    z = (level["soil_c"] - mean) / level["soil_c_se"]
    assert 0.7 < z.std() < 1.3
    assert np.std(soil - mean) > 5 * np.std(level["soil_c"] - mean)


def test_exact_readings_give_the_wave_exactly():
    day, hour, depth, mean, soil = made_readings(np.random.default_rng(1), noise=0.0)
    wave = soilheat.fit_daily_wave(soil, day=day, hour=hour, depth_cm=depth)
    assert (wave.amplitude_c, wave.hour_of_minimum) == (pytest.approx(6.0), pytest.approx(3.0))
    level = soilheat.daily_mean_at_depth(soil, depth_cm=depth, hour=hour, wave=wave)
    assert np.allclose(level["soil_c"], mean)


def test_two_fixed_hours_need_the_hour_of_the_minimum():
    day, hour, depth, _, soil = made_readings(np.random.default_rng(2), hours=(7.0, 19.0), depths=(10.0,), noise=0.0)
    with pytest.raises(PatchstatsError, match="give the hour of the minimum"):
        soilheat.fit_daily_wave(soil, day=day, hour=hour, depth_cm=10.0)
    wave = soilheat.fit_daily_wave(soil, day=day, hour=hour, depth_cm=10.0, hour_of_minimum=3.0)
    assert wave.amplitude_c == pytest.approx(6.0)
    with pytest.raises(PatchstatsError, match="cannot tell the daily wave"):
        soilheat.fit_daily_wave([], day=[], hour=[], depth_cm=10.0)


def test_a_reading_without_an_hour_keeps_the_swing_as_its_error():
    wave = soilheat.DailyWave(6.0, 0.0, 3.0, 0.0, 100)
    level = soilheat.daily_mean_at_depth(pd.Series([20.0], index=["x"]), depth_cm=10.0, hour=np.nan, wave=wave)
    assert level.loc["x", "soil_c"] == 20.0
    assert level.loc["x", "soil_c_se"] == pytest.approx(6.0 * np.exp(-10.0 / 11.72646) / np.sqrt(2), rel=1e-6)


SEASON = pd.date_range("2024-01-01", "2024-12-31")


def test_yearly_wave_sinks_as_the_formula_says():
    # air of a made year: mean 10, swing 12, coldest 20 Jan; the soil at 20 cm by the formula of Hillel 1982
    days = (SEASON - SEASON[0]) / pd.Timedelta(days=1)
    air = 10.0 - 12.0 * np.cos(2 * np.pi * (days - 19.0) / 365.25)
    wave = soilheat.fit_harmonic(SEASON, air)
    assert (wave.mean_c, wave.amplitude_c) == (pytest.approx(10.0), pytest.approx(12.0))
    assert wave.peak_days == pytest.approx(19.0 + 365.25 / 2)
    expected = soilheat.soil_wave_c(20.0, days, mean_c=10.0, amplitude_c=12.0, minimum_days=19.0, period_days=365.25,
                                    damping_cm=soilheat.damping_depth_cm(period_days=365.25))
    soil = soilheat.soil_from_air(wave, depth_cm=20.0)
    assert np.allclose(soil.at(SEASON), expected)
    assert np.allclose(wave.sunk(np.full(len(SEASON), 20.0), soilheat.DIFFUSIVITY_M2_S, SEASON), expected)
    ratio = soilheat.compare_harmonics(wave, soil)
    sunk = 20.0 / soilheat.damping_depth_cm(period_days=365.25)
    assert ratio.loc["amplitude_ratio", "estimate"] == pytest.approx(np.exp(-sunk))
    assert ratio.loc["lag_days", "estimate"] == pytest.approx(sunk * 365.25 / (2 * np.pi))
    assert ratio.loc["offset_c", "estimate"] == pytest.approx(0.0, abs=1e-9)
    # and a probe at 20 cm read against one at 10 cm is put right by it
    level = soilheat.daily_mean_at_depth(expected, depth_cm=20.0, hour=12.0, date=SEASON, annual=wave,
                                         wave=soilheat.DailyWave(0.0, 0.0, 2.0, 0.0, 1))
    at_ten = soilheat.soil_from_air(wave, depth_cm=10.0).at(SEASON)
    assert np.allclose(level["soil_c"], at_ten)


def test_filled_days_are_marked_and_their_intervals_hold():
    # made weather: an autoregression (0.7) about a yearly wave with its peak in January, 200 times over two years
    rng = np.random.default_rng(7)
    dates = pd.date_range("2023-07-01", "2025-06-30")
    truth = 15.0 + 8.0 * np.cos(2 * np.pi * ((dates - pd.Timestamp("2024-01-20")) / pd.Timedelta(days=1)) / 365.25)
    truth, days_inside, wave_inside = truth.to_numpy(), [], []
    for _ in range(200):
        noise = lfilter([1.0], [1.0, -0.7], rng.normal(0.0, 1.0, len(dates) + 50))[50:]
        wave = soilheat.fit_harmonic(dates, truth + noise)
        filled = soilheat.fill_from_harmonic(wave, dates, level=0.9)
        days_inside.append(((truth + noise >= filled["soil_c_low"]) & (truth + noise <= filled["soil_c_high"])).mean())
        wave_se = np.sqrt(filled["soil_c_se"] ** 2 - wave.residual_c_sd**2)
        wave_inside.append((np.abs(filled["soil_c"] - truth) < 1.644854 * wave_se).mean())
    assert filled["filled"].all()
    assert np.mean(days_inside) == pytest.approx(0.9, abs=0.01)
    # 200 waves; an interval that ignored the likeness of neighbours would hold about half of the time
    assert np.mean(wave_inside) == pytest.approx(0.9, abs=0.04)


def test_too_little_to_tell_a_year():
    dates = pd.date_range("2024-06-01", periods=40)
    with pytest.raises(PatchstatsError, match="needs at least 30 days of temperature spread over 90; there are 40"):
        soilheat.fit_harmonic(dates, np.linspace(10, 20, 40))
    with pytest.raises(PatchstatsError, match="dates of the readings are needed"):
        soilheat.daily_mean_at_depth([20.0], depth_cm=10.0, hour=8.0, wave=soilheat.DailyWave(1, 0, 2, 0, 1),
                                     annual=soilheat.fit_harmonic(SEASON, np.cos(np.arange(len(SEASON)) / 58)))
