"""A fit in words: its one page, and what to doubt in it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from patchstats.lmm.result import MixedFit

_FEW_LEVELS = 5  # common practice, no source: a variance from fewer levels is little more than a guess
_FEW_DF = 5.0


def markdown(fit: MixedFit) -> str:
    """The page shown in a notebook, a report and a prompt."""
    lines = [f"**Mixed model** `{fit.formula}`", ""]
    own = ", ".join(f"{name} {_number(value)}" for name, value in fit.error_parameters.items())
    facts = [f"{fit.n_rows:,} rows", f"{fit.method}", f"{fit.errors} errors" + (f" ({own})" if own else ""),
             f"-2 log-likelihood {fit.criterion:.2f}"]
    if fit.dropped:
        facts.append(f"{fit.dropped:,} rows left out for gaps")
    if fit.dropped_columns:
        facts.append("left out as combinations of others: " + ", ".join(fit.dropped_columns))
    lines += [", ".join(facts) + ".", "", f"Fixed effects ({fit.level:.0%} intervals, Satterthwaite df)", ""]
    lines += _table(fit.coef.reset_index(), {"p": _p_text})
    lines += ["", "Between-level spread", ""]
    lines += _table(fit.variances.reset_index().drop(columns="variance"), {"share": _percent})
    sentences = [row.sentence for row in fit.check().itertuples()]
    if sentences:
        lines += ["", "What to doubt", ""] + [f"- {sentence}" for sentence in sentences]
    return "\n".join(lines)


def _table(frame: pd.DataFrame, special) -> list[str]:
    lines = ["| " + " | ".join(frame.columns) + " |",
             "|" + "|".join("---" if frame[c].dtype == object else "---:" for c in frame.columns) + "|"]
    for row in frame.itertuples(index=False):
        cells = []
        for name, value in zip(frame.columns, row, strict=True):
            if isinstance(value, str):
                cells.append(value)
            elif pd.isna(value):
                cells.append("")
            else:
                cells.append(special.get(name, _number)(value))
        lines.append("| " + " | ".join(cells) + " |")
    return lines


def _number(value: float) -> str:
    if np.isinf(value):
        return "inf"
    if value == 0.0:
        return "0"
    return f"{value:.4g}" if abs(value) < 1e5 else f"{value:,.0f}"


def _p_text(value: float) -> str:
    return "<0.001" if value < 0.001 else f"{value:.3f}"


def _percent(value: float) -> str:
    return f"{100.0 * value:.1f}%"


def doubts(fit: MixedFit) -> pd.DataFrame:
    """What to doubt: columns doubt, about, sentence."""
    found: list[tuple[str, str, str]] = []
    if not fit.converged:
        found.append(("search", "criterion", "The search for the best fit stopped early; do not use these numbers."))
    table = fit.variances
    for info in fit.terms:
        for column in info.columns:
            sd = table.loc[(info.group, column), "sd"]
            if np.any(np.asarray(sd) == 0.0):
                what = "" if column == "(Intercept)" else f" in their {column}"
                found.append(("zero", info.group,
                              f"No variation between levels of {info.group}{what} can be told from zero."))
        for column in info.columns[1:]:
            correlation = np.abs(np.asarray(table.loc[(info.group, column), "correlation"]))
            if np.any(correlation > 0.999):
                found.append(("perfect correlation", info.group,
                              f"The effects of {info.group} are correlated perfectly: there is too little in the "
                              f"data to tell {info.columns[0]} and {column} apart; || may be enough."))
        if len(info.labels) < _FEW_LEVELS and not info.known:
            found.append(("few levels", info.group,
                          f"{info.group} has only {len(info.labels)} levels: its spread is hardly known."))
    if fit.problem.fixed_scale and fit.sigma == 0.0:
        found.append(("nothing left", "residual", "Nothing is left over beside the stated errors of the readings: they "
                      "may be stated too large."))
    for name, df in fit.coef["df"].items():
        if df < _FEW_DF:
            found.append(("few degrees of freedom", str(name),
                          f"{name} rests on about {df:.1f} degrees of freedom: very few independent comparisons."))
    if fit.dropped > 0.1 * (fit.dropped + fit.n_rows):
        found.append(("gaps", "rows", f"{fit.dropped:,} of {fit.dropped + fit.n_rows:,} rows were left out for gaps; "
                      "if the gaps are no accident the answer leans."))
    if fit.dropped_columns:
        found.append(("columns", "fixed effects", "Left out, being combinations of other columns: "
                      + ", ".join(fit.dropped_columns) + "."))
    found += _residual_doubts(fit)
    return pd.DataFrame(found, columns=["doubt", "about", "sentence"])


def _residual_doubts(fit: MixedFit) -> list[tuple[str, str, str]]:
    if len(fit.design.y) == 0:
        return []
    residual = fit.residuals["whitened"].to_numpy()
    if not np.isfinite(residual).all():
        return []
    scale = np.sqrt(np.mean(residual ** 2))
    if scale == 0.0:
        return []
    found = []
    far = int((np.abs(residual) > 5.0 * scale).sum())
    if far:
        found.append(("outliers", "rows", f"{far} {'rows lie' if far > 1 else 'row lies'} more than 5 residual "
                      "standard deviations from the fit; see residuals."))
    fitted = fit.residuals["fitted"].to_numpy()
    if np.ptp(fitted) > 0.0 and len(fitted) > 50:
        upper = fitted > np.median(fitted)
        if upper.any() and (~upper).any():
            ratio = np.sqrt(np.mean(residual[upper] ** 2) / max(np.mean(residual[~upper] ** 2), 1e-300))
            if ratio > 2.0 or ratio < 0.5:
                found.append(("uneven spread", "residual", f"Residuals are {max(ratio, 1 / ratio):.1f} times as wide "
                              f"where fitted values are {'high' if ratio > 1 else 'low'}; errors='power' or a "
                              "transformed response fits better."))
    return found
