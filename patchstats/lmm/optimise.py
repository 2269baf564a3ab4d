"""Finding the minimum of the criterion over covariance factors, zero included.

Each term's relative covariance is ``G = L L'`` with ``L`` lower triangular and free of bounds. That removes the
bounds, but makes zero a stationary point of every parameter, whether or not it is a minimum. Whether it is one can be
read off df/dG: at a minimum over positive semi-definite matrices, df/dG must have no negative direction in the null
space of ``G``, and nothing must be gained by turning a direction of ``G`` towards that space (to which a triangular
``L`` can be blind: with ``L = [[0, 0], [0, b]]`` no entry of it moves the covariance). So the search ends with a proof
instead of a number of blind restarts: where a negative direction is left the search steps into it and goes on; where
none is, the zero is the answer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from patchstats.lmm.problem import Point, Problem
from patchstats.remarks import ModelError

_SNAP = 2e-3  # singular values of L (standard deviations in units of the residual's) below this are tried at zero
_VAST = 1e3  # where a standard deviation is so many times the residual's, the residual may be rounding alone
_NEWTON_STEPS = 8
_DESCENT = 1e-3
_MOST_ROUNDS = 6


@dataclass(frozen=True)
class Optimum:
    """Where the search ended: parameters, the criterion there, evaluations, and what one more step could gain."""

    theta: np.ndarray
    point: Point
    n_evaluations: int
    gain_left: float
    converged: bool


class _Counted:
    """The criterion, its evaluations counted; the last point with its gradient is not worked out twice."""

    def __init__(self, problem: Problem):
        self.problem, self.count = problem, 0
        self._at: np.ndarray = np.zeros(0)
        self._last: Point | None = None

    def __call__(self, theta: np.ndarray, *, gradient: bool = True) -> Point:
        if self._last is not None and np.array_equal(theta, self._at):
            return self._last
        self.count += 1
        point = self.problem.evaluate(theta, gradient=gradient)
        if gradient:
            self._at, self._last = theta.copy(), point
        return point

    def tried(self, theta: np.ndarray) -> Point | None:
        """The point; None where a trial far out overflows or has no density."""
        try:
            with np.errstate(all="ignore"):
                point = self(theta)
        except (np.linalg.LinAlgError, ValueError):
            return None
        return point if np.isfinite(point.value) and np.isfinite(point.slope()).all() else None

    def value_and_gradient(self, theta: np.ndarray) -> tuple[float, np.ndarray]:
        point = self.tried(theta)
        return (1e300, np.zeros_like(theta)) if point is None else (point.value, point.slope())


def search(problem: Problem, start: np.ndarray | None = None, curvature: np.ndarray | None = None, *,
           near: bool = False) -> Optimum:
    """Minimise; deterministic, and to more digits than are shown. ``curvature``: a guess of the Hessian at start.

    ``near``: the start is so near that Newton's steps with that curvature are tried first.
    Raises ``ModelError`` where the likelihood has no top because the model explains every row.
    """
    try:
        optimum = _search(_Counted(problem), start, curvature, near)
        if not _leaves_nothing(problem, optimum):
            return optimum
        cause = None
    except np.linalg.LinAlgError as trouble:
        cause = trouble
    raise ModelError("The model explains every row exactly, or nearly so, and leaves no residual to measure by. "
                     "Leave a term out, or see whether the response was worked out from the columns.") from cause


def _leaves_nothing(problem: Problem, optimum: Optimum) -> bool:
    """Whether the residual variance left is no more than what rounding makes of the variance without random terms."""
    if problem.fixed_scale or np.abs(optimum.theta).max(initial=0.0) < _VAST:
        return False
    bare = optimum.theta
    for number, term in enumerate(problem.terms):
        bare = problem.with_factor(bare, number, np.zeros((len(term.columns), len(term.columns))))
    return bool(optimum.point.sigma2 < 100.0 * np.finfo(float).eps * problem.evaluate(bare, gradient=False).sigma2)


def _search(counted: _Counted, start: np.ndarray | None, curvature: np.ndarray | None, near: bool) -> Optimum:
    problem = counted.problem
    theta = problem.start() if start is None else np.array(start, dtype=float)
    if near:
        optimum = _polish(counted, theta, curvature)
        if _settled(optimum) and _leave_false_zero(counted, optimum.theta) is None:
            return optimum
    if len(theta):
        if curvature is not None:
            theta = _descend_with(counted, theta, curvature)
        for turn in range(6):
            if curvature is None or turn:
                theta = _descend(counted, theta)
            theta = _snap(counted, theta)
            pushed = _leave_false_zero(counted, theta)
            if pushed is None:
                break
            theta = pushed
    optimum = _polish(counted, theta)
    for _ in range(_MOST_ROUNDS):  # a bent valley, as near a perfect correlation, takes more than one round
        if _settled(optimum):
            break
        bend = _forward_hessian(counted, optimum.theta, optimum.point)
        theta = _snap(counted, _descend_with(counted, optimum.theta, bend, enough=0.0))
        pushed = _leave_false_zero(counted, theta)
        optimum = _polish(counted, theta if pushed is None else pushed)
    return optimum


def _settled(optimum: Optimum) -> bool:
    return optimum.gain_left <= max(1e-9, 1e-12 * abs(optimum.point.value))


def curvature_at(problem: Problem, theta: np.ndarray) -> np.ndarray:
    """The criterion's second derivatives, as differences of the exact gradient."""
    counted = _Counted(problem)
    return _forward_hessian(counted, theta, counted(theta))


def descend(problem: Problem) -> tuple[np.ndarray, np.ndarray]:
    """The quasi-Newton part of the search alone and the Hessian there: a good start for a dearer problem."""
    counted = _Counted(problem)
    theta = problem.start()
    if not len(theta):
        return theta, np.zeros((0, 0))
    theta = _lift(problem, _descend(counted, theta))
    return theta, _forward_hessian(counted, theta, counted(theta))


def _descend_with(counted: _Counted, theta: np.ndarray, curvature: np.ndarray, enough: float = _DESCENT) -> np.ndarray:
    """The same in coordinates in which the guessed curvature (its eigenvalues made positive) is the identity."""
    values, vectors = np.linalg.eigh(curvature)
    values = np.maximum(np.abs(values), 1e-4 * np.abs(values).max())
    return theta + _descend(counted, theta, vectors / np.sqrt(values), enough)


def _lift(problem: Problem, theta: np.ndarray) -> np.ndarray:
    """Parameters at zero lifted a little: zero is stationary and no search would leave it."""
    lowest = 0.1 * problem.start()
    return np.where((np.abs(theta) < np.abs(lowest)) & (lowest != 0.0), lowest, theta)


def _descend(counted: _Counted, theta: np.ndarray, spread: np.ndarray | None = None,
             enough: float = _DESCENT) -> np.ndarray:
    """Quasi-Newton until the criterion moves by less than ``enough``; Newton's steps do the rest better.

    With ``spread`` the search goes over z in ``theta + spread @ z``, and the step ``spread @ z`` is returned.
    """
    origin = counted(theta).value

    def lowered(at):
        value, gradient = counted.value_and_gradient(at if spread is None else theta + spread @ at)
        return value - origin, gradient if spread is None else spread.T @ gradient

    values = [0.0]

    def stop(intermediate_result):
        """Stop when two steps in a row have gained next to nothing."""
        values.append(float(intermediate_result.fun))
        if len(values) > 3 and values[-3] - values[-1] < enough:
            raise StopIteration

    place = theta if spread is None else np.zeros_like(theta)
    place = minimize(lowered, place, jac=True, method="L-BFGS-B", callback=stop,
                     options={"maxcor": 20, "maxiter": 1000, "ftol": 1e-13, "gtol": 1e-6}).x
    return place if spread is None else spread @ place


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
    if problem.fixed_scale and abs(theta[-1]) < _SNAP:
        trial = theta.copy()
        trial[-1] = 0.0
        trial_value, _ = counted.value_and_gradient(trial)
        if trial_value <= value + 1e-9 * max(1.0, abs(value)):
            theta = trial
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
        for turned in [] if term.diagonal else _turned(covariance, null, point.g_bar[number]):
            trial = problem.with_factor(theta, number, semidefinite_root(turned))
            value = counted(trial, gradient=False).value
            if value < best_value:
                best, best_value = trial, value
    return best


def _turned(covariance: np.ndarray, null: np.ndarray, slope: np.ndarray) -> list[np.ndarray]:
    """Covariances of the same rank with their directions turned a little towards the null space, downhill."""
    sizes, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(sizes, 0.0))
    pull = null @ (null.T @ slope @ root)
    size, length = np.linalg.norm(pull), np.linalg.norm(root)
    if size * length < 1e-6:
        return []
    roots = [root - part * length / size * pull for part in (1e-4, 1e-3, 1e-2, 1e-1)]
    return [turned @ turned.T for turned in roots]


def _polish(counted: _Counted, theta: np.ndarray, hessian: np.ndarray | None = None) -> Optimum:
    """Newton steps, the second derivatives being differences of the exact gradient (taken once unless far off)."""
    point = counted(theta)
    size, gain = len(theta), 0.0
    for _ in range(_NEWTON_STEPS if size else 0):
        if hessian is None:
            hessian = _forward_hessian(counted, theta, point)
        # a parameter at zero that feels no slope stays there, and exactly
        free = np.flatnonzero((theta != 0.0) | (np.abs(point.slope()) > 1e-7))
        step = np.zeros(size)
        step[free] = _newton_step(hessian[np.ix_(free, free)], point.slope()[free])
        gain = float(point.slope() @ step)
        if np.abs(step).max() < 1e-11:
            break
        moved, length = None, 1.0
        while length > 1e-3:
            trial = counted.tried(theta - length * step)
            if trial is not None and trial.value <= point.value + 1e-12 * abs(point.value):
                moved = trial
                break
            length /= 4.0
        if moved is None:
            break
        theta, point = theta - length * step, moved
        if length < 1.0 or np.abs(step).max() > 0.1:
            hessian = None
    return Optimum(theta, point, counted.count, abs(gain), abs(gain) < 1e-6)


def _forward_hessian(counted: _Counted, theta: np.ndarray, point: Point) -> np.ndarray:
    hessian = np.zeros((len(theta), len(theta)))
    for j in range(len(theta)):
        ahead = theta.copy()
        ahead[j] += 1e-5 * max(1.0, abs(theta[j]))
        hessian[:, j] = (counted(ahead).slope() - point.slope()) / (ahead[j] - theta[j])
    return 0.5 * (hessian + hessian.T)


def _newton_step(hessian: np.ndarray, gradient: np.ndarray) -> np.ndarray:
    if len(gradient) == 0:
        return gradient
    values, vectors = np.linalg.eigh(hessian)
    usable = np.abs(values) > 1e-9 * np.abs(values).max()
    inverse = np.where(usable, 1.0 / np.where(usable, np.abs(values), 1.0), 0.0)
    return vectors @ (inverse * (vectors.T @ gradient))
