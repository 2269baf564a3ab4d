"""From the optimum to statements: errors, degrees of freedom, tests and intervals of fixed effects and variances.

Satterthwaite's degrees of freedom of a contrast ``l`` are ``2 v^2 / (g' A g)`` where ``v = l' C l`` is its variance,
``g`` the gradient of ``v`` in the covariance parameters and ``A`` their asymptotic covariance, twice the inverse
Hessian of the criterion (Satterthwaite 1946; Giesbrecht & Burns 1985, Biometrics 41:477; the F test of several
contrasts after Fai & Cornelius 1996, as in Kuznetsova et al. 2017, Journal of Statistical Software 82(13)).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patchstats.lmm.chance import f_above, t_beyond, t_quantile
from patchstats.lmm.optimise import Optimum
from patchstats.lmm.problem import Problem


@dataclass(frozen=True)
class FixedInference:
    """Covariance of the fixed effects in the user's units, and what Satterthwaite's formula needs.

    covariance [p, p]; slopes [k, p, p]: its derivative in each covariance parameter; parameter_covariance [k, k].
    """

    beta: np.ndarray
    covariance: np.ndarray
    slopes: np.ndarray
    parameter_covariance: np.ndarray

    def satterthwaite(self, contrast: np.ndarray) -> float:
        """Degrees of freedom of one contrast."""
        variance = float(contrast @ self.covariance @ contrast)
        slope = np.einsum("i,kij,j->k", contrast, self.slopes, contrast)
        spread = float(slope @ self.parameter_covariance @ slope)
        return 2.0 * variance ** 2 / spread if spread > 0.0 else np.inf

    def f_test(self, contrasts: np.ndarray) -> tuple[float, int, float, float]:
        """F, numerator and denominator degrees of freedom and p of ``contrasts @ beta = 0``."""
        covariance = contrasts @ self.covariance @ contrasts.T
        values, vectors = np.linalg.eigh(covariance)
        kept = values > 1e-10 * values.max()
        rank = int(kept.sum())
        rotated = vectors[:, kept].T @ contrasts
        t_squared = (rotated @ self.beta) ** 2 / values[kept]
        f_value = float(t_squared.sum() / rank)
        freedom = np.array([self.satterthwaite(row) for row in rotated])
        return f_value, rank, (df := _fai_cornelius(freedom)), f_above(f_value, rank, df)


def _fai_cornelius(freedom: np.ndarray) -> float:
    """Denominator degrees of freedom from those of orthogonal contrasts."""
    if len(freedom) == 1:
        return float(freedom[0])
    if np.ptp(freedom) < 1e-8 * freedom.max():
        return float(freedom.mean())
    if np.any(freedom <= 2.0):
        return 2.0
    expected = float((freedom / (freedom - 2.0)).sum())
    return 2.0 * expected / (expected - len(freedom))


@dataclass(frozen=True)
class Curvature:
    """Second derivatives at an optimum.

    hessian [k + 1, k + 1]: of the criterion that is not profiled, in (theta, log sigma2); slopes [k, p, p]:
    d (X'V^-1X)^-1 / d theta, scaled columns. Central differences of the exact gradient.
    """

    hessian: np.ndarray
    slopes: np.ndarray


def curvature(problem: Problem, optimum: Optimum) -> Curvature:
    """Second derivatives at the optimum; two evaluations for each parameter."""
    theta, sigma2 = optimum.theta, optimum.point.sigma2
    size = len(theta)
    hessian = np.zeros((size + 1, size + 1))
    slopes = np.zeros((size, problem.n_fixed, problem.n_fixed))
    for j in range(size):
        step = 3e-5 * max(1.0, abs(theta[j]))
        forward, backward = theta.copy(), theta.copy()
        forward[j] += step
        backward[j] -= step
        ahead, behind = problem.evaluate(forward, sigma2=sigma2), problem.evaluate(backward, sigma2=sigma2)
        hessian[:size, j] = (ahead.slope() - behind.slope()) / (2.0 * step)
        # d/d log sigma2 of (r2 / sigma2) is -r2 / sigma2
        hessian[size, j] = hessian[j, size] = -(ahead.r2 - behind.r2) / (2.0 * step) / sigma2
        slopes[j] = (ahead.unscaled_covariance() - behind.unscaled_covariance()) / (2.0 * step)
    hessian[:size, :size] = 0.5 * (hessian[:size, :size] + hessian[:size, :size].T)
    # d2/d(log sigma2)2 of (freedom log sigma2 + r2 / sigma2) is r2 / sigma2
    hessian[size, size] = optimum.point.r2 / sigma2
    return Curvature(hessian, slopes)


def fixed_effects(problem: Problem, optimum: Optimum) -> tuple[np.ndarray, np.ndarray]:
    """Fixed effects and their covariance in the user's units, the variances taken as known."""
    scaling, point = problem.scaling, optimum.point
    back = scaling.fixed_map * scaling.unit
    return scaling.start + back @ point.beta, point.sigma2 * back @ point.unscaled_covariance() @ back.T


def fixed_inference(problem: Problem, optimum: Optimum, bend: Curvature) -> FixedInference:
    """Covariance of beta, its slopes and the covariance of the parameters (theta, log sigma2)."""
    beta, covariance = fixed_effects(problem, optimum)
    back = problem.scaling.fixed_map * problem.scaling.unit
    slopes = optimum.point.sigma2 * np.einsum("ia,kab,jb->kij", back, bend.slopes, back)
    hessian = bend.hessian
    if problem.fixed_scale:
        hessian = hessian[:-1, :-1]
    else:
        slopes = np.concatenate([slopes, covariance[None]])
    return FixedInference(beta, covariance, slopes, parameter_covariance(hessian))


def parameter_covariance(hessian: np.ndarray) -> np.ndarray:
    """Twice the inverse Hessian; flat directions (a variance at zero moves nothing) count as known."""
    if hessian.size == 0:
        return hessian
    values, vectors = np.linalg.eigh(hessian)
    usable = values > 1e-8 * max(values.max(), 0.0)
    inverse = np.where(usable, 2.0 / np.where(usable, values, 1.0), 0.0)
    return (vectors * inverse) @ vectors.T


def t_table(estimate: np.ndarray, se: np.ndarray, df: np.ndarray, level: float) -> dict[str, np.ndarray]:
    """Columns estimate, se, df, t, p, low, high."""
    with np.errstate(divide="ignore", invalid="ignore"):
        t_value = estimate / se
    half = t_quantile(0.5 + level / 2.0, df) * se
    return {"estimate": estimate, "se": se, "df": df, "t": t_value, "p": t_beyond(t_value, df),
            "low": estimate - half, "high": estimate + half}


def variance_errors(problem: Problem, optimum: Optimum, bend: Curvature, quantity) -> tuple[np.ndarray, np.ndarray]:
    """Value and standard error of ``quantity(theta, sigma2) -> vector``, by the delta method."""
    theta, sigma2 = optimum.theta, optimum.point.sigma2
    value = quantity(theta, sigma2)
    columns = []
    for j in range(len(theta)):
        step = 1e-5 * max(1.0, abs(theta[j]))
        ahead, behind = theta.copy(), theta.copy()
        ahead[j] += step
        behind[j] -= step
        columns.append((quantity(ahead, sigma2) - quantity(behind, sigma2)) / (2.0 * step))
    hessian = bend.hessian
    if problem.fixed_scale:
        hessian = hessian[:-1, :-1]
    else:
        step = 1e-5
        columns.append((quantity(theta, sigma2 * np.exp(step)) - quantity(theta, sigma2 * np.exp(-step)))
                       / (2.0 * step))
    if not columns:
        return value, np.zeros_like(value)
    jacobian = np.column_stack(columns)
    spread = np.einsum("ij,jk,ik->i", jacobian, parameter_covariance(hessian), jacobian)
    return value, np.sqrt(np.maximum(spread, 0.0))
