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
from scipy import sparse

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
            crossed = _CrossedStep(self.plan, self.plan.crossed, rows, covariances[self.plan.crossed.term])
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


def _shrink(block: np.ndarray, covariance: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """``E = (I + A G)^-1``, ``K = G E`` and ``sum log|I + A G|`` for own blocks ``A`` [levels, q, q]."""
    size = block.shape[1]
    if size == 1:
        core = 1.0 + block * covariance[0, 0]
        inverse = 1.0 / core
        return inverse, covariance[0, 0] * inverse, float(np.log(core).sum())
    core = block @ covariance
    core[:, range(size), range(size)] += 1.0
    if size == 2:
        (a, b), (c, d) = (core[:, 0, 0], core[:, 0, 1]), (core[:, 1, 0], core[:, 1, 1])
        det = a * d - b * c
        inverse = np.empty_like(core)
        inverse[:, 0, 0], inverse[:, 0, 1], inverse[:, 1, 0], inverse[:, 1, 1] = d / det, -b / det, -c / det, a / det
        logdet = float(np.log(det).sum())
    else:
        inverse = np.linalg.inv(core)
        logdet = float(np.linalg.slogdet(core)[1].sum())
    shrunk = covariance @ inverse
    return inverse, 0.5 * (shrunk + shrunk.transpose(0, 2, 1)), logdet


def _pull_back(block: np.ndarray, inverse: np.ndarray, shrunk: np.ndarray, shrunk_bar: np.ndarray,
               want_block: bool = True) -> tuple[np.ndarray, np.ndarray | None]:
    """From df/dK to df/dG (summed over levels) and df/dA, the log-determinant's own share included."""
    flipped = inverse.transpose(0, 2, 1)
    term_bar = (inverse @ shrunk_bar @ flipped + inverse @ block).sum(axis=0)
    block_bar = shrunk - shrunk @ shrunk_bar @ shrunk if want_block else None
    return 0.5 * (term_bar + term_bar.T), block_bar


class _NestedStep:
    """Integrates out a term whose levels are the cells; ``rows`` and ``total`` are the coarser table left."""

    def __init__(self, stage, rows, total, covariance):
        self.stage = stage
        self.source = rows if stage.sorted_already else rows[stage.order]
        self.couple = self.source[:, stage.own, :]
        self.block = self.couple[:, :, stage.own_columns]
        self.inverse, self.shrunk, self.logdet = _shrink(self.block, covariance)
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
        term_bar, block_bar = _pull_back(self.block, self.inverse, self.shrunk, shrunk_bar, deeper)
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


class _CrossedStep:
    """Integrates out one term that is crossed with the tail; its block is one small square per level."""

    def __init__(self, plan, stage, rows, covariance):
        self.plan, self.stage = plan, stage
        flat = rows.reshape(len(rows), -1)
        self.level = (stage.gather @ flat).reshape(stage.n_levels, rows.shape[1], rows.shape[2])
        self.couple = self.level[:, stage.own, :]
        self.block = self.couple[:, :, stage.own_columns]
        self.inverse, self.shrunk, self.logdet = _shrink(self.block, covariance)
        self.fixed = self.couple[:, :, plan.fixed_columns]
        self.pairs = np.zeros((stage.n_pairs, len(stage.own)))
        for link in stage.links:
            for position, own in enumerate(stage.own):
                self.pairs[:, position] += np.bincount(link.pair, rows[:, own, link.column], stage.n_pairs)

    def _sparse(self, values):
        stage = self.stage
        return sparse.csr_array((values, stage.pair_column, stage.pair_start),
                                shape=(stage.n_levels, self.plan.n_tail))

    def subtract_from(self, matrix):
        """``matrix -= C' K C`` for the tail's matrix [tail + fixed + y, same], upper triangle."""
        stage, n_tail = self.stage, self.plan.n_tail
        scaled_pairs = np.einsum("nab,nb->na", self.shrunk[stage.pair_level], self.pairs)
        scaled_fixed = self.shrunk @ self.fixed
        for position in range(len(stage.own)):
            if n_tail:
                own, scaled = self.pairs[:, position], scaled_pairs[:, position]
                met = own[stage.meet_first[stage.upper]] * scaled[stage.meet_second[stage.upper]]
                matrix[:n_tail, :n_tail] -= np.bincount(stage.upper_flat, met, n_tail * n_tail).reshape(n_tail, n_tail)
                matrix[:n_tail, n_tail:] -= self._sparse(scaled).T @ self.fixed[:, position, :]
            matrix[n_tail:, n_tail:] -= self.fixed[:, position, :].T @ scaled_fixed[:, position, :]

    def backward(self, s_bar, rows_bar):
        """Adds to ``rows_bar`` in place; returns df/dG. ``s_bar`` is read above its diagonal alone."""
        stage, n_tail, size = self.stage, self.plan.n_tail, len(self.stage.own)
        pushed_fixed = np.empty_like(self.fixed)
        pushed_pairs = np.empty_like(self.pairs)
        fixed_bar = s_bar[:, n_tail:]
        met = None
        if n_tail:
            first, second = stage.pair_column[stage.meet_first], stage.pair_column[stage.meet_second]
            met = s_bar[np.minimum(first, second), np.maximum(first, second)]
        for position in range(size):
            fixed, pairs = self.fixed[:, position, :], self.pairs[:, position]
            pushed_fixed[:, position, :] = fixed @ fixed_bar[n_tail:]
            if met is not None:
                pushed_fixed[:, position, :] += self._sparse(pairs) @ fixed_bar[:n_tail]
                met_pairs = np.bincount(stage.meet_first, met * pairs[stage.meet_second], stage.n_pairs)
                shared = np.einsum("nj,nj->n", fixed[stage.pair_level], fixed_bar[stage.pair_column])
                pushed_pairs[:, position] = met_pairs + shared
        shrunk_bar = -(pushed_fixed @ self.fixed.transpose(0, 2, 1))
        if stage.n_pairs:
            # By bincount, not reduceat: a level without rows has an empty stretch, which reduceat does not sum to zero.
            for a in range(size):
                for b in range(size):
                    shrunk_bar[:, a, b] -= np.bincount(stage.pair_level, pushed_pairs[:, a] * self.pairs[:, b],
                                                       stage.n_levels)
        shrunk_bar = 0.5 * (shrunk_bar + shrunk_bar.transpose(0, 2, 1))
        term_bar, block_bar = _pull_back(self.block, self.inverse, self.shrunk, shrunk_bar)
        level_bar = np.zeros_like(self.couple)
        level_bar[:, :, self.plan.fixed_columns] -= 2.0 * (self.shrunk @ pushed_fixed)
        level_bar[:, :, stage.own_columns] += block_bar
        pairs_bar = -2.0 * np.einsum("nab,nb->na", self.shrunk[stage.pair_level], pushed_pairs)
        rows_bar[:, stage.own, :] += level_bar[stage.codes]
        for link in stage.links:
            for position, own in enumerate(stage.own):
                rows_bar[:, own, link.column] += pairs_bar[link.pair, position]
        return term_bar
