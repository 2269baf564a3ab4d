"""Finding the minimum of the criterion over covariance factors, zero included.

Each term's relative covariance is ``G = L L'`` with ``L`` lower triangular and free of bounds. That removes the
bounds, but makes zero a stationary point of every parameter, whether or not it is a minimum. Whether it is one can be
read off df/dG: at a minimum over positive semi-definite matrices, df/dG must have no negative direction in the null
space of ``G``. So the search ends with a proof instead of a number of blind restarts: where a negative direction is
left the search steps into it and goes on; where none is, the zero is the answer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from patchstats.lmm.problem import Point, Problem

_SNAP = 2e-3  # singular values of L (standard deviations in units of the residual's) below this are tried at zero
_NEWTON_STEPS = 8


@dataclass(frozen=True)
class Optimum:
    """Where the search ended.

    theta: parameters; point: the criterion there; hessian: second derivatives of the criterion in theta at fixed
    sigma2, its cross derivatives with log sigma2 last; slopes: d cov(beta)/d theta at sigma2 = 1;
    n_evaluations; gradient_norm: what one more Newton step could gain.
    """

    theta: np.ndarray
    point: Point
    hessian: np.ndarray
    slopes: np.ndarray
    n_evaluations: int
    gradient_norm: float
    converged: bool


class _Counted:
    def __init__(self, problem: Problem):
        self.problem, self.count = problem, 0

    def __call__(self, theta, **options) -> Point:
        self.count += 1
        return self.problem.evaluate(theta, **options)

    def value_and_gradient(self, theta):
        try:
            point = self(theta)
        except np.linalg.LinAlgError:
            return 1e300, np.zeros_like(theta)
        return point.value, point.gradient


def search(problem: Problem, start: np.ndarray | None = None) -> Optimum:
    """Minimise; deterministic, and to more digits than are shown."""
    counted = _Counted(problem)
    theta = problem.start() if start is None else np.array(start, dtype=float)
    if len(theta):
        for _ in range(6):
            theta = _descend(counted, theta)
            theta = _snap(counted, theta)
            pushed = _leave_false_zero(counted, theta)
            if pushed is None:
                break
            theta = pushed
    return _polish(counted, theta)


def _descend(counted: _Counted, theta: np.ndarray) -> np.ndarray:
    found = minimize(counted.value_and_gradient, theta, jac=True, method="L-BFGS-B",
                     options={"maxcor": 20, "maxiter": 500, "ftol": 1e-11, "gtol": 1e-5})
    return found.x


def _snap(counted: _Counted, theta: np.ndarray) -> np.ndarray:
    """Set nearly vanished directions of every term to exactly zero where that costs nothing."""
    problem = counted.problem
    value = counted(theta, gradient=False).value
    for number in range(len(problem.terms)):
        factor = problem.factor(theta, number)
        left, sizes, _ = np.linalg.svd(factor)
        small = sizes < _SNAP * max(1.0, sizes.max(initial=0.0))
        if not small.any() or not sizes.any():
            continue
        covariance = (left[:, ~small] * sizes[~small] ** 2) @ left[:, ~small].T
        trial = problem.with_factor(theta, number, semidefinite_root(covariance))
        trial_value = counted(trial, gradient=False).value
        if trial_value <= value + 1e-9 * max(1.0, abs(value)):
            theta, value = trial, trial_value
    return theta


def semidefinite_root(covariance: np.ndarray) -> np.ndarray:
    """Lower triangular L with L L' = covariance, zeros allowed."""
    size = len(covariance)
    root = np.zeros_like(covariance)
    scale = np.diag(covariance).max(initial=0.0)
    for j in range(size):
        pivot = covariance[j, j] - root[j, :j] @ root[j, :j]
        if pivot <= 1e-13 * scale:
            continue
        root[j, j] = np.sqrt(pivot)
        root[j + 1:, j] = (covariance[j + 1:, j] - root[j + 1:, :j] @ root[j, :j]) / root[j, j]
    return root


def _leave_false_zero(counted: _Counted, theta: np.ndarray) -> np.ndarray | None:
    """A point with a lower criterion, where df/dG has a negative direction in the null space of a G; else None."""
    problem = counted.problem
    point = counted(theta)
    best: np.ndarray | None = None
    best_value = point.value - 1e-7 * max(1.0, abs(point.value) * 1e-3)
    for number, term in enumerate(problem.terms):
        covariance = problem.factor(theta, number) @ problem.factor(theta, number).T
        sizes, vectors = np.linalg.eigh(covariance)
        null = vectors[:, sizes < _SNAP ** 2 * max(1.0, sizes.max())]
        if null.shape[1] == 0:
            continue
        if term.diagonal:
            directions = [(point.g_bar[number][j, j], np.eye(len(covariance))[j]) for j in range(len(covariance))
                          if covariance[j, j] < _SNAP ** 2 * max(1.0, sizes.max())]
        else:
            slopes, inner = np.linalg.eigh(null.T @ point.g_bar[number] @ null)
            directions = [(slope, null @ inner[:, k]) for k, slope in enumerate(slopes)]
        for slope, direction in directions:
            if slope >= 0.0:
                continue
            for variance in (1e-4, 1e-3, 1e-2, 1e-1):
                grown = covariance + variance * np.outer(direction, direction)
                trial = problem.with_factor(theta, number, semidefinite_root(grown))
                value = counted(trial, gradient=False).value
                if value < best_value:
                    best, best_value = trial, value
    return best


def _polish(counted: _Counted, theta: np.ndarray) -> Optimum:
    """Newton steps with second derivatives from differences of the exact gradient."""
    problem = counted.problem
    point = counted(theta)
    hessian, slopes = _curvature(counted, theta, point.sigma2)
    size = len(theta)
    for _ in range(_NEWTON_STEPS if size else 0):
        profile = _profiled(hessian, size, problem.fixed_scale)
        step = _newton_step(profile, point.slope())
        decrease = float(point.slope() @ step)
        if decrease < 1e-24 or np.abs(step).max() < 1e-11:
            break
        moved, length = None, 1.0
        while length > 1e-3:
            trial = counted(theta - length * step)
            if trial.value <= point.value + 1e-12 * abs(point.value):
                moved = trial
                break
            length /= 4.0
        if moved is None:
            break
        far = np.abs(length * step).max() > 1e-5
        theta, point = theta - length * step, moved
        if far:
            hessian, slopes = _curvature(counted, theta, point.sigma2)
    norm = 0.0
    if size:
        step = _newton_step(_profiled(hessian, len(theta), problem.fixed_scale), point.slope())
        norm = float(abs(point.slope() @ step))
    return Optimum(theta, point, hessian, slopes, counted.count, norm, norm < 1e-6)


def _newton_step(hessian: np.ndarray, gradient: np.ndarray) -> np.ndarray:
    values, vectors = np.linalg.eigh(hessian)
    usable = np.abs(values) > 1e-9 * np.abs(values).max()
    inverse = np.where(usable, 1.0 / np.where(usable, np.abs(values), 1.0), 0.0)
    return vectors @ (inverse * (vectors.T @ gradient))


def _profiled(hessian: np.ndarray, size: int, fixed_scale: bool) -> np.ndarray:
    """Second derivatives after sigma2 is profiled out (Schur complement of its row)."""
    if fixed_scale:
        return hessian[:size, :size]
    cross = hessian[:size, size]
    return hessian[:size, :size] - np.outer(cross, cross) / hessian[size, size]


def _curvature(counted: _Counted, theta: np.ndarray, sigma2: float) -> tuple[np.ndarray, np.ndarray]:
    """Hessian in (theta, log sigma2) of the criterion that is not profiled, and d cov(beta)/d theta at sigma2 = 1."""
    problem = counted.problem
    size = len(theta)
    n_fixed = problem.n_fixed
    hessian = np.zeros((size + 1, size + 1))
    slopes = np.zeros((size, n_fixed, n_fixed))
    for j in range(size):
        step = 1e-4 * max(1.0, abs(theta[j]))
        forward, backward = theta.copy(), theta.copy()
        forward[j] += step
        backward[j] -= step
        ahead, behind = counted(forward, sigma2=sigma2), counted(backward, sigma2=sigma2)
        hessian[:size, j] = (ahead.slope() - behind.slope()) / (2.0 * step)
        # d/d log sigma2 of (r2 / sigma2) is -r2 / sigma2
        hessian[size, j] = hessian[j, size] = -(ahead.r2 - behind.r2) / (2.0 * step) / sigma2
        slopes[j] = (ahead.unscaled_covariance() - behind.unscaled_covariance()) / (2.0 * step)
    hessian[:size, :size] = 0.5 * (hessian[:size, :size] + hessian[:size, :size].T)
    # d2/d(log sigma2)2 of (freedom log sigma2 + r2 / sigma2) is r2 / sigma2
    hessian[size, size] = counted(theta, sigma2=sigma2, gradient=False).r2 / sigma2
    return hessian, slopes
