"""The covariance of fixed effects that does not lean on the model of the errors: by what clusters of rows say.

With ``u_c = X_c' [V^-1 (y - X beta)]_c``, the score of the fixed effects from cluster c, and ``B = (X' V^-1 X)^-1``,

    covariance = B (sum over c of u_c u_c') B * C / (C - 1)

(Liang & Zeger 1986, *Longitudinal data analysis using generalized linear models*, Biometrika 73:13-22; the factor for
C clusters is common practice). It holds however the rows within a cluster hang together, and needs many clusters:
below some thirty it is too small (Cameron, Gelbach & Miller 2008, Review of Economics and Statistics 90:414-427).
``V^-1 (y - X beta)`` is ``R^-1`` times the conditional residuals (Henderson's equations), so nothing large is inverted.
Groups that cross the clusters are taken to be told well by the data.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from patchstats.lmm.result import MixedFit
from patchstats.remarks import ModelError


def clustered_covariance(fit: MixedFit, cluster: pd.Series) -> pd.DataFrame:
    """Covariance of the fixed effects [terms by terms] by clusters of rows.

    ``cluster``: a label a row, with the index of the table fitted. Rows without a label are a cluster each. Raises
    :class:`ModelError` with fewer than two clusters, or where the errors of one cluster hang together with another's.
    """
    fit.need_rows()
    design = fit.design
    codes = pd.factorize(cluster.loc[design.index])[0]
    lone = codes < 0
    codes[lone] = codes.max(initial=-1) + 1 + np.arange(lone.sum())
    n_clusters = len(np.unique(codes))
    if n_clusters < 2:
        raise ModelError("A covariance by clusters needs two clusters at least, and should have thirty.")
    whiten, rho, sigma2 = fit.problem.residuals.whiten, fit._rho, fit.optimum.point.sigma2
    left = fit.residuals["whitened"].to_numpy()
    columns = np.column_stack([whiten(rho, sigma2, column) for column in design.x.T])
    scores = np.zeros((n_clusters, columns.shape[1]))
    np.add.at(scores, codes, columns * left[:, None])
    bread = fit.fixed_covariance.to_numpy()
    made = bread @ (scores.T @ scores) @ bread * (n_clusters / (n_clusters - 1.0))
    return pd.DataFrame(made, index=fit.fixed.index, columns=fit.fixed.index)
