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
    them above the diagonal of the tail's matrix, at ``upper_flat``. ``link_flat``: the cells' places, link after link,
    in an array [levels, tail]; ``link_columns``: each link's column of the cell table.
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
    link_flat: np.ndarray
    link_columns: list[int]


@dataclass(frozen=True)
class TailBlock:
    """A term of the dense tail; ``where`` is its slice, level by level, columns within a level together."""

    term: int
    own: list[int]
    own_columns: list[int]
    n_levels: int
    where: slice
    codes: np.ndarray

    def lines(self, position: int) -> np.ndarray:
        """Each cell's line of the tail for one of the term's columns."""
        return self.where.start + self.codes * len(self.own) + position


@dataclass(frozen=True)
class Scatter:
    """Adds entry (row, column) of each cell to the tail's matrix, above its diagonal alone, in several places.

    ``at``: the distinct places (lines, columns); ``place`` [times, cells]: where among them each cell goes;
    ``doubled`` [times, 1]: two where the place stands for its mirror image too, else one.
    """

    row: int
    column: int
    at: tuple[np.ndarray, np.ndarray]
    place: np.ndarray
    doubled: np.ndarray


@dataclass(frozen=True)
class Border:
    """Sums a variable's rows of the cells over the lines of the tail that it has (``gather``); ``spread`` undoes it."""

    own: int
    lines: np.ndarray
    gather: sparse.csr_array
    spread: sparse.csr_array


@dataclass(frozen=True)
class Plan:
    nested: list[NestedStage]
    crossed: CrossedStage | None
    tail: list[TailBlock]
    scatter: list[Scatter]
    borders: list[Border]
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
                              terms[t].n_levels, slice(offset, offset + size), cells[:, t]))
        offset += size
    if offset > LARGEST_TAIL:
        largest = terms[crossed_term].name if crossed_term is not None else ""
        raise TailTooLargeError(offset, [terms[block.term].name for block in tail], largest)
    crossed = None if crossed_term is None else _crossed(crossed_term, terms, cells, held, tail)
    return Plan(nested, crossed, tail, _scatter(tail, offset), _borders(tail), offset, slice(n_random, None))


def _scatter(tail: list[TailBlock], n_tail: int) -> list[Scatter]:
    found: dict[tuple[int, int], list[tuple[np.ndarray, float]]] = {}
    for i, first in enumerate(tail):
        for second in tail[i:]:
            for a, own in enumerate(first.own):
                for b, column in enumerate(second.own_columns):
                    if first is second and b < a:
                        continue
                    flat = first.lines(a) * n_tail + second.lines(b)
                    found.setdefault((own, column), []).append((flat, 1.0 if first is second and a == b else 2.0))
    entries = []
    for (row, column), times in found.items():
        places, place = np.unique(np.concatenate([flat for flat, _ in times]), return_inverse=True)
        entries.append(Scatter(row, column, (places // n_tail, places % n_tail), place.reshape(len(times), -1),
                               np.array([[times_two] for _, times_two in times])))
    return entries


def _borders(tail: list[TailBlock]) -> list[Border]:
    found: dict[int, list[np.ndarray]] = {}
    for block in tail:
        for a, own in enumerate(block.own):
            found.setdefault(own, []).append(block.lines(a))
    borders = []
    for own, times in found.items():
        lines, place = np.unique(np.concatenate(times), return_inverse=True)
        cells = np.tile(np.arange(len(times[0])), len(times))
        gather = sparse.csr_array((np.ones(len(cells)), (place.ravel(), cells)), shape=(len(lines), len(times[0])))
        borders.append(Border(own, lines, gather, sparse.csr_array(gather.T)))
    return borders


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
                        [Link(column, place[i]) for i, column in enumerate(columns)],
                        np.concatenate(keys) if keys else np.zeros(0, dtype=np.int64), columns)
