"""Residuals of gains: process noise of their own plus the errors of the two readings each gain is a difference of.

A daily gain between readings i - 1 and i, ``dt`` days apart, has measurement variance ``(s_(i-1)^2 + s_i^2) / dt^2``,
and shares reading i with the gain after it: covariance ``-s_i^2 / (dt dt')`` (with equal errors and days a correlation
of -1/2). The standard errors are known, so this part has no parameter; an independent residual of variance
``sigma2 / weight`` is estimated beside it. Within an unbroken run of readings the covariance ``R`` is tridiagonal,
``R = L D L'`` with ``L`` unit lower bidiagonal, and rows are whitened in one pass each way:

    d_1 = r_1,  l_i = c_i / d_i,  d_(i+1) = r_(i+1) - c_i^2 / d_i,  e_(i+1) = w_(i+1) - l_i e_i.

Derivatives use ``d (w' R^-1 w) = -(R^-1 w)' dR (R^-1 w)`` and ``d log|R| = sum d_i' / d_i``.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from patchstats.lmm.elimination import gather_matrix
from patchstats.lmm.errors import Errors, Residuals, Rows, linked_rows, refuse_split_series, weight_shape
from patchstats.lmm.moments import Moments, Summer
from patchstats.lmm.serial import _numbers
from patchstats.remarks import ModelError


def tape(series: str = "fruit", *, before_se: str = "mass_before_kg_se", after_se: str = "mass_kg_se",
         start: str = "from_date", end: str = "date", days: str | None = None) -> Errors:
    """Gains whose errors share readings.

    ``before_se`` and ``after_se``: columns with the standard error of the earlier and the later reading, in the
    response's units times days. ``start`` and ``end``: when the two were taken (dates, or numbers of days); a row
    whose start is the end of the row before it in its ``series`` shares that reading. ``days``: column with the days
    between the two; the default takes end minus start.

    What is left over beside the tape has one variance for every row. Where it is noise of single days, a gain over
    several days averages it: name the column of days as ``weights``.
    """
    columns = (series, before_se, after_se, start, end) + ((days,) if days else ())

    def build(rows: Rows, weights: str | None) -> Residuals:
        return TapeResiduals(rows, series, before_se, after_se, start, end, days, weights)

    return Errors("tape", columns, build)


class TapeResiduals:
    """Tridiagonal tape error plus independent process noise; one parameter, the process sd over the unit."""

    name = "tape"
    fixed_scale = True

    def __init__(self, rows: Rows, series, before_se, after_se, start, end, days, weights):
        table = rows.table
        who = pd.factorize(table[series])[0]
        begin, finish = _numbers_together(table[start], table[end])
        arranged, follows = linked_rows(who, finish)
        self._columns = (before_se, after_se, start, end, days)
        variance, length = _reading_variance(table, self._columns, finish - begin)
        before, after = _errors(table, before_se), _errors(table, after_se)
        length, before, after = length[arranged], before[arranged], after[arranged]
        begin, finish = begin[arranged], finish[arranged]
        linked = follows.copy()
        linked[1:] &= begin[1:] == finish[:-1]
        overlap = follows[1:] & (begin[1:] < finish[:-1])
        if overlap.any():
            raise ModelError(f"Two gains of one {series} overlap in time; each must start where the one before ends, "
                             "or later.")
        codes = rows.codes[arranged]
        refuse_split_series(codes, linked, rows.names, series)
        same = np.abs(before[1:] - after[:-1]) <= 1e-6 * (before[1:] + after[:-1])
        if np.any(linked[1:] & ~same):
            raise ModelError(f"A reading shared by two gains must have one standard error: {after_se!r} of a row and "
                             f"{before_se!r} of the next differ.")
        self.unit, self._weight, self._weights = rows.unit, rows.weight, weights
        scale = rows.unit ** 2
        self._own = variance[arranged] / scale
        self._mean_own = float(variance.mean())
        couple = np.zeros(len(arranged))
        couple[1:] = np.where(linked[1:], -after[:-1] ** 2 / (length[1:] * length[:-1]), 0.0)
        self._shape = rows.variance_shape[arranged]
        self._arrange(linked, couple / scale)
        self._order = order = arranged[self._by_step]
        self._rows = np.concatenate([rows.random, rows.fixed], axis=1)[order]
        self._n_random = rows.random.shape[1]
        self._own, self._shape = self._own[self._by_step], self._shape[self._by_step]
        runs = Summer(rows.codes[order[self._steps[0]]])  # a run lies in one cell
        self._codes = runs.codes
        self._gather = gather_matrix(runs.number, runs.n_cells)
        self._memory: dict[str, Any] = {}

    def _arrange(self, linked: np.ndarray, couple: np.ndarray) -> None:
        """Rows by place in their run, longest run first: one step of all runs is then one slice."""
        starts = np.flatnonzero(~linked)
        run = np.cumsum(~linked) - 1
        place = np.arange(len(linked)) - starts[run]
        length = np.bincount(run)
        rank = np.empty(len(length), dtype=np.int64)
        rank[np.argsort(-length, kind="stable")] = np.arange(len(length))
        self._by_step = np.lexsort((rank[run], place))
        self._couple = couple[self._by_step]
        counts = np.bincount(place)
        bounds = np.concatenate([[0], np.cumsum(counts)])
        self._steps = [slice(int(a), int(b)) for a, b in zip(bounds[:-1], bounds[1:], strict=True)]
        # (the rows before, the rows here) for every step but the first
        self._pairs = [(slice(above.start, above.start + here.stop - here.start), here)
                       for above, here in zip(self._steps[:-1], self._steps[1:], strict=True)]

    def start(self) -> np.ndarray:
        return np.array([0.7])

    def begin(self, sigma2: float) -> tuple[float, np.ndarray, np.ndarray]:
        left = max(sigma2 - self._own.mean(), 0.1 * sigma2) / self._shape.mean()
        # n log v + S / v bends by n / v^2 in v, and v by 2 s in s
        bend = len(self._own) * 4.0 * left * self._shape.mean() ** 2 / sigma2 ** 2
        return float(np.sqrt(sigma2)), np.array([np.sqrt(left)]), np.array([bend])

    def _whitened(self, rho: np.ndarray) -> dict[str, Any]:
        """Pivots d, multipliers l (towards the row before), ``L^-1`` of all rows, and the slope of log|R| in rho.

        Kept for the last rho, with the sums made of it: most trial points move other parameters alone.
        """
        if self._memory.get("rho") == rho[0]:
            return self._memory
        variance = self._own + rho[0] ** 2 * self._shape
        slope = 2.0 * rho[0] * self._shape
        pivot, multiplier, pivot_slope = variance.copy(), np.zeros_like(variance), slope.copy()
        rows = self._rows.copy()
        for above, here in self._pairs:
            ratio = self._couple[here] / pivot[above]
            multiplier[here] = ratio
            pivot[here] -= ratio * self._couple[here]
            pivot_slope[here] += ratio ** 2 * pivot_slope[above]
            rows[here] -= ratio[:, None] * rows[above]
        if pivot.min() <= 0.0:
            raise np.linalg.LinAlgError("the tape's covariance is not positive definite")
        self._memory = {"rho": rho[0], "pivot": pivot, "multiplier": multiplier, "rows": rows,
                        "slope": float((pivot_slope / pivot).sum())}
        return self._memory

    def _sums(self, rows: np.ndarray, factor: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """``sum f z (z, x)'`` by cell, ``sum f x x'`` over all: step by step, so that memory is read once."""
        n_random, width = self._n_random, rows.shape[1]
        weighted = rows * factor[:, None]
        total = weighted[:, n_random:].T @ rows[:, n_random:]
        runs = np.zeros((self._steps[0].stop, n_random, width))
        for here in self._steps:
            count = here.stop - here.start
            for a in range(n_random):
                runs[:count, a] += weighted[here, a:a + 1] * rows[here]
        cells = self._gather @ runs.reshape(len(runs), n_random * width)
        return cells.reshape(len(self._codes), n_random, width), total

    def moments(self, rho: np.ndarray) -> Moments:
        found = self._whitened(rho)
        if "moments" not in found:
            cells, total = self._sums(found["rows"], 1.0 / found["pivot"])
            log_weight = -float(np.log(found["pivot"]).sum())
            found["moments"] = Moments(self._codes, cells, total, len(self._rows), log_weight)
        return found["moments"]

    def pull_back(self, rho: np.ndarray, cells_bar: np.ndarray, total_bar: np.ndarray) -> np.ndarray:
        found = self._whitened(rho)
        if "turned" not in found:
            rows = found["rows"] / found["pivot"][:, None]
            for above, here in reversed(self._pairs):
                rows[above] -= found["multiplier"][here, None] * rows[here]  # L^-T, last reading first
            found["turned"] = self._sums(rows, -2.0 * rho[0] * self._shape)
        cells, total = found["turned"]
        return np.array([found["slope"] + float((cells * cells_bar).sum() + (total * total_bar).sum())])

    def estimates(self, rho: np.ndarray) -> dict[str, float]:
        return {}

    def variances(self, rho: np.ndarray, sigma2: float) -> dict[str, float]:
        return {"residual": rho[0] ** 2 * self.unit ** 2, "tape": self._mean_own}

    def row_variance(self, rho: np.ndarray, sigma2: float, table: pd.DataFrame | None) -> np.ndarray:
        process = rho[0] ** 2 * self.unit ** 2 * weight_shape(self._weights, self._weight, table)
        if table is None:
            raise ModelError("Bounds of one new gain need the rows: give the table with the readings' errors as new.")
        before_se, after_se, start, end, _ = self._columns
        lacking = [name for name in (before_se, after_se, start, end) if name not in table.columns]
        if lacking:
            raise ModelError(f"Bounds of one new gain need its readings' errors; the new rows lack {lacking[0]!r}.")
        begin, finish = _numbers_together(table[start], table[end])
        return process + _reading_variance(table, self._columns, finish - begin)[0]

    def draw(self, rho: np.ndarray, sigma2: float, generator: np.random.Generator,
             mean: np.ndarray | None = None) -> np.ndarray:
        found = self._whitened(rho)
        pivot, multiplier = found["pivot"], found["multiplier"]
        fresh = generator.normal(size=len(pivot)) * np.sqrt(pivot)
        linked = fresh.copy()
        for above, here in self._pairs:
            linked[here] += multiplier[here] * fresh[above]
        out = np.empty(len(pivot))
        out[self._order] = linked
        return out * self.unit

    def whiten(self, rho: np.ndarray, sigma2: float, residual: np.ndarray) -> np.ndarray:
        found = self._whitened(rho)
        scaled = residual[self._order] / self.unit
        for above, here in self._pairs:
            scaled[here] -= found["multiplier"][here] * scaled[above]
        out = np.empty_like(scaled)
        out[self._order] = scaled / np.sqrt(found["pivot"])
        return out


def _numbers_together(first: pd.Series, second: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Two columns of dates or numbers on one scale, in days."""
    if pd.api.types.is_datetime64_any_dtype(first):
        origin = first.min()
        day = np.timedelta64(1, "D")
        return (first - origin).to_numpy() / day, (second - origin).to_numpy() / day
    return _numbers(first), _numbers(second)


def _errors(table: pd.DataFrame, name: str) -> np.ndarray:
    values = _numbers(table[name])
    if np.any(values < 0.0):
        raise ModelError(f"A standard error below zero in {name!r}.")
    return values


def _reading_variance(table: pd.DataFrame, columns, elapsed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Variance of each gain from its two readings, and the days between them."""
    before_se, after_se, _, _, days = columns
    length = elapsed if days is None else _numbers(table[days])
    if np.any(length <= 0.0):
        raise ModelError("Every gain needs days between its two readings; some have none.")
    return (_errors(table, before_se) ** 2 + _errors(table, after_se) ** 2) / length ** 2, length
