"""The marginal likelihood of a mixed model by dense matrices: slow, plain, and the measure of the quick one."""

from __future__ import annotations

import numpy as np


def dense_criterion(y, x, terms, *, reml=True, residual=None, sigma2=None):
    """Minus twice the (restricted) log-likelihood.

    ``terms``: for each random term its columns [n, q], level numbers [n], relative covariance [q, q] and known
    relationship of levels or None. ``residual``: residual covariance over sigma2 (None: identity).
    """
    n, p = x.shape
    v = np.eye(n) if residual is None else residual.copy()
    for columns, codes, covariance, known in terms:
        size = codes.max() + 1
        relation = np.eye(size) if known is None else known
        v += (columns @ covariance @ columns.T) * relation[np.ix_(codes, codes)]
    inverse = np.linalg.inv(v)
    xvx = x.T @ inverse @ x
    beta = np.linalg.solve(xvx, x.T @ inverse @ y)
    r2 = (y - x @ beta) @ inverse @ (y - x @ beta)
    logdet = np.linalg.slogdet(v)[1] + (np.linalg.slogdet(xvx)[1] if reml else 0.0)
    freedom = n - (p if reml else 0)
    if sigma2 is None:
        return logdet + freedom * (1.0 + np.log(2.0 * np.pi * r2 / freedom))
    return logdet + freedom * np.log(2.0 * np.pi * sigma2) + r2 / sigma2
