"""Kenward and Roger's small-sample tests of fixed effects: a wider covariance, and F with approximate df.

Kenward & Roger 1997, Biometrics 53:983-997, in the form of Halekoh & Hojsgaard 2014, Journal of Statistical Software
59(9), section 3: with ``V = sum_r gamma_r V_r`` linear in its parameters, ``Phi = (X'V^-1X)^-1``,

    P_r = -X'V^-1 V_r V^-1 X,   Q_rs = X'V^-1 V_r V^-1 V_s V^-1 X,
    W = 2 K^-1,  K_rs = tr(V^-1 V_r V^-1 V_s) - 2 tr(Phi Q_rs) + tr(Phi P_r Phi P_s)
    Phi_A = Phi + 2 Phi [ sum_rs W_rs (Q_rs - P_r Phi P_s) ] Phi.

Everything is worked out in the space of effects, never in that of rows: with ``H = Z'V^-1Z`` and the identity
``V^-1 V_0 V^-1 = (V^-1 - V^-1 Z G Z' V^-1) / sigma2`` for the residual's own part ``V_0``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patchstats.lmm.chance import f_above
from patchstats.lmm.result import MixedFit
from patchstats.remarks import ModelError

_LARGEST = 2500  # effects; beyond, sample sizes make the adjustment idle


@dataclass(frozen=True)
class KenwardRoger:
    """Adjusted covariance of the fixed effects and what the degrees of freedom need, in the user's units."""

    beta: np.ndarray
    covariance: np.ndarray
    unadjusted: np.ndarray
    slopes: np.ndarray  # P_r
    spread: np.ndarray  # W

    def f_test(self, contrasts: np.ndarray) -> tuple[float, int, float, float]:
        """Scaled F, numerator and denominator df, p of ``contrasts @ beta = 0``."""
        contrasts = np.atleast_2d(contrasts)
        rank = int(np.linalg.matrix_rank(contrasts))
        if rank < len(contrasts):
            contrasts = np.linalg.svd(contrasts)[2][:rank]
        phi, w = self.unadjusted, self.spread
        theta = contrasts.T @ np.linalg.solve(contrasts @ phi @ contrasts.T, contrasts)
        turned = np.array([theta @ phi @ p @ phi for p in self.slopes])
        traces = np.trace(turned, axis1=1, axis2=2)
        a1 = float(traces @ w @ traces)
        a2 = float(np.einsum("rs,rij,sji->", w, turned, turned))
        q = rank
        if q == 1:  # the formulas below reduce to this, without their zero over zero at two degrees of freedom
            df, scale = 2.0 / a2, 1.0
        else:
            b = (a1 + 6.0 * a2) / (2.0 * q)
            g = ((q + 1.0) * a1 - (q + 4.0) * a2) / ((q + 2.0) * a2)
            bottom = 3.0 * q + 2.0 * (1.0 - g)
            c1, c2, c3 = g / bottom, (q - g) / bottom, (q + 2.0 - g) / bottom
            mean = 1.0 / (1.0 - a2 / q)
            variance = 2.0 / q * (1.0 + c1 * b) / ((1.0 - c2 * b) ** 2 * (1.0 - c3 * b))
            rho = variance / (2.0 * mean ** 2)
            df = 4.0 + (q + 2.0) / (q * rho - 1.0)
            scale = df / (mean * (df - 2.0))
        estimate = contrasts @ self.beta
        wald = float(estimate @ np.linalg.solve(contrasts @ self.covariance @ contrasts.T, estimate)) / q
        return scale * wald, q, df, f_above(scale * wald, q, df)

    def df(self, contrast: np.ndarray) -> float:
        return self.f_test(contrast)[2]


def kenward_roger(fit: MixedFit) -> KenwardRoger:
    """The adjustment for a REML fit with independent errors."""
    if fit.method != "REML":
        raise ModelError("Kenward and Roger's degrees of freedom belong to a REML fit; this one is ML.")
    if fit.errors != "independent":
        raise ModelError(f"Kenward and Roger's degrees of freedom are worked out for independent errors, not for "
                         f"{fit.errors} errors; Satterthwaite's stand in coef.")
    system, terms = fit.system, fit.problem.terms
    n_effects = system.lam.shape[0]
    if n_effects > _LARGEST:
        raise ModelError(f"{n_effects:,} levels are too many for Kenward and Roger's adjustment, and too many for it "
                         "to matter; Satterthwaite's degrees of freedom stand in coef.")
    sigma2, n_rows = fit.optimum.point.sigma2, fit.n_rows
    products, fixed_products = system.products.toarray(), system.fixed_products
    lam = system.lam.toarray()
    half = products @ lam
    # in units of sigma2: V^-1 = (I - Z Lambda M^-1 Lambda' Z') / sigma2
    h = (products - half @ system.solve(half.T)) / sigma2
    xz = (fixed_products - system.couple.T @ system.solve(half.T)) / sigma2
    xx = system.inner / sigma2
    g = sigma2 * lam @ lam.T
    patterns = [pattern for number in range(len(terms)) for pattern in _patterns(fit, number)]
    gz = g @ xz.T
    xz_residual = (xz - xz @ g @ h) / sigma2            # X'V^-1 V^-1 Z
    h_residual = (h - h @ g @ h) / sigma2               # Z'V^-1 V^-1 Z
    xx_residual = (xx - xz @ gz) / sigma2               # X'V^-1 V^-1 X
    xx_twice = (xx_residual - xz_residual @ gz) / sigma2  # X'V^-1 V^-1 V^-1 X
    trace_inverse = (n_rows - np.trace(h @ g)) / sigma2
    trace_square = (trace_inverse - np.trace(g @ h_residual)) / sigma2
    size = len(patterns) + 1
    p = [-(xz @ e @ xz.T) for e in patterns] + [-xx_residual]
    q = np.zeros((size, size, len(xx), len(xx)))
    traces = np.zeros((size, size))
    he = [h @ e for e in patterns]
    for r, first in enumerate(patterns):
        for s, second in enumerate(patterns):
            q[r, s] = xz @ first @ h @ second @ xz.T
            traces[r, s] = np.einsum("ij,ji->", he[r], he[s])
        q[r, -1] = xz @ first @ xz_residual.T
        q[-1, r] = q[r, -1].T
        traces[r, -1] = traces[-1, r] = np.einsum("ij,ji->", first, h_residual)
    q[-1, -1], traces[-1, -1] = xx_twice, trace_square
    phi = np.linalg.inv(xx)
    information = np.array([[traces[r, s] - 2.0 * np.trace(phi @ q[r, s]) + np.trace(phi @ p[r] @ phi @ p[s])
                             for s in range(size)] for r in range(size)])
    spread = 2.0 * np.linalg.pinv(0.5 * (information + information.T), hermitian=True)
    correction = np.zeros_like(phi)
    for r in range(size):
        for s in range(size):
            correction += spread[r, s] * (q[r, s] - p[r] @ phi @ p[s])
    adjusted = phi + 2.0 * phi @ correction @ phi
    back = fit.problem.scaling.fixed_map * fit.problem.scaling.unit
    ahead = np.linalg.inv(back)
    slopes = np.array([ahead.T @ matrix @ ahead for matrix in p])
    return KenwardRoger(fit.fixed.to_numpy(), back @ adjusted @ back.T, back @ phi @ back.T, slopes, spread)


def _patterns(fit: MixedFit, number: int) -> list[np.ndarray]:
    """dG / d(each covariance entry) of one term, over all effects, in the scaled coordinates.

    Any linear coordinates of the covariance give the same tests, so the scaled ones serve.
    """
    term, system = fit.problem.terms[number], fit.system
    size = len(term.columns)
    levels = np.eye(term.n_levels) if term.known_root is None else term.known_root @ term.known_root.T
    out = []
    for a in range(size):
        for b in range(a + 1):
            if term.diagonal and a != b:
                continue
            small = np.zeros((size, size))
            small[a, b] = small[b, a] = 1.0
            full = np.zeros((system.lam.shape[0], system.lam.shape[0]))
            where = slice(system.offsets[number], system.offsets[number + 1])
            full[where, where] = np.kron(levels, small)
            out.append(full)
    return out
