"""Levels' shifts, predictions and residuals of a fit, and its table of variances."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import sparse

from patchstats.lmm.chance import normal_quantile
from patchstats.lmm.formula import rebuild
from patchstats.remarks import ModelError

if TYPE_CHECKING:
    from patchstats.lmm.result import MixedFit


def term_covariances(fit: MixedFit, theta: np.ndarray, sigma2: float) -> list[np.ndarray]:
    """Covariance matrix of every random term in the reader's units."""
    scale = sigma2 * fit.problem.scaling.unit ** 2
    out = []
    for number, info in enumerate(fit.terms):
        factor = info.transform @ fit.problem.factor(theta, number)
        out.append(scale * factor @ factor.T)
    return out


def variance_table(fit: MixedFit, variance_errors) -> pd.DataFrame:
    """See ``MixedFit.variances``."""
    theta, point = fit.optimum.theta, fit.optimum.point
    covariances = term_covariances(fit, theta, point.sigma2)

    def variances(at, sigma2):
        pieces = [np.diag(matrix) for matrix in term_covariances(fit, at, sigma2)]
        pieces.append(np.array(list(_residual_variances(fit, at, sigma2).values())))
        return np.concatenate(pieces)

    values, errors = variance_errors(fit.problem, fit.optimum, fit._curvature, variances)
    z = normal_quantile(0.5 + fit.level / 2.0)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        spread = np.exp(z * 0.5 * errors / values)
    sd = np.sqrt(values)
    low, high = np.where(sd > 0.0, sd / spread, np.nan), np.where(sd > 0.0, sd * spread, np.nan)
    parts = shares(fit)
    lines, at = [], 0
    for info, matrix, part in zip(fit.terms, covariances, parts, strict=False):
        for j, column in enumerate(info.columns):
            both = np.sqrt(matrix[0, 0] * matrix[j, j])
            correlation = matrix[0, j] / both if j and both > 0.0 and not info.part.diagonal else np.nan
            lines.append((info.group, column, sd[at], values[at], part if j == 0 else np.nan, correlation, low[at],
                          high[at]))
            at += 1
    for name in _residual_variances(fit, theta, point.sigma2):
        lines.append((name, "", sd[at], values[at], parts[at - len(sd)], np.nan, low[at], high[at]))
        at += 1
    return pd.DataFrame(lines, columns=["group", "column", "sd", "variance", "share", "correlation", "low", "high"]
                        ).set_index(["group", "column"])


def _residual_variances(fit: MixedFit, theta: np.ndarray, sigma2: float) -> dict[str, float]:
    return fit.problem.residuals.variances(fit.problem.residual_part(theta), sigma2)


def shares(fit: MixedFit) -> np.ndarray:
    """Each term's part, and last the residual's, of the mean variance of a row."""
    residual = _residual_variances(fit, fit.optimum.theta, fit.optimum.point.sigma2)
    mean_variance = np.array([*_mean_variances(fit), *residual.values()])
    return mean_variance / mean_variance.sum()


def _mean_variances(fit: MixedFit) -> list[float]:
    """Mean over the rows of z' G z for every term (with a known relationship: times its diagonal)."""
    if len(fit.design.y) == 0:
        return _mean_variances_from_moments(fit)
    covariances = term_covariances(fit, fit.optimum.theta, fit.optimum.point.sigma2)
    out = []
    for number, (random, matrix) in enumerate(zip(fit.design.random, covariances, strict=True)):
        rows = np.einsum("ia,ab,ib->i", random.columns, matrix, random.columns)
        root = fit.problem.terms[number].known_root
        if root is not None:
            place = {label: k for k, label in enumerate(fit.terms[number].labels)}
            own = (root ** 2).sum(axis=1)[[place[label] for label in random.labels]]
            rows = rows * own[random.codes]
        out.append(float(rows.mean()))
    return out


def _mean_variances_from_moments(fit: MixedFit) -> list[float]:
    """The same from the sums, for a fit fed in pieces (rows count by their weight there)."""
    moments = fit.problem.criterion.moments
    scale = fit.optimum.point.sigma2 * fit.problem.scaling.unit ** 2
    out = []
    for number, term in enumerate(fit.problem.terms):
        columns = list(term.columns)
        squares = moments.cells[:, columns][:, :, columns]
        if term.known_root is not None:
            squares = squares * (term.known_root ** 2).sum(axis=1)[moments.codes[:, number], None, None]
        factor = fit.problem.factor(fit.optimum.theta, number)
        out.append(float(scale * np.sum((factor @ factor.T) * squares.sum(axis=0)) / moments.n_rows))
    return out


def level_table(fit: MixedFit, group: str, level: float) -> pd.DataFrame:
    """See ``MixedFit.levels``."""
    system, unit = fit.system, fit.problem.scaling.unit
    z = normal_quantile(0.5 + level / 2.0)
    tables = []
    for number in fit.terms_of(group):
        info, term = fit.terms[number], fit.problem.terms[number]
        size, n_levels = len(term.columns), term.n_levels
        start = system.offsets[number]
        combine = sparse.kron(sparse.eye_array(n_levels), sparse.csr_array(info.transform), format="csr")
        place = sparse.csr_array((n_levels * size, system.lam.shape[0]))
        left = sparse.csr_array((n_levels * size, start))
        right = sparse.csr_array((n_levels * size, system.lam.shape[0] - start - n_levels * size))
        place = sparse.hstack([left, combine, right], format="csr")
        shift = (place @ system.effects) * unit
        se = np.sqrt(fit.optimum.point.sigma2 * np.maximum(system.variance(place, None), 0.0)) * unit
        random = fit.design.random[number]
        counts = pd.Series(random.counts, index=random.labels)
        table = pd.DataFrame({"level": np.repeat(info.labels, size), "column": list(info.columns) * n_levels,
                              "shift": shift, "se": se, "low": shift - z * se, "high": shift + z * se})
        table["n_rows"] = table["level"].map(counts).fillna(0).astype("int64")
        tables.append(table)
    table = pd.concat(tables, ignore_index=True)
    if len(set(table["column"])) == 1:
        return table.drop(columns="column").set_index("level").rename_axis(group)
    table = table.rename(columns={"level": group})
    return table.set_index([group, "column"]).sort_index(kind="stable")


def predictions(fit: MixedFit, new, include, of: str, level: float) -> pd.DataFrame:
    """See ``MixedFit.predict``."""
    if of not in ("mean", "row"):
        raise ModelError(f"of is 'mean' for the expected value or 'row' for one new observation, not {of!r}.")
    groups = _included(fit, include)
    index, fixed, columns, codes = _new_design(fit, new, groups)
    scaling, sigma2 = fit.problem.scaling, fit.optimum.point.sigma2
    system = fit.system
    scaled_fixed = fixed @ scaling.fixed_map
    estimate = fixed @ scaling.start + scaling.unit * (scaled_fixed @ fit.optimum.point.beta)
    n_rows = len(index)
    rows, places, values = [], [], []
    extra = np.zeros(n_rows)
    factors = fit.problem.factors(fit.optimum.theta)
    for number in range(len(fit.terms)):
        if fit.terms[number].group not in groups:
            continue
        scaled = columns[number] @ fit.terms[number].transform
        size = scaled.shape[1]
        seen = codes[number] >= 0
        spread = scaled @ factors[number]
        extra += np.where(seen, 0.0, (spread ** 2).sum(axis=1))
        for a in range(size):
            rows.append(np.flatnonzero(seen))
            places.append(system.offsets[number] + codes[number][seen] * size + a)
            values.append(scaled[seen, a])
    shape = (n_rows, system.lam.shape[0])
    if rows:
        effects = sparse.csr_array(sparse.coo_array(
            (np.concatenate(values), (np.concatenate(rows), np.concatenate(places))), shape=shape))
    else:
        effects = sparse.csr_array(shape)
    estimate = estimate + scaling.unit * (effects @ system.effects)
    variance = scaling.unit ** 2 * sigma2 * np.maximum(system.variance(effects, scaled_fixed) + extra, 0.0)
    if of == "row":
        variance = variance + fit.problem.residuals.row_variance(fit._rho, sigma2, new)
    se = np.sqrt(variance)
    z = normal_quantile(0.5 + level / 2.0)
    return pd.DataFrame({"estimate": estimate, "se": se, "low": estimate - z * se, "high": estimate + z * se},
                        index=index)


def _included(fit: MixedFit, include) -> set[str]:
    every = {info.group for info in fit.terms}
    if include is None:
        return set()
    if isinstance(include, str):
        if include == "all":
            return every
        include = (include,)
    for group in include:
        fit.terms_of(group)
    return set(include)


def _new_design(fit: MixedFit, new, groups: set[str]):
    """Index, fixed columns, random columns and level numbers (-1 for a level not met) of the rows asked for."""
    design = fit.design
    if new is None:
        fit.need_rows()
        codes = [_recode(fit, number, random.labels[random.codes]) for number, random in enumerate(design.random)]
        return design.index, design.x, [random.columns for random in design.random], codes
    fixed = rebuild(design.info, new)
    if design.kept_columns is not None:
        fixed = fixed[:, list(design.kept_columns)]
    columns, codes = [], []
    for number, info in enumerate(fit.terms):
        if info.group not in groups:
            columns.append(np.zeros((len(new), len(info.columns))))
            codes.append(np.full(len(new), -1))
            continue
        columns.append(rebuild(info.info, new))
        missing = [name for name in info.part.group if name not in new.columns]
        if missing:
            raise ModelError(f"The new rows lack the column {missing[0]!r}; give it, or leave {info.group!r} out of "
                             "include.")
        if len(info.part.group) == 1:
            labels = new[info.part.group[0]].to_numpy()
        else:
            labels = new[list(info.part.group)].astype(str).agg(":".join, axis=1).to_numpy()
        codes.append(_recode(fit, number, labels))
    return new.index, fixed, columns, codes


def _recode(fit: MixedFit, number: int, labels) -> np.ndarray:
    place = {label: k for k, label in enumerate(fit.terms[number].labels)}
    return np.array([place.get(label, -1) for label in labels], dtype=np.int64)


def residual_table(fit: MixedFit) -> pd.DataFrame:
    """See ``MixedFit.residuals``."""
    fit.need_rows()
    design, unit = fit.design, fit.problem.scaling.unit
    centre = design.x @ fit.fixed.to_numpy()
    shift = np.zeros(len(centre))
    for number, random in enumerate(design.random):
        info, term = fit.terms[number], fit.problem.terms[number]
        size = len(term.columns)
        start = fit.system.offsets[number]
        own = fit.system.effects[start:start + term.n_levels * size].reshape(term.n_levels, size) @ info.transform.T
        place = _recode(fit, number, random.labels)
        shift += (random.columns * own[place][random.codes]).sum(axis=1) * unit
    conditional = design.y - centre - shift
    whitened = fit.problem.residuals.whiten(fit._rho, fit.optimum.point.sigma2, conditional)
    return pd.DataFrame({"fitted": centre + shift, "marginal": design.y - centre, "conditional": conditional,
                         "whitened": whitened}, index=design.index)
