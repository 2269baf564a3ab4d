"""Curve fits: growth curves through the readings of a fruit, with errors, and the doubts that belong to them.

A fit is least squares with one error variance, as in R's ``nls``. Weight has larger errors when it is larger: fit
the over-the-top total or the logarithm where the early days matter. Standard errors are first order; readings of a
fruit that stray together (one long dry spell) make them too small. A curve fitted before the gain has slackened knows
nothing of the final size: then ``doubts`` says so, and the asymptote is not to be quoted.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares
from scipy.special import stdtrit

from patchstats.curves import Curve, curve_named
from patchstats.remarks import PatchstatsError
from patchstats.units import unit_of_column

# An asymptote known no better than this (standard error over estimate) is called unidentified.
UNSURE_ASYMPTOTE = 0.25
# A log that ends below this share of its fitted asymptote has not yet seen its own end.
SHORT_OF_THE_END = 0.6


@dataclass(frozen=True)
class CurveFit:
    """A fitted curve. ``estimates``: index the parameters, columns ``estimate, se, low, high`` at ``level``.

    ``doubts`` are sentences that say where not to believe it; ``residual_sd`` is in the unit of the values.
    """

    curve: Curve
    estimates: pd.DataFrame
    covariance: pd.DataFrame = field(repr=False)
    rss: float
    residual_sd: float
    readings: int
    level: float
    doubts: tuple[str, ...]

    @property
    def parameters(self) -> NDArray:
        return self.estimates["estimate"].to_numpy()

    @property
    def spare(self) -> int:
        """Residual degrees of freedom."""
        return self.readings - len(self.estimates)

    @property
    def log_likelihood(self) -> float:
        """Normal log-likelihood at the optimum, the error variance estimated by rss / n."""
        n = self.readings
        return -0.5 * n * (np.log(2.0 * np.pi * self.rss / n) + 1.0)

    def _markdown(self) -> str:
        rows = [f"| {name} | {row.estimate:.6g} | {row.se:.3g} | {row.low:.6g} | {row.high:.6g} |"
                for name, row in zip(self.estimates.index, self.estimates.itertuples(), strict=True)]
        head = [f"**{self.curve.name}** through {self.readings} readings, residual SD {self.residual_sd:.4g}", "",
                f"| | estimate | se | low | high ({100 * self.level:g} %) |", "|---|---|---|---|---|"]
        return "\n".join([*head, *rows, *[f"\nDoubt: {d}" for d in self.doubts]])

    def __repr__(self) -> str:
        return self._markdown()

    def _repr_markdown_(self) -> str:
        return self._markdown()


def _slopes(function: Callable[..., NDArray], parameters: NDArray) -> NDArray:
    """Derivatives of ``function(*parameters)`` by each parameter, exact to rounding (complex step).

    Squire W. and Trapp G. 1998, SIAM Rev. 40:110-112.
    """
    step = 1e-30
    columns = []
    for j in range(len(parameters)):
        moved = np.asarray(parameters, dtype=complex)
        moved[j] += 1j * step
        columns.append(np.imag(function(*moved)) / step)
    return np.stack(columns, axis=-1)


def fit_curve(day: ArrayLike, value: ArrayLike, *, curve: Curve | str = "gompertz",
              start: Sequence[float] | None = None, level: float = 0.9) -> CurveFit:
    """A growth curve through readings of one fruit, by least squares.

    ``day`` and ``value`` are arrays (missing pairs are dropped); ``start`` are first guesses of the parameters, in
    their order, where the curve's own do not serve. Intervals are the estimate give or take a Student quantile times
    the standard error, which for a poorly known asymptote is too even: heed ``doubts``.

    Raises :class:`PatchstatsError` for fewer readings than parameters and one, values that do not vary, or a curve
    that will not settle.

    >>> day, mass = [10, 20, 30, 40, 50, 60, 70, 80], [18, 72, 166, 275, 374, 451, 504, 540]
    >>> fit_curve(day, mass).estimates["estimate"].round(0).tolist()
    [600.0, 35.0, 20.0]
    """
    chosen = curve_named(curve)
    t, y = np.asarray(day, dtype=float), np.asarray(value, dtype=float)
    known = np.isfinite(t) & np.isfinite(y)
    t, y = t[known], y[known]
    p = len(chosen.parameters)
    if len(np.unique(t)) <= p or np.ptp(y) == 0.0:
        raise PatchstatsError(
            f"The {chosen.name} curve has {p} parameters and needs readings on at least {p + 1} days that differ; "
            f"there are {len(np.unique(t))}.")
    if chosen.name == "weibull" and t.min() < 0.0:
        raise PatchstatsError("The weibull curve starts at day 0; there are readings before it.")
    guesses = [np.asarray(start, dtype=float)] if start is not None else _guesses(chosen, t, y)
    # in units of the readings, so that nothing below depends on kilograms or pounds
    unit = float(np.max(np.abs(y)))
    sizes = np.array([unit if name in ("asymptote", "floor", "drop") else 1.0 for name in chosen.parameters])
    found = [f for f in (_descend(chosen, t, y / unit, g / sizes) for g in guesses) if f is not None]
    if not found:
        raise PatchstatsError(f"The {chosen.name} curve does not settle on these {len(y)} readings; try another.")
    best = min(found, key=lambda f: f[1])[0] * sizes
    residual = y - chosen.value(t, *best)
    rss = float(residual @ residual)
    spare = len(y) - p
    variance = rss / spare
    slopes = _slopes(partial(chosen.value, t), best)
    inverse = sizes[:, None] * np.linalg.pinv(slopes * sizes)
    covariance = variance * inverse @ inverse.T
    se = np.sqrt(np.diag(covariance))
    half = stdtrit(spare, 0.5 + level / 2.0) * se
    names = list(chosen.parameters)
    estimates = pd.DataFrame({"estimate": best, "se": se, "low": best - half, "high": best + half}, index=names)
    return CurveFit(chosen, estimates, pd.DataFrame(covariance, index=names, columns=names), rss,
                    float(np.sqrt(variance)), len(y), level, _doubts(best[0], se[0], float(y[np.argmax(t)])))


def _doubts(asymptote: float, se: float, last: float) -> tuple[str, ...]:
    doubts = []
    if not se <= UNSURE_ASYMPTOTE * abs(asymptote):
        doubts.append(
            f"The readings do not tell the final size: the asymptote {asymptote:.4g} has a standard error of {se:.3g}.")
    if asymptote > 0 and last < SHORT_OF_THE_END * asymptote:
        doubts.append(f"The last reading is only {100 * last / asymptote:.0f} % of the fitted final size.")
    return tuple(doubts)


def _guesses(curve: Curve, t: NDArray, y: NDArray) -> list[NDArray]:
    """First guesses from the readings: several upper ends, middle and scale from where the readings pass half-way."""
    order = np.argsort(t, kind="stable")
    t, y = t[order], np.maximum.accumulate(y[order])
    span = float(np.ptp(t))
    guesses = []
    for lift in (1.05, 1.5, 3.0):
        asymptote = y[-1] * lift if y[-1] > 0 else y[-1] + lift * np.ptp(y)
        share = np.clip((y - min(y[0], 0.0)) / (asymptote - min(y[0], 0.0)), 1e-3, 1 - 1e-3)
        # logit against t is a straight line for the logistic; its slope and root serve all curves as a start
        slope, level = np.polyfit(t, np.log(share / (1.0 - share)), 1)
        scale = 1.0 / slope if slope > 0 else span / 4.0
        middle = -level / slope if slope > 0 else float(np.mean(t))
        if curve.name == "weibull":
            positive = max(middle, span / 10.0)
            guesses += [np.array([asymptote, asymptote - y[0], positive, power]) for power in (1.5, 2.5, 4.0)]
        elif curve.name == "gompertz":
            guesses.append(np.array([asymptote, middle - 0.4 * scale, 1.5 * scale]))
        else:
            more = {"floored logistic": [y[0] - 0.01 * np.ptp(y)], "richards": [1.0]}.get(curve.name, [])
            guesses.append(np.array([asymptote, middle, scale, *more]))
    return guesses


def _descend(curve: Curve, t: NDArray, y: NDArray, start: NDArray) -> tuple[NDArray, float] | None:
    """Least squares from a start; None if it leaves what the curve allows or does not settle."""
    lower = np.array([1e-8 if name in curve.positive else -np.inf for name in curve.parameters])

    def miss(q: NDArray) -> NDArray:
        return np.nan_to_num(curve.value(t, *q) - y, nan=1e6, posinf=1e6, neginf=-1e6)

    def slopes(q: NDArray) -> NDArray:
        return np.nan_to_num(_slopes(partial(curve.value, t), q))

    tight = {"x_scale": "jac", "ftol": 1e-15, "xtol": 1e-15, "gtol": 1e-15, "max_nfev": 2000}
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        found = least_squares(miss, start, slopes, method="lm", **tight)
        if not (np.isfinite(found.x).all() and (found.x > lower).all()):
            # gone where the curve has no meaning: a slower search, kept inside of its bounds
            found = least_squares(miss, np.maximum(start, lower + 1e-6), slopes, bounds=(lower, np.inf), **tight)
    return (found.x, float(found.cost)) if found.success and np.isfinite(found.x).all() else None


def values_of(fit: CurveFit, day: ArrayLike) -> pd.DataFrame:
    """The fitted curve and its rate on days, with first-order errors of the curve itself (not of a new reading).

    Columns: ``day``, ``value``, ``value_se``, ``value_low``, ``value_high``, ``gain``, ``gain_se``, ``gain_low``,
    ``gain_high``; gain in the unit of the values a day.

    >>> day, mass = [10, 20, 30, 40, 50, 60, 70, 80], [18, 72, 166, 275, 374, 451, 504, 540]
    >>> values_of(fit_curve(day, mass), [35.0])[["value", "gain"]].round(1).values.tolist()
    [[220.5, 11.1]]
    """
    t = np.atleast_1d(np.asarray(day, dtype=float))
    quantile = stdtrit(fit.spare, 0.5 + fit.level / 2.0)
    out = {"day": t}
    for name, function in (("value", fit.curve.value), ("gain", fit.curve.rate)):
        middle, se = _carry(fit, partial(function, t))
        out |= {name: middle, f"{name}_se": se, f"{name}_low": middle - quantile * se,
                f"{name}_high": middle + quantile * se}
    return pd.DataFrame(out)


def fastest_gain(fit: CurveFit) -> pd.DataFrame:
    """The day of fastest gain and that gain: rows ``day``, ``gain``; columns ``estimate, se, low, high``.

    >>> day, mass = [10, 20, 30, 40, 50, 60, 70, 80], [18, 72, 166, 275, 374, 451, 504, 540]
    >>> fastest_gain(fit_curve(day, mass))["estimate"].round(1).tolist()
    [35.0, 11.1]
    """
    middle, se = _carry(fit, fit.curve.peak)
    half = stdtrit(fit.spare, 0.5 + fit.level / 2.0) * se
    return pd.DataFrame({"estimate": middle, "se": se, "low": middle - half, "high": middle + half},
                        index=["day", "gain"])


def _carry(fit: CurveFit, function: Callable[..., NDArray]) -> tuple[NDArray, NDArray]:
    """A function of the parameters and its standard error, to first order."""
    slopes = _slopes(function, fit.parameters)
    covariance = fit.covariance.to_numpy()
    return function(*fit.parameters), np.sqrt(np.einsum("ij,jk,ik->i", slopes, covariance, slopes).clip(0.0))


def fit_curves(readings: pd.DataFrame, *, value: str = "mass_kg", day: str = "day", by: str = "fruit",
               curve: Curve | str = "gompertz", level: float = 0.9) -> pd.DataFrame:
    """A curve through each fruit: one row a fruit, in order of appearance.

    Columns: ``by``, ``curve``, ``readings``, ``final_<value>`` and ``peak_day`` and ``peak_gain_<unit>_day``, each with
    ``_se, _low, _high``, ``residual_sd`` and ``doubts``, which also says why a fruit has no curve.

    >>> rows = pd.DataFrame({"fruit": "Ana/1", "day": [10, 20, 30, 40, 50, 60, 70, 80],
    ...                      "mass_kg": [18, 72, 166, 275, 374, 451, 504, 540]})
    >>> fit_curves(rows)[["fruit", "final_mass_kg", "peak_day"]].round(0).values.tolist()
    [['Ana/1', 600.0, 35.0]]
    """
    unit = unit_of_column(value)
    gain = f"peak_gain_{unit}_day" if unit else "peak_gain_day"
    rows = []
    for key, group in readings.groupby(by, sort=False, observed=True):
        row: dict[str, object] = {by: key, "curve": curve_named(curve).name, "readings": len(group)}
        try:
            fit = fit_curve(group[day], group[value], curve=curve, level=level)
        except PatchstatsError as reason:
            rows.append({**row, "doubts": str(reason)})
            continue
        peak = fastest_gain(fit)
        for name, line in ((f"final_{value}", fit.estimates.loc["asymptote"]), ("peak_day", peak.loc["day"]),
                           (gain, peak.loc["gain"])):
            row |= {name: line["estimate"], **{f"{name}_{s}": line[s] for s in ("se", "low", "high")}}
        rows.append({**row, "readings": fit.readings, "residual_sd": fit.residual_sd, "doubts": " ".join(fit.doubts)})
    order = [by, "curve", "readings", *(f"{n}{s}" for n in (f"final_{value}", "peak_day", gain)
                                        for s in ("", "_se", "_low", "_high")), "residual_sd", "doubts"]
    return pd.DataFrame(rows, columns=order)


def compare_curves(day: ArrayLike, value: ArrayLike, *,
                   curves: Sequence[str] = ("logistic", "gompertz", "richards", "weibull")) -> pd.DataFrame:
    """Curves through the same readings, best first: ``parameters, rss, residual_sd, aicc, aicc_difference, doubts``.

    AICc counts the error variance as a parameter (Hurvich C.M. and Tsai C.-L. 1989, Biometrika 76:297-307); curves
    within about 2 of the best are not told apart. It is empty where readings are too few for it, and a curve that
    does not settle is left out.

    >>> day, mass = [10, 20, 30, 40, 50, 60, 70, 80], [18, 72, 166, 275, 374, 451, 504, 540]
    >>> compare_curves(day, mass, curves=["logistic", "gompertz"]).index.tolist()
    ['gompertz', 'logistic']
    """
    rows = {}
    for name in curves:
        try:
            fit = fit_curve(day, value, curve=name)
        except PatchstatsError:
            continue
        k, n = len(fit.estimates) + 1, fit.readings
        aicc = 2.0 * k - 2.0 * fit.log_likelihood + (2.0 * k * (k + 1) / (n - k - 1) if n > k + 1 else np.nan)
        rows[name] = {"parameters": k - 1, "rss": fit.rss, "residual_sd": fit.residual_sd, "aicc": aicc,
                      "doubts": " ".join(fit.doubts)}
    if not rows:
        raise PatchstatsError("None of these curves settles on the readings; there may be too few of them.")
    table = pd.DataFrame.from_dict(rows, orient="index").rename_axis("curve").sort_values("aicc", kind="stable")
    table.insert(4, "aicc_difference", table["aicc"] - table["aicc"].min())
    return table
