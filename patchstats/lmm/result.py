"""``MixedFit``: a finished fit, and every answer it gives as a labelled table."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from patchstats.lmm import effects, render
from patchstats.lmm.errors import Errors
from patchstats.lmm.formula import Design, RandomPart
from patchstats.lmm.inference import (
    Curvature,
    FixedInference,
    curvature,
    fixed_effects,
    fixed_inference,
    t_table,
    variance_errors,
)
from patchstats.lmm.optimise import Optimum
from patchstats.lmm.problem import Problem
from patchstats.lmm.system import System
from patchstats.remarks import ModelError


@dataclass(frozen=True)
class TermInfo:
    """A random term as the reader knows it: how it was written, its columns and level labels.

    ``transform`` T takes the written columns to the engine's: effects in the reader's units are ``T @ b``.
    """

    part: RandomPart
    columns: tuple[str, ...]
    labels: np.ndarray = field(repr=False)
    transform: np.ndarray = field(repr=False)
    info: Any = field(repr=False)
    known: bool = False

    @property
    def group(self) -> str:
        return self.part.group_name


@dataclass(frozen=True, eq=False, repr=False)
class MixedFit:
    """A fitted linear mixed model. Tables: ``coef``, ``variances``, ``levels(group)``, ``predict``, ``check()``."""

    formula: str
    method: str
    errors: str
    n_rows: int
    dropped: int
    dropped_columns: tuple[str, ...]
    level: float
    weights: str | None
    terms: tuple[TermInfo, ...]
    design: Design
    weight: np.ndarray | None
    problem: Problem
    optimum: Optimum
    structure: Errors
    table: pd.DataFrame

    # ---- numbers ----------------------------------------------------------------------------------------------

    @property
    def criterion(self) -> float:
        """Minus twice the (restricted) log-likelihood."""
        return self.optimum.point.value

    @property
    def loglik(self) -> float:
        """The (restricted) log-likelihood at the optimum."""
        return -0.5 * self.criterion

    @property
    def sigma(self) -> float:
        """Residual standard deviation of a row of weight one; under power errors, in the middle of what they follow."""
        if self.problem.fixed_scale:
            return float(abs(self._rho[0]) * self.problem.scaling.unit)
        return float(np.sqrt(self.optimum.point.sigma2) * self.problem.scaling.unit)

    @property
    def error_parameters(self) -> pd.Series:
        """Parameters of the residual structure, such as ``phi`` or ``power``."""
        return pd.Series(self.problem.residuals.estimates(self._rho), name="estimate", dtype=float)

    @property
    def n_parameters(self) -> int:
        """Fixed effects plus covariance parameters, the residual variance included."""
        return self.problem.n_fixed + len(self.optimum.theta) + (0 if self.problem.fixed_scale else 1)

    @property
    def aic(self) -> float:
        """Akaike's criterion; under REML compare only models with the same fixed part."""
        return self.criterion + 2.0 * self.n_parameters

    @property
    def bic(self) -> float:
        """Schwarz's criterion with the number of rows."""
        return self.criterion + np.log(self.n_rows) * self.n_parameters

    @property
    def converged(self) -> bool:
        return self.optimum.converged

    @property
    def theta(self) -> list[np.ndarray]:
        """Relative factors L of every random term in the reader's units: covariance = sigma^2 L L'."""
        return [info.transform @ factor
                for info, factor in zip(self.terms, self.problem.factors(self.optimum.theta), strict=True)]

    @property
    def fixed(self) -> pd.Series:
        """Fixed effects."""
        beta, _ = fixed_effects(self.problem, self.optimum)
        return pd.Series(beta, index=list(self.design.names), name="estimate")

    @property
    def fixed_covariance(self) -> pd.DataFrame:
        """Covariance of the fixed effects, variance parameters taken as known."""
        names = list(self.design.names)
        _, covariance = fixed_effects(self.problem, self.optimum)
        return pd.DataFrame(covariance, index=names, columns=names)

    # ---- tables -----------------------------------------------------------------------------------------------

    @cached_property
    def coef(self) -> pd.DataFrame:
        """Fixed effects: estimate, se, df (Satterthwaite), t, p, low, high."""
        found = self._inference
        df = np.array([found.satterthwaite(row) for row in np.eye(len(found.beta))])
        se = np.sqrt(np.diag(found.covariance))
        table = pd.DataFrame(t_table(found.beta, se, df, self.level), index=list(self.design.names))
        return table.rename_axis("term")

    @cached_property
    def variances(self) -> pd.DataFrame:
        """Random terms and residual: sd, variance, share, correlation with the term's first column, low, high.

        ``share`` is the term's part of the variance of a row, averaged over the rows (Johnson 2014, Methods in
        Ecology and Evolution 5:944, for terms with slopes); ``low`` and ``high`` bound the sd by Wald's method on the
        logarithm, missing where the sd is zero.
        """
        return effects.variance_table(self, variance_errors)

    def levels(self, group: str, *, level: float | None = None) -> pd.DataFrame:
        """Shifts of a group's levels, shrunken towards zero: shift, se, low, high, n_rows.

        ``se`` is the conditional standard deviation given the data, with fixed effects and variances taken as known.
        A term with several columns gives one line for each level and column.
        """
        return effects.level_table(self, group, self.level if level is None else level)

    def predict(self, new: pd.DataFrame | None = None, *, include: str | tuple[str, ...] | None = "all",
                of: str = "mean", level: float | None = None) -> pd.DataFrame:
        """Predictions for ``new`` rows (default: the rows fitted): estimate, se, low, high.

        ``include``: groups whose shifts are used, ``"all"``, or None for a typical level of every group. A level not
        met before has shift zero, and its variance is added to the error. ``of="mean"`` bounds the expected value,
        ``of="row"`` one new observation.
        """
        return effects.predictions(self, new, include, of, self.level if level is None else level)

    @cached_property
    def residuals(self) -> pd.DataFrame:
        """By row: fitted, marginal (y - X beta), conditional (y - X beta - Z b), and the latter whitened.

        Whitened residuals are what should look like independent noise of variance one.
        """
        return effects.residual_table(self)

    def check(self) -> pd.DataFrame:
        """What to doubt in this fit: one line each, with a sentence."""
        return render.doubts(self)

    def need_rows(self) -> None:
        """Raises where the fit was fed in pieces, so that its rows are gone."""
        if len(self.design.y) == 0:
            raise ModelError("This fit was fed in pieces and kept no rows: give the rows asked about to predict, or "
                             "fit a table that is in memory.")

    # ---- inside -----------------------------------------------------------------------------------------------

    @property
    def _rho(self) -> np.ndarray:
        return self.problem.residual_part(self.optimum.theta)

    @cached_property
    def _curvature(self) -> Curvature:
        return curvature(self.problem, self.optimum)

    @cached_property
    def _inference(self) -> FixedInference:
        return fixed_inference(self.problem, self.optimum, self._curvature)

    @cached_property
    def system(self) -> System:
        """The mixed-model equations at the optimum."""
        theta = self.optimum.theta
        moments = self.problem.residuals.moments(self.problem.residual_part(theta))
        return System(self.problem.terms, moments, self.problem.factors(theta))

    def terms_of(self, group: str) -> list[int]:
        """Numbers of the random terms with this group."""
        found = [number for number, info in enumerate(self.terms) if info.group == group]
        if not found:
            names = ", ".join(dict.fromkeys(info.group for info in self.terms)) or "none"
            raise ModelError(f"The fit has no group {group!r}; its groups: {names}.")
        return found

    def _markdown(self) -> str:
        return render.markdown(self)

    def __repr__(self) -> str:
        return self._markdown()

    def _repr_markdown_(self) -> str:
        return self._markdown()
