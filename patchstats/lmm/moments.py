"""Cross-products summed over cells: all that a mixed model needs to know of its rows.

A *cell* is a distinct combination of the levels of all grouping factors. For random variables ``z`` (the columns that
random terms multiply) and fixed variables ``x`` with the response ``y``, the moments are ``sum z (z, x, y)'`` cell by
cell and ``sum (x, y)(x, y)'`` over all rows. Moments add, so rows can come in pieces and in any order.

Cross-products lose digits when a column is far from zero or columns nearly repeat each other, so sums are taken of
*scaled* variables: fixed columns orthonormal on a pilot set of rows, the response less its least-squares fit there,
and each random term's columns whitened. All of this is an exact change of coordinates, undone after the fit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patchstats.lmm.elimination import combine_codes, gather_matrix

_BLOCK = 8_192  # rows handled at a time: their products stay in the processor's own memory


@dataclass(frozen=True)
class Moments:
    """Sums over rows.

    codes [cells, terms]; cells [cells, r, r + p + 1]; total [p + 1, p + 1]; n_rows; log_weight: sum of log weights,
    minus the log-determinant of the residual correlation.
    """

    codes: np.ndarray
    cells: np.ndarray
    total: np.ndarray
    n_rows: int
    log_weight: float

    def __add__(self, other: Moments) -> Moments:
        """The moments of both sets of rows together."""
        codes = np.concatenate([self.codes, other.codes])
        number, first = combine_codes(codes)
        cells = np.zeros((len(first), *self.cells.shape[1:]))
        # Each side holds a cell at most once, so plain fancy addition is enough.
        cells[number[:len(self.codes)]] += self.cells
        cells[number[len(self.codes):]] += other.cells
        return Moments(codes[first], cells, self.total + other.total, self.n_rows + other.n_rows,
                       self.log_weight + other.log_weight)


class Summer:
    """Sums rows with given level numbers ``codes`` [n, terms] by cell, as often as asked."""

    def __init__(self, codes: np.ndarray):
        self.number, first = combine_codes(codes)
        self.codes, self.n_rows, self.n_cells = codes[first], len(codes), len(first)
        self._gathers = []
        for start in range(0, self.n_rows, _BLOCK):
            here, place = np.unique(self.number[start:start + _BLOCK], return_inverse=True)
            self._gathers.append((slice(start, start + _BLOCK), here, gather_matrix(place, len(here))))

    def arrays(self, random: np.ndarray, fixed: np.ndarray, factor: np.ndarray | None = None, *,
               other: tuple[np.ndarray, np.ndarray] | None = None) -> tuple[np.ndarray, np.ndarray]:
        """``sum f z (z, x)'`` by cell and ``sum f x x'``, ``f`` being ``factor`` (any sign; None: one).

        With ``other = (z2, x2)`` the right-hand members are taken from there.
        """
        n_random = random.shape[1]
        right_random, right_fixed = (random, fixed) if other is None else other
        cells = np.zeros((self.n_cells, n_random, n_random + fixed.shape[1]))
        total = np.zeros((fixed.shape[1], fixed.shape[1]))
        for piece, here, gather in self._gathers:
            x, z = fixed[piece], random[piece]
            if factor is not None:
                weight = factor[piece, None]
                x, z = x * weight, z * weight
            total += x.T @ right_fixed[piece]
            wide = np.empty((len(z), cells.shape[2]))  # one product after the other, in the same memory
            for column in range(n_random):
                np.multiply(right_random[piece], z[:, column:column + 1], out=wide[:, :n_random])
                np.multiply(right_fixed[piece], z[:, column:column + 1], out=wide[:, n_random:])
                cells[here, column] += gather @ wide
        return cells, total

    def moments(self, random: np.ndarray, fixed: np.ndarray, factor: np.ndarray | None = None, *,
                log_weight: float = 0.0) -> Moments:
        cells, total = self.arrays(random, fixed, factor)
        return Moments(self.codes, cells, total, self.n_rows, log_weight)


def sum_moments(codes: np.ndarray, random: np.ndarray, fixed: np.ndarray, weight: np.ndarray | None = None) -> Moments:
    """Moments of rows with level numbers ``codes`` [n, terms], ``random`` [n, r] and ``fixed`` [n, p + 1]."""
    log_weight = 0.0 if weight is None else float(np.log(weight).sum())
    return Summer(codes).moments(random, fixed, weight, log_weight=log_weight)


@dataclass(frozen=True)
class Scaling:
    """The change of coordinates: ``x -> x @ fixed_map``, ``y -> (y - x @ start) / unit``."""

    fixed_map: np.ndarray
    start: np.ndarray
    unit: float

    def fixed(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Scaled fixed variables and response side by side [n, p + 1]."""
        out = np.empty((len(x), x.shape[1] + 1))
        out[:, :-1] = x @ self.fixed_map
        out[:, -1] = (y - x @ self.start) / self.unit
        return out

    @property
    def log_det_fixed(self) -> float:
        return float(np.log(np.abs(np.diag(self.fixed_map))).sum())


def triangular_root(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Upper root R of [x y]'[x y], by QR of blocks of rows stacked on one another."""
    width = x.shape[1] + 1
    root: np.ndarray = np.zeros((0, width))
    for start in range(0, len(x), _BLOCK):
        piece = slice(start, start + _BLOCK)
        root = np.asarray(np.linalg.qr(np.vstack([root, np.column_stack([x[piece], y[piece]])]), mode="r"))
    if len(root) < width:
        root = np.vstack([root, np.zeros((width - len(root), width))])
    return root


def independent_columns(root: np.ndarray, tolerance: float = 1e-9) -> list[int]:
    """Columns of x that are no combination of earlier ones, from the root of [x y]."""
    kept: list[int] = []
    n_fixed = root.shape[1] - 1
    for column in range(n_fixed):
        vector = root[:, column]
        size = np.linalg.norm(vector)
        if size == 0.0:
            continue
        if kept:
            basis = root[:, kept]
            scaled = basis / np.linalg.norm(basis, axis=0)
            rest = vector - scaled @ np.linalg.lstsq(scaled, vector, rcond=None)[0]
        else:
            rest = vector
        if np.linalg.norm(rest) > tolerance * size:
            kept.append(column)
    return kept


def make_scaling(root: np.ndarray, n_rows: int) -> Scaling:
    """Scaling that makes the fixed columns orthonormal over ``n_rows`` rows whose root is ``root``."""
    n_fixed = root.shape[1] - 1
    head, right = root[:n_fixed, :n_fixed], root[:n_fixed, n_fixed]
    inverse = np.linalg.inv(head) if n_fixed else np.zeros((0, 0))
    start = inverse @ right
    left_over = abs(root[n_fixed, n_fixed]) / np.sqrt(n_rows)
    size = np.linalg.norm(root[:, n_fixed]) / np.sqrt(n_rows)
    unit = left_over if left_over > 1e-12 * size else max(size, 1.0)
    return Scaling(inverse * np.sqrt(n_rows), start, float(unit))


def whitening(columns: np.ndarray, weight: np.ndarray | None = None, *, diagonal: bool) -> np.ndarray:
    """Lower triangular T such that ``columns @ T`` have mean squares one (and are uncorrelated unless diagonal).

    ``weight`` [n] counts by its mean alone: a variance is then measured in units of an average row's residual variance,
    whatever the unit of the weights.
    """
    mean_square = columns.T @ columns / len(columns) * (1.0 if weight is None else weight.mean())
    size = np.sqrt(np.diag(mean_square))
    if np.any(size == 0.0):
        return np.eye(columns.shape[1])
    plain = np.diag(1.0 / size)
    if diagonal or columns.shape[1] == 1:
        return plain
    unit = plain @ mean_square @ plain
    if np.linalg.eigvalsh(unit)[0] < 1e-10:  # the columns nearly repeat each other: leave them as they are
        return plain
    # (unit)^-1 = T T' with T lower triangular
    return plain @ np.linalg.cholesky(np.linalg.inv(unit))
