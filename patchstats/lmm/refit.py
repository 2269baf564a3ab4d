"""The same model again: for another response, for part of the rows, or at variances taken from elsewhere.

Nothing is read from the table anew; the design of the first fit is used, and the search starts at its answer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from patchstats.lmm.errors import Rows
from patchstats.lmm.fit import find_optimum
from patchstats.lmm.moments import make_scaling, triangular_root
from patchstats.lmm.optimise import Optimum, search
from patchstats.lmm.problem import Problem
from patchstats.lmm.result import MixedFit
from patchstats.remarks import ModelError


def rows_of(fit: MixedFit, y: np.ndarray | None = None, keep: np.ndarray | None = None) -> Rows:
    """The fit's rows in the engine's coordinates; with another response, or only the rows ``keep``."""
    fit.need_rows()
    design, terms = fit.design, fit.problem.terms
    y = design.y if y is None else np.asarray(y, dtype=float)
    if y.shape != design.y.shape:
        raise ModelError(f"The new response has {y.size} values; the fit has {design.y.size} rows.")
    keep = np.arange(len(y)) if keep is None else np.flatnonzero(keep)
    n_variables = max((column for term in terms for column in term.columns), default=-1) + 1
    variables = np.zeros((len(keep), n_variables))
    codes = np.zeros((len(keep), len(terms)), dtype=np.int64)
    for number, (info, random) in enumerate(zip(fit.terms, design.random, strict=True)):
        variables[:, list(terms[number].columns)] = random.columns[keep] @ info.transform
        place = {label: k for k, label in enumerate(info.labels)}
        codes[:, number] = np.array([place[label] for label in random.labels])[random.codes[keep]]
    scaling = fit.problem.scaling
    fixed = scaling.fixed(design.x[keep], y[keep])
    weight = None if fit.weight is None else fit.weight[keep]
    return Rows(codes, variables, fixed, weight, scaling.unit, tuple(term.name for term in terms),
                fit.table.iloc[keep])


def problem_of(fit: MixedFit, rows: Rows, *, reml: bool | None = None) -> Problem:
    """The fit's criterion for these rows."""
    residuals = fit.structure.build(rows, fit.weights)
    return Problem(fit.problem.terms, residuals, fit.problem.scaling,
                   reml=fit.problem.reml if reml is None else reml)


def for_workers(fit: MixedFit) -> MixedFit:
    """The fit without patsy's records, which cannot be sent to another process; refits do not need them."""
    terms = tuple(replace(info, info=None) for info in fit.terms)
    random = tuple(replace(term, info=None) for term in fit.design.random)
    return replace(fit, terms=terms, design=replace(fit.design, info=None, response_info=None, random=random))


def refit(fit: MixedFit, y: np.ndarray | None = None, *, method: str | None = None) -> MixedFit:
    """The same model for another response of the same rows (or the same response), by ``method`` REML or ML."""
    method = method or fit.method
    if y is None and method == fit.method:
        return fit
    if y is None and len(fit.design.y) == 0:  # fed in pieces: the sums serve either method
        problem = Problem(fit.problem.terms, fit.problem.residuals, fit.problem.scaling, reml=method == "REML")
        optimum = search(problem, fit.optimum.theta, fit.optimum.bend)
        return replace(fit, method=method, problem=problem, optimum=optimum)
    fit.need_rows()
    if y is not None:
        y = np.asarray(y, dtype=float)
        if y.shape != fit.design.y.shape or not np.isfinite(y).all():
            raise ModelError(f"The new response must be {fit.design.y.size} finite numbers, one for each row fitted.")
        fresh = replace(fit.design, y=y)
        scaling = make_scaling(triangular_root(fresh.x, y), len(y))
        base = Problem(fit.problem.terms, fit.problem.residuals, scaling, reml=fit.problem.reml)
        fit = replace(fit, design=fresh, problem=base)
    rows = rows_of(fit)
    problem = problem_of(fit, rows, reml=method == "REML")
    optimum = find_optimum(problem, rows, fit.design.x @ problem.scaling.start, fit.optimum)
    return replace(fit, method=method, problem=problem, optimum=optimum)


def hold(fit: MixedFit, variances: Mapping[str, float]) -> MixedFit:
    """The same model with its variances held at given values: ``{"animal": 20.0, "residual": 40.0}``.

    For terms of one column, one a group, and independent errors; every group and the residual must be given.
    """
    wanted = [*(info.group for info in fit.terms), "residual"]
    if sorted(wanted) != sorted(variances) or any(len(info.columns) > 1 for info in fit.terms):
        raise ModelError(f"Give one variance for each of {', '.join(wanted)}; terms with slopes cannot be held.")
    if fit.errors != "independent":
        raise ModelError("Variances can be held with independent errors only.")
    theta = np.array([np.sqrt(variances[info.group] / variances["residual"]) / info.transform[0, 0]
                      for info in fit.terms])
    point = fit.problem.evaluate(theta, sigma2=variances["residual"] / fit.problem.scaling.unit ** 2)
    return replace(fit, optimum=Optimum(theta, point, 1, 0.0, True, None))


def simulate(fit: MixedFit, *, seed: int, draws: int = 1) -> np.ndarray:
    """Responses drawn from the fitted model, new levels and errors every time [draws, rows]."""
    generators = [np.random.default_rng(child) for child in np.random.SeedSequence(seed).spawn(draws)]
    return np.stack([draw(fit, generator) for generator in generators])


def draw(fit: MixedFit, generator: np.random.Generator) -> np.ndarray:
    """One response drawn from the fitted model."""
    fit.need_rows()
    design, problem = fit.design, fit.problem
    scale = np.sqrt(fit.optimum.point.sigma2) * problem.scaling.unit
    y = design.x @ fit.fixed.to_numpy()
    for number, (info, random) in enumerate(zip(fit.terms, design.random, strict=True)):
        term = problem.terms[number]
        own = generator.normal(size=(term.n_levels, len(term.columns)))
        if term.known_root is not None:
            own = term.known_root @ own
        own = own @ (info.transform @ problem.factor(fit.optimum.theta, number)).T * scale
        place = {label: k for k, label in enumerate(info.labels)}
        levels = np.array([place[label] for label in random.labels])[random.codes]
        y = y + np.einsum("ia,ia->i", random.columns, own[levels])
    return y + problem.residuals.draw(fit._rho, fit.optimum.point.sigma2, generator, y)
