"""Soil filled: one depth, gaps, neighbours, air; and never without saying so."""

import numpy as np
import pandas as pd
import pytest

from patchstats.demo import simulate
from patchstats.gains import daily_gains
from patchstats.patchdays import patch_days
from patchstats.soilfill import _autoregression, filled_days
from patchstats.soilheat import damping_depth_cm, soil_wave_c
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


def test_a_club_without_soil_is_left_empty():
    assert filled_days({}).empty
