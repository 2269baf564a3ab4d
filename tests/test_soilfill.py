"""Soil filled: one depth, gaps, neighbours, air; and never without saying so."""

import numpy as np
import pandas as pd
import pytest
from scipy.signal import lfilter

from patchstats.demo import simulate
from patchstats.gains import daily_gains
from patchstats.patchdays import patch_days
from patchstats.soilfill import _autoregression, filled_days, soil_against_air
from patchstats.soilheat import damping_depth_cm, fit_harmonic, soil_from_air, soil_wave_c
from patchstats.tables import conform


@pytest.fixture(scope="module")
def demo():
    return simulate(seed=3, members=16, seasons=2).tables


@pytest.fixture(scope="module")
def blanked(demo):
    """The demo with stretches of six days taken out of the soil, and what stood there."""
    rng = np.random.default_rng(0)
    soil = demo["soil"].reset_index(drop=True)
    hide = np.zeros(len(soil), bool)
    for rows in soil.groupby(["patch", soil["date"].dt.year]).groups.values():
        for _ in range(3):
            start = rng.choice(soil.loc[rows, "date"].to_numpy())
            inside = (soil.loc[rows, "date"] >= start) & (soil.loc[rows, "date"] < start + np.timedelta64(6, "D"))
            hide[rows[inside]] = True
    taken = soil[hide].groupby(["patch", "date"])["soil_c"].mean()
    return filled_days({**demo, "soil": soil[~hide]}).set_index(["patch", "date"]), taken


def test_gaps_are_filled_well_and_their_intervals_cover(blanked):
    days, taken = blanked
    found = days.reindex(taken.index)
    rows = (found["soil_source"] == "filled").to_numpy()
    assert rows.mean() > 0.95
    error = (found["soil_c"] - taken)[rows]
    assert np.sqrt((error**2).mean()) < 0.3 * taken.std()
    inside = (found["soil_c_low"] <= taken) & (taken <= found["soil_c_high"])
    # Hundreds of days in stretches that err together: within 0.06 of the level of 0.9.
    assert inside[rows].mean() == pytest.approx(0.9, abs=0.06)


def test_what_was_measured_stays_and_what_was_not_is_marked(demo):
    days = filled_days(demo).set_index(["patch", "date"])
    read = demo["soil"].groupby(["patch", "date"])["soil_c"].mean()
    assert days.loc[read.index, "soil_c"].to_numpy() == pytest.approx(read.to_numpy(), abs=1e-9)
    assert (days.loc[read.index, "soil_source"] == "probe").all()
    others = days.drop(read.index)
    assert set(others["soil_source"]) <= {"filled", "air", "missing"}
    assert others.loc[others["soil_source"] == "missing", "soil_c"].isna().all()


def test_a_patch_without_a_probe_borrows_with_a_larger_error(demo):
    patch = demo["soil"]["patch"].iloc[0]
    without = {**demo, "soil": demo["soil"][demo["soil"]["patch"] != patch]}
    days = filled_days(without)
    mine, others = days["patch"] == patch, days["soil_source"].eq("filled") & (days["patch"] != patch)
    assert set(days.loc[mine, "soil_source"]) <= {"filled", "air", "missing"}
    assert (days.loc[mine, "soil_source"] == "filled").mean() > 0.8
    assert days.loc[mine, "soil_c_se"].median() > days.loc[others, "soil_c_se"].quantile(0.25)


def test_standing_on_a_day_knows_nothing_later(demo):
    date = pd.Timestamp(demo["soil"]["date"].iloc[-1].year, 8, 1)
    then = filled_days(demo, as_of=date)
    assert then["date"].max() <= date
    wild = {**demo, "soil": demo["soil"].assign(
        soil_c=lambda t: t["soil_c"].where(t["date"] <= date, 44.0))}
    pd.testing.assert_frame_equal(then, filled_days(wild, as_of=date))


def test_gains_take_the_filled_days(demo):
    bare, full = daily_gains(demo), daily_gains(demo, days=filled_days(demo))
    assert full["soil_c"].notna().sum() > bare["soil_c"].notna().sum()
    assert "filled" in set(full["soil_source"])
    measured = (full["soil_source"] == "probe").to_numpy()
    assert full["soil_c"][measured].to_numpy() == pytest.approx(bare["soil_c"][measured].to_numpy(), abs=1e-9)
    assert full["heat_c_day"].equals(bare["heat_c_day"])


def test_smoother_is_the_conditional_normal():
    # Closed form: state covariance s2 phi**|i - j|, noise n2 on the days seen; conditional mean and variance.
    rng = np.random.default_rng(1)
    y = rng.normal(size=20)
    y[[3, 4, 5, 11, 19]] = np.nan
    phi, lasting, noise = 0.8, 1.5, 0.4
    seen = np.isfinite(y)
    state = lasting * phi ** np.abs(np.subtract.outer(np.arange(20), np.arange(20)))
    gain = state[:, seen] @ np.linalg.inv(state[np.ix_(seen, seen)] + noise * np.eye(seen.sum()))
    level, variance = _autoregression(y, phi, lasting, noise)
    assert level == pytest.approx(gain @ y[seen], abs=1e-9)
    assert variance == pytest.approx(np.diag(state - gain @ state[seen]), abs=1e-9)


def test_probes_at_two_depths_and_hours_tell_one_mean():
    # Readings made from the damped daily wave (Hillel 1982) at 5 and 15 cm, mornings and evenings; the day's mean at
    # 10 cm is the same for both patches.
    dates = pd.date_range("2021-06-01", periods=40)
    mean = 18.0 + 3.0 * np.sin(np.arange(40) / 9.0)
    rows = []
    for patch, depth in (("Ada Brook/home", 5.0), ("Ben Cole/home", 15.0)):
        for hour in (7.0, 13.0, 19.0):
            value = soil_wave_c(depth, hour / 24.0, mean_c=mean, amplitude_c=7.0, minimum_days=3.0 / 24.0,
                                period_days=1.0, damping_cm=damping_depth_cm())
            rows.append(pd.DataFrame({"patch": patch, "date": dates, "time_of_day": f"{int(hour):02d}:00",
                                      "soil_c": value, "depth_cm": depth}))
    soil = pd.concat(rows, ignore_index=True)
    club = {"soil": conform("soil", soil.assign(line=np.arange(len(soil))))}
    found = filled_days(club).pivot(index="date", columns="patch", values="soil_c")
    assert found.to_numpy() == pytest.approx(np.column_stack([mean, mean]), abs=1e-6)
    raw = patch_days(club).pivot(index="date", columns="patch", values="soil_c")
    assert np.abs(raw.to_numpy() - mean[:, None]).max() > 0.3  # what would have been said without


# ---------------------------------------------------------------------------------------------------
# Air

RATIO, LAG_DAYS, OFFSET_C = 0.8, 12.0, 1.5  # of the soil's yearly wave to the air's; patches differ


def patch_record(rng, name, years, days, *, alike=False):
    """A patch's weather and soil: yearly waves, the soil's of its own amplitude, lag and offset, and likely weather."""
    spread = 0.0 if alike else 1.0
    mean, swing = 10.0 + rng.normal(), 11.0 + 0.5 * rng.normal()
    ratio, lag, offset = (a + spread * b * rng.normal() for a, b in ((RATIO, 0.12), (LAG_DAYS, 5.0), (OFFSET_C, 1.0)))
    parts = []
    for year in years:
        date = pd.date_range(f"{year}-05-25", periods=days)
        turn = 2.0 * np.pi / 365.25 * ((date - pd.Timestamp("2000-01-20")) / pd.Timedelta(days=1)).to_numpy()
        weather, ground = (lfilter([1.0], [1.0, -phi], rng.normal(0, sd, days + 30))[30:]
                           for phi, sd in ((0.6, 1.5), (0.7, 0.6)))
        air = mean - swing * np.cos(turn) + weather
        true = mean + offset - ratio * swing * np.cos(turn - 2.0 * np.pi * lag / 365.25) + ground
        parts.append(pd.DataFrame({"patch": name, "date": date, "air_max_c": air + 6.0, "air_min_c": air - 6.0,
                                   "true_c": true, "soil_c": true + rng.normal(0, 0.3, days), "depth_cm": 10.0}))
    return pd.concat(parts, ignore_index=True)


def air_club(seed, patches=9):
    """A club where patch M0 has no probe and nobody read one from 1 to 20 August; and what was true."""
    rng = np.random.default_rng(seed)
    made = pd.concat([patch_record(rng, f"M{i}/home", (2021, 2022), 140) for i in range(patches)], ignore_index=True)
    hidden = made["patch"].eq("M0/home") | (made["date"].dt.month.eq(8) & made["date"].dt.day.le(20))
    lines = np.arange(len(made))
    soil = made.loc[~hidden, ["patch", "date", "soil_c", "depth_cm"]].assign(line=lines[~hidden])
    weather = made[["patch", "date", "air_max_c", "air_min_c"]].assign(line=lines)
    return {"soil": conform("soil", soil), "weather": conform("weather", weather)}, made


@pytest.fixture(scope="module")
def from_air():
    found = []
    for seed in range(10):
        club, made = air_club(seed)
        days = filled_days(club).merge(made[["patch", "date", "true_c"]], on=["patch", "date"])
        days = days[days["soil_source"] == "air"]
        hit = days["true_c"].between(days["soil_c_low"], days["soil_c_high"])
        found.append(pd.DataFrame({"own": days["patch"] != "M0/home", "hit": hit,
                                   "error": days["soil_c"] - days["true_c"], "club": seed}))
    return pd.concat(found)


@pytest.mark.parametrize("own", [True, False])
def test_intervals_of_soil_from_air_cover(from_air, own):
    shares = from_air[from_air["own"] == own].groupby("club")["hit"].mean()
    # the days of a club err together: three standard errors of 10 clubs
    assert len(shares) == 10
    assert abs(shares.mean() - 0.9) < 3 * shares.std(ddof=1) / np.sqrt(10) + 0.01


def test_a_patch_with_a_probe_has_its_own_amplitude_and_lag(from_air):
    rmse = (from_air.groupby("own")["error"].apply(lambda e: (e**2).mean())) ** 0.5
    assert rmse[True] < 1.0  # the weather in its soil is 0.6 / sqrt(1 - 0.7**2) = 0.84 C, which no wave can tell
    assert rmse[False] > rmse[True]


def test_the_formula_alone_would_miss_what_the_ground_of_a_club_is_like(from_air):
    club, made = air_club(0)
    own = made[made["patch"].ne("M0/home") & made["date"].dt.month.eq(8) & made["date"].dt.day.le(20)]
    errors = []
    for patch, rows in own.groupby("patch"):
        weather = club["weather"][club["weather"]["patch"] == patch]
        air = fit_harmonic(weather["date"], 0.5 * (weather["air_max_c"] + weather["air_min_c"]))
        errors.append(soil_from_air(air).at(rows["date"]) - rows["true_c"])
    rmse = np.sqrt((np.concatenate(errors) ** 2).mean())
    assert rmse > 1.5 * np.sqrt((from_air.loc[from_air["own"], "error"] ** 2).mean())


def test_with_few_patches_the_patchs_own_probe_tells_its_wave():
    # Two patches cannot say how patches differ: the one with a probe keeps its own wave, the other has the formula.
    club, _ = air_club(3, patches=2)
    days = filled_days(club)
    for patch, wave in (("M1/home", None), ("M0/home", "air")):
        part = days[days["patch"] == patch]
        if wave == "air":
            told = soil_from_air(fit_harmonic(part["date"], 0.5 * (part["air_max_c"] + part["air_min_c"])))
        else:
            told = fit_harmonic(part["date"], part["soil_c"].where(part["soil_source"] == "probe"))
        air = part[part["soil_source"] == "air"]
        assert len(air) >= 40
        assert air["soil_c"].to_numpy() == pytest.approx(told.at(air["date"]), abs=1e-9)


def test_amplitude_lag_and_offset_are_told_per_patch_with_their_errors():
    # Twelve patches alike, over two whole years: 0.8 times the air's amplitude, 12 days later and 1.5 C warmer.
    rng = np.random.default_rng(6)
    made = pd.concat([patch_record(rng, f"M{i}/home", (2021,), 730, alike=True) for i in range(12)])
    made["line"] = np.arange(len(made))
    club = {"soil": conform("soil", made[["patch", "date", "soil_c", "depth_cm", "line"]]),
            "weather": conform("weather", made[["patch", "date", "air_max_c", "air_min_c", "line"]])}
    found = soil_against_air(club, level=0.9).set_index(["quantity", "patch"])
    for quantity, truth in (("amplitude_ratio", RATIO), ("lag_days", LAG_DAYS), ("offset_c", OFFSET_C)):
        rows = found.loc[quantity]
        assert len(rows) == 12
        inside = rows["low"].le(truth) & rows["high"].ge(truth)
        assert inside.sum() >= 8  # of 12 at level 0.9: fewer come by chance once in 230 (scipy.stats.binom)
        assert (rows["se"] > 0).all()


def test_a_club_without_soil_is_left_empty():
    assert filled_days({}).empty
