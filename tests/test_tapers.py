"""Tape technique: both witnesses against known scatter, and the drawing towards the club's middle."""

import numpy as np
import pandas as pd
import pytest
from scipy.special import polygamma
from scipy.stats import norm
from test_growthpath import SET, holland

from patchstats.gains import daily_gains
from patchstats.remarks import PatchstatsError
from patchstats.tables import conform
from patchstats.tapers import common_variance, tape_errors, tape_scatter, tape_words
from patchstats.units import METRIC


def club_of(scatter_cm, *, doubled, days=None, fruits_each=6, seed=1):
    """Growers with the given scatter [cm] of one total; every taping made ``doubled`` times over."""
    rng = np.random.default_rng(seed)
    days = np.arange(60.0, 95.0) if days is None else days
    fruits, readings = [], []
    for grower, sd in scatter_cm.items():
        for i in range(fruits_each):
            name = f"{grower}/2021/{i}"
            fruits.append({"fruit": name, "plant": name, "patch": f"{grower}/home", "grower": grower, "season": 2021,
                           "kind": "pumpkin", "set_date": SET})
            at = np.repeat(days, doubled)
            readings.append(pd.DataFrame({
                "fruit": name, "date": SET + pd.to_timedelta(at, unit="D"),
                "over_the_top_cm": holland(at, 900.0) + rng.normal(0, sd, len(at)), "line": np.arange(len(at))}))
    return {"fruits": conform("fruits", pd.DataFrame(fruits)), "readings": conform("readings", pd.concat(readings))}


SCATTER = {"Ada Brook": 1.0, "Ben Cole": 2.0, "Cid Dunn": 1.4}


@pytest.mark.parametrize("doubled", [1, 2])
def test_the_scatter_of_each_member_is_found(doubled):
    found = tape_scatter(club_of(SCATTER, doubled=doubled))
    assert (found["doubled"] > 0).all() == (doubled == 2)
    assert (found["neighbours"] > 0).all() == (doubled == 1)
    for grower, sd in SCATTER.items():
        # The standard error of a standard deviation is sd / sqrt(2 df); three of them.
        assert abs(found.loc[grower, "raw_tape_cm_sd"] - sd) < 3 * sd / np.sqrt(2 * found.loc[grower, "df"])


def test_intervals_cover():
    hits = []
    for seed in range(40):
        found = tape_scatter(club_of(SCATTER, doubled=1, fruits_each=2, seed=seed), level=0.8)
        truth = pd.Series(SCATTER).reindex(found.index)
        hits += ((found["tape_cm_sd_low"] <= truth) & (truth <= found["tape_cm_sd_high"])).tolist()
    # 120 intervals at level 0.8: 99 % of binomial counts lie between 84 and 107 (scipy.stats.binom).
    assert 84 <= sum(hits) <= 107


def test_few_tapings_are_drawn_to_the_middle_of_the_club():
    members = {f"Member {i}": 1.3 for i in range(8)}
    found = tape_scatter(club_of(members, doubled=2, days=np.array([60.0, 70.0]), fruits_each=1))
    middle = found["club_cm_sd"].iloc[0]
    assert np.abs(found["tape_cm_sd"] - middle).max() < 0.6 * np.abs(found["raw_tape_cm_sd"] - middle).max()
    assert found["tape_cm_sd"].rank().equals(found["raw_tape_cm_sd"].rank())


def test_the_middle_of_the_club_has_half_of_the_members_on_either_side():
    # Members whose scatters differ much: the middle is theirs, 1.3 cm, and not what their variances are drawn to.
    spread = np.exp(norm.ppf((np.arange(15) + 0.5) / 15) * 0.5)
    found = tape_scatter(club_of({f"Member {i:02d}": 1.3 * x for i, x in enumerate(spread)}, doubled=2, fruits_each=3))
    assert found["club_cm_sd"].iloc[0] == pytest.approx(1.3, rel=0.1)  # 15 members: 0.5 / sqrt(15) is 0.13
    assert 5 <= (found["tape_cm_sd"] < found["club_cm_sd"]).sum() <= 10


def test_common_variance_recovers_its_own_model():
    # Variances s2 = s2_0 * F(d, d0) (Smyth 2004, section 6): draw them, find s2_0 and d0 again.
    rng = np.random.default_rng(7)
    df, weight, common = 6.0, 8.0, 2.0
    variance = common * rng.f(df, weight, size=20_000)
    found, worth = common_variance(variance, np.full(len(variance), df))
    assert found == pytest.approx(common, rel=0.03)
    assert worth == pytest.approx(weight, rel=0.06)


def test_variances_that_differ_by_chance_alone_share_one():
    rng = np.random.default_rng(8)
    variance = 2.0 * rng.chisquare(10, size=200) / 10
    spread = np.var(np.log(variance), ddof=1)
    found, worth = common_variance(variance, np.full(200, 10.0))
    assert found == pytest.approx(2.0, rel=0.1)
    assert worth > 100 or spread > polygamma(1, 5.0)


def test_a_slip_on_a_doubled_day_is_no_scatter():
    club = club_of({"Ada Brook": 1.0}, doubled=2)
    calm = tape_scatter(club)["raw_tape_cm_sd"].iloc[0]
    club["readings"].loc[club["readings"].index[3], "over_the_top_cm"] += 254.0
    assert tape_scatter(club)["raw_tape_cm_sd"].iloc[0] == pytest.approx(calm, rel=0.05)


def test_the_errors_serve_the_gains():
    club = club_of({"Ada Brook": 1.0, "Ben Cole": 3.0}, doubled=1)
    gains = daily_gains(club, tape_se_cm=tape_errors(club)).groupby("grower")["mass_kg_se"].mean()
    scatter = tape_scatter(club)["tape_cm_sd"]
    assert gains["Ben Cole"] / gains["Ada Brook"] == pytest.approx(scatter["Ben Cole"] / scatter["Ada Brook"], rel=0.02)


def test_members_are_told_kindly_and_only_what_is_sure():
    members = {f"Member {i}": 1.3 for i in range(6)} | {"Poor Tape": 2.6, "Fine Tape": 0.65}
    found = tape_scatter(club_of(members, doubled=1), level=0.99)
    told = tape_words(found)
    assert list(told.index) == list(found.index)
    assert "Taping twice a day" in told["Poor Tape"] and "Others could learn" in told["Fine Tape"]
    others = told[found.index.str.startswith("Member")]
    assert not others.str.contains("Taping twice|Others could").any()
    own, middle = found.loc["Poor Tape", ["tape_cm_sd", "club_cm_sd"]] / 2.54
    assert told["Poor Tape"].startswith(f"Your tape scatters {own:.1f} in (")
    assert f"the club's middle is {middle:.1f} in." in told["Poor Tape"]
    assert "cm" in tape_words(found, shown=METRIC)["Poor Tape"]
    assert tape_words(tape_scatter({})).empty


def test_a_club_without_witnesses_has_no_rows():
    assert tape_scatter({}).empty
    with pytest.raises(PatchstatsError, match="between 0 and 1"):
        tape_scatter({}, level=90)
