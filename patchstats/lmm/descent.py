"""Going downhill: a quasi-Newton search in coordinates that suit the criterion.

A search is quick where the criterion is nearly round. Two sets of coordinates make it so: :class:`Bent`, from nothing
but the model's levels, and :class:`Guessed`, from second derivatives that are roughly known.
"""

from __future__ import annotations

import numpy as np

from patchstats.lmm.problem import Point, Problem

ENOUGH = 1e-2  # a step that lowers the criterion by less is the last: Newton's do the rest better
_USUAL, _STRAIGHT = 0.6, 0.1  # a usual size of a parameter; below which size a search goes straight through zero
_MOST_STEPS = 200


class Counted:
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


class Bent:
    """Coordinates in which the criterion is nearly round, and in which a search goes far in few steps.

    A standard deviation's logarithm is known to about ``1 / sqrt(2 levels)``, so a diagonal entry of ``L`` is bent to
    ``asinh``, which is logarithmic far from zero and passes through zero; everything is measured in that unit.
    """

    def __init__(self, problem: Problem):
        start = problem.start()
        n_own = int(problem.offsets[-1])
        self.bent = np.flatnonzero(start[:n_own])
        levels = [np.full(term.n_theta, term.n_levels) for term in problem.terms]
        self.unit = 1.0 / np.sqrt(2.0 * np.concatenate([*levels, np.full(len(start) - n_own, 50)]))

    def inward(self, theta: np.ndarray) -> np.ndarray:
        out = theta / (_USUAL * self.unit)
        out[self.bent] = np.arcsinh(theta[self.bent] / _STRAIGHT) / self.unit[self.bent]
        return out

    def outward(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """theta, and what multiplies its gradient."""
        theta, slope = z * (_USUAL * self.unit), _USUAL * self.unit
        own = z[self.bent] * self.unit[self.bent]
        theta[self.bent] = _STRAIGHT * np.sinh(own)
        slope[self.bent] = _STRAIGHT * np.cosh(own) * self.unit[self.bent]
        return theta, slope

    def pull(self, slope: np.ndarray, gradient: np.ndarray) -> np.ndarray:
        return slope * gradient


class Guessed:
    """Coordinates about ``theta`` in which a guessed curvature, its eigenvalues made positive, is the identity."""

    def __init__(self, theta: np.ndarray, curvature: np.ndarray):
        values, vectors = np.linalg.eigh(curvature)
        values = np.maximum(np.abs(values), max(1e-4 * np.abs(values).max(), 1e-12))
        self.theta, self.spread = theta, vectors / np.sqrt(values)
        self.unit = 0.1  # no step is longer than ten units: by a right guess, one would gain 50

    def inward(self, theta: np.ndarray) -> np.ndarray:
        return np.linalg.solve(self.spread, theta - self.theta)

    def outward(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return self.theta + self.spread @ z, self.spread

    def pull(self, slope: np.ndarray, gradient: np.ndarray) -> np.ndarray:
        return slope.T @ gradient


def descend_with(counted: Counted, theta: np.ndarray, curvature: np.ndarray,
                 enough: float = ENOUGH) -> tuple[np.ndarray, np.ndarray]:
    """The way down by a guessed curvature, and the curvature as it was found on the way."""
    chart = Guessed(theta, curvature)
    theta, inverse = descend(counted, theta, chart, enough)
    return theta, np.linalg.inv(chart.spread @ inverse @ chart.spread.T)


def descend(counted: Counted, theta: np.ndarray, chart, enough: float = ENOUGH) -> tuple[np.ndarray, np.ndarray]:
    """Quasi-Newton (BFGS) until a step gains less than ``enough``; Newton's steps do the rest better.

    Gives where it ended, and the inverse curvature there in the chart's coordinates, as the steps have taught it.
    Nocedal & Wright 2006, Numerical Optimization (2nd ed.), algorithm 6.1, with backtracking (algorithm 3.1, steps
    by interpolation as in section 3.5) and the update left out where the curvature along the step is not positive.
    """
    z = chart.inward(theta)
    point = counted(theta)
    _, slope = chart.outward(z)
    value, gradient = point.value, chart.pull(slope, point.slope())
    inverse = np.eye(len(z))
    for _ in range(_MOST_STEPS):
        step = -inverse @ gradient
        step /= max(1.0, np.abs(step * chart.unit).max())
        downhill = gradient @ step
        if downhill > -1e-10:
            break
        length = 1.0
        while length > 1e-8:
            trial_theta, slope = chart.outward(z + length * step)
            trial = counted.tried(trial_theta)
            if trial is not None and trial.value <= value + 1e-4 * length * downhill:
                break
            bent = np.inf if trial is None else trial.value - value - length * downhill
            length *= float(np.clip(-length * downhill / (2.0 * bent), 0.1, 0.5))
        else:
            break
        moved = length * step
        turned = chart.pull(slope, trial.slope()) - gradient
        gained = value - trial.value
        z, theta, value, gradient = z + moved, trial_theta, trial.value, gradient + turned
        along = moved @ turned
        if along > 1e-10 * np.sqrt((moved @ moved) * (turned @ turned)):
            across = np.eye(len(z)) - np.outer(moved, turned) / along
            inverse = across @ inverse @ across.T + np.outer(moved, moved) / along
        if gained < enough:
            break
    return theta, inverse
