"""What would a fit have told had it been the truth: draws from it, fitted again, by its own errors and by others.

A way to see what an assumption costs before any real data are at stake: draw responses from a fitted model, fit each
with the model's own errors and with, say, independent ones, and count how often the intervals hold what was put in.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from patchstats.lmm.compare import _names, _same_response
from patchstats.lmm.intervals import interval, quantities
from patchstats.lmm.parallel import each
from patchstats.lmm.refit import draw, for_workers, refit
from patchstats.lmm.result import MixedFit
from patchstats.remarks import ModelError


def recovery(truth: MixedFit, *others: MixedFit, draws: int = 40, seed: int = 1, level: float | None = None,
             workers: int = 1, progress: bool | None = None) -> pd.DataFrame:
    """How well ``truth`` and ``others``, models of the same rows, find what ``truth`` has put into drawn responses.

    One line for each model (named by its errors, or by its formula where the errors are alike) and quantity: ``truth``;
    ``estimate``, the mean over the draws; ``spread``, the standard deviation of the estimates; ``se``, the mean of the
    standard errors stated (fixed effects only), which should equal the spread; ``held``, in how many of the ``draws``
    the Wald interval at ``level`` held the truth. A standard deviation found at zero has no such interval and counts as
    not held. Quantities that a model does not have are left out.
    """
    if any(other.n_rows != truth.n_rows or not _same_response(truth, other) for other in others):
        raise ModelError("The fits are of different rows or responses; what is drawn from one must suit the others.")
    level = truth.level if level is None else level
    models = (truth, *others)
    names = [model.errors for model in models]
    if len(set(names)) < len(names):
        names = _names(*models)
    true = quantities(truth)
    slim = tuple(for_workers(model) for model in models)
    children = np.random.SeedSequence(seed).spawn(draws)
    found = pd.concat(each(_one_draw, [(slim, true, level, child) for child in children], workers, progress))
    lines = []
    for (number, quantity), part in found.groupby(["model", "quantity"], sort=False):
        lines.append((names[number], quantity, true[quantity], part["estimate"].mean(), part["estimate"].std(),
                      part["se"].mean(), int(part["held"].sum()), draws))
    return pd.DataFrame(lines, columns=["errors", "quantity", "truth", "estimate", "spread", "se", "held", "draws"]
                        ).set_index(["errors", "quantity"])


def _one_draw(models: tuple[MixedFit, ...], true: pd.Series, level: float,
              child: np.random.SeedSequence) -> pd.DataFrame:
    """Estimates, standard errors and hits of all models for one response drawn from the first."""
    y = draw(models[0], np.random.default_rng(child))
    pieces = []
    for number, model in enumerate(models):
        again = refit(model, y)
        table = interval(again, level=level)
        table = table[table.index.isin(true.index)]
        errors = pd.Series(np.sqrt(np.diag(again.fixed_covariance)), index=again.fixed.index)
        pieces.append(pd.DataFrame({
            "model": number, "quantity": table.index, "estimate": table["estimate"].to_numpy(),
            "se": errors.reindex(table.index).to_numpy(),
            "held": (table["low"] <= true[table.index]).to_numpy() & (true[table.index] <= table["high"]).to_numpy()}))
    return pd.concat(pieces)
