"""The dense end of the criterion: the random effects left over, the fixed effects and y, in one small matrix.

Only upper triangles are formed. Where a term has a known relationship ``A = R R'`` its columns are first taken through
``R``, after which its levels are independent like any other term's.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from scipy.linalg import lapack

# Below this singular value of a factor L, (I - M^-1) is divided by L twice with too great a loss of digits.
_DIVISIBLE = 1e-2


class TailStep:
    """Cholesky factor of the tail, its determinants, ``beta`` and ``r2``; and the way back."""

    def __init__(self, plan, terms, rows, total, crossed, factors):
        self.plan, self.terms, self.factors = plan, terms, factors
        n_tail = plan.n_tail
        self.raw = self._assemble(rows, total, crossed)
        scaled = self.raw.copy()
        self._scale(scaled, factors)
        scaled.reshape(-1)[:n_tail * (len(scaled) + 1):len(scaled) + 1] += 1.0  # the diagonal
        # scaled is C-ordered with its upper triangle filled; LAPACK reads its transpose, the lower triangle.
        root, failed = lapack.dpotrf(scaled.T, lower=1, clean=1, overwrite_a=1)
        if failed:
            raise np.linalg.LinAlgError("the tail of the mixed model is not positive definite")
        self.root = root  # lower
        diagonal = np.log(np.diag(root))
        self.logdet_v = 2.0 * diagonal[:n_tail].sum()
        self.logdet_x = 2.0 * diagonal[n_tail:-1].sum()
        self.r2 = root[-1, -1] ** 2
        self.solution = lapack.dtrtrs(root[:-1, :-1], root[-1, :-1], lower=1, trans=1)[0]
        self.beta = self.solution[n_tail:]
        self.root_x = root[n_tail:-1, n_tail:-1].T

    def _assemble(self, rows, total, crossed):
        plan, n_tail = self.plan, self.plan.n_tail
        size = n_tail + total.shape[0]
        matrix = np.zeros((size, size))
        for entry in plan.scatter:
            values = np.broadcast_to(rows[:, entry.row, entry.column], entry.place.shape)
            matrix[entry.at] += np.bincount(entry.place.ravel(), values.ravel(), len(entry.at[0]))
        for border in plan.borders:
            matrix[border.lines, n_tail:] += border.gather @ rows[:, border.own, plan.fixed_columns]
        matrix[n_tail:, n_tail:] = total
        if crossed is not None:
            crossed.subtract_from(matrix)
        for block in plan.tail:
            known = self.terms[block.term].known_root
            if known is not None:
                self._mirror(matrix, block)
                self._relate(matrix, block, known)
        return matrix

    @staticmethod
    def _mirror(matrix, block):
        """Fill a term's own block below its diagonal."""
        own = matrix[block.where, block.where]
        matrix[block.where, block.where] = np.triu(own) + np.triu(own, 1).T

    def _relate(self, matrix, block, root):
        """Take a term's rows and columns through ``root``: ``matrix -> R' matrix R`` on its index."""
        size = len(block.own)
        above, after = slice(0, block.where.stop), slice(block.where.start, None)
        columns = matrix[above, block.where].reshape(-1, block.n_levels, size)
        matrix[above, block.where] = np.einsum("mis,ij->mjs", columns, root, optimize=True).reshape(
            -1, block.n_levels * size)
        lines = matrix[block.where, after].reshape(block.n_levels, size, -1)
        matrix[block.where, after] = np.einsum("isn,ij->jsn", lines, root, optimize=True).reshape(
            block.n_levels * size, -1)

    def _scale(self, matrix, factors):
        """``Lambda' @ matrix @ Lambda`` in place, upper triangle, ``factors`` being the blocks of Lambda."""
        if all(len(factors[block.term]) == 1 for block in self.plan.tail):
            sizes = np.ones(len(matrix))
            for block in self.plan.tail:
                sizes[block.where] = factors[block.term][0, 0]
            matrix *= sizes
            matrix *= sizes[:, None]
            return
        for block in self.plan.tail:
            self._right(matrix, block, factors[block.term])
        for block in self.plan.tail:
            self._left(matrix, block, factors[block.term])

    @staticmethod
    def _right(matrix, block, factor):
        """``matrix[:, block] @ Lambda`` in place, rows up to the block's end."""
        part = matrix[:block.where.stop, block.where]
        TailStep._fill_squares(matrix, block)
        part[:] = (part.reshape(len(part), block.n_levels, -1) @ factor).reshape(part.shape)

    @staticmethod
    def _left(matrix, block, factor):
        """``Lambda' @ matrix[block, :]`` in place, columns from the block's start."""
        part = matrix[block.where, block.where.start:]
        shaped = part.reshape(block.n_levels, len(factor), -1)
        part[:] = (factor.T @ shaped).reshape(part.shape)

    @staticmethod
    def _fill_squares(matrix, block):
        """Complete the small squares on the diagonal, whose lower halves a product with a full factor needs."""
        size = len(block.own)
        for a in range(size):
            for b in range(a):
                lower = (range(block.where.start + a, block.where.stop, size),
                         range(block.where.start + b, block.where.stop, size))
                matrix[lower] = matrix[lower[1], lower[0]]

    def backward(self, reml, sigma2, g_bar):
        """Adds to ``g_bar`` of the tail's terms; returns df/dS [tail + fixed + y, same], upper triangle and y's."""
        n_tail, size = self.plan.n_tail, len(self.root)
        inner = size - 1 if reml else n_tail
        bar = np.zeros((size, size))
        if inner:
            inverse, _ = lapack.dpotri(self.root[:inner, :inner], lower=1)
            bar[:inner, :inner] = inverse.T  # upper triangle of a C-ordered array
        weight = np.append(-self.solution, 1.0)
        score_all = None
        for block in self.plan.tail:
            factor, levels, own = self.factors[block.term], block.n_levels, len(block.own)
            inverse_sum = np.zeros((own, own))
            for a in range(own):
                for b in range(a, own):
                    line = np.diagonal(bar, b - a)[block.where.start + a:block.where.stop:own]
                    inverse_sum[a, b] = inverse_sum[b, a] = line.sum()
            if _smallest(factor) > _DIVISIBLE:
                # Z'PZ = L^-T (I - M^-1) L^-1, and Z'Py = L^-T u
                back = np.linalg.inv(factor) if own > 1 else 1.0 / factor
                score = weight[block.where].reshape(levels, own) @ back
                g_bar[block.term] += back.T @ (levels * np.eye(own) - inverse_sum) @ back
                g_bar[block.term] -= score.T @ score / sigma2
            else:
                if score_all is None:
                    score_all = self._half()
                half = score_all[block.where]
                full = bar[:inner, :inner] + np.triu(bar[:inner, :inner], 1).T
                pushed = (half[:, :inner] @ full).reshape(levels, own, -1)
                score = (half @ weight).reshape(levels, own)
                raw = self._symmetric()[block.where, block.where].reshape(levels, own, levels, own)
                g_bar[block.term] += np.einsum("lalb->ab", raw)
                g_bar[block.term] -= np.einsum("lai,lbi->ab", pushed, half[:, :inner].reshape(levels, own, -1))
                g_bar[block.term] -= score.T @ score / sigma2
        bar += np.outer(weight, weight / sigma2)
        corner = bar[n_tail:, n_tail:]
        corner[:] = np.where(_lower(len(corner)), corner.T, corner)
        self._scale(bar, [factor.T for factor in self.factors])
        for block in self.plan.tail:
            known = self.terms[block.term].known_root
            if known is not None:
                self._mirror(bar, block)
                self._relate(bar, block, known.T)
        return bar

    def _symmetric(self):
        return np.triu(self.raw) + np.triu(self.raw, 1).T

    def _half(self):
        """``S Lambda`` for all of the matrix."""
        half = self._symmetric()
        for block in self.plan.tail:
            factor = self.factors[block.term]
            part = half[:, block.where]
            half[:, block.where] = (part.reshape(len(part), block.n_levels, -1) @ factor).reshape(part.shape)
        return half

    def to_cells(self, s_bar, rows):
        """df/d(cells) and df/d(total) from df/dS; the crossed term adds its own share later."""
        plan, n_tail = self.plan, self.plan.n_tail
        rows_bar = np.zeros_like(rows)
        for entry in plan.scatter:
            rows_bar[:, entry.row, entry.column] += (entry.doubled * s_bar[entry.at][entry.place]).sum(axis=0)
        for border in plan.borders:
            rows_bar[:, border.own, plan.fixed_columns] += border.spread @ (2.0 * s_bar[border.lines, n_tail:])
        return rows_bar, s_bar[n_tail:, n_tail:]


@cache
def _lower(size):
    """Where a square lies below its diagonal; asked for at every trial point."""
    return np.tri(size, k=-1, dtype=bool)


def _smallest(factor):
    """The smallest singular value."""
    return abs(factor[0, 0]) if len(factor) == 1 else np.linalg.svd(factor, compute_uv=False).min()
