"""More rows than memory holds: moments summed piece by piece, then fitted like any others.

The pieces are an iterable of DataFrames, the path of a Parquet file, or a Dask DataFrame (whose partitions are summed
where they lie). Each row is looked at once. What the formula must learn beforehand, a factor's levels and a spline's
knots, it learns from the first piece or from ``pilot``; name knots in the formula to have them the same everywhere.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from patchstats.lmm.elimination import Term
from patchstats.lmm.formula import Design, Formula, build_design, columns_used, group_codes, rebuild
from patchstats.lmm.moments import (
    Moments,
    Scaling,
    Summer,
    independent_columns,
    make_scaling,
    triangular_root,
    whitening,
)
from patchstats.lmm.relation import known_levels
from patchstats.lmm.result import TermInfo
from patchstats.remarks import ModelError

_PARQUET_ROWS = 262_144


@dataclass(frozen=True)
class Sums:
    """All pieces summed: the design without rows, moments, the scaling they are in, columns left out."""

    design: Design
    moments: Moments
    scaling: Scaling
    n_rows: int
    transforms: tuple[np.ndarray, ...]
    places: tuple[tuple[int, ...], ...]
    dropped_columns: list[str]


@dataclass
class Recipe:
    """How to sum a piece; can be sent to another process (patsy's records are made anew there)."""

    formula: Formula
    pilot: pd.DataFrame
    weights: str | None

    @cached_property
    def design(self) -> Design:
        return build_design(self.formula, self.pilot, also=(self.weights,) if self.weights else ())

    @cached_property
    def transforms(self) -> tuple[np.ndarray, ...]:
        weight = self.pilot.loc[self.design.kept, self.weights].to_numpy(dtype=float) if self.weights else None
        return tuple(whitening(term.columns, weight, diagonal=term.part.diagonal) for term in self.design.random)

    @cached_property
    def places(self) -> tuple[tuple[int, ...], ...]:
        """Position of each term's columns among the random variables; plain intercepts are shared."""
        found: list[tuple[int, ...]] = []
        shared: dict[str, int] = {}
        free = 0
        for term in self.design.random:
            key = term.part.expression if len(term.names) == 1 else None
            if key is not None and key in shared:
                found.append((shared[key],))
                continue
            found.append(tuple(range(free, free + len(term.names))))
            if key is not None:
                shared[key] = free
            free += len(term.names)
        return tuple(found)

    @cached_property
    def scaling(self) -> Scaling:
        """Coordinates that are good on the pilot; columns that repeat others there are only brought to size."""
        x, y = self.design.x, self.design.y
        root = triangular_root(x, y)
        good = independent_columns(root)
        size = np.sqrt((x ** 2).mean(axis=0))
        fixed_map = np.diag(1.0 / np.where(size > 0.0, size, 1.0))
        start = np.zeros(x.shape[1])
        part = make_scaling(triangular_root(x[:, good], y), len(y))
        fixed_map[np.ix_(good, good)] = part.fixed_map
        start[good] = part.start
        return Scaling(fixed_map, start, part.unit)

    def __getstate__(self):
        return {"formula": self.formula, "pilot": self.pilot, "weights": self.weights}

    def digest(self, piece: pd.DataFrame) -> Digest:
        """Moments of one piece, with its own level numbers."""
        used = [*columns_used(self.formula, piece), *((self.weights,) if self.weights else ())]
        kept = ~piece[used].isna().to_numpy().any(axis=1)
        table = piece.loc[kept, used]
        design, width = self.design, 1 + max((max(place) for place in self.places), default=-1)
        y = rebuild(self._response, table)[:, 0].astype(float)
        x = rebuild(design.info, table)
        random = np.zeros((len(table), width))
        codes = np.zeros((len(table), len(design.random)), dtype=np.int64)
        labels, counts = [], []
        for number, (term, transform, place) in enumerate(
                zip(design.random, self.transforms, self.places, strict=True)):
            random[:, list(place)] = rebuild(term.info, table) @ transform
            codes[:, number], names = group_codes(term.part, table)
            labels.append(names)
            counts.append(np.bincount(codes[:, number], minlength=len(names)))
        weight = table[self.weights].to_numpy(dtype=float) if self.weights else None
        if weight is not None and np.any(weight <= 0.0):
            raise ModelError(f"Weights must be above zero; {self.weights!r} has some that are not.")
        log_weight = 0.0 if weight is None else float(np.log(weight).sum())
        moments = Summer(codes).moments(random, self.scaling.fixed(x, y), weight, log_weight=log_weight)
        return Digest(moments, tuple(labels), tuple(counts), int((~kept).sum()))

    @cached_property
    def _response(self) -> Any:
        return self.design.response_info


@dataclass(frozen=True)
class Digest:
    """One piece summed: moments, and for each term the labels of its level numbers and their rows."""

    moments: Moments
    labels: tuple[np.ndarray, ...]
    counts: tuple[np.ndarray, ...]
    dropped: int


def sum_pieces(formula: Formula, data, weights: str | None, pilot: pd.DataFrame | None) -> Sums:
    """Sum all pieces of ``data``."""
    if hasattr(data, "to_delayed"):
        recipe = Recipe(formula, data.head() if pilot is None else pilot, weights)
        digests: Iterable[Digest] = _dask_digests(recipe, data, pilot is not None)
    else:
        pieces = _iterate(data)
        if pilot is None:
            pilot = next(pieces, None)
            if pilot is None:
                raise ModelError("There is no piece to fit.")
            pieces = itertools.chain([pilot], pieces)
        recipe = Recipe(formula, pilot, weights)
        digests = (recipe.digest(piece) for piece in pieces)
    return _finish(recipe, _merge(digests, len(recipe.design.random)))


def _iterate(data) -> Iterator[pd.DataFrame]:
    if isinstance(data, (str, Path)):
        return _parquet(Path(data))
    if isinstance(data, Iterable):
        return iter(data)
    raise ModelError("The data must be a table, an iterable of tables, the path of a Parquet file, or a Dask "
                     "DataFrame.")


def _parquet(path: Path) -> Iterator[pd.DataFrame]:
    import pyarrow.parquet

    if not path.exists():
        raise ModelError(f"There is no file {path}.")
    for batch in pyarrow.parquet.ParquetFile(path).iter_batches(batch_size=_PARQUET_ROWS):
        yield batch.to_pandas()


def _dask_digests(recipe: Recipe, data, has_pilot: bool) -> list[Digest]:
    import dask

    parts = data.to_delayed()
    if not has_pilot:
        recipe = Recipe(recipe.formula, dask.compute(parts[0])[0], recipe.weights)
    digest = dask.delayed(_digest)
    return list(dask.compute(*[digest(recipe, part) for part in parts]))


def _digest(recipe: Recipe, piece: pd.DataFrame) -> Digest:
    return recipe.digest(piece)


def _merge(digests: Iterable[Digest], n_terms: int):
    """All pieces under common level numbers, numbered as met."""
    places: list[dict] = [{} for _ in range(n_terms)]
    counts: list[np.ndarray] = [np.zeros(0, dtype=np.int64) for _ in range(n_terms)]
    moments: Moments | None = None
    dropped = 0
    for digest in digests:
        codes = digest.moments.codes.copy()
        for t in range(n_terms):
            place = places[t]
            number = np.array([place.setdefault(label, len(place)) for label in digest.labels[t]], dtype=np.int64)
            grown = np.zeros(len(place), dtype=np.int64)
            grown[:len(counts[t])] = counts[t]
            grown[number] += digest.counts[t]
            counts[t] = grown
            codes[:, t] = number[codes[:, t]]
        piece = replace(digest.moments, codes=codes)
        moments = piece if moments is None else moments + piece
        dropped += digest.dropped
    if moments is None:
        raise ModelError("There is no piece to fit.")
    labels = []
    for t in range(n_terms):  # levels in sorted order, as of a table in memory
        names = np.array(list(places[t]), dtype=object)
        order = np.argsort(names, kind="stable")
        rank = np.empty(len(order), dtype=np.int64)
        rank[order] = np.arange(len(order))
        moments.codes[:, t] = rank[moments.codes[:, t]]
        labels.append(names[order])
        counts[t] = counts[t][order]
    return moments, labels, counts, dropped


def _finish(recipe: Recipe, merged) -> Sums:
    """Bring the sums to coordinates that are good on all rows, leaving out columns that repeat others."""
    moments, labels, counts, dropped = merged
    design, scaling = recipe.design, recipe.scaling
    n_fixed = design.x.shape[1]
    root = _gram_root(moments.total)
    kept = independent_columns(root, tolerance=1e-7)
    names = [design.names[j] for j in kept]
    lost = [name for j, name in enumerate(design.names) if j not in kept]
    # in the written columns: leaving one out must leave its column out, so go back through the pilot's map
    keep_map = np.linalg.inv(scaling.fixed_map)[:, kept]  # x_kept = x_scaled @ keep_map
    written = np.zeros((n_fixed + 1, len(kept) + 1))
    written[:n_fixed, :-1] = keep_map
    written[:n_fixed, -1] = scaling.fixed_map.T @ np.zeros(n_fixed)
    written[-1, -1] = 1.0
    # the response was moved by x @ start; start of columns left out moves back
    lost_start = np.where(np.isin(np.arange(n_fixed), kept), 0.0, scaling.start)
    written[:n_fixed, -1] += np.linalg.inv(scaling.fixed_map) @ lost_start / scaling.unit
    total = written.T @ moments.total @ written
    final = make_scaling(_gram_root(total), moments.n_rows)
    change = np.zeros((len(kept) + 1, len(kept) + 1))
    change[:-1, :-1] = final.fixed_map
    change[:-1, -1] = -final.start / final.unit
    change[-1, -1] = 1.0 / final.unit
    both = written @ change
    n_random = moments.cells.shape[1]
    cells = np.concatenate([moments.cells[:, :, :n_random], moments.cells[:, :, n_random:] @ both], axis=2)
    moments = Moments(moments.codes, cells, both.T @ moments.total @ both, moments.n_rows, moments.log_weight)
    whole = Scaling(final.fixed_map, scaling.start[kept] + scaling.unit * final.start, scaling.unit * final.unit)
    random = tuple(replace(term, columns=term.columns[:0], codes=term.codes[:0], labels=labels[t], counts=counts[t])
                   for t, term in enumerate(design.random))
    slim = replace(design, index=design.index[:0], kept=np.zeros(0, dtype=bool), y=design.y[:0], x=design.x[:0, kept],
                   names=tuple(names), random=random, dropped=dropped,
                   kept_columns=tuple(kept) if lost else design.kept_columns)
    return Sums(slim, moments, whole, moments.n_rows, recipe.transforms, recipe.places, lost)


def _gram_root(total: np.ndarray) -> np.ndarray:
    """Upper triangular root of a cross-product that may be singular."""
    values, vectors = np.linalg.eigh(total)
    half = np.sqrt(np.maximum(values, 0.0))[:, None] * vectors.T
    return np.asarray(np.linalg.qr(half, mode="r"))


def place_levels(sums: Sums, known: Mapping[str, pd.DataFrame]) -> tuple[list[Term], list[TermInfo], Moments]:
    """Terms for the engine, their descriptions, and the moments under the terms' level numbers."""
    terms, infos = [], []
    codes = sums.moments.codes.copy()
    for t, random in enumerate(sums.design.random):
        labels, root, name = random.labels, None, random.part.group_name
        if name in known:
            whole = replace(random, codes=np.arange(len(random.labels)))
            labels, number, root = known_levels(whole, known[name])
            codes[:, t] = number[codes[:, t]]
        terms.append(Term(name, len(labels), sums.places[t], random.part.diagonal, root))
        infos.append(TermInfo(random.part, random.names, labels, sums.transforms[t], random.info, root is not None))
    return terms, infos, replace(sums.moments, codes=codes)
