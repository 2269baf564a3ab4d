"""``fit_mixed``: from a formula and a table to a finished :class:`~patchstats.lmm.result.MixedFit`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from hashlib import blake2b

import numpy as np
import pandas as pd

from patchstats.lmm.elimination import LARGEST_TAIL, TailTooLargeError, Term
from patchstats.lmm.errors import Errors, Independent, Rows, independent
from patchstats.lmm.formula import Design, Formula, build_design, parse_formula
from patchstats.lmm.moments import independent_columns, make_scaling, sum_moments, triangular_root, whitening
from patchstats.lmm.optimise import Optimum, rough_optimum, search
from patchstats.lmm.pieces import place_levels, sum_pieces
from patchstats.lmm.power import PowerResiduals, power
from patchstats.lmm.problem import Problem
from patchstats.lmm.relation import known_levels
from patchstats.lmm.result import MixedFit, TermInfo
from patchstats.lmm.serial import ar1
from patchstats.lmm.system import System
from patchstats.lmm.tape import tape
from patchstats.remarks import ModelError

METHODS = ("REML", "ML")
_MOST_RENEWALS = 60
_LARGE, _PART = 200_000, 8  # from this many rows on, the search starts from every eighth level of the largest group


def fit_mixed(formula: str, data, *, method: str = "REML", errors: str | Errors = "independent",
              weights: str | None = None, known: Mapping[str, pd.DataFrame] | None = None,
              level: float = 0.9, pilot: pd.DataFrame | None = None, start: Optimum | None = None) -> MixedFit:
    """Fit a linear mixed model by restricted (REML) or full (ML) maximum likelihood.

    Parameters
    ----------
    formula
        Such as ``"gain_kg_day ~ spline(day, 4) + secondaries + (1 + day | fruit) + (1 | grower)"``; see
        :mod:`patchstats.lmm.formula`.
    data
        One row an observation. Rows with a gap in any column used are left out and counted in ``dropped``. More rows
        than memory holds come as an iterable of DataFrames, the path of a Parquet file, or a Dask DataFrame; see
        :mod:`patchstats.lmm.pieces`.
    method
        ``"REML"`` for variances and for effects within one model, ``"ML"`` to compare models that differ in
        their fixed part.
    errors
        How residuals hang together: ``"independent"``; ``"ar1"``, correlated as ``phi ** gap`` in days within a
        fruit; ``"tape"``, gains whose neighbours share a taped reading of known standard error; ``"power"``, spread
        proportional to a power of the fitted value. A word takes the usual column names; :func:`ar1`, :func:`tape`
        and :func:`power` take others.
    weights
        Column of prior weights: a row's residual variance is sigma2 over its weight.
    known
        For a grouping factor, the known relationship of its levels: a square DataFrame labelled with the levels on
        both sides (it may hold levels without rows, and may be singular).
    level
        Confidence level of ``low`` and ``high``.
    pilot
        Rows from which factors learn their levels and splines their knots when the data come in pieces (default: the
        first piece).
    start
        Where the search begins, to save time: ``fit.optimum`` of a fit with the same random terms and errors to nearly
        the same rows. The answer is the same. Not for data in pieces.

    Raises ``ModelError`` where the model cannot be built, in a sentence that says why.
    """
    if method not in METHODS:
        raise ModelError(f"method is REML or ML, not {method!r}.")
    if not 0.0 < level < 1.0:
        raise ModelError(f"level is a share between 0 and 1, such as 0.9, not {level!r}.")
    parsed = parse_formula(formula)
    structure = _errors(errors)
    also = (*((weights,) if weights is not None else ()), *structure.columns)
    if not isinstance(data, pd.DataFrame):
        if start is not None:
            raise ModelError("Data in pieces find their own start; leave start out.")
        return _fit_pieces(formula, parsed, data, method, structure, weights, known or {}, level, pilot)
    design = build_design(parsed, data, also=also)
    weight = None
    if weights is not None:
        weight = data.loc[design.kept, weights].to_numpy(dtype=float)
        if np.any(weight <= 0.0):
            raise ModelError(f"Weights must be above zero; {weights!r} has {int((weight <= 0).sum())} that are not.")
    design, dropped_columns, root = _full_rank(design)
    _refuse_impossible(design, known or {}, len(design.y))
    terms, infos, random, codes = _terms(design, known or {}, weight)
    scaling = make_scaling(root, len(design.y))
    fixed = scaling.fixed(design.x, design.y)
    table = data.loc[design.kept, list(structure.columns)]
    rows = Rows(codes, random, fixed, weight, scaling.unit, tuple(term.name for term in terms), table)
    problem = _problem(terms, structure.build(rows, weights), scaling, method)
    optimum = find_optimum(problem, rows, design.x @ scaling.start, start)
    return MixedFit(formula=formula, method=method, errors=structure.name, n_rows=len(design.y),
                    dropped=design.dropped, dropped_columns=tuple(dropped_columns), level=level, weights=weights,
                    terms=tuple(infos), design=design, weight=weight, problem=problem, optimum=optimum,
                    structure=structure, table=table)


def _problem(terms, residuals, scaling, method: str) -> Problem:
    try:
        return Problem(terms, residuals, scaling, reml=method == "REML")
    except TailTooLargeError as trouble:
        beside = f" beside those of {trouble.largest}" if trouble.largest else ""
        raise ModelError(
            f"The model has {trouble.n_tail:,} levels of {', '.join(trouble.names)}{beside}, crossed with one another; "
            f"more than {LARGEST_TAIL:,} cannot be solved exactly here. Pool rare levels, leave one of the groups out, "
            "or put it in the fixed part.") from trouble


def _fit_pieces(text: str, parsed: Formula, data, method: str, structure: Errors, weights: str | None,
                known: Mapping[str, pd.DataFrame], level: float, pilot: pd.DataFrame | None) -> MixedFit:
    if structure.name != "independent":
        raise ModelError(f"Data in pieces can have independent errors only: {structure.name} errors need neighbouring "
                         "rows together.")
    sums = sum_pieces(parsed, data, weights, pilot)
    design = sums.design
    _refuse_impossible(design, known, sums.n_rows)
    terms, infos, moments = place_levels(sums, known)
    problem = _problem(terms, Independent(moments, sums.scaling.unit), sums.scaling, method)
    return MixedFit(formula=text, method=method, errors="independent", n_rows=sums.n_rows, dropped=design.dropped,
                    dropped_columns=tuple(sums.dropped_columns), level=level, weights=weights, terms=tuple(infos),
                    design=design, weight=None, problem=problem, optimum=search(problem), structure=structure,
                    table=pd.DataFrame())


def _full_rank(design: Design) -> tuple[Design, list[str], np.ndarray]:
    """Leave out fixed columns that are combinations of earlier ones; their names are kept for the reader."""
    root = triangular_root(design.x, design.y)
    kept = independent_columns(root)
    if len(kept) == design.x.shape[1]:
        return design, [], root
    lost = [name for j, name in enumerate(design.names) if j not in kept]
    slim = replace(design, x=design.x[:, kept], names=tuple(design.names[j] for j in kept),
                   kept_columns=tuple(kept))
    return slim, lost, triangular_root(slim.x, slim.y)


def _refuse_impossible(design: Design, known: Mapping[str, pd.DataFrame], n_rows: int) -> None:
    groups = {random.part.group_name for random in design.random}
    for name in known:
        if name not in groups:
            raise ModelError(f"A relationship is given for {name!r}, but no random term has that group.")
    n_fixed = len(design.names)
    if n_rows <= n_fixed:
        raise ModelError(f"{n_rows} rows cannot tell {n_fixed} fixed effects and a residual apart.")
    if len(design.y) and np.ptp(design.y) == 0.0:
        raise ModelError(f"{design.formula.response} has the same value in every row; there is nothing to explain.")
    for random in design.random:
        n_levels = len(random.labels)
        if n_levels < 2 and random.part.group_name not in known:
            raise ModelError(f"The group {random.part.group_name!r} has one level only; a random term needs several.")
        if n_levels >= n_rows and random.part.group_name not in known:
            raise ModelError(f"The group {random.part.group_name!r} has as many levels as there are rows; its shifts "
                             "cannot be told from the residual.")


def _terms(design: Design, known: Mapping[str, pd.DataFrame], weight: np.ndarray | None):
    """Terms, their descriptions, the whitened random variables and the level numbers."""
    terms: list[Term] = []
    infos: list[TermInfo] = []
    variables: list[np.ndarray] = []
    places: dict[bytes, int] = {}
    codes = []
    for random in design.random:
        transform = whitening(random.columns, weight, diagonal=random.part.diagonal)
        scaled = random.columns @ transform
        positions = []
        for j in range(scaled.shape[1]):
            key = blake2b(scaled[:, j].tobytes()).digest()  # equal columns are held once
            if key not in places:
                places[key] = len(variables)
                variables.append(scaled[:, j])
            positions.append(places[key])
        labels, level_of, known_root = random.labels, random.codes, None
        name = random.part.group_name
        if name in known:
            labels, level_of, known_root = known_levels(random, known[name])
        terms.append(Term(name, len(labels), tuple(positions), random.part.diagonal, known_root))
        infos.append(TermInfo(random.part, random.names, labels, transform, random.info, known_root is not None))
        codes.append(level_of)
    stacked = np.column_stack(variables) if variables else np.zeros((len(design.y), 0))
    levels = np.column_stack(codes) if codes else np.zeros((len(design.y), 0), dtype=np.int64)
    return terms, infos, stacked, levels


def _errors(errors: str | Errors) -> Errors:
    """The structure asked for; a word stands for its usual columns."""
    usual = {"independent": independent, "ar1": ar1, "tape": tape, "power": power}
    if isinstance(errors, Errors):
        return errors
    if errors not in usual:
        raise ModelError(f"errors is one of {', '.join(usual)}, or ar1(...), tape(...), power(...); not {errors!r}.")
    return usual[errors]()


def _start_from_independent(problem: Problem, rows: Rows) -> tuple[np.ndarray, np.ndarray]:
    """A start, and the curvature there, from independent errors: trial points that never touch the rows."""
    plain = Problem(problem.terms, independent().build(rows, None), problem.scaling, reml=problem.reml)
    rough, bend = rough_optimum(plain)
    size, rho, own_bend = problem.residuals.begin(plain.evaluate(rough, gradient=False).sigma2)
    curvature = np.zeros((len(rough) + len(rho), len(rough) + len(rho)))
    curvature[:len(rough), :len(rough)] = bend / size ** 2
    curvature[len(rough):, len(rough):] = np.diag(own_bend)
    return np.concatenate([size * rough, rho]), curvature


def _start_from_part(problem: Problem, rows: Rows) -> tuple[np.ndarray | None, np.ndarray | None]:
    """A start, and the curvature there, from every eighth level of the largest group: quick, and near enough."""
    largest = int(np.argmax([term.n_levels for term in problem.terms])) if problem.terms else -1
    if largest < 0 or any(term.known_root is not None for term in problem.terms):
        return None, None
    keep = rows.codes[:, largest] % _PART == 0
    numbered = [pd.factorize(column)[0] for column in rows.codes[keep].T]
    terms = [replace(term, n_levels=int(codes.max()) + 1)
             for term, codes in zip(problem.terms, numbered, strict=True)]
    if min(term.n_levels for term in terms) < 2:
        return None, None
    weight = None if rows.weight is None else rows.weight[keep]
    moments = sum_moments(np.column_stack(numbered), rows.random[keep], rows.fixed[keep], weight)
    try:
        rough, bend = rough_optimum(Problem(terms, Independent(moments, rows.unit), problem.scaling, reml=problem.reml))
    except np.linalg.LinAlgError:  # a fixed column that this part of the rows does not move
        return None, None
    # what is known of a term's spread grows with its levels
    more = np.concatenate([np.full(term.n_theta, np.sqrt(whole.n_levels / term.n_levels))
                           for term, whole in zip(terms, problem.terms, strict=True)])
    return rough, bend * np.outer(more, more)


def find_optimum(problem: Problem, rows: Rows, start_fit: np.ndarray, near: Optimum | None = None) -> Optimum:
    """The optimum; where the spread follows the fitted values, again and again until those stand still.

    ``near``: the optimum of a like problem, next to which this one's is sought first.
    """
    residuals = problem.residuals
    start, curvature = None, None
    if near is not None:
        start, curvature = near.theta, near.bend
        if start.shape != problem.start().shape:
            raise ModelError(f"The fit to start from has {len(start)} variance parameters and this model has "
                             f"{len(problem.start())}: start takes fit.optimum of a fit with the same random terms and "
                             "errors.")
    elif len(residuals.start()):
        start, curvature = _start_from_independent(problem, rows)
    elif len(rows.codes) >= _LARGE:
        start, curvature = _start_from_part(problem, rows)
    optimum = search(problem, start, curvature)
    if not (isinstance(residuals, PowerResiduals) and residuals.of is None):
        return optimum
    value = np.inf
    for _ in range(_MOST_RENEWALS):
        theta = optimum.theta
        system = System(problem.terms, residuals.moments(problem.residual_part(theta)), problem.factors(theta))
        fitted = start_fit + problem.scaling.unit * system.fitted(rows.random, rows.fixed[:, :-1], rows.codes)
        residuals.follow(fitted)
        optimum = search(problem, theta)
        if abs(optimum.point.value - value) < 1e-9 * abs(value) and np.abs(optimum.theta - theta).max() < 1e-7:
            return optimum
        value = optimum.point.value
    raise ModelError("The spread that follows the fitted values did not settle; let it follow a column instead, as in "
                     "power('day').")
