"""The bridge between a vector of parameters and the criterion: which numbers of theta go where.

``theta`` holds, term by term, the lower triangle of ``L`` by columns (only the diagonal for ``||`` terms), in the
scaled coordinates of the moments; after them come the parameters of the residuals, if they have any.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.linalg import solve_triangular

from patchstats.lmm.criterion import Criterion
from patchstats.lmm.elimination import Term
from patchstats.lmm.errors import Residuals
from patchstats.lmm.moments import Scaling


@cache
def _upper(size: int) -> tuple[np.ndarray, np.ndarray]:
    """Places of the upper triangle; asked for at every trial point."""
    return np.triu_indices(size)


@dataclass(frozen=True)
class Point:
    """The criterion at one theta, in the user's constants: value = -2 log-likelihood."""

    value: float
    gradient: np.ndarray | None
    sigma2: float
    r2: float
    beta: np.ndarray
    root_x: np.ndarray
    g_bar: list[np.ndarray]

    def slope(self) -> np.ndarray:
        """The gradient, where it was asked for."""
        if self.gradient is None:
            raise ValueError("this point was evaluated without its gradient")
        return self.gradient

    def unscaled_covariance(self) -> np.ndarray:
        """(X'V^-1X)^-1 of the scaled fixed columns."""
        inverse = solve_triangular(self.root_x, np.eye(len(self.root_x)))
        return inverse @ inverse.T


class Problem:
    """A criterion, the residuals' moments, and the change of coordinates, as one function of theta."""

    def __init__(self, terms: list[Term], residuals: Residuals, scaling: Scaling, *, reml: bool):
        self.terms, self.residuals, self.scaling, self.reml = terms, residuals, scaling, reml
        self.fixed_scale = residuals.fixed_scale
        moments = residuals.moments(residuals.start())
        self.n_rows = moments.n_rows
        self.criterion = Criterion(moments, terms, reml=reml)
        self.n_fixed = self.criterion.n_fixed
        self.offsets = np.cumsum([0, *(term.n_theta for term in terms)])
        self._constant = 2.0 * self.criterion.freedom * np.log(scaling.unit)
        if reml:
            self._constant -= 2.0 * scaling.log_det_fixed

    def start(self) -> np.ndarray:
        pieces = [self._pack(term, 0.6 * np.eye(len(term.columns))) for term in self.terms]
        return np.concatenate([*pieces, self.residuals.start()])

    @staticmethod
    def _pack(term: Term, factor: np.ndarray) -> np.ndarray:
        if term.diagonal:
            return np.diag(factor).copy()
        return factor.T[_upper(len(factor))]

    @staticmethod
    def _unpack(term: Term, theta: np.ndarray) -> np.ndarray:
        size = len(term.columns)
        if term.diagonal:
            return np.diag(theta)
        factor = np.zeros((size, size))
        factor.T[_upper(size)] = theta
        return factor

    def factor(self, theta: np.ndarray, number: int) -> np.ndarray:
        return self._unpack(self.terms[number], theta[self.offsets[number]:self.offsets[number + 1]])

    def factors(self, theta: np.ndarray) -> list[np.ndarray]:
        return [self.factor(theta, number) for number in range(len(self.terms))]

    def with_factor(self, theta: np.ndarray, number: int, factor: np.ndarray) -> np.ndarray:
        changed = theta.copy()
        changed[self.offsets[number]:self.offsets[number + 1]] = self._pack(self.terms[number], factor)
        return changed

    def residual_part(self, theta: np.ndarray) -> np.ndarray:
        return theta[self.offsets[-1]:]

    def evaluate(self, theta: np.ndarray, *, sigma2: float | None = None, gradient: bool = True) -> Point:
        """-2 log-likelihood (profiled over sigma2 unless it is given or the scale is known)."""
        rho = self.residual_part(theta)
        factors = self.factors(theta)
        if self.fixed_scale:
            sigma2 = 1.0
        moments = self.residuals.moments(rho) if len(rho) else None
        found = self.criterion(factors, sigma2=sigma2, gradient=gradient, moments=moments,
                               moments_bar=gradient and len(rho) > 0)
        slope = None
        if found.g_bar is not None:
            pieces = [self._pack(term, 2.0 * bar @ factor)
                      for term, bar, factor in zip(self.terms, found.g_bar, factors, strict=True)]
            if found.moments_bar is not None:
                pieces.append(self.residuals.pull_back(rho, *found.moments_bar))
            slope = np.concatenate(pieces) if pieces else np.zeros(0)
        return Point(found.value + self._constant, slope, found.sigma2, found.r2, found.beta, found.root_x,
                     found.g_bar or [])
