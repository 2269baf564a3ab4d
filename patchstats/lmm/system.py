"""Henderson's mixed-model equations at the optimum: effects of levels, and the error of any combination of them.

With ``b = Lambda u`` the equations are ``[M C; C' X'X] [u; beta] = [Lambda'Z'y; X'y]`` with
``M = Lambda'Z'Z Lambda + I`` and ``C = Lambda'Z'X``; the inverse of the whole, times sigma2, is the covariance of
``(u_hat - u, beta_hat - beta)`` (Henderson 1975, Biometrics 31:423; Robinson 1991, Statistical Science 6:15). Written
in ``u`` they also hold where a covariance is singular or zero. All in the scaled coordinates of the moments.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from scipy import sparse
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse.linalg import splu

from patchstats.lmm.elimination import Term
from patchstats.lmm.moments import Moments

_DENSE = 2500  # below this many effects a dense factor is quicker than a sparse one
_CHUNK = 512


class System:
    """The equations, factored once."""

    def __init__(self, terms: list[Term], moments: Moments, factors: list[np.ndarray]):
        self.terms = terms
        self.offsets = np.cumsum([0, *(term.n_levels * len(term.columns) for term in terms)])
        n_effects = int(self.offsets[-1])
        n_random = moments.cells.shape[1]
        fixed = slice(n_random, None)
        self.products = products = self._products(moments)
        self.lam = sparse.block_diag([self._lambda(t, f) for t, f in zip(terms, factors, strict=True)],
                                     format="csr") if terms else sparse.csr_array((0, 0))
        right = np.zeros((n_effects, moments.total.shape[0]))
        for number, term in enumerate(terms):
            for a, own in enumerate(term.columns):
                at = self.offsets[number] + moments.codes[:, number] * len(term.columns) + a
                for column in range(right.shape[1]):
                    right[:, column] += np.bincount(at, moments.cells[:, own, fixed][:, column], n_effects)
        self.fixed_products = right[:, :-1].T
        right = self.lam.T @ right if n_effects else right
        matrix = self.lam.T @ products @ self.lam + sparse.eye_array(n_effects) if n_effects else products
        self._factor(matrix)
        self.couple = right[:, :-1]
        solved = self.solve(right)
        self.solved_couple = solved[:, :-1]
        self.inner = moments.total[:-1, :-1] - self.couple.T @ self.solved_couple
        self.inner_inverse = np.linalg.inv(self.inner)
        self.beta = self.inner_inverse @ (moments.total[:-1, -1] - self.couple.T @ solved[:, -1])
        self.spherical = solved[:, -1] - self.solved_couple @ self.beta
        self.effects = self.lam @ self.spherical if n_effects else self.spherical

    def _products(self, moments: Moments) -> sparse.csr_array:
        size = int(self.offsets[-1])
        rows, columns, values = [], [], []
        for i, first in enumerate(self.terms):
            for j, second in enumerate(self.terms):
                for a, own in enumerate(first.columns):
                    for b, other in enumerate(second.columns):
                        rows.append(self.offsets[i] + moments.codes[:, i] * len(first.columns) + a)
                        columns.append(self.offsets[j] + moments.codes[:, j] * len(second.columns) + b)
                        values.append(moments.cells[:, own, other])
        if not rows:
            return sparse.csr_array((size, size))
        place = (np.concatenate(rows), np.concatenate(columns))
        return sparse.csr_array(sparse.coo_array((np.concatenate(values), place), shape=(size, size)))

    @staticmethod
    def _lambda(term: Term, factor: np.ndarray):
        levels = sparse.eye_array(term.n_levels) if term.known_root is None else sparse.csr_array(term.known_root)
        return sparse.kron(levels, sparse.csr_array(factor), format="csr")

    def _factor(self, matrix):
        size = matrix.shape[0]
        if size == 0:
            self.solve = lambda right: np.zeros_like(right)
        elif size <= _DENSE:
            dense = cho_factor(matrix.toarray(), lower=True)
            self.solve = lambda right: cho_solve(dense, right)
        else:
            loose = splu(sparse.csc_array(matrix), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0,
                         options={"SymmetricMode": True})
            self.solve = lambda right: loose.solve(np.ascontiguousarray(right))

    def fitted(self, random: np.ndarray, fixed: np.ndarray, codes: np.ndarray) -> np.ndarray:
        """``Z b + X beta`` for rows of scaled variables."""
        out = fixed @ self.beta
        for number, term in enumerate(self.terms):
            own = self.effects[self.offsets[number]:self.offsets[number + 1]].reshape(term.n_levels, -1)
            out += np.einsum("ia,ia->i", random[:, list(term.columns)], own[codes[:, number]])
        return out

    def _quadratic(self, rows: sparse.csr_array) -> np.ndarray:
        """``k' M^-1 k`` for each row."""
        if self._inverse is not None and rows.nnz * 10 < rows.shape[0] * rows.shape[1]:
            return np.asarray(rows.multiply(rows @ self._inverse).sum(axis=1)).ravel()
        dense = rows.toarray().T
        return np.einsum("ij,ij->j", dense, self.solve(dense))

    @cached_property
    def _inverse(self) -> np.ndarray | None:
        """The inverse of M where it is small enough to hold; rows of few entries are then cheap."""
        size = self.lam.shape[0]
        return self.solve(np.eye(size)) if size <= _DENSE else None

    def variance(self, effects: sparse.csr_array, fixed: np.ndarray | None) -> np.ndarray:
        """Error variance over sigma2 of ``effects @ b + fixed @ beta`` for each row of the two.

        ``fixed=None`` takes beta as known, which is lme4's conditional variance of a level's shift.
        """
        out = np.zeros(effects.shape[0])
        spherical = sparse.csr_array(effects @ self.lam)
        for start in range(0, len(out), _CHUNK):
            piece = slice(start, min(start + _CHUNK, len(out)))
            here = spherical[piece]
            if here.nnz:
                out[piece] = self._quadratic(here)
            if fixed is not None:
                left = fixed[piece] - here @ self.solved_couple
                out[piece] += np.einsum("ij,jk,ik->i", left, self.inner_inverse, left)
        return out
