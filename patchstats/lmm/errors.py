"""How the residuals of rows hang together: what may be asked for, and what the engine needs of each way.

A structure with parameters ``rho`` gives ``moments(rho)``, the cross-products of whitened rows, and
``pull_back(rho, cells_bar, total_bar)``, the criterion's derivative in ``rho`` from its derivatives in those moments,
the log-determinant's share included. Every structure is linear in the number of rows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import pandas as pd

from patchstats.lmm.moments import Moments, sum_moments
from patchstats.remarks import ModelError


@dataclass(frozen=True)
class Rows:
    """The rows handed to a residual structure, in the engine's scaled coordinates.

    codes [n, terms]; random [n, r]; fixed [n, p + 1]; weight [n] or None; unit: the response's scale; names of the
    random terms for messages; table: the columns that the structure asked for.
    """

    codes: np.ndarray
    random: np.ndarray
    fixed: np.ndarray
    weight: np.ndarray | None
    unit: float
    names: tuple[str, ...]
    table: pd.DataFrame

    @property
    def variance_shape(self) -> np.ndarray:
        """Residual variance of each row over sigma2."""
        return np.ones(len(self.codes)) if self.weight is None else 1.0 / self.weight


class Residuals(Protocol):
    """What the engine asks of a residual structure.

    fixed_scale: sigma2 is one and the structure has its own scale. ``begin(sigma2)``: from an independent fit, the
    factor for the terms' L to start with, the structure's own start, and a guess of its second derivatives.
    ``estimates``: its parameters in the reader's units, by name. ``variances``: named mean variances of a row in the
    response's units squared. ``draw``: errors of the rows fitted, whose values without error are ``mean``. ``whiten``:
    residuals of the rows fitted made independent with variance one.
    """

    name: str
    fixed_scale: bool

    def start(self) -> np.ndarray: ...

    def begin(self, sigma2: float) -> tuple[float, np.ndarray, np.ndarray]: ...

    def moments(self, rho: np.ndarray) -> Moments: ...

    def pull_back(self, rho: np.ndarray, cells_bar: np.ndarray, total_bar: np.ndarray) -> np.ndarray: ...

    def estimates(self, rho: np.ndarray) -> dict[str, float]: ...

    def variances(self, rho: np.ndarray, sigma2: float) -> dict[str, float]: ...

    def row_variance(self, rho: np.ndarray, sigma2: float, table: pd.DataFrame | None) -> np.ndarray: ...

    def draw(self, rho: np.ndarray, sigma2: float, generator: np.random.Generator,
             mean: np.ndarray | None = None) -> np.ndarray: ...

    def whiten(self, rho: np.ndarray, sigma2: float, residual: np.ndarray) -> np.ndarray: ...


class Independent:
    """Independent residuals of variance sigma2 over the row's weight."""

    name = "independent"
    fixed_scale = False

    def __init__(self, moments: Moments, unit: float, weight: np.ndarray | None = None, weights: str | None = None):
        self._moments, self.unit, self._weight, self._weights = moments, unit, weight, weights

    def start(self) -> np.ndarray:
        return np.zeros(0)

    def begin(self, sigma2: float) -> tuple[float, np.ndarray, np.ndarray]:
        return 1.0, np.zeros(0), np.zeros(0)

    def moments(self, rho: np.ndarray) -> Moments:
        return self._moments

    def pull_back(self, rho: np.ndarray, cells_bar: np.ndarray, total_bar: np.ndarray) -> np.ndarray:
        return np.zeros(0)

    def estimates(self, rho: np.ndarray) -> dict[str, float]:
        return {}

    def variances(self, rho: np.ndarray, sigma2: float) -> dict[str, float]:
        return {"residual": sigma2 * self.unit ** 2}

    def row_variance(self, rho: np.ndarray, sigma2: float, table: pd.DataFrame | None) -> np.ndarray:
        return sigma2 * self.unit ** 2 * weight_shape(self._weights, self._weight, table)

    def draw(self, rho: np.ndarray, sigma2: float, generator: np.random.Generator,
             mean: np.ndarray | None = None) -> np.ndarray:
        spread = np.sqrt(self.row_variance(rho, sigma2, None))
        return spread * generator.normal(size=self._moments.n_rows)

    def whiten(self, rho: np.ndarray, sigma2: float, residual: np.ndarray) -> np.ndarray:
        return residual / np.sqrt(self.row_variance(rho, sigma2, None))


def weight_shape(weights: str | None, fitted: np.ndarray | None, table: pd.DataFrame | None) -> np.ndarray:
    """Residual variance over sigma2 of the rows fitted (``table`` None) or of new ones, by their prior weights."""
    if weights is None or fitted is None:
        return np.ones(1)
    if table is None:
        return 1.0 / fitted
    if weights not in table.columns:
        raise ModelError(f"To bound one new observation the new rows need the weight column {weights!r}.")
    return 1.0 / table[weights].to_numpy(dtype=float)


@dataclass(frozen=True)
class Errors:
    """A residual structure asked for: its name, the columns it reads, and how to build it from rows."""

    name: str
    columns: tuple[str, ...]
    build: Callable[[Rows, str | None], Residuals]


def independent() -> Errors:
    """Independent residuals."""
    def build(rows: Rows, weights: str | None) -> Residuals:
        moments = sum_moments(rows.codes, rows.random, rows.fixed, rows.weight)
        return Independent(moments, rows.unit, rows.weight, weights)

    return Errors("independent", (), build)


def linked_rows(series: np.ndarray, order: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rows sorted by series and order; whether each sorted row follows the one before it in the same series."""
    arranged = np.lexsort((order, series))
    follows = np.zeros(len(arranged), dtype=bool)
    follows[1:] = series[arranged[1:]] == series[arranged[:-1]]
    return arranged, follows


def refuse_split_series(codes: np.ndarray, follows: np.ndarray, names: tuple[str, ...], series: str) -> None:
    """Linked rows must share the level of every random term: their errors could not be kept apart otherwise."""
    if len(codes) < 2:
        return
    moved = (codes[1:] != codes[:-1]) & follows[1:, None]
    for number, name in enumerate(names):
        if moved[:, number].any():
            raise ModelError(f"Errors that hang together within {series!r} need all rows of one {series} in the same "
                             f"level of every group; {name!r} changes within one.")
