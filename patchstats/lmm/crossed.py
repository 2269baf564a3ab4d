"""Integrating out one term that is crossed with the tail; its block is one small square per level.

Two ways to the same numbers: with few levels their couplings to the tail are one dense array, which takes few calls;
with many they are lists of the meetings that occur.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse
from scipy.linalg import blas

_DENSE = 3_000_000  # below so many products the dense way is the quicker one


def shrink(block: np.ndarray, covariance: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
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


def pull_back(block: np.ndarray, inverse: np.ndarray, shrunk: np.ndarray, shrunk_bar: np.ndarray,
               want_block: bool = True) -> tuple[np.ndarray, np.ndarray | None]:
    """From df/dK to df/dG (summed over levels) and df/dA, the log-determinant's own share included."""
    if block.shape[1] == 1:
        term_bar = (inverse * (inverse * shrunk_bar + block)).sum(axis=0)
        return term_bar, shrunk - shrunk * shrunk * shrunk_bar if want_block else None
    term_bar = (inverse @ (shrunk_bar @ inverse.transpose(0, 2, 1) + block)).sum(axis=0)
    block_bar = shrunk - shrunk @ shrunk_bar @ shrunk if want_block else None
    return 0.5 * (term_bar + term_bar.T), block_bar


def crossed_step(plan, stage, rows, covariance):
    """The way forward through the stage and, by ``backward``, the way back."""
    width = plan.n_tail + rows.shape[2] - plan.fixed_columns.start
    dense = stage.n_levels * len(stage.own) * width ** 2 <= _DENSE
    return (_DenseStep if dense else _LooseStep)(plan, stage, rows, covariance)


class _DenseStep:
    """Couplings of every level to every column of the tail, fixed effects and y: [levels, own, tail + fixed + y]."""

    def __init__(self, plan, stage, rows, covariance):
        self.plan, self.stage = plan, stage
        own, n_tail, levels = len(stage.own), plan.n_tail, stage.n_levels
        level = (stage.gather @ rows[:, stage.own].reshape(len(rows), -1)).reshape(levels, own, -1)
        self.block = level[:, :, stage.own_columns]
        self.couple = np.empty((levels, own, n_tail + level.shape[2] - plan.fixed_columns.start))
        self.couple[:, :, n_tail:] = level[:, :, plan.fixed_columns]
        for position, line in enumerate(stage.own):
            values = rows[:, line, stage.link_columns].T.ravel()
            tail = np.bincount(stage.link_flat, values, levels * n_tail)
            self.couple[:, position, :n_tail] = tail.reshape(levels, n_tail)
        self.inverse, self.shrunk, self.logdet = shrink(self.block, covariance)

    def subtract_from(self, matrix):
        """``matrix -= C' K C`` for the tail's matrix [tail + fixed + y, same]."""
        width = self.couple.shape[2]
        matrix -= self.couple.reshape(-1, width).T @ (self.shrunk @ self.couple).reshape(-1, width)

    def backward(self, s_bar, rows_bar):
        """Adds to ``rows_bar`` in place; returns df/dG. ``s_bar`` is read above its diagonal alone."""
        stage, n_tail, couple = self.stage, self.plan.n_tail, self.couple
        pushed = blas.dsymm(1.0, s_bar.T, couple.reshape(-1, len(s_bar)).T, lower=1).T.reshape(couple.shape)
        shrunk_bar = -(pushed @ couple.transpose(0, 2, 1))
        shrunk_bar = 0.5 * (shrunk_bar + shrunk_bar.transpose(0, 2, 1))
        term_bar, block_bar = pull_back(self.block, self.inverse, self.shrunk, shrunk_bar)
        couple_bar = -2.0 * (self.shrunk @ pushed)
        level_bar = np.zeros((stage.n_levels, len(stage.own), rows_bar.shape[2]))
        level_bar[:, :, self.plan.fixed_columns] = couple_bar[:, :, n_tail:]
        level_bar[:, :, stage.own_columns] += block_bar
        rows_bar[:, stage.own] += level_bar[stage.codes]
        for position, line in enumerate(stage.own):
            linked = couple_bar[:, position, :n_tail].reshape(-1)[stage.link_flat].reshape(len(stage.links), -1)
            for link, values in zip(stage.links, linked, strict=True):
                rows_bar[:, line, link.column] += values
        return term_bar


class _LooseStep:
    """The same for many levels, each of which meets few of the tail's columns: only the meetings are held."""

    def __init__(self, plan, stage, rows, covariance):
        self.plan, self.stage = plan, stage
        flat = rows.reshape(len(rows), -1)
        self.level = (stage.gather @ flat).reshape(stage.n_levels, rows.shape[1], rows.shape[2])
        self.couple = self.level[:, stage.own, :]
        self.block = self.couple[:, :, stage.own_columns]
        self.inverse, self.shrunk, self.logdet = shrink(self.block, covariance)
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
        term_bar, block_bar = pull_back(self.block, self.inverse, self.shrunk, shrunk_bar)
        level_bar = np.zeros_like(self.couple)
        level_bar[:, :, self.plan.fixed_columns] -= 2.0 * (self.shrunk @ pushed_fixed)
        level_bar[:, :, stage.own_columns] += block_bar
        pairs_bar = -2.0 * np.einsum("nab,nb->na", self.shrunk[stage.pair_level], pushed_pairs)
        rows_bar[:, stage.own, :] += level_bar[stage.codes]
        for link in stage.links:
            for position, own in enumerate(stage.own):
                rows_bar[:, own, link.column] += pairs_bar[link.pair, position]
        return term_bar
