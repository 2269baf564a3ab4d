"""Shifts of several levels together, with their whole covariance: what comparing and ranking levels needs.

Separate intervals say nothing about a difference: two growers who share seasons and seed lines have shifts whose
errors go together. The covariance here is that of the prediction errors with the fixed effects unknown too
(Henderson 1975, *Best linear unbiased estimation and prediction under a selection model*, Biometrics 31:423-447).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import sparse

from patchstats.remarks import ModelError


def joint_shifts(fit, rows: pd.DataFrame, *, fixed: pd.DataFrame | None = None) -> tuple[pd.Series, pd.DataFrame]:
    """Sums of shifts, one a row, and the covariance of their errors [response, response squared].

    ``rows`` has a column for each group whose shift counts (its name, the level in each row); a level that the fit has
    not met adds nothing to the shift and its group's variance to the error. A term with slopes counts by its
    intercept, so centre its variable where the comparison is meant. ``fixed`` adds a combination of fixed effects to
    each row: a column for each coefficient that counts, named as in ``fit.fixed``. Index: that of ``rows``.
    """
    system, unit = fit.system, fit.problem.scaling.unit
    sigma2 = fit.optimum.point.sigma2
    n_rows, n_effects = len(rows), system.lam.shape[0]
    place, value, at = [], [], []
    unknown = np.zeros(n_rows)
    for group in rows.columns:
        if not any(info.group == group for info in fit.terms):
            raise ModelError(f"The model has no group {group!r} to compare.")
        number = next((k for k, info in enumerate(fit.terms)
                       if info.group == group and "(Intercept)" in info.columns), None)
        if number is None:
            raise ModelError(f"The group {group!r} has slopes alone, no shift to compare.")
        own = fit.terms[number].columns.index("(Intercept)")
        info, size = fit.terms[number], len(fit.problem.terms[number].columns)
        code = {label: k for k, label in enumerate(info.labels)}
        level = np.array([code.get(label, -1) for label in rows[group]])
        seen = np.flatnonzero(level >= 0)
        for a in range(size):
            weight = info.transform[own, a]  # the written intercept in the engine's whitened columns
            if weight != 0.0:
                at.append(seen)
                place.append(system.offsets[number] + level[seen] * size + a)
                value.append(np.full(len(seen), weight))
        factor = info.transform[own] @ fit.problem.factors(fit.optimum.theta)[number]
        missing = level < 0
        unknown += np.where(missing, float(factor @ factor), 0.0)
    combine = sparse.csr_array(sparse.coo_array(
        (np.concatenate(value), (np.concatenate(at), np.concatenate(place))), shape=(n_rows, n_effects)))
    shift = unit * (combine @ system.effects)
    spherical = sparse.csr_array(combine @ system.lam).toarray()
    weights = np.zeros((n_rows, len(fit.design.names)))
    if fixed is not None:
        for name in fixed.columns:
            weights[:, fit.design.names.index(name)] = fixed[name].to_numpy(float)
    scaled = weights @ fit.problem.scaling.fixed_map
    shift = shift + weights @ fit.fixed.to_numpy()
    left = scaled - spherical @ system.solved_couple
    within = spherical @ system.solve(np.ascontiguousarray(spherical.T))
    covariance = within + left @ system.inner_inverse @ left.T
    covariance = sigma2 * unit**2 * (covariance + np.diag(unknown))
    return (pd.Series(shift, index=rows.index, name="shift"),
            pd.DataFrame(0.5 * (covariance + covariance.T), index=rows.index, columns=rows.index))
