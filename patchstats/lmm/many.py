"""The same effects out of many fits: a task for :func:`patchstats.lmm.parallel.each`."""

from __future__ import annotations

import pandas as pd

from patchstats.lmm.errors import Errors
from patchstats.lmm.fit import fit_mixed
from patchstats.lmm.optimise import Optimum

ESTIMATE = ["estimate", "se", "df", "low", "high"]


def asked_terms(formula: str, rows: pd.DataFrame, terms: list[str], errors: str | Errors, level: float,
                weights: str | None = None, start: Optimum | None = None) -> pd.DataFrame:
    """The asked terms of one fit: term and ``ESTIMATE``, one line a term; all else as in ``fit_mixed``.

    It takes and gives no fit, and stands where no other part of the house is needed, so that it is quick to send off.
    """
    fit = fit_mixed(formula, rows, errors=errors, level=level, weights=weights, start=start)
    return fit.coef.loc[terms, ESTIMATE].reset_index(names="term")
