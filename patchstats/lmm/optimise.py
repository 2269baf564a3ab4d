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

from dataclasses import dataclass, replace

import numpy as np

from patchstats.lmm.descent import ENOUGH, Bent, Counted, descend, descend_with
from patchstats.lmm.problem import Point, Problem
from patchstats.remarks import ModelError

_SNAP = 2e-3  # singular values of L (standard deviations in units of the residual's) below this are tried at zero
_EARLY_SNAP = 0.05  # the same before Newton's steps, where a false zero is left again
_VAST = 1e3  # where a standard deviation is so many times the residual's, the residual may be rounding alone
_NEWTON_STEPS, _SMALLEST_STEP = 8, 1e-11
_MOST_ROUNDS = 6


@dataclass(frozen=True)
class Optimum:
    """Where the search ended: parameters, the criterion there, evaluations, and what one more step could gain.

    ``bend``: second derivatives of the criterion as Newton's steps knew them, to a few digits (None: not searched for).
    """

    theta: np.ndarray
    point: Point
    n_evaluations: int
    gain_left: float
    converged: bool
    bend: np.ndarray | None


def search(problem: Problem, start: np.ndarray | None = None, curvature: np.ndarray | None = None) -> Optimum:
    """Minimise; deterministic, and to more digits than are shown.

    ``curvature``: a guess of the Hessian at a start that is not far off; steps with it are tried first.
    Raises ``ModelError`` where the likelihood has no top because the model explains every row.
    """
    try:
        optimum = _right_way_up(problem, _search(Counted(problem), start, curvature))
        if not _leaves_nothing(problem, optimum):
            return optimum
        cause = None
    except np.linalg.LinAlgError as trouble:
        cause = trouble
    raise ModelError("The model explains every row exactly, or nearly so, and leaves no residual to measure by. "
                     "Leave a term out, or see whether the response was worked out from the columns.") from cause


def _right_way_up(problem: Problem, optimum: Optimum) -> Optimum:
    """The same optimum with no diagonal entry of an ``L`` below zero: which sign the search met is chance."""
    signs = []
    for number, term in enumerate(problem.terms):
        own = np.where(np.diag(problem.factor(optimum.theta, number)) < 0.0, -1.0, 1.0)
        signs.append(own if term.diagonal else np.repeat(own, np.arange(len(own), 0, -1)))  # L goes by columns
    sign = np.concatenate([*signs, np.ones(len(optimum.theta) - sum(map(len, signs)))])
    point, bend = optimum.point, optimum.bend
    return replace(optimum, theta=sign * optimum.theta, point=replace(point, gradient=sign * point.slope()),
                   bend=None if bend is None else sign[:, None] * bend * sign)


def _leaves_nothing(problem: Problem, optimum: Optimum) -> bool:
    """Whether the residual variance left is no more than what rounding makes of the variance without random terms."""
    if problem.fixed_scale or np.abs(optimum.theta).max(initial=0.0) < _VAST:
        return False
    bare = optimum.theta
    for number, term in enumerate(problem.terms):
        bare = problem.with_factor(bare, number, np.zeros((len(term.columns), len(term.columns))))
    return bool(optimum.point.sigma2 < 100.0 * np.finfo(float).eps * problem.evaluate(bare, gradient=False).sigma2)


def _search(counted: Counted, start: np.ndarray | None, curvature: np.ndarray | None) -> Optimum:
    problem = counted.problem
    theta = problem.start() if start is None else np.array(start, dtype=float)
    if not len(theta):
        return _polish(counted, theta)
    if curvature is not None:
        optimum = _finished(counted, *descend_with(counted, theta, curvature))
        if _settled(optimum) and _leave_false_zero(counted, optimum.theta) is None:
            return optimum
        theta = optimum.theta
    optimum = _after(counted, descend(counted, theta, Bent(problem))[0])
    for _ in range(_MOST_ROUNDS):
        pushed = _leave_false_zero(counted, optimum.theta)
        if pushed is not None:
            optimum = _after(counted, descend(counted, pushed, Bent(problem))[0])
        elif _settled(optimum):
            break
        else:  # a bent valley, as near a perfect correlation, takes more than one round
            bend = _forward_hessian(counted, optimum.theta, optimum.point)
            optimum = _after(counted, descend_with(counted, optimum.theta, bend, enough=0.0)[0])
    return optimum


def _after(counted: Counted, theta: np.ndarray) -> Optimum:
    """What is nearly zero set to zero, or out of it again where that is far from right, then Newton's steps."""
    for _ in range(_MOST_ROUNDS):
        theta = _snap(counted, theta, _EARLY_SNAP)
        pushed = _leave_false_zero(counted, theta, ENOUGH)
        if pushed is None:
            break
        theta, _ = descend(counted, pushed, Bent(counted.problem))
    return _finished(counted, theta)


def _finished(counted: Counted, theta: np.ndarray, guess: np.ndarray | None = None) -> Optimum:
    """Newton's steps, and exactly zero what they bring next to it. ``guess``: of the second derivatives."""
    optimum = _polish(counted, theta, guess)
    snapped = _snap(counted, optimum.theta)
    if np.abs(snapped - optimum.theta).max(initial=0.0) > 1e-9:
        return _polish(counted, snapped)
    return replace(optimum, theta=snapped, point=counted(snapped), n_evaluations=counted.count)


def _settled(optimum: Optimum) -> bool:
    return optimum.gain_left <= max(1e-9, 1e-12 * abs(optimum.point.value))


def rough_optimum(problem: Problem) -> tuple[np.ndarray, np.ndarray]:
    """Roughly the optimum and the Hessian there: a good start for a dearer problem."""
    counted = Counted(problem)
    theta = problem.start()
    if not len(theta):
        return theta, np.zeros((0, 0))
    theta = _lift(problem, descend(counted, theta, Bent(problem), enough=0.1)[0])
    return theta, _forward_hessian(counted, theta, counted(theta))


def _lift(problem: Problem, theta: np.ndarray) -> np.ndarray:
    """Parameters at zero lifted a little: zero is stationary and no search would leave it."""
    lowest = 0.1 * problem.start()
    return np.where((np.abs(theta) < np.abs(lowest)) & (lowest != 0.0), lowest, theta)


def _snap(counted: Counted, theta: np.ndarray, below: float = _SNAP) -> np.ndarray:
    """Set nearly vanished directions of every term to exactly zero where that costs nothing."""
    problem = counted.problem
    value = counted(theta, gradient=False).value
    for number in range(len(problem.terms)):
        factor = problem.factor(theta, number)
        left, sizes, _ = np.linalg.svd(factor)
        small = sizes < below * max(1.0, sizes.max(initial=0.0))
        if not small.any() or not sizes[small].any():
            continue
        covariance = (left[:, ~small] * sizes[~small] ** 2) @ left[:, ~small].T
        trial = problem.with_factor(theta, number, semidefinite_root(covariance))
        trial_value = counted(trial, gradient=False).value
        if trial_value <= value + 1e-9 * max(1.0, abs(value)):
            theta, value = trial, trial_value
    if problem.fixed_scale and abs(theta[-1]) < _SNAP:
        trial = theta.copy()
        trial[-1] = 0.0
        point = counted.tried(trial)
        if point is not None and point.value <= value + 1e-9 * max(1.0, abs(value)):
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


def _leave_false_zero(counted: Counted, theta: np.ndarray, least: float = 0.0) -> np.ndarray | None:
    """A point with a criterion lower by ``least``, where df/dG falls in the null space of a G; else None."""
    problem = counted.problem
    point = counted(theta)
    best: np.ndarray | None = None
    best_value = point.value - max(least, 1e-7 * max(1.0, abs(point.value) * 1e-3))
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


def _polish(counted: Counted, theta: np.ndarray, guess: np.ndarray | None = None) -> Optimum:
    """Newton's steps, the second derivatives being differences of the exact gradient (taken once unless far off).

    With a ``guess`` of them no differences are taken: the steps amend it, or stop where it leads nowhere.
    """
    point = counted(theta)
    size, gain, last = len(theta), 0.0, 0.0
    hessian = guess
    for _ in range(_NEWTON_STEPS if guess is None else 2 * _NEWTON_STEPS):
        if not size:
            break
        if hessian is None:
            hessian = _forward_hessian(counted, theta, point)
        # a parameter at zero that feels no slope stays there, and exactly
        free = np.flatnonzero((theta != 0.0) | (np.abs(point.slope()) > 1e-7))
        step = np.zeros(size)
        step[free] = _newton_step(hessian[np.ix_(free, free)], point.slope()[free])
        gain = float(point.slope() @ step)
        if np.abs(step).max() < _SMALLEST_STEP:
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
        went = -length * step
        missed = moved.slope() - point.slope() - hessian @ went
        theta, point = theta + went, moved
        if guess is None and (length < 1.0 or np.abs(step).max() > 0.1):
            hessian = None
        elif abs(missed @ went) > 1e-8 * np.linalg.norm(missed) * np.linalg.norm(went):
            # the symmetric rank-one update (Nocedal & Wright 2006, equation 6.24)
            hessian = hessian + np.outer(missed, missed) / (missed @ went)
        size_of = np.abs(went).max()
        if size_of ** 2 < _SMALLEST_STEP * last:  # the next step will have shrunk at least as much as this one did
            gain *= (size_of / last) ** 2
            break
        last = size_of
    return Optimum(theta, point, counted.count, abs(gain), abs(gain) < 1e-6, hessian)


def _forward_hessian(counted: Counted, theta: np.ndarray, point: Point) -> np.ndarray:
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
