"""The criterion with one quantity held at a value, minimised over everything else.

A held fixed effect moves its column into the response: a linear change of the moments. A held standard deviation or
correlation fixes one row of its term's factor up to direction; the rest of that row stays free.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg import null_space
from scipy.optimize import minimize

from patchstats.lmm.moments import Moments
from patchstats.lmm.optimise import search
from patchstats.lmm.problem import Problem
from patchstats.lmm.result import MixedFit
from patchstats.remarks import ModelError


@dataclass(frozen=True)
class Held:
    """``minimise(value, start) -> (criterion, parameters)``; the quantity's bounds and a fair step."""

    minimise: Callable[[float, np.ndarray], tuple[float, np.ndarray]]
    start: np.ndarray
    low: float
    high: float
    step: float


def held_quantity(fit: MixedFit, quantity: str | tuple[str, str]) -> Held:
    """One quantity of a fit, as :func:`patchstats.lmm.intervals.interval` names it, to be held."""
    if isinstance(quantity, str):
        return _held_effect(fit, list(fit.design.names).index(quantity))
    group, column = quantity
    if group == "residual":
        return _held_residual(fit) if column == "" else _held_error_parameter(fit)
    for number in fit.terms_of(group):
        info = fit.terms[number]
        if column == "correlation" and len(info.columns) == 2:
            return _held_row(fit, number, 1, correlation=True)
        if column in info.columns:
            return _held_row(fit, number, info.columns.index(column), correlation=False)
    raise ModelError(f"There is no {quantity!r} to hold.")


class _Moved:
    """A residual structure whose fixed variables are taken through a linear map."""

    def __init__(self, inner, change: np.ndarray):
        self._inner, self._change = inner, change
        self.name, self.fixed_scale = inner.name, inner.fixed_scale

    def start(self):
        return self._inner.start()

    def begin(self, sigma2):
        return self._inner.begin(sigma2)

    def moments(self, rho):
        found, change = self._inner.moments(rho), self._change
        n_random = found.cells.shape[1]
        cells = np.concatenate([found.cells[:, :, :n_random], found.cells[:, :, n_random:] @ change], axis=2)
        return Moments(found.codes, cells, change.T @ found.total @ change, found.n_rows, found.log_weight)

    def pull_back(self, rho, cells_bar, total_bar):
        n_random, change = cells_bar.shape[1], self._change
        cells = np.concatenate([cells_bar[:, :, :n_random], cells_bar[:, :, n_random:] @ change.T], axis=2)
        return self._inner.pull_back(rho, cells, change @ total_bar @ change.T)


def _held_effect(fit: MixedFit, column: int) -> Held:
    problem, scaling = fit.problem, fit.problem.scaling
    direction = scaling.unit * scaling.fixed_map[column]
    rest = null_space(direction[None, :])
    along = direction / (direction @ direction)
    n_fixed = len(direction)

    def minimise(value, start):
        change = np.zeros((n_fixed + 1, n_fixed))
        change[:n_fixed, :-1] = rest
        change[:n_fixed, -1] = -along * (value - scaling.start[column])
        change[-1, -1] = 1.0
        moved = Problem(problem.terms, _Moved(problem.residuals, change), scaling, reml=False)
        found = search(moved, start)
        return found.point.value, found.theta

    se = float(np.sqrt(fit.fixed_covariance.to_numpy()[column, column]))
    return Held(minimise, fit.optimum.theta, -np.inf, np.inf, se)


def _lowest(function, start: np.ndarray) -> tuple[float, np.ndarray]:
    """Minimum of ``function -> (value, gradient)`` without bounds."""
    if len(start) == 0:
        return float(function(start)[0]), start
    origin = function(start)[0]

    def lowered(at):
        value, gradient = function(at)
        return value - origin, gradient

    best = start
    for _ in range(3):  # fresh curvature from where the last run stopped
        found = minimize(lowered, best, jac=True, method="L-BFGS-B",
                         options={"maxcor": 20, "maxiter": 200, "ftol": 1e-13, "gtol": 1e-7})
        moved, best = np.abs(found.x - best).max(), found.x
        if moved < 1e-6:
            break
    return float(found.fun + origin), best


def _held_residual(fit: MixedFit) -> Held:
    problem = fit.problem
    unit = problem.scaling.unit
    theta = _lifted(fit)
    def minimise(value, start):
        if problem.fixed_scale:
            def function(free):
                point = problem.evaluate(np.append(free, value / unit))
                return point.value, point.slope()[:-1]
        else:
            def function(free):
                point = problem.evaluate(free, sigma2=max((value / unit) ** 2, 1e-12))
                return point.value, point.slope()
        return _lowest(function, start)

    start = theta[:-1] if problem.fixed_scale else theta
    return Held(minimise, start, 0.0, np.inf, 0.1 * max(fit.sigma, 0.1 * unit))


def _held_error_parameter(fit: MixedFit) -> Held:
    """The one parameter of AR(1) or power errors held, on the engine's scale."""
    problem, theta = fit.problem, fit.optimum.theta
    moved = _lifted(fit)[:-1]

    def minimise(value, start):
        def function(free):
            point = problem.evaluate(np.append(free, value))
            return point.value, point.slope()[:-1]
        return _lowest(function, start)

    return Held(minimise, moved, -np.inf, np.inf, 0.1 * max(1.0, abs(float(theta[-1]))))


def _lifted(fit: MixedFit) -> np.ndarray:
    """The fit's parameters with zeros lifted: zero is stationary and a descent would stay there."""
    theta = fit.optimum.theta.copy()
    small = np.abs(theta) < 0.02
    return np.where(small & (fit.problem.start() != 0.0), 0.05, theta)


def _held_row(fit: MixedFit, number: int, row: int, *, correlation: bool) -> Held:
    """The sd of column ``row`` of one term held (or the correlation of its two columns)."""
    problem, info = fit.problem, fit.terms[number]
    unit, transform = problem.scaling.unit, info.transform
    back = np.linalg.inv(transform)
    scale_free = not problem.fixed_scale
    where = slice(problem.offsets[number], problem.offsets[number + 1])
    term = problem.terms[number]

    def split(free):
        return (free[:-1], float(np.exp(0.5 * free[-1]))) if scale_free else (free, 1.0)

    def build(free, value):
        """theta with the quantity in place, and what the chain rule needs."""
        own, sigma = split(free)
        written = transform @ problem.factor(own, number)
        held = written.copy()
        if correlation:
            # the second row's length is free in its last entry, its direction is the correlation's
            held[1, 0], held[1, 1] = value * written[1, 1], np.sqrt(max(0.0, 1.0 - value ** 2)) * written[1, 1]
            return problem.with_factor(own, number, back @ held), sigma, None, 0.0
        length = np.linalg.norm(written[row])
        along = written[row] / length if length > 0.0 else np.eye(len(written))[row]
        size = value / (sigma * unit)
        held[row] = size * along
        return problem.with_factor(own, number, back @ held), sigma, (along, length), size

    def minimise(value, start):
        def function(free):
            theta, sigma, direction, size = build(free, value)
            point = problem.evaluate(theta, sigma2=sigma ** 2 if scale_free else None)
            slope = point.slope().copy()
            # entries of L above its diagonal (or off it, for ||) are no parameters: their slope is dropped by _pack
            outer = back.T @ problem._unpack(term, slope[where])
            extra = 0.0
            if correlation:
                pulled = value * outer[1, 0] + np.sqrt(max(0.0, 1.0 - value ** 2)) * outer[1, 1]
                outer[1, 0], outer[1, 1] = 0.0, pulled
            else:
                along, length = direction
                pull = float(outer[row] @ along)
                extra = -0.5 * size * pull
                outer[row] = size / max(length, 1e-300) * (outer[row] - along * pull)
            slope[where] = problem._pack(term, transform.T @ outer)
            if not scale_free:
                return point.value, slope
            shift = problem.criterion.freedom - point.r2 / sigma ** 2
            return point.value, np.append(slope, shift + extra)
        return _lowest(function, start)

    theta = _lifted(fit)
    start = np.append(theta, np.log(fit.optimum.point.sigma2)) if scale_free else theta
    if correlation:
        return Held(minimise, start, -1.0, 1.0, 0.2)
    covariance = (transform @ problem.factor(fit.optimum.theta, number))[row]
    estimate = float(np.linalg.norm(covariance) * np.sqrt(fit.optimum.point.sigma2) * unit)
    floor = 0.1 * np.sqrt(fit.optimum.point.sigma2) * unit * np.linalg.norm(transform[row])
    return Held(minimise, start, 0.0, np.inf, max(0.25 * estimate, floor))
