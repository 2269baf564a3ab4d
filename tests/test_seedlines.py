"""Seed lines: breeding values through the pedigree, heritability, crosses; practices; answers in one call."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from patchstats import demo
from patchstats.drivers import fit_drivers
from patchstats.kinship import relationship_matrix
from patchstats.practices import PRACTICES, best_against_middle, patch_practices
from patchstats.remarks import ModelError
from patchstats.seedlines import cross_plan, heritability, open_pollination_sensitivity, seed_lines
from patchstats.seednames import read_seed_name


@pytest.fixture(scope="module")
def club():
    return demo.simulate()


@pytest.fixture(scope="module")
def found(club):
    return fit_drivers(club.tables)


@pytest.fixture(scope="module")
def lines(club, found):
    return seed_lines(club.tables, found)


def test_true_lines_follow_and_intervals_cover(club, lines):
    """The invented club knows each planted line's true shift."""
    true = club.latent["fruits"].groupby("seed")["seed_percent"].first()
    true.index = [read_seed_name(name).name for name in true.index]
    planted = lines.values[lines.values["planted"]]
    true = true.reindex(planted.index)
    assert true.notna().all()
    assert np.corrcoef(true, planted["value"])[0, 1] > 0.5
    gap = true - true.mean()
    centred = planted[["low", "high"]].sub(planted["value"].mean(), axis=0)
    inside = int(((centred["low"] <= gap) & (gap <= centred["high"])).sum())
    assert inside >= stats.binom.ppf(0.001, len(planted), 0.9)


def test_reliability_grows_with_fruits_and_ancestors_are_told_through_offspring(lines):
    values = lines.values
    assert values["reliability"].between(0.0, 1.0).all()
    many, one = values[values["fruits"] >= 8], values[values["fruits"] == 1]
    assert many["reliability"].mean() > one["reliability"].mean()
    unplanted = values[~values["planted"]]
    assert (unplanted["reliability"] > 0).any()


def test_this_seasons_pollen_changes_nothing(club, found, lines):
    """The pollen on the flower makes the seeds inside the fruit; it is no parent of the plant that feeds it."""
    tables = dict(club.tables)
    tables["fruits"] = tables["fruits"].assign(pollen="open")
    again = seed_lines(tables, found)
    pd.testing.assert_frame_equal(again.values, lines.values)


def test_heritability_is_the_lines_share_of_the_lasting_parts(lines):
    """Closed form: the ratio of the variances as the fit prints them."""
    sd = lines.fit.variances.xs("(Intercept)", level="column")["sd"]
    own = heritability(lines.fit)
    assert own["estimate"] == pytest.approx(sd["seed"] ** 2 / (sd**2).sum(), rel=1e-12)
    assert own["low"] < own["estimate"] < own["high"]
    assert lines.heritability["told"]


def test_heritability_is_of_the_lines_that_were_grown(club, found, lines):
    """Law (Legarra 2016, Theor. Popul. Biol. 107:26-30): among individuals with relationships A the variance to expect
    is that of the base times (mean of the diagonal - mean of A); here as the mean sample variance of drawn values.
    Seeds in the box that nobody planted change nothing."""
    rows = found.rows.loc[lines.fit.design.index].drop_duplicates("fruit")
    a = relationship_matrix(lines.pedigree)
    names = rows["seed"].map(lambda name: read_seed_name(name).name)
    root = np.linalg.cholesky(a.to_numpy() + 1e-12 * np.eye(len(a)))[a.index.get_indexer(names)]
    drawn = (root @ np.random.default_rng(5).standard_normal((len(a), 4000))).var(axis=0)
    ratio = lines.heritability["estimate"] / (1 - lines.heritability["estimate"])
    plain = heritability(lines.fit)["estimate"]
    assert ratio / (plain / (1 - plain)) == pytest.approx(drawn.mean(), abs=4 * drawn.std() / np.sqrt(4000))
    tables = dict(club.tables)
    last = rows["seed"].iloc[0]
    idle = pd.DataFrame({"seed": [f"{w} Nobody 25" for w in range(900, 960)], "seed_parent": last,
                         "pollen_parent": "self"})
    tables["seeds"] = pd.concat([tables["seeds"], idle], ignore_index=True)
    assert seed_lines(tables, found).heritability["estimate"] == pytest.approx(lines.heritability["estimate"], rel=1e-3)


def test_seed_in_hand_is_counted_in_all_its_spellings(club, lines):
    best = cross_plan(club.tables, lines)["seed_parent"].iloc[0]
    tables = dict(club.tables)
    here = tables["seeds"]["seed"].map(lambda name: read_seed_name(name).name) == best
    rest = tables["seeds"].assign(stock=tables["seeds"]["stock"].mask(here, 2))
    again = tables["seeds"][here].assign(seed=best.upper(), stock=3)
    tables["seeds"] = pd.concat([rest, again.astype(rest.dtypes.to_dict())], ignore_index=True)
    plan = cross_plan(tables, lines)
    selfed = plan[(plan["seed_parent"] == best) & (plan["pollen_parent"] == best)]
    assert selfed["stock"].tolist() == [5.0]


def test_crosses_have_the_mean_of_their_parents_and_only_seed_in_hand(club, lines):
    plan = cross_plan(club.tables, lines)
    value = lines.values["value"]
    middle = 0.5 * (value[plan["seed_parent"]].to_numpy() + value[plan["pollen_parent"]].to_numpy())
    assert plan["expected"].to_numpy() == pytest.approx(middle)
    assert plan["expected"].is_monotonic_decreasing and (plan["stock"] > 0).all()
    selfed = plan[plan["seed_parent"] == plan["pollen_parent"]]
    se = lines.values.loc[selfed["seed_parent"], "se"].to_numpy()
    assert selfed["expected_se"].to_numpy() == pytest.approx(se)  # a self's expected value is its parent's, error too
    assert (selfed["inbreeding"] >= 0.5).all()  # Wright: selfing an outbred parent gives F = 1/2
    none = dict(club.tables)
    none["seeds"] = none["seeds"].assign(stock=pd.array([0] * len(none["seeds"]), dtype="Int64"))
    with pytest.raises(ModelError, match="has seed in hand"):
        cross_plan(none, lines)


def test_what_open_pollen_is_taken_for_matters_little(club, found):
    table = open_pollination_sensitivity(club.tables, found).set_index("open_as")
    assert list(table.index) == ["unknown", "self", "sib"]
    assert table.loc["unknown", "largest_change"] == 0.0
    assert (table["agreement"] > 0.9).all()


def test_a_club_without_seeds_is_told_so(club, found):
    from dataclasses import replace

    bare = replace(found, rows=found.rows.assign(seed=None))
    with pytest.raises(ModelError, match="Fewer than two seed lines"):
        seed_lines(club.tables, bare)


def test_tapings_a_week_are_those_of_the_log(club, found):
    """Worked by hand for one patch: seven times the tapings after the first over the days they span."""
    table = patch_practices(club.tables, found)
    name = table.index[0]
    readings = club.tables["readings"]
    fruits = found.rows.loc[found.rows["patch_season"] == name, "fruit"].unique()
    count = days = 0
    for fruit in fruits:
        dates = readings.loc[readings["fruit"] == fruit, "date"].drop_duplicates().sort_values()
        count, days = count + len(dates) - 1, days + (dates.iloc[-1] - dates.iloc[0]).days
    assert table.loc[name, "tapings_week"] == pytest.approx(7 * count / days)


def test_practices_of_the_best_are_counted_honestly(club, found):
    table = best_against_middle(club.tables, found)
    assert set(table["practice"]) <= set(PRACTICES)
    m = len(table)
    ordered = table.sort_values("p")
    holm = np.minimum(np.maximum.accumulate(ordered["p"].to_numpy() * (m - np.arange(m))), 1.0)  # Holm 1979
    assert ordered["p_adjusted"].to_numpy() == pytest.approx(holm)
    size = table.set_index("practice").loc["secondaries"]
    assert size["difference"] > 0  # in the invented club bigger plants do feed faster fruit
    each = patch_practices(club.tables, found)
    assert each["covered_percent"].dropna().between(0, 100).all() and each.index.is_unique


def test_a_good_summer_is_not_taken_for_good_practice(club, found):
    """Law: the best are those of their own season, so that a season in which all gain more changes nothing."""
    from dataclasses import replace

    as_it_was = best_against_middle(club.tables, found)
    better = found.rows.assign(pace_percent=found.rows["pace_percent"] + 25.0 * found.rows["season"].eq(2020))
    again = best_against_middle(club.tables, replace(found, rows=better))
    columns = ["best", "middle", "difference", "p", "patches"]
    assert again[columns].to_numpy() == pytest.approx(as_it_was[columns].to_numpy(), rel=1e-9)


def test_practices_of_a_single_season(club, found):
    from dataclasses import replace

    one = replace(found, rows=found.rows[found.rows["season"] == 2022])
    table = best_against_middle(club.tables, one).set_index("practice")
    shown = table.loc["secondaries"]
    assert shown["difference"] == pytest.approx(shown["best"] - shown["middle"], rel=1e-9)  # nothing to match by


def test_too_few_patches_are_not_compared(club, found):
    from dataclasses import replace

    some = found.rows["patch_season"].drop_duplicates().head(12)
    few = replace(found, rows=found.rows[found.rows["patch_season"].isin(some)])
    with pytest.raises(ModelError, match="8 of each are needed"):
        best_against_middle(club.tables, few)
