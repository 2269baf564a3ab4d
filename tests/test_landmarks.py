"""Landmarks: the fastest days, inches at 40 and 60 days, and gains in windows."""

import numpy as np
import pytest
from test_growthpath import SETTINGS, club_of, holland, simulate

from patchstats.growthpath import PathSettings, fit_log, fruit_logs
from patchstats.landmarks import HOLLAND_PERCENT, _draw, path_landmarks, window_gains
from patchstats.remarks import PatchstatsError
from patchstats.tape import mass_from_tape

DAYS = np.arange(15.0, 101.0)


@pytest.fixture(scope="module")
def exact():
    return club_of({"A": (DAYS, holland(DAYS))})


CALM = PathSettings(level_sd=1e-6, slope_sd=0.001, fade_days=30.0)


def test_inches_at_40_and_60_days_are_hollands(exact):
    # Holland, N.E.P.G.A. Newsletter, June 1993: 77 % at 40 and 91 % at 60 days, of the harvest; here of day 100, by
    # which the curve through the two has reached exp(-2.0073 exp(-5.0966)) = 98.78 % (closed form).
    row = path_landmarks(exact, tape_se_cm=0.01, settings=CALM).iloc[0]
    for at, percent in HOLLAND_PERCENT.items():
        assert row[f"at_{at}_percent"] * 0.9878 == pytest.approx(percent, abs=0.5)


def test_fastest_days_are_those_of_the_curve_through_the_table(exact):
    fine = np.arange(20.0, 60.0, 0.01)
    mass = mass_from_tape(holland(fine))["mass_kg"].to_numpy()
    best = np.convolve(np.gradient(mass, fine), np.ones(500) / 500, mode="valid")
    row = path_landmarks(exact, tape_se_cm=0.01, settings=CALM).iloc[0]
    assert row["peak_days"] == pytest.approx(fine[best.argmax() + 250], abs=0.5)  # whole days and a half
    assert row["peak_gain_kg_day_low"] < best.max() < row["peak_gain_kg_day_high"]
    assert row["peak_gain_kg_day_se"] < 0.02 * best.max()
    assert row["note"] == ""


def test_a_log_that_ends_early_says_that_the_peak_may_lie_outside():
    early = club_of({"A": (DAYS[:14], holland(DAYS[:14]))})
    row = path_landmarks(early, settings=PathSettings()).iloc[0]
    assert row["note"] == "the fastest gain may lie outside the log"
    assert np.isnan(row["at_40_percent"])


def test_gain_in_a_window_is_the_difference_of_weights(exact):
    row = window_gains(exact, [(30, 50), (90, 120)], tape_se_cm=0.01, settings=CALM)
    assert row["from_day"].tolist() == [30]  # the second is not covered by the log
    mass = mass_from_tape(holland([30, 50]))["mass_kg"].to_numpy()
    assert row["gained_kg"].iloc[0] == pytest.approx(mass[1] - mass[0], rel=1e-4)
    assert row["gain_kg_day"].iloc[0] == pytest.approx((mass[1] - mass[0]) / 20, rel=1e-4)


def test_intervals_of_a_window_cover_and_the_same_seed_gives_the_same():
    logs, truth = simulate(SETTINGS, 60, np.arange(20.0, 60.0), np.random.default_rng(21))
    club = club_of(logs)
    found = window_gains(club, [(30, 45)], settings=SETTINGS, level=0.8, draws=100, seed=3)
    hit = []
    for row in found.itertuples():
        mass = mass_from_tape(truth[row.fruit][0][[10, 25]])["mass_kg"].to_numpy()
        hit.append(row.gained_kg_low <= mass[1] - mass[0] <= row.gained_kg_high)
    # 60 fruits at level 0.8: 99 % of binomial counts lie between 40 and 55 (scipy.stats.binom).
    assert len(hit) == 60
    assert 40 <= sum(hit) <= 55
    again = window_gains(club, [(30, 45)], settings=SETTINGS, level=0.8, draws=100, seed=3)
    assert found.equals(again)


def test_draws_are_those_of_the_smoother():
    # Against statsmodels' smoother: the middle of the draws is its level, their spread its standard error.
    logs, _ = simulate(SETTINGS, 1, np.arange(20.0, 60.0), np.random.default_rng(5))
    log = fruit_logs(club_of(logs), None, 1.27, None)[0]
    path, misfit = fit_log(log, SETTINGS)
    assert np.isnan(misfit).all()
    drawn = _draw(log, SETTINGS, 20_000, 1)
    assert drawn.mean(axis=0) == pytest.approx(path["level"].to_numpy(), abs=1e-9)
    assert drawn.std(axis=0) == pytest.approx(path["level_se"].to_numpy(), rel=0.04)  # 10,000 pairs: 5 sd is 0.035


def test_a_window_must_run_forward(exact):
    with pytest.raises(PatchstatsError, match="must end after it begins"):
        window_gains(exact, [(50, 30)])
