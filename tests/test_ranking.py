"""Chances, ranks and pairs from joint errors."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from patchstats.ranking import adjust, chances, pairs, ranks
from patchstats.remarks import ModelError


def made(shift, covariance):
    names = [f"g{i}" for i in range(len(shift))]
    return pd.Series(shift, index=names, dtype=float), pd.DataFrame(covariance, index=names, columns=names)


# P(X > Y) = Phi(difference / sqrt(s1^2 + s2^2 - 2 rho s1 s2)): closed form, values computed with mpmath 1.4.1.
@pytest.mark.parametrize(("shift", "covariance", "chance"), [
    ((1.0, 0.0), np.eye(2), 0.760249938907),
    ((5.0, 0.0), np.diag([9.0, 16.0]), 0.841344746069),
    ((5.0, 0.0), [[9.0, 6.0], [6.0, 16.0]], 0.917241070651),
])
def test_chance_of_the_better(shift, covariance, chance):
    found = chances(*made(shift, covariance))
    assert found.iloc[0, 1] == pytest.approx(chance, abs=5e-13)
    assert found.iloc[1, 0] == pytest.approx(1 - chance, abs=5e-13)
    assert (np.diag(found) == 0.5).all()


# Chance of being the best of three, by numerical integration (mpmath 1.4.1).
@pytest.mark.parametrize(("shift", "sds", "best"), [
    ((1.0, 0.0, 0.0), (1.0, 1.0, 1.0), (0.633702045778, 0.183148977, 0.183148977)),
    ((2.0, 1.0, 0.0), (1.0, 1.0, 1.0), (0.728751015300, 0.224098304780, 0.047150679919)),
    ((1100.0, 1050.0, 1000.0), (60.0, 80.0, 100.0), (0.5884226657, 0.2642105303, 0.1473668040)),
])
def test_chance_of_being_first(shift, sds, best):
    draws = 200_000
    found = ranks(*made(shift, np.diag(np.square(sds))), draws=draws, top=1).loc[["g0", "g1", "g2"]]
    # Four standard errors of the simulation; the seed is fixed.
    assert found["first"].to_numpy() == pytest.approx(np.array(best), abs=4 * 0.5 / np.sqrt(draws))
    assert (found["first"] == found["top_1"]).all()


def test_levels_with_one_error_between_them_keep_their_order():
    """Law: errors that are the same for all cannot change the order, however large."""
    shift, covariance = made((2.0, 1.0, 0.0), np.full((3, 3), 1e6))
    found = ranks(shift, covariance)
    assert found["rank"].tolist() == [1, 2, 3] and found["first"].iloc[0] == 1.0
    assert (found["low"] == found["high"]).all()


def test_ranks_do_not_depend_on_the_scale():
    """Law: kilograms or grams, the same ranks."""
    shift, covariance = made((3.0, 1.0, 0.5), np.diag([1.0, 2.0, 3.0]))
    pd.testing.assert_frame_equal(ranks(shift, covariance), ranks(shift * 1e-3, covariance * 1e-6))


def test_pairs_adjust_for_how_many_they_are():
    # Holm's rule, p.adjust of R 4.2.2: (.01, .04, .03, .005) gives .03 .06 .06 .02; here by normal p-values.
    rng = np.random.default_rng(5)
    shift, covariance = made(rng.normal(size=5) * 2, np.eye(5) * 0.3)
    found = pairs(shift, covariance, level=0.95)
    ordered = found.sort_values("p")
    m = len(found)
    holm = np.minimum(np.maximum.accumulate(ordered["p"].to_numpy() * (m - np.arange(m))), 1.0)
    assert ordered["p_adjusted"].to_numpy() == pytest.approx(holm, rel=1e-12)
    assert (found["told_apart"] == (found["p_adjusted"] <= 0.05)).all()
    assert found["p"].to_numpy() == pytest.approx(2 * stats.norm.sf(found["difference"] / np.sqrt(0.6)), rel=1e-12)
    assert (found["difference"] >= 0).all() and (found["low"] <= found["difference"]).all()
    few = pairs(shift, covariance, method="fdr_bh", level=0.95)
    assert few["told_apart"].sum() >= found["told_apart"].sum()


def test_simultaneous_intervals_cover_together():
    """Of 20,000 simulated tables of ten pairs, at least 90 % have every true difference inside (less three binomial
    errors); the intervals' reach depends on the errors alone, so one table tells it."""
    rng = np.random.default_rng(8)
    truth = rng.normal(size=5)
    found = pairs(*made(truth, np.eye(5) * 0.25))
    reach = (found["high"] - found["difference"]).to_numpy()
    errors = pd.DataFrame(rng.normal(size=(20_000, 5)) * 0.5, columns=[f"g{i}" for i in range(5)])
    off = errors[found["better"]].to_numpy() - errors[found["worse"]].to_numpy()
    inside = (np.abs(off) <= reach).all(axis=1).mean()
    assert inside >= 0.9 - 3 * np.sqrt(0.9 * 0.1 / 20_000)
    assert inside <= 0.97  # and is not bought with reach without end: Bonferroni's loss for ten pairs of five is small


def test_an_unknown_adjustment_is_refused():
    with pytest.raises(ModelError, match="'holm' or 'fdr_bh', not 'none'"):
        pairs(*made((1.0, 0.0), np.eye(2)), method="none")


# Benjamini and Hochberg 1995, JRSS B 57:289-300, section 3.2: fifteen p-values of a trial (from memory; the adjusted
# values are those of p.adjust in R 4.2.2).
FIFTEEN = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528,
           0.7590, 1.0]


def test_the_first_example_of_false_discoveries():
    told, adjusted = adjust(FIFTEEN, method="fdr_bh", level=0.95)
    assert told.sum() == 4  # printed: four hypotheses rejected
    assert adjusted == pytest.approx([0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645, 0.0765,
                                      0.486, 0.581182, 0.714875, 0.753231, 0.813214, 1.0], abs=5e-7)
    told, adjusted = adjust(FIFTEEN, method="holm", level=0.95)
    assert told.sum() == 3
    assert adjusted == pytest.approx([0.0015, 0.0056, 0.0247, 0.114, 0.2211, 0.278, 0.278, 0.278, 0.3213]
                                     + [1.0] * 6, abs=5e-5)


# Worked values of p.adjust in R 4.2.2.
def test_false_discoveries_of_five():
    assert adjust([0.008, 0.03, 0.123, 0.6, 0.2], method="fdr_bh")[1] == pytest.approx([0.04, 0.075, 0.205, 0.6, 0.25])
    assert adjust([0.01, 0.04, 0.03, 0.005], method="fdr_bh")[1] == pytest.approx([0.02, 0.04, 0.04, 0.02])


def test_one_level_has_no_pairs():
    assert pairs(*made((1.0,), [[1.0]])).empty
    assert ranks(*made((1.0,), [[1.0]]))["first"].tolist() == [1.0]


def test_levels_that_nothing_tells_apart_are_drawn_by_lot():
    """Law of symmetry: five levels alike come first one time in five each (4 standard errors of the simulation)."""
    found = ranks(*made(np.zeros(5), np.zeros((5, 5))), draws=20_000)
    assert found["first"].to_numpy() == pytest.approx(0.2, abs=4 * np.sqrt(0.2 * 0.8 / 20_000))
    assert found["top_3"].to_numpy() == pytest.approx(0.6, abs=4 * np.sqrt(0.6 * 0.4 / 20_000))
    assert (found["low"] == 1).all() and (found["high"] == 5).all()
