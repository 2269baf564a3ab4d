"""Residuals whose standard deviation is a power of something: ``sigma |v / m| ** delta``, m the geometric mean of v.

So ``sigma`` is the residual sd of a row in the middle of ``v``, not at ``v = 1``, where there may be no row for miles;
multiply by ``m ** -delta`` for the sigma that others print.

``v`` is a column, or the fitted value itself. A column makes the likelihood exact. Fitted values move with the fit;
they are held at their last value while everything else is fitted, then renewed, until nothing moves (the scheme of
Pinheiro & Bates 2000, *Mixed-Effects Models in S and S-PLUS*, section 5.2.2, where it is called varPower).
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from patchstats.lmm.errors import Errors, Residuals, Rows, weight_shape
from patchstats.lmm.moments import Moments, Summer
from patchstats.lmm.serial import _numbers
from patchstats.remarks import ModelError

FITTED = "fitted values"


def power(of: str | None = None) -> Errors:
    """Residual sd proportional to a power of the column ``of``, or of the fitted value (None)."""
    def build(rows: Rows, weights: str | None) -> Residuals:
        return PowerResiduals(rows, of, weights)

    return Errors("power", () if of is None else (of,), build)


class PowerResiduals:
    """Variance ``sigma2 |v / m| ** (2 delta) / weight``; one parameter, ``delta``."""

    name = "power"
    fixed_scale = False

    def __init__(self, rows: Rows, of: str | None, weights: str | None):
        self.of, self.unit = of, rows.unit
        self._z, self._x = rows.random, rows.fixed
        self._weight, self._weights = rows.weight, weights
        self._summer = Summer(rows.codes)
        self.follow(_numbers(rows.table[of]) if of is not None else np.ones(len(rows.codes)))

    def follow(self, values: np.ndarray) -> None:
        """Take new values ``v``."""
        size = np.abs(values)
        if size.min() <= 0.0:
            raise ModelError(f"The spread cannot follow a power of {self.of or FITTED}: it is zero in some row.")
        logs = np.log(size)
        self._middle = float(logs.mean())
        self._log = logs - self._middle

    def start(self) -> np.ndarray:
        return np.array([0.1])

    def begin(self, sigma2: float) -> tuple[float, np.ndarray, np.ndarray]:
        return 1.0, self.start(), np.array([4.0 * len(self._log) * max(self._log.var(), 1e-3)])

    def _factors(self, rho: np.ndarray) -> np.ndarray:
        factor = np.exp(-2.0 * rho[0] * self._log)
        return factor if self._weight is None else factor * self._weight

    def moments(self, rho: np.ndarray) -> Moments:
        factor = self._factors(rho)
        return self._summer.moments(self._z, self._x, factor, log_weight=float(np.log(factor).sum()))

    def pull_back(self, rho: np.ndarray, cells_bar: np.ndarray, total_bar: np.ndarray) -> np.ndarray:
        cells, total = self._summer.arrays(self._z, self._x, -2.0 * self._log * self._factors(rho))
        inner = float((cells * cells_bar).sum() + (total * total_bar).sum())
        return np.array([inner + 2.0 * self._log.sum()])

    def estimates(self, rho: np.ndarray) -> dict[str, float]:
        return {"power": float(rho[0])}

    def variances(self, rho: np.ndarray, sigma2: float) -> dict[str, float]:
        return {"residual": sigma2 * self.unit ** 2 * float(np.exp(2.0 * rho[0] * self._log).mean())}

    def row_variance(self, rho: np.ndarray, sigma2: float, table: pd.DataFrame | None) -> np.ndarray:
        logs = self._log
        if table is not None:
            if self.of is None or self.of not in table.columns:
                raise ModelError(f"Bounds of one new observation need {self.of or FITTED} in the new rows.")
            logs = np.log(np.abs(_numbers(table[self.of]))) - self._middle
        shape = weight_shape(self._weights, self._weight, table)
        return sigma2 * self.unit ** 2 * shape * np.exp(2.0 * rho[0] * logs)

    def draw(self, rho: np.ndarray, sigma2: float, generator: np.random.Generator,
             mean: np.ndarray | None = None) -> np.ndarray:
        spread = np.sqrt(self.row_variance(rho, sigma2, None))
        if self.of is None and mean is not None:  # the spread follows the values drawn, not those of the fit
            spread = spread * np.exp(rho[0] * (np.log(np.abs(mean)) - self._middle - self._log))
        return spread * generator.normal(size=len(self._log))

    def whiten(self, rho: np.ndarray, sigma2: float, residual: np.ndarray) -> np.ndarray:
        return residual / np.sqrt(self.row_variance(rho, sigma2, None))
