"""Intervals of fixed effects, standard deviations and correlations: Wald, profile likelihood, parametric bootstrap.

A profile interval holds one quantity at a trial value, maximises the likelihood over all else, and keeps the values
whose log-likelihood lies within ``chi2_1(level) / 2`` of the top (Bates et al. 2015, section 5.1). It is always taken
of the full likelihood (ML), as there: a restricted likelihood has nothing to say of fixed effects.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd
from scipy.optimize import brentq

from patchstats.lmm.chance import normal_quantile
from patchstats.lmm.contrasts import coef_table
from patchstats.lmm.inference import variance_errors
from patchstats.lmm.parallel import each
from patchstats.lmm.profile import Held, held_quantity
from patchstats.lmm.refit import draw, for_workers, refit
from patchstats.lmm.result import MixedFit
from patchstats.remarks import ModelError

METHODS = ("wald", "profile", "bootstrap")


def interval(fit: MixedFit, term: str | tuple[str, str] | None = None, *, method: str = "wald",
             level: float | None = None, draws: int = 500, seed: int = 1, workers: int = 1,
             progress: bool | None = None) -> pd.DataFrame:
    """Intervals: estimate, low, high, a line for each quantity.

    ``term``: a fixed effect's name; ``("fruit", "day")`` for the sd of a random column, ``("fruit", "correlation")``
    for the correlation of a term of two columns, ``("residual", "")`` for the residual sd, ``("residual", "phi")`` or
    ``("residual", "power")`` for the parameter of such errors; None for all of them.
    ``method``: ``"wald"`` (fixed effects with Satterthwaite's df, spreads on the logarithm, correlations on Fisher's
    scale), ``"profile"`` or
    ``"bootstrap"`` (percentiles of ``draws`` refits of responses drawn from the fit; the result does not depend on
    the number of ``workers``).
    """
    if method not in METHODS:
        raise ModelError(f"method is one of {', '.join(METHODS)}, not {method!r}.")
    level = fit.level if level is None else level
    wanted = _wanted(fit, term)
    if method == "wald":
        return _wald(fit, wanted, level)
    if method == "profile":
        full = for_workers(refit(fit, method="ML"))
        rows = each(profile_interval, [(full, quantity, level) for quantity in wanted], workers, progress)
    else:
        drawn = bootstrap(fit, draws=draws, seed=seed, workers=workers, progress=progress)
        tail = 0.5 - level / 2.0
        estimate = quantities(fit)
        rows = [(estimate[_label(q)], *np.quantile(drawn[_label(q)], [tail, 1.0 - tail])) for q in wanted]
    return pd.DataFrame(rows, index=pd.Index([_label(q) for q in wanted], name="quantity"),
                        columns=["estimate", "low", "high"])


def _label(quantity: str | tuple[str, str]) -> str:
    """How a quantity is written in a table."""
    if isinstance(quantity, str):
        return quantity
    group, column = quantity
    if group == "residual":
        return f"{column or 'sd'}(residual)"
    return f"correlation({group})" if column == "correlation" else f"sd({group}, {column})"


def all_quantities(fit: MixedFit) -> list[str | tuple[str, str]]:
    """Every quantity that has an interval."""
    found: list[str | tuple[str, str]] = list(fit.design.names)
    for info in fit.terms:
        found += [(info.group, column) for column in info.columns]
        if len(info.columns) == 2 and not info.part.diagonal:
            found.append((info.group, "correlation"))
    return [*found, ("residual", ""), *(("residual", name) for name in fit.error_parameters.index)]


def _wanted(fit: MixedFit, term) -> list[str | tuple[str, str]]:
    every = all_quantities(fit)
    if term is None:
        return every
    if term not in every:
        raise ModelError(f"There is no {term!r} to give an interval for; there are: "
                         + ", ".join(str(quantity) for quantity in every) + ".")
    return [term]


def quantities(fit: MixedFit) -> pd.Series:
    """The estimates of all quantities."""
    values = dict(fit.fixed)
    for info, factor in zip(fit.terms, fit.theta, strict=True):
        scale = np.sqrt(fit.optimum.point.sigma2) * fit.problem.scaling.unit
        covariance = scale ** 2 * factor @ factor.T
        for j, column in enumerate(info.columns):
            values[_label((info.group, column))] = np.sqrt(covariance[j, j])
        if len(info.columns) == 2 and not info.part.diagonal:
            both = np.sqrt(covariance[0, 0] * covariance[1, 1])
            values[_label((info.group, "correlation"))] = covariance[0, 1] / both if both > 0.0 else np.nan
    values["sd(residual)"] = fit.sigma
    values |= {_label(("residual", name)): value for name, value in fit.error_parameters.items()}
    return pd.Series(values)


def _wald(fit: MixedFit, wanted, level: float) -> pd.DataFrame:
    estimate = quantities(fit)
    coef = coef_table(fit, level=level)
    z = normal_quantile(0.5 + level / 2.0)
    n_own = len(fit.error_parameters)  # the errors' own parameters are bounded on the engine's scale
    spread_names = [_label(q) for q in all_quantities(fit) if not isinstance(q, str)]
    spread_names = spread_names[:len(spread_names) - n_own]

    def spreads(theta, sigma2):
        point = replace(fit.optimum.point, sigma2=sigma2)
        moved = replace(fit, optimum=replace(fit.optimum, theta=theta, point=point))
        values = quantities(moved)[spread_names]
        bent = [np.arctanh(np.clip(v, -1 + 1e-15, 1 - 1e-15)) if n.startswith("corr") else np.log(v)
                for n, v in values.items()]
        return np.array([*bent, *fit.problem.residual_part(theta)[:n_own]])

    with np.errstate(divide="ignore", invalid="ignore"):
        value, error = variance_errors(fit.problem, fit.optimum, fit._curvature, spreads)
    place = {_label(q): k for k, q in enumerate(q for q in all_quantities(fit) if not isinstance(q, str))}
    rows = []
    for quantity in wanted:
        name = _label(quantity)
        if isinstance(quantity, str):
            rows.append((coef.loc[name, "estimate"], coef.loc[name, "low"], coef.loc[name, "high"]))
            continue
        back: Callable = np.tanh if quantity[1] == "correlation" else np.exp
        if _is_own(fit, quantity):
            back = partial(_own_parameter, fit, quantity[1])
        k = place[name]
        known = np.isfinite(value[k]) and np.isfinite(error[k])
        with np.errstate(over="ignore"):  # next to zero a spread has no upper end to speak of
            low, high = (back(value[k] - z * error[k]), back(value[k] + z * error[k])) if known else (np.nan, np.nan)
        rows.append((estimate[name], low, high))
    return pd.DataFrame(rows, index=pd.Index([_label(q) for q in wanted], name="quantity"),
                        columns=["estimate", "low", "high"])


def _is_own(fit: MixedFit, quantity: str | tuple[str, str]) -> bool:
    """Whether a quantity is a parameter of the residual structure, such as phi."""
    return not isinstance(quantity, str) and quantity[0] == "residual" and quantity[1] in fit.error_parameters.index


def _own_parameter(fit: MixedFit, name: str, at: float) -> float:
    """A parameter of the residual structure in the reader's scale from the engine's."""
    return fit.problem.residuals.estimates(np.array([at]))[name]


def profile_interval(fit: MixedFit, quantity, level: float) -> tuple[float, float, float]:
    """Estimate, low and high of one quantity of an ML fit by its profile likelihood."""
    held = held_quantity(fit, quantity)
    own = _is_own(fit, quantity)
    estimate = float(fit.optimum.theta[-1] if own else quantities(fit)[_label(quantity)])
    z = float(normal_quantile(0.5 + level / 2.0))
    target = fit.criterion + z ** 2
    low, high = (_end(held, estimate, direction, target, z ** 2) for direction in (-1.0, 1.0))
    if own:
        low, estimate, high = (_own_parameter(fit, quantity[1], at) for at in (low, estimate, high))
    return estimate, low, high


def _end(held: Held, estimate: float, direction: float, target: float, drop: float) -> float:
    """Where the profile rises to ``target`` on one side; the quantity's own bound where it never does."""
    bound = held.high if direction > 0 else held.low
    memory: dict[float, float] = {}
    start = held.start

    def excess(value: float) -> float:
        nonlocal start
        if value not in memory:
            memory[value], start = held.minimise(value, start)
        return memory[value] - target

    if np.isfinite(bound) and abs(estimate - bound) <= 1e-9 * max(1.0, abs(bound)):
        return bound
    step, inner, outer = held.step, estimate, estimate
    for _ in range(60):
        outer = estimate + direction * step
        if (direction > 0 and outer >= bound) or (direction < 0 and outer <= bound):
            if excess(bound) <= 0.0:
                return bound
            outer = bound
            break
        if excess(outer) > 0.0:
            break
        inner, step = outer, step * 1.7
    else:
        return direction * np.inf
    return float(brentq(lambda value: excess(value) if value != estimate else -drop, inner, outer,
                        xtol=1e-6 * held.step, rtol=1e-10))


def bootstrap(fit: MixedFit, *, draws: int = 500, seed: int = 1, workers: int = 1,
              progress: bool | None = None) -> pd.DataFrame:
    """Parametric bootstrap: all quantities of ``draws`` refits, one a line."""
    children = np.random.SeedSequence(seed).spawn(draws)
    slim = for_workers(fit)
    rows = each(_one_draw, [(slim, child) for child in children], workers, progress)
    return pd.DataFrame(rows)


def _one_draw(fit: MixedFit, child: np.random.SeedSequence) -> pd.Series:
    return quantities(refit(fit, draw(fit, np.random.default_rng(child))))

