"""The criterion: minus twice the log-likelihood of a linear mixed model, and its exact gradient.

The model is ``y = X beta + Z b + e`` with ``e ~ N(0, sigma2 I)`` and, for each random term ``t``, the effects of
its levels independent (or related by a known matrix) with covariance ``sigma2 G_t``, ``G_t = L_t L_t'``. With
``V = I + Z G Z'`` and ``r2 = (y - X beta)' V^-1 (y - X beta)`` at the generalised least squares ``beta``,

    ML:    log|V| + n (1 + log(2 pi r2 / n))
    REML:  log|V| + log|X' V^-1 X| + (n - p) (1 + log(2 pi r2 / (n - p)))

(Bates, Maechler, Bolker & Walker 2015, Journal of Statistical Software 67(1), section 3; their Lambda is ``L``.)

Rows are never touched here. All that the criterion needs are cross-products summed over *cells*, a cell being a
distinct combination of grouping levels (:mod:`patchstats.lmm.moments`). Effects are eliminated in three steps:

1. *nested*: a term each of whose levels lies in one cell (a fruit, then its plant) is integrated out level by
   level. What is left is again a table of cells, a coarser one, so the step can be repeated;
2. *crossed*: the largest remaining term, whose block is still one small square per level;
3. *tail*: the remaining random effects, the fixed effects and ``y`` form one small dense matrix; its Cholesky
   factor gives the determinants, ``beta`` and ``r2``.

Integrating out a level with own block ``A``, coupling ``C`` to the rest, and covariance ``G`` replaces the rest
``S`` by ``S - C' K C`` with ``K = G (I + A G)^-1``, and adds ``log|I + A G|``. The gradient runs the same steps
backwards (reverse-mode differentiation): for every array ``Q`` of the way forward, ``Q_bar`` holds df/dQ.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patchstats.lmm.crossed import crossed_step, pull_back, shrink
from patchstats.lmm.elimination import Plan, Term, plan_elimination
from patchstats.lmm.moments import Moments
from patchstats.lmm.tail import TailStep

__all__ = ["Criterion", "Evaluation", "Term"]


@dataclass(frozen=True)
class Evaluation:
    """The criterion at one point.

    value: minus twice the (restricted) log-likelihood, profiled over sigma2 unless ``sigma2`` was given;
    logdet: log|V| (+ log|X'V^-1X| under REML); r2: weighted residual sum of squares; sigma2: the profiled (or
    given) residual variance; beta [p]; root_x [p, p]: upper Cholesky factor of X'V^-1X;
    g_bar: one matrix df/dG per random term (or None); moments_bar: df/d(cells, total) where asked for.
    """

    value: float
    logdet: float
    r2: float
    sigma2: float
    beta: np.ndarray
    root_x: np.ndarray
    g_bar: list[np.ndarray] | None = None
    moments_bar: tuple[np.ndarray, np.ndarray] | None = None


class Criterion:
    """Minus twice the (restricted) log-likelihood as a function of the terms' relative factors ``L_t``."""

    def __init__(self, moments: Moments, terms: list[Term], *, reml: bool = True):
        self.moments = moments
        self.terms = list(terms)
        self.reml = reml
        self.n_fixed = moments.total.shape[0] - 1
        self.freedom = moments.n_rows - (self.n_fixed if reml else 0)
        self.plan: Plan = plan_elimination(moments.codes, self.terms)

    def __call__(self, factors: list[np.ndarray], *, sigma2: float | None = None, gradient: bool = True,
                 moments: Moments | None = None, moments_bar: bool = False) -> Evaluation:
        """Evaluate at one relative factor per term; with ``sigma2`` the criterion is not profiled."""
        moments = moments or self.moments
        covariances = [factor @ factor.T for factor in factors]
        rows, total, logdet = moments.cells, moments.total, -moments.log_weight
        nested = []
        for stage in self.plan.nested:
            step = _NestedStep(stage, rows, total, covariances[stage.term])
            rows, total, logdet = step.rows, step.total, logdet + step.logdet
            nested.append(step)
        crossed = None
        if self.plan.crossed is not None:
            crossed = crossed_step(self.plan, self.plan.crossed, rows, covariances[self.plan.crossed.term])
            logdet += crossed.logdet
        tail = TailStep(self.plan, self.terms, rows, total, crossed, factors)
        logdet += tail.logdet_v + (tail.logdet_x if self.reml else 0.0)
        r2 = tail.r2
        if sigma2 is None:
            sigma2 = r2 / self.freedom
            value = logdet + self.freedom * (1.0 + np.log(2.0 * np.pi * sigma2))
        else:
            value = logdet + self.freedom * np.log(2.0 * np.pi * sigma2) + r2 / sigma2
        result = Evaluation(value, logdet, r2, sigma2, tail.beta, tail.root_x)
        if not gradient:
            return result
        g_bar: list[np.ndarray] = [np.zeros_like(covariance) for covariance in covariances]
        s_bar = tail.backward(self.reml, sigma2, g_bar)
        rows_bar, total_bar = tail.to_cells(s_bar, rows)
        if crossed is not None:
            g_bar[crossed.stage.term] += crossed.backward(s_bar, rows_bar)
        for number in reversed(range(len(nested))):
            step = nested[number]
            deeper = number > 0 or moments_bar
            term_bar, rows_bar = step.backward(rows_bar, total_bar, deeper)
            g_bar[step.stage.term] += term_bar
        return Evaluation(value, logdet, r2, sigma2, tail.beta, tail.root_x, g_bar,
                          (rows_bar, total_bar) if moments_bar else None)


class _NestedStep:
    """Integrates out a term whose levels are the cells; ``rows`` and ``total`` are the coarser table left."""

    def __init__(self, stage, rows, total, covariance):
        self.stage = stage
        self.source = rows if stage.sorted_already else rows[stage.order]
        self.couple = self.source[:, stage.own, :]
        self.block = self.couple[:, :, stage.own_columns]
        self.inverse, self.shrunk, self.logdet = shrink(self.block, covariance)
        self.scaled = self.shrunk @ self.couple
        flat, scaled = self._flat(self.couple), self._flat(self.scaled)
        n_fixed = total.shape[0]
        self.total = total - flat[:, -n_fixed:].T @ scaled[:, -n_fixed:]
        self.total = 0.5 * (self.total + self.total.T)
        if stage.kept:
            left = self.couple[:, :, stage.kept_columns].transpose(0, 2, 1) @ self.scaled
            left = self.source[:, stage.kept, :] - left
            self.rows = np.add.reduceat(left, stage.starts, axis=0)
        else:
            self.rows = np.zeros((0, 0, rows.shape[2]))

    @staticmethod
    def _flat(array):
        return array.reshape(-1, array.shape[2])

    def backward(self, rows_bar, total_bar, deeper):
        stage, couple = self.stage, self.couple
        n_fixed = total_bar.shape[0]
        fixed = couple[:, :, -n_fixed:]
        fixed_bar = fixed @ total_bar
        shrunk_bar = -(fixed_bar @ fixed.transpose(0, 2, 1))
        if stage.kept:
            spread = rows_bar[stage.parent]
            pushed = couple[:, :, stage.kept_columns] @ spread
            sided = pushed @ couple.transpose(0, 2, 1)
            shrunk_bar = shrunk_bar - 0.5 * (sided + sided.transpose(0, 2, 1))
        term_bar, block_bar = pull_back(self.block, self.inverse, self.shrunk, shrunk_bar, deeper)
        if not deeper:
            return term_bar, None
        couple_bar = np.zeros_like(couple)
        couple_bar[:, :, -n_fixed:] -= 2.0 * (self.shrunk @ fixed_bar)
        couple_bar[:, :, stage.own_columns] += block_bar
        source_bar = np.zeros_like(self.source)
        if stage.kept:
            couple_bar -= self.shrunk @ pushed
            couple_bar[:, :, stage.kept_columns] -= self.scaled @ spread.transpose(0, 2, 1)
            source_bar[:, stage.kept, :] += spread
        source_bar[:, stage.own, :] += couple_bar
        if stage.sorted_already:
            return term_bar, source_bar
        result = np.empty_like(source_bar)
        result[stage.order] = source_bar
        return term_bar, result
