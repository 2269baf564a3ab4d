"""Questions to the fixed effects: contrasts, tests of whole terms, marginal means and their differences.

A marginal mean is the model's prediction averaged with equal weight over the levels of every other factor, number
columns held at their means (Searle, Speed & Milliken 1980, The American Statistician 34:216, "population marginal
means").

``df`` is ``"satterthwaite"``, ``"kenward-roger"`` or ``"infinite"``: the last takes the variances as known (Wald's z
and chi-square tests), which is too sure of itself with few levels.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from patchstats.lmm.chance import chi2_above, t_quantile
from patchstats.lmm.formula import rebuild
from patchstats.lmm.inference import t_table
from patchstats.lmm.kenward import kenward_roger
from patchstats.lmm.result import MixedFit
from patchstats.remarks import ModelError

DF = ("satterthwaite", "kenward-roger", "infinite")


@dataclass(frozen=True)
class _Wald:
    """Tests that take the variances as known: normal for one contrast, Wald's chi-square over its df for several."""

    beta: np.ndarray
    covariance: np.ndarray

    def df(self, contrast: np.ndarray) -> float:
        return np.inf

    def f_test(self, contrasts: np.ndarray) -> tuple[float, int, float, float]:
        covariance = contrasts @ self.covariance @ contrasts.T
        estimate = contrasts @ self.beta
        rank = int(np.linalg.matrix_rank(contrasts))
        chi2 = float(estimate @ np.linalg.pinv(covariance, hermitian=True) @ estimate)
        return chi2 / rank, rank, np.inf, chi2_above(chi2, rank)


def _engine(fit: MixedFit, df: str):
    if df not in DF:
        raise ModelError(f"df is one of {', '.join(DF)}, not {df!r}.")
    if df == "infinite":
        return _Wald(fit._inference.beta, fit._inference.covariance)
    return fit._inference if df == "satterthwaite" else kenward_roger(fit)


def _single(engine, contrast: np.ndarray) -> tuple[float, float, float]:
    """Estimate, se and df of one contrast."""
    se = float(np.sqrt(contrast @ engine.covariance @ contrast))
    df = engine.satterthwaite(contrast) if hasattr(engine, "satterthwaite") else engine.df(contrast)
    return float(contrast @ engine.beta), se, df


def contrast(fit: MixedFit, rows: Mapping[str, Mapping[str, float]] | pd.DataFrame, *, df: str = "satterthwaite",
             level: float | None = None) -> pd.DataFrame:
    """Linear combinations of fixed effects: estimate, se, df, t, p, low, high.

    ``rows``: name -> {term: weight}, such as ``{"five more vines": {"secondaries": 5}}``; or a DataFrame of weights
    with a column for each term.
    """
    weights = rows if isinstance(rows, pd.DataFrame) else pd.DataFrame.from_dict(rows, orient="index").fillna(0.0)
    names = list(fit.design.names)
    unknown = [name for name in weights.columns if name not in names]
    if unknown:
        raise ModelError(f"The fit has no fixed effect {unknown[0]!r}; it has: {', '.join(names)}.")
    matrix = weights.reindex(columns=names, fill_value=0.0).to_numpy(dtype=float)
    return _table(fit, matrix, weights.index, df, fit.level if level is None else level)


def _table(fit: MixedFit, matrix: np.ndarray, index: pd.Index, df: str, level: float) -> pd.DataFrame:
    engine = _engine(fit, df)
    estimate, se, freedom = np.array([_single(engine, row) for row in matrix]).T
    return pd.DataFrame(t_table(estimate, se, freedom, level), index=index)


def coef_table(fit: MixedFit, *, df: str = "satterthwaite", level: float | None = None) -> pd.DataFrame:
    """The table of fixed effects with either kind of degrees of freedom."""
    names = pd.Index(fit.design.names, name="term")
    return _table(fit, np.eye(len(names)), names, df, fit.level if level is None else level)


def f_test(fit: MixedFit, matrix: np.ndarray, *, df: str = "satterthwaite") -> dict[str, float]:
    """F test of ``matrix @ beta = 0``: f, df1, df2, p."""
    matrix = np.atleast_2d(np.asarray(matrix, dtype=float))
    if matrix.shape[1] != len(fit.design.names):
        raise ModelError(f"A contrast needs {len(fit.design.names)} weights, one for each fixed effect.")
    value, df1, df2, p = _engine(fit, df).f_test(matrix)
    return {"f": value, "df1": df1, "df2": df2, "p": p}


def term_tests(fit: MixedFit, *, df: str = "satterthwaite") -> pd.DataFrame:
    """Each term of the fixed part: all its columns zero, the others kept: f, df1, df2, p.

    Where a term takes part in an interaction its own test speaks of the other's zero or base level.
    """
    lines = {}
    kept = fit.design.kept_columns or tuple(range(len(fit.design.names)))
    for name, columns in fit.design.info.term_name_slices.items():
        chosen = [kept.index(k) for k in range(columns.start, columns.stop) if k in kept]
        if name == "Intercept" or not chosen:
            continue
        lines[name] = f_test(fit, np.eye(len(kept))[chosen], df=df)
    return pd.DataFrame.from_dict(lines, orient="index", columns=["f", "df1", "df2", "p"]).rename_axis("term")


def _grid(fit: MixedFit, by: tuple[str, ...], at: Mapping[str, object]) -> tuple[pd.DataFrame, np.ndarray]:
    """Distinct settings of ``by`` and, for each, its averaged row of fixed columns."""
    factors = dict(fit.design.categories or {})
    numbers = {name: mean for name, mean in (fit.design.means or {}).items() if name not in factors}
    for name, value in at.items():
        if name not in factors and name not in numbers:
            raise ModelError(f"{name!r} is no column of the fixed part; it has: {', '.join([*factors, *numbers])}.")
        values = list(value) if isinstance(value, (list, tuple, np.ndarray)) else [value]
        numbers.pop(name, None)
        factors[name] = values
    missing = [name for name in by if name not in factors]
    if missing:
        raise ModelError(f"{missing[0]!r} is no factor of the fixed part; name its settings in at, as in "
                         f"at={{{missing[0]!r}: [1, 2]}}.")
    order = [*by, *(name for name in factors if name not in by)]
    grid = pd.MultiIndex.from_product([factors[name] for name in order], names=order).to_frame(index=False)
    for name, mean in numbers.items():
        grid[name] = mean
    columns = rebuild(fit.design.info, grid)
    if fit.design.kept_columns is not None:
        columns = columns[:, list(fit.design.kept_columns)]
    settings = grid[list(by)].drop_duplicates().reset_index(drop=True)
    each = len(grid) // len(settings)
    return settings, columns.reshape(len(settings), each, -1).mean(axis=1)


def marginal_means(fit: MixedFit, by: str | tuple[str, ...], *, at: Mapping[str, object] | None = None,
                   df: str = "satterthwaite", level: float | None = None) -> pd.DataFrame:
    """Marginal means by the levels of ``by``: estimate, se, df, t, p, low, high.

    ``at``: settings of other columns; a list makes a column usable in ``by``.
    """
    by = (by,) if isinstance(by, str) else tuple(by)
    settings, matrix = _grid(fit, by, at or {})
    index = pd.MultiIndex.from_frame(settings) if len(by) > 1 else pd.Index(settings[by[0]], name=by[0])
    return _table(fit, matrix, index, df, fit.level if level is None else level)


def pairwise(fit: MixedFit, by: str, *, at: Mapping[str, object] | None = None, df: str = "satterthwaite",
             level: float | None = None, adjust: str = "tukey") -> pd.DataFrame:
    """All differences of marginal means, with intervals and p adjusted together.

    ``adjust``: ``"tukey"`` (studentised range), ``"bonferroni"`` or ``"none"``. Columns as for a contrast.
    """
    if adjust not in ("tukey", "bonferroni", "none"):
        raise ModelError(f"adjust is tukey, bonferroni or none, not {adjust!r}.")
    level = fit.level if level is None else level
    settings, matrix = _grid(fit, (by,), at or {})
    values = list(settings[by])
    pairs = [(i, j) for i in range(len(values)) for j in range(i + 1, len(values))]
    index = pd.Index([f"{values[i]} - {values[j]}" for i, j in pairs], name=by)
    table = _table(fit, np.array([matrix[i] - matrix[j] for i, j in pairs]), index, df, level)
    t_size = table["t"].abs().to_numpy()
    freedom = table["df"].to_numpy()
    if adjust == "tukey":
        from scipy import stats  # here alone: see patchstats.lmm.chance

        finite = np.minimum(freedom, 1e5)
        table["p"] = stats.studentized_range.sf(t_size * np.sqrt(2.0), len(values), finite)
        half = stats.studentized_range.ppf(level, len(values), finite) / np.sqrt(2.0)
    elif adjust == "bonferroni":
        table["p"] = np.minimum(1.0, table["p"] * len(pairs))
        half = t_quantile(1.0 - (1.0 - level) / 2.0 / len(pairs), freedom)
    else:
        return table
    table["low"], table["high"] = table["estimate"] - half * table["se"], table["estimate"] + half * table["se"]
    return table
