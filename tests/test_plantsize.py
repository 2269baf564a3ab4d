"""Plant size: counts read off between, beyond and at the day of pollination."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from patchstats.plantsize import COUNT_SE, FARTHEST_DAYS, club_pace, size_at, size_at_set
from patchstats.remarks import PatchstatsError
from patchstats.tables import conform

START = pd.Timestamp("2021-06-01")


def club_of(counts, **fruit_columns):
    """``{plant label: [(day, secondaries), ...]}`` with a fruit set on day 30 on each plant."""
    sizes, fruits = [], []
    for label, rows in counts.items():
        plant = f"Ada Brook/2021/{label}"
        fruits.append({"fruit": plant, "plant": plant, "patch": "Ada Brook/home", "grower": "Ada Brook",
                       "season": 2021, "set_date": START + pd.Timedelta(days=30), **fruit_columns})
        sizes += [{"plant": plant, "date": START + pd.Timedelta(days=d), "secondaries": n} for d, n in rows]
    frame = pd.DataFrame(sizes).assign(line=lambda t: np.arange(len(t))) if sizes else pd.DataFrame()
    return {"sizes": conform("sizes", frame), "fruits": conform("fruits", pd.DataFrame(fruits))}


def at(club, label, days, **options):
    days = list(days)
    return size_at(club, "secondaries", plant=pd.Series([f"Ada Brook/2021/{label}"] * len(days)),
                   date=pd.Series([START + pd.Timedelta(days=d) for d in days]), **options)


# Fritsch and Carlson 1980, SIAM J. Numer. Anal. 17:238-246, table 1 (RPN 14 data; from memory of the paper, which is
# built on monotone data with flat stretches): what matters here is their theorem that the curve keeps the order.
def test_between_counts_the_size_never_turns_back():
    club = club_of({"A": [(0, 2), (10, 2), (12, 15), (30, 16), (31, 24)]})
    found = at(club, "A", range(32))
    assert (np.diff(found["value"]) >= -1e-12).all()
    assert found["value"].iloc[[0, 10, 12, 30, 31]].tolist() == pytest.approx([2, 2, 15, 16, 24])
    assert found["source"].iloc[[0, 5]].tolist() == ["counted", "between counts"]
    assert (found["se"] >= COUNT_SE["secondaries"]).all()


def test_counts_that_fall_back_are_evened_out():
    # Pool adjacent violators of (10, 14, 12, 20) is (10, 13, 13, 20): Barlow et al. 1972, by hand.
    found = at(club_of({"A": [(0, 10), (5, 14), (10, 12), (15, 20)]}), "A", [0, 5, 10, 15])
    assert found["value"].tolist() == pytest.approx([10, 13, 13, 20])


def pace_club(pace=0.4):
    return club_of({f"P{i}": [(0, 8 + i), (50, round(8 + i + 50 * (pace + 0.02 * (i - 3))))] for i in range(7)}
                   | {"A": [(25, 18)]})


def test_one_count_is_enough_and_the_club_carries_it():
    club = pace_club()
    pace, sd = club_pace(club, "secondaries")
    assert pace == pytest.approx(0.4)
    found = at(club, "A", [25, 30, 20, 25 + FARTHEST_DAYS, 26 + FARTHEST_DAYS])
    assert found["value"].tolist()[:3] == pytest.approx([18, 18 + 5 * pace, 18 - 5 * pace])
    # a count's own error, the plant's own pace, and the chance in 5 * pace vines
    assert found["se"].iloc[1] == pytest.approx(np.sqrt(1.0 + (5 * sd) ** 2 + 5 * pace))
    assert found["source"].tolist() == ["counted", "carried", "carried", "carried", "missing"]
    assert np.isnan(found["value"].iloc[-1])


def test_the_error_grows_with_the_days_carried():
    se = at(pace_club(), "A", [25, 27, 30, 40])["se"]
    assert se.is_monotonic_increasing and se.iloc[-1] > se.iloc[0]


def test_with_few_plants_nothing_is_known_of_the_pace():
    club = club_of({"A": [(25, 18)]})
    pace, sd = club_pace(club, "secondaries")
    assert (pace, sd) == (0.0, 1.8)
    assert at(club, "A", [30])["value"].tolist() == [18.0]


def test_size_at_set_prefers_what_the_grower_wrote():
    club = club_of({"A": [(25, 18)], "B": [(20, 12), (40, 22)]})
    club["fruits"].loc[0, "secondaries_at_set"] = 21
    found = size_at_set(club)
    assert found["value"].tolist() == pytest.approx([21, 17])
    assert found["source"].tolist() == ["logged at set", "between counts"]


def test_the_interval_is_the_normal_one_and_never_below_nothing():
    found = at(pace_club(), "A", [25, 40], level=0.8)
    half = norm.ppf(0.9) * found["se"]
    assert (found["high"] - found["value"]).tolist() == pytest.approx(half.tolist())
    assert (found["value"] - found["low"]).tolist() == pytest.approx(half.tolist())
    assert at(club_of({"A": [(25, 1)]}), "A", [25])["low"].tolist() == [0.0]
    with pytest.raises(PatchstatsError, match="between 0 and 1"):
        at(pace_club(), "A", [25], level=90)


def test_intervals_between_counts_cover():
    # Plants that gain secondary vines one by one, at a pace of their own: counted (to a vine, as COUNT_SE says) on
    # four days, asked for on the days between.
    rng = np.random.default_rng(12)
    counted, asked = np.array([0, 10, 20, 30]), np.array([4, 8, 13, 17, 24, 28])
    rows, truth = {}, {}
    for i in range(60):
        grown = 10 + np.cumsum(rng.poisson(rng.uniform(0.3, 0.7), 31))
        seen = np.maximum(grown[counted] + rng.normal(0, 1.0, 4), 0).round().astype(int)
        rows[f"P{i}"], truth[f"P{i}"] = list(zip(counted.tolist(), seen.tolist(), strict=True)), grown[asked]
    club = club_of(rows)
    hit = []
    for name, grown in truth.items():
        found = at(club, name, asked.tolist())
        hit.append(((found["low"] <= grown) & (grown <= found["high"])).mean())
    # 60 plants, three standard errors of their mean; whole vines make the share a step or two too large
    assert -3 * np.std(hit, ddof=1) / np.sqrt(60) < np.mean(hit) - 0.9 < 0.06


def test_where_the_fruit_sits_is_as_logged_or_not_known():
    club = club_of({"A": [(25, 18)], "B": [(20, 12)]})
    club["fruits"].loc[0, "distance_out_cm"] = 320.0
    found = size_at_set(club, "distance_out_cm")
    assert found["value"].fillna(-1.0).tolist() == [320.0, -1.0]
    assert found["source"].tolist() == ["logged at set", "missing"]
    assert found.loc[0, ["low", "high"]].tolist() == pytest.approx([320 - 16.4485, 320 + 16.4485], abs=5e-5)
    with pytest.raises(PatchstatsError, match="There is no plant size called 'leaves'; .* distance_out_cm"):
        size_at_set(club, "leaves")


@pytest.mark.parametrize("quantity", ["main_vine_cm", "covered_m2"])
def test_main_vine_and_ground_covered_are_read_like_the_vines(quantity):
    club = club_of({"A": [(20, 12), (40, 22)]})
    club["sizes"][quantity] = [300.0, 460.0]
    found = size_at_set(club, quantity)
    assert found["value"].tolist() == pytest.approx([380.0])
    assert found["source"].tolist() == ["between counts"]


def test_counts_made_later_can_be_shut_out():
    club = club_of({"B": [(20, 12), (40, 22)]})
    then = at(club, "B", [30], as_of=START + pd.Timedelta(days=35))
    assert then["source"].tolist() == ["carried"]
    assert then["value"].tolist() == [12.0]


def test_an_unknown_plant_or_quantity():
    club = club_of({"A": [(25, 18)]})
    assert at(club, "Z", [25])["source"].tolist() == ["missing"]
    with pytest.raises(PatchstatsError, match="There is no plant size called 'leaves'"):
        size_at(club, "leaves", plant=pd.Series(["A"]), date=pd.Series([START]))


def test_a_club_without_counts():
    assert size_at_set({"fruits": club_of({"A": []})["fruits"]})["source"].tolist() == ["missing"]
    assert size_at_set({}).empty
