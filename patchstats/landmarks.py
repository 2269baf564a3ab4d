"""Landmarks of a fruit's growth: the fastest days, the inches at 40 and 60 days, the gain in any window.

A landmark is no straight-line function of the path (the day of a maximum, a ratio), so its interval comes from many
paths drawn from what the tapings leave possible, each read off in full.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy.linalg import cho_solve, cholesky, solve_triangular

from patchstats.growthpath import (
    FruitLog,
    PathSettings,
    each_fruit,
    fit_log,
    fruit_logs,
    settings_for,
    variances_of,
)
from patchstats.remarks import PatchstatsError
from patchstats.tape import TAPE_SE_CM, WeightTable, mass_from_tape

# Growers hold a fruit's inches at 40 and 60 days against these (Holland, N.E.P.G.A. Newsletter, June 1993: one
# grower's best fruit of 1990-91, with the warning that it need not hold elsewhere).
HOLLAND_PERCENT = {40: 77.0, 60: 91.0}
_BEST_DAYS = 5  # a single best day is mostly tape; five running days are the growers' own smoothing


def path_landmarks(club, *, settings: PathSettings | None = None, table: WeightTable | str | None = None,
                   tape_se_cm: float | pd.Series = TAPE_SE_CM, level: float = 0.9, as_of=None, jobs: int = 1,
                   draws: int = 200, seed: int = 0) -> pd.DataFrame:
    """Where each fruit's path has its landmarks, one row a fruit.

    Fruits whose log spans five days or fewer have none. Columns, each quantity with se, low and high at ``level`` from
    ``draws`` paths drawn from what the tapings leave possible (Durbin and Koopman 2002, Biometrika 89:603-615;
    mirrored about the middle path), their median being the estimate: ``peak_days``, days from set to the middle of the
    best five days running; ``peak_gain_kg_day``, the mean gain in them; ``at_40_percent`` and ``at_60_percent``, inches
    at 40 and 60 days in percent of the last taping's, to hold against 77 and 91 (:data:`HOLLAND_PERCENT`; they speak of
    the last taping, so only a log that reaches the harvest can be held against them). ``first_day`` and ``last_day``
    bound the log; ``note`` says when a peak may lie outside it.

    >>> from patchstats.tables import conform
    >>> day = np.arange(20, 60, 4)
    >>> fruits = conform("fruits", pd.DataFrame({"fruit": ["Ana/2021/A"], "season": 2021, "set_date": "2021-07-01"}))
    >>> readings = conform("readings", pd.DataFrame({
    ...     "fruit": "Ana/2021/A", "date": pd.Timestamp("2021-07-01") + pd.to_timedelta(day, unit="D"),
    ...     "over_the_top_cm": 1000.0 * np.exp(-2.0073 * np.exp(-0.050966 * day))}))
    >>> path_landmarks({"fruits": fruits, "readings": readings}, settings=PathSettings())["peak_days"].round(0).tolist()
    [36.0]
    """
    logs, made = _prepared(club, settings, table, tape_se_cm, as_of, seed)
    rows = each_fruit(_landmarks, [(log, made, level, draws, seed + i) for i, log in enumerate(logs)], jobs)
    return pd.DataFrame(rows)


def window_gains(club, windows: Sequence[tuple[float, float]], *, settings: PathSettings | None = None,
                 table: WeightTable | str | None = None, tape_se_cm: float | pd.Series = TAPE_SE_CM,
                 level: float = 0.9, as_of=None, jobs: int = 1, draws: int = 200, seed: int = 0) -> pd.DataFrame:
    """Weight gained between days after pollination, for each fruit and each ``(from_day, to_day)`` of ``windows``.

    One row a fruit and window that its path covers. Columns: fruit, from_day, to_day, gained_kg with se, low and high
    at ``level`` (as in :func:`path_landmarks`), gain_kg_day: the mean of a day.

    >>> from patchstats.tables import conform
    >>> day = np.arange(20, 60, 4)
    >>> fruits = conform("fruits", pd.DataFrame({"fruit": ["Ana/2021/A"], "season": 2021, "set_date": "2021-07-01"}))
    >>> readings = conform("readings", pd.DataFrame({
    ...     "fruit": "Ana/2021/A", "date": pd.Timestamp("2021-07-01") + pd.to_timedelta(day, unit="D"),
    ...     "over_the_top_cm": 1000.0 * np.exp(-2.0073 * np.exp(-0.050966 * day))}))
    >>> window_gains({"fruits": fruits, "readings": readings}, [(30, 50)],
    ...              settings=PathSettings())["gain_kg_day"].round(0).tolist()
    [11.0]
    """
    for window in windows:
        if not window[0] < window[1]:
            raise PatchstatsError(f"A window must end after it begins; it was {window}.")
    logs, made = _prepared(club, settings, table, tape_se_cm, as_of, seed)
    work = [(log, made, tuple(windows), level, draws, seed + i) for i, log in enumerate(logs)]
    rows = each_fruit(_windows, work, jobs)
    columns = ["fruit", "from_day", "to_day", "gained_kg", "gained_kg_se", "gained_kg_low", "gained_kg_high",
               "gain_kg_day"]
    return pd.DataFrame([r for some in rows for r in some], columns=columns)


def _prepared(club, settings, table, tape_se_cm, as_of, seed):
    logs = [log for log in fruit_logs(club, table, tape_se_cm, as_of) if len(log.day) > _BEST_DAYS]
    return logs, (settings or settings_for(logs, seed)) if logs else None


def _draw(log: FruitLog, settings: PathSettings, draws: int, seed: int) -> np.ndarray:
    """Drawn log inches (draw, day) of a path, with the tapings that do not fit left out.

    A path is a straight line in its start and its standard normal shocks, ``A theta``, with the start left free. Given
    the tapings, theta is normal with precision ``P = diag(0, 0, 1, ..., 1) + A' A / tape variance``: a draw is its mean
    plus ``chol(P)'^-1`` times white noise. The same law as simulation smoothing (Durbin and Koopman 2002, Biometrika
    89:603-615), in one factorisation a fruit instead of one pass a draw.
    """
    _, misfit = fit_log(log, settings)
    tape, level, slope = variances_of(log, settings)
    steps = len(log.day)
    later = np.arange(steps)[:, None] - np.arange(steps - 1)[None, :]  # days from a shock to a day
    path = np.hstack([np.ones((steps, 1)), np.arange(steps)[:, None], (later > 0) * np.sqrt(level[:-1]),
                      np.maximum(later - 1, 0) * np.sqrt(slope[:-1])])
    seen = np.isfinite(log.y) & np.isnan(misfit)
    weighed = path[seen] / tape[seen, None]
    precision = path[seen].T @ weighed
    precision[np.arange(2, len(precision)), np.arange(2, len(precision))] += 1.0
    factor = cholesky(precision, lower=True)
    mean = cho_solve((factor, True), weighed.T @ log.y[seen])
    noise = np.random.default_rng(seed).standard_normal((len(precision), (draws + 1) // 2))
    noise = np.hstack([noise, -noise])  # mirrored, so that the middle of the draws is the middle path
    return (path @ (mean[:, None] + solve_triangular(factor, noise, lower=True, trans="T"))).T


def _summary(name: str, drawn: np.ndarray, level: float) -> dict[str, float]:
    good = drawn[np.isfinite(drawn)]
    if len(good) < 2:
        return dict.fromkeys([name, f"{name}_se", f"{name}_low", f"{name}_high"], np.nan)
    low, middle, high = np.quantile(good, [0.5 - level / 2.0, 0.5, 0.5 + level / 2.0])
    return {name: float(middle), f"{name}_se": float(good.std(ddof=1)), f"{name}_low": float(low),
            f"{name}_high": float(high)}


def _mass(log_cm: np.ndarray, table: WeightTable) -> np.ndarray:
    return mass_from_tape(np.exp(log_cm).ravel(), table=table)["mass_kg"].to_numpy().reshape(log_cm.shape)


def _landmarks(log: FruitLog, settings: PathSettings, level: float, draws: int, seed: int) -> dict:
    drawn = _draw(log, settings, draws, seed)
    mass = _mass(drawn, log.table)
    gains = (mass[:, _BEST_DAYS:] - mass[:, :-_BEST_DAYS]) / _BEST_DAYS
    days = log.day[:-_BEST_DAYS] + 0.5 * _BEST_DAYS
    known = np.isfinite(gains).any(axis=1)
    row: dict = {"fruit": log.fruit, "first_day": log.day[0], "last_day": log.day[-1]}
    peak, best = np.full(len(drawn), np.nan), np.full(len(drawn), np.nan)
    peak[known] = days[np.nanargmax(gains[known], axis=1)]
    best[known] = np.nanmax(gains[known], axis=1)
    row |= _summary("peak_days", peak, level) | _summary("peak_gain_kg_day", best, level)
    for at in HOLLAND_PERCENT:
        place = at - log.day[0]
        inside = 0 <= place < len(log.day) - 1
        shares = np.full(len(drawn), np.nan)
        if inside:
            shares = 100.0 * np.exp(drawn[:, int(place)] - drawn[:, -1])
        row |= _summary(f"at_{at}_percent", shares, level)
    usable = days[np.isfinite(gains).any(axis=0)]
    at_end = not known.any() or not usable[0] < row["peak_days_low"] <= row["peak_days_high"] < usable[-1]
    row["note"] = "the fastest gain may lie outside the log" if at_end else ""
    return row


def _windows(log: FruitLog, settings: PathSettings, windows, level: float, draws: int, seed: int) -> list[dict]:
    covered = [w for w in windows if log.day[0] <= w[0] and w[1] <= log.day[-1]]
    if not covered:
        return []
    drawn = _draw(log, settings, draws, seed)
    rows = []
    for begin, end in covered:
        ends = [int(round(d - log.day[0])) for d in (begin, end)]
        both = drawn[:, ends]
        mass = _mass(both, log.table)
        gained = mass[:, 1] - mass[:, 0]
        row = {"fruit": log.fruit, "from_day": begin, "to_day": end}
        row |= _summary("gained_kg", gained, level)
        rows.append(row | {"gain_kg_day": row["gained_kg"] / (end - begin)})
    return rows
