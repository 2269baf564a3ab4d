"""The order of elimination: which random term is integrated out when, and where its numbers lie.

Found once per fit from the cells' level numbers alone; the criterion then follows it at every trial point.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import sparse

# The dense tail is one matrix of this many columns at most: 6,000 squared is 288 MB, and its Cholesky factor
# takes seconds. Beyond it a model is refused with advice rather than left to run for hours.
LARGEST_TAIL = 6000


class TailTooLargeError(ValueError):
    """Too many crossed levels for the dense tail; carries their number, their groups, and the largest group."""

    def __init__(self, n_tail: int, names: list[str], largest: str):
        self.n_tail, self.names, self.largest = n_tail, names, largest
        super().__init__(f"{n_tail} crossed levels in {', '.join(names)}")


@dataclass(frozen=True)
class Term:
    """A random term: its name, level count and columns (positions among the random variables of the moments).

    ``diagonal``: the columns vary independently; ``known_root``: lower root of a known relationship of levels.
    """

    name: str
    n_levels: int
    columns: tuple[int, ...]
    diagonal: bool = False
    known_root: np.ndarray | None = field(default=None, repr=False)

    @property
    def n_theta(self) -> int:
        size = len(self.columns)
        return size if self.diagonal else size * (size + 1) // 2


@dataclass(frozen=True)
class NestedStage:
    """A term whose levels are the cells. ``own``/``kept``: rows of the cell table; ``*_columns``: its columns."""

    term: int
    own: list[int]
    own_columns: list[int]
    kept: list[int]
    kept_columns: list[int]
    order: np.ndarray
    sorted_already: bool
    starts: np.ndarray
    parent: np.ndarray


@dataclass(frozen=True)
class Link:
    """For one column of one tail term: each cell's entry in the crossed stage's list of pairs."""

    column: int
    pair: np.ndarray


@dataclass(frozen=True)
class CrossedStage:
    """The largest remaining term; ``pairs`` are its (level, tail column) meetings, sorted by level.

    ``meet_first``, ``meet_second``: all ordered couples of pairs of one level, sorted by the first; ``upper``: those of
    them above the diagonal of the tail's matrix, at ``upper_flat``.
    """

    term: int
    own: list[int]
    own_columns: list[int]
    n_levels: int
    codes: np.ndarray
    gather: sparse.csr_array
    n_pairs: int
    pair_level: np.ndarray
    pair_column: np.ndarray
    pair_start: np.ndarray
    meet_first: np.ndarray
    meet_second: np.ndarray
    upper: np.ndarray
    upper_flat: np.ndarray
    links: list[Link]


@dataclass(frozen=True)
class TailBlock:
    """A term of the dense tail; ``where`` is its slice, level by level, columns within a level together."""

    term: int
    own: list[int]
    own_columns: list[int]
    n_levels: int
    where: slice
    codes: np.ndarray
    gather: sparse.csr_array


@dataclass(frozen=True)
class Scatter:
    """Adds entry (row, column) of each cell to the block of the tail at ``rows`` and ``columns`` (slices with a
    stride); ``flat`` is the place inside that block. The block above the diagonal alone is filled."""

    row: int
    column: int
    rows: slice
    columns: slice
    shape: tuple[int, int]
    flat: np.ndarray
    diagonal: bool  # the block is diagonal and ``flat`` the place on it
    mirrored: bool  # the block stands for its mirror image too


@dataclass(frozen=True)
class Plan:
    nested: list[NestedStage]
    crossed: CrossedStage | None
    tail: list[TailBlock]
    scatter: list[Scatter]
    n_tail: int
    fixed_columns: slice


def gather_matrix(codes: np.ndarray, n_levels: int) -> sparse.csr_array:
    """The sparse matrix that sums cells by level."""
    ones = np.ones(len(codes))
    return sparse.csr_array((ones, (codes, np.arange(len(codes)))), shape=(n_levels, len(codes)))


def combine_codes(codes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distinct rows of ``codes`` [n, terms]: each row's number, and the index of the first row of each number."""
    if codes.shape[1] == 0:
        return np.zeros(len(codes), dtype=np.int64), np.zeros(min(1, len(codes)), dtype=np.int64)
    key = codes[:, 0].astype(np.int64)
    for column in range(1, codes.shape[1]):
        width = int(codes[:, column].max(initial=0)) + 1
        if int(key.max(initial=0)) + 1 > np.iinfo(np.int64).max // width:
            key = pd.factorize(key)[0].astype(np.int64)
        key = key * width + codes[:, column]
    number, _ = pd.factorize(key)
    first = np.full(int(number.max(initial=-1)) + 1, -1, dtype=np.int64)
    first[number[::-1]] = np.arange(len(number) - 1, -1, -1)
    return number.astype(np.int64), first


def plan_elimination(codes: np.ndarray, terms: list[Term]) -> Plan:
    """Plan for cells with level numbers ``codes`` [cells, terms]."""
    remaining = list(range(len(terms)))
    held = sorted({column for term in terms for column in term.columns})
    n_random = max(held, default=-1) + 1
    nested: list[NestedStage] = []
    cells = codes
    while remaining:
        # each level met lies in one cell; levels without rows have nothing to integrate out
        candidates = [t for t in remaining
                      if terms[t].known_root is None and len(cells) == len(pd.unique(cells[:, t]))]
        if not candidates:
            break
        chosen = max(candidates, key=lambda t: len(terms[t].columns))
        others = [t for t in remaining if t != chosen]
        number, first = combine_codes(cells[:, others])
        order = np.argsort(number, kind="stable")
        kept_variables = sorted({column for t in others for column in terms[t].columns})
        starts = np.searchsorted(number[order], np.arange(len(first))) if others else np.zeros(1, dtype=np.int64)
        nested.append(NestedStage(
            term=chosen,
            own=[held.index(c) for c in terms[chosen].columns], own_columns=list(terms[chosen].columns),
            kept=[held.index(c) for c in kept_variables], kept_columns=kept_variables,
            order=order, sorted_already=bool(np.all(order == np.arange(len(order)))), starts=starts,
            parent=number[order]))
        cells = cells[first] if others else cells[:0]
        held, remaining = kept_variables, others
    crossed_term = None
    open_terms = [t for t in remaining if terms[t].known_root is None]
    if open_terms:
        crossed_term = max(open_terms, key=lambda t: terms[t].n_levels * len(terms[t].columns))
        remaining = [t for t in remaining if t != crossed_term]
    tail, offset = [], 0
    for t in remaining:
        size = terms[t].n_levels * len(terms[t].columns)
        tail.append(TailBlock(t, [held.index(c) for c in terms[t].columns], list(terms[t].columns),
                              terms[t].n_levels, slice(offset, offset + size), cells[:, t],
                              gather_matrix(cells[:, t], terms[t].n_levels)))
        offset += size
    if offset > LARGEST_TAIL:
        largest = terms[crossed_term].name if crossed_term is not None else ""
        raise TailTooLargeError(offset, [terms[block.term].name for block in tail], largest)
    scatter = _scatter(tail)
    crossed = None if crossed_term is None else _crossed(crossed_term, terms, cells, held, tail)
    return Plan(nested, crossed, tail, scatter, offset, slice(n_random, None))


def _scatter(tail: list[TailBlock]) -> list[Scatter]:
    entries = []
    for i, first in enumerate(tail):
        for j, second in enumerate(tail[i:], start=i):
            for a, own in enumerate(first.own):
                for b, column in enumerate(second.own_columns):
                    same = i == j
                    if same and b < a:
                        continue
                    rows = slice(first.where.start + a, first.where.stop, len(first.own))
                    columns = slice(second.where.start + b, second.where.stop, len(second.own))
                    flat = first.codes if same else first.codes * second.n_levels + second.codes
                    entries.append(Scatter(own, column, rows, columns, (first.n_levels, second.n_levels), flat,
                                           diagonal=same, mirrored=not same or a != b))
    return entries


def _crossed(chosen: int, terms: list[Term], cells: np.ndarray, held: list[int],
             tail: list[TailBlock]) -> CrossedStage:
    term, codes = terms[chosen], cells[:, chosen]
    width = sum(block.n_levels * len(block.own) for block in tail)
    keys, columns = [], []
    for block in tail:
        for b, column in enumerate(block.own_columns):
            keys.append(codes * max(width, 1) + block.where.start + block.codes * len(block.own) + b)
            columns.append(column)
    if keys:
        pairs, place = np.unique(np.concatenate(keys), return_inverse=True)
    else:
        pairs, place = np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    place = place.reshape(len(keys), len(codes)) if keys else place.reshape(0, len(codes))
    pair_level, pair_column = pairs // max(width, 1), pairs % max(width, 1)
    start = np.searchsorted(pair_level, np.arange(term.n_levels + 1))
    width_of = np.diff(start)[pair_level]
    meet_first = np.repeat(np.arange(len(pairs)), width_of)
    within = np.arange(len(meet_first)) - np.repeat(np.cumsum(width_of) - width_of, width_of)
    meet_second = start[pair_level[meet_first]] + within
    upper = np.flatnonzero(pair_column[meet_first] <= pair_column[meet_second])
    upper_flat = pair_column[meet_first[upper]] * width + pair_column[meet_second[upper]]
    return CrossedStage(chosen, [held.index(c) for c in term.columns], list(term.columns), term.n_levels, codes,
                        gather_matrix(codes, term.n_levels), len(pairs), pair_level, pair_column, start,
                        meet_first, meet_second, upper, upper_flat,
                        [Link(column, place[i]) for i, column in enumerate(columns)])
