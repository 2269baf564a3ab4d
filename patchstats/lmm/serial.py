"""AR(1) residuals in time, gaps allowed: correlation ``phi ** gap`` between rows of one series.

A row whitened by the one before it is ``(w_i - phi^g w_(i-1)) / sqrt(1 - phi^(2 g))`` with ``g`` the gap between them
(Jones & Boadi-Boateng 1991, Biometrics 47:161). Cross-products of whitened rows are therefore

    [ w_i w_i' - phi^g (w_i w_(i-1)' + w_(i-1) w_i') + phi^(2 g) w_(i-1) w_(i-1)' ] / (1 - phi^(2 g)),

and the three sums in it depend on ``phi`` only through the gap: summed once by cell and gap, they serve every trial
``phi`` without another look at the rows.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from patchstats.lmm.elimination import gather_matrix
from patchstats.lmm.errors import Errors, Residuals, Rows, linked_rows, refuse_split_series, weight_shape
from patchstats.lmm.moments import Moments, Summer
from patchstats.remarks import ModelError


def ar1(series: str = "fruit", order: str = "day") -> Errors:
    """Residuals of one ``series`` correlated as ``phi ** gap``, the gap being the difference in ``order``."""
    def build(rows: Rows, weights: str | None) -> Residuals:
        return SerialResiduals(rows, series, order, weights)

    return Errors("ar1", (series, order), build)


class SerialResiduals:
    """AR(1) in ``order`` within ``series``; one parameter, ``atanh(phi)``.

    Where gaps are fractions it is ``logit(phi)``, phi taken at the middle gap.
    """

    name = "ar1"
    fixed_scale = False

    def __init__(self, rows: Rows, series: str, order: str, weights: str | None):
        who = pd.factorize(rows.table[series])[0]
        time = _numbers(rows.table[order])
        arranged, follows = linked_rows(who, time)
        codes = rows.codes[arranged]
        refuse_split_series(codes, follows, rows.names, series)
        gap = np.where(follows, np.diff(time[arranged], prepend=np.nan), 0.0)
        if np.any(gap[follows] <= 0.0):
            raise ModelError(f"Two rows of one {series} have the same {order}; AR(1) errors need them apart.")
        root = np.ones(len(arranged)) if rows.weight is None else np.sqrt(rows.weight)[arranged]
        z, x = rows.random[arranged] * root[:, None], rows.fixed[arranged] * root[:, None]
        self.unit, self._weight, self._weights = rows.unit, rows.weight, weights
        self._log_weight = float(2.0 * np.log(root).sum())
        self._whole = bool(np.all(gap == np.round(gap)))
        middle = float(np.median(gap[follows])) if follows.any() else 1.0
        # in any unit of time the search starts at 0.3 from one row to the next
        self._step = 1.0 if self._whole else middle
        self._start = (0.3 if middle == 1.0 else float(np.arctanh(0.3 ** (1.0 / middle)))) if self._whole else -1.0
        gap = gap / self._step
        self._gap, self._arranged = gap, arranged
        gaps, which = np.unique(gap, return_inverse=True)  # gap 0: a row that starts its series
        self._counts = np.bincount(which, minlength=len(gaps))
        self._gaps = gaps
        fine = Summer(np.column_stack([codes, which]))
        coarse = Summer(fine.codes[:, :-1])
        self._codes, self._n_rows = coarse.codes, len(arranged)
        self._gap_of_cell = fine.codes[:, -1]
        self._parent = coarse.number
        self._gather = gather_matrix(coarse.number, coarse.n_cells)
        before_z, before_x = np.zeros_like(z), np.zeros_like(x)
        before_z[1:], before_x[1:] = z[:-1], x[:-1]
        before_z[~follows], before_x[~follows] = 0.0, 0.0
        here, before = (z, x), (before_z, before_x)
        own, ahead, behind, past = (fine.arrays(*left, other=right)[0] for left, right in (
            (here, here), (here, before), (before, here), (before, before)))
        across = self._totals(x, before_x, which)
        self._sums = [(own, self._totals(x, x, which)), (ahead + behind, across + across.transpose(0, 2, 1)),
                      (past, self._totals(before_x, before_x, which))]

    def _totals(self, left: np.ndarray, right: np.ndarray, which: np.ndarray) -> np.ndarray:
        """``sum left right'`` by gap. Nearly all rows share one gap: its sum is what the others leave of the whole."""
        common = int(np.argmax(self._counts))
        out = np.zeros((len(self._counts), left.shape[1], right.shape[1]))
        for gap in range(len(out)):
            if gap != common:
                chosen = np.flatnonzero(which == gap)
                out[gap] = left[chosen].T @ right[chosen]
        out[common] = left.T @ right - out.sum(axis=0)
        return out

    def start(self) -> np.ndarray:
        return np.array([self._start])

    def begin(self, sigma2: float) -> tuple[float, np.ndarray, np.ndarray]:
        return 1.0, self.start(), np.array([2.0 * self._n_rows])

    def phi(self, rho: np.ndarray) -> float:
        """Correlation at a gap of one (of one step, the middle gap, where gaps are fractions)."""
        return float(np.tanh(rho[0])) if self._whole else float(1.0 / (1.0 + np.exp(-rho[0])))

    def _coefficients(self, rho: np.ndarray) -> tuple[list[np.ndarray], list[np.ndarray], float, float]:
        """By gap: factors of the three sums and their slopes in rho; log|R| and its slope."""
        phi, gap = self.phi(rho), self._gaps
        slope = 1.0 - phi ** 2 if self._whole else phi * (1.0 - phi)
        first = gap == 0.0
        gap = np.where(first, 1.0, gap)
        power = np.where(first, 0.0, _power(phi, gap))
        power_slope = np.where(first, 0.0, gap * _power(phi, gap - 1.0)) * slope
        inner = 1.0 - power ** 2
        if np.any(inner <= 0.0):
            raise np.linalg.LinAlgError("errors correlated at one have no density")
        inner_slope = -2.0 * power * power_slope
        values = [1.0 / inner, -power / inner, power ** 2 / inner]
        slopes = [-inner_slope / inner ** 2, -(power_slope * inner - power * inner_slope) / inner ** 2,
                  (2.0 * power * power_slope * inner - power ** 2 * inner_slope) / inner ** 2]
        return (values, slopes, float(self._counts @ np.log(inner)), float(self._counts @ (inner_slope / inner)))

    def moments(self, rho: np.ndarray) -> Moments:
        values, _, log_det, _ = self._coefficients(rho)
        fine = sum(value[self._gap_of_cell, None, None] * by_cell
                   for value, (by_cell, _) in zip(values, self._sums, strict=True))
        total = np.asarray(sum(np.einsum("g,gij->ij", value, by_gap)
                               for value, (_, by_gap) in zip(values, self._sums, strict=True)))
        n_fine, n_random, width = np.shape(fine)
        cells = self._gather @ np.reshape(fine, (n_fine, n_random * width))
        cells = cells.reshape(len(self._codes), n_random, width)
        return Moments(self._codes, cells, total, self._n_rows, self._log_weight - log_det)

    def pull_back(self, rho: np.ndarray, cells_bar: np.ndarray, total_bar: np.ndarray) -> np.ndarray:
        _, slopes, _, log_det_slope = self._coefficients(rho)
        spread = cells_bar[self._parent]
        result = log_det_slope
        for slope, (by_cell, by_gap) in zip(slopes, self._sums, strict=True):
            result += float(slope[self._gap_of_cell] @ np.einsum("nij,nij->n", spread, by_cell))
            result += float(slope @ np.einsum("ij,gij->g", total_bar, by_gap))
        return np.array([result])

    def estimates(self, rho: np.ndarray) -> dict[str, float]:
        return {"phi": self.phi(rho) ** (1.0 / self._step) if self._step != 1.0 else self.phi(rho)}

    def variances(self, rho: np.ndarray, sigma2: float) -> dict[str, float]:
        return {"residual": sigma2 * self.unit ** 2}

    def row_variance(self, rho: np.ndarray, sigma2: float, table: pd.DataFrame | None) -> np.ndarray:
        return sigma2 * self.unit ** 2 * weight_shape(self._weights, self._weight, table)

    def draw(self, rho: np.ndarray, sigma2: float, generator: np.random.Generator,
             mean: np.ndarray | None = None) -> np.ndarray:
        phi = self.phi(rho)
        power = np.where(self._gap == 0.0, 0.0, _power(phi, self._gap))
        fresh = generator.normal(size=self._n_rows) * np.sqrt(1.0 - power ** 2)
        for row in range(1, self._n_rows):
            fresh[row] += power[row] * fresh[row - 1]
        out = np.empty(self._n_rows)
        out[self._arranged] = fresh
        return out * np.sqrt(self.row_variance(rho, sigma2, None))

    def whiten(self, rho: np.ndarray, sigma2: float, residual: np.ndarray) -> np.ndarray:
        scaled = (residual / np.sqrt(self.row_variance(rho, sigma2, None)))[self._arranged]
        power = np.where(self._gap == 0.0, 0.0, _power(self.phi(rho), self._gap))
        out = np.empty_like(scaled)
        out[self._arranged] = (scaled - power * np.concatenate([[0.0], scaled[:-1]])) / np.sqrt(1.0 - power ** 2)
        return out


def _power(phi: float, gap: np.ndarray) -> np.ndarray:
    """``phi ** gap``; below zero ``phi`` has whole gaps only."""
    sign = np.where((phi < 0.0) & (np.round(gap) % 2 == 1), -1.0, 1.0)
    return sign * np.abs(phi) ** gap


def _numbers(column: pd.Series) -> np.ndarray:
    """A column of numbers or dates as numbers; dates count in days."""
    if pd.api.types.is_datetime64_any_dtype(column):
        return (column - column.min()).to_numpy() / np.timedelta64(1, "D")
    try:
        return column.to_numpy(dtype=float)
    except (TypeError, ValueError) as trouble:
        raise ModelError(f"{column.name!r} must hold numbers or dates.") from trouble
