"""Growth paths: a smooth curve through each fruit's tapings, with bands, for every day between the first and the last.

The model is a local linear trend on log inches (Durbin and Koopman 2012, *Time Series Analysis by State Space
Methods*, 2nd ed., sections 3.2.1 and 5.2 for the exact diffuse start), smoothed by statsmodels:

    taped(t) = level(t) + tape error,   level(t+1) = level(t) + slope(t) + shock,   slope(t+1) = slope(t) + shock

Three things are made for tapes and fruit. The tape's error is so many centimetres, so it shrinks in log inches as the
fruit grows. The shocks fade with age, as growth itself does. And the four numbers that govern all this (how lively
level and slope are, how fast that fades, how much wider the tape scatters than it claims) are **shared by the club's
fruits**, learnt once by maximum likelihood from a sample of them: one log is too short to tell. A missed day is simply
a day without a taping; a day taped twice counts more; a taping that does not fit is flagged by its auxiliary residual
(Harvey and Koopman 1992, J. Bus. Econ. Stat. 10:377-389) and the path is drawn without it.

A path runs from the first taping used to the last and never past the day that a fruit was cut or lost. Nor does it run
across a fall that the tape cannot explain, as of a split that nobody wrote down: there the log is broken, as
:func:`patchstats.gains.left_out` lists, and the part with the most tapings has the path. Bands are for
the curve given the shared numbers and the weight table; the fruit's own heaviness to its chart is not in them. Between
tapings weeks apart on a young fruit neither path nor band is to be believed: a fruit that slows down late in such a gap
looks like one that grew early in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import minimize
from scipy.stats import norm

from patchstats.remarks import ModelError
from patchstats.tape import TABLES, TAPE_SE_CM, WeightTable, mass_from_tape, slope_kg_cm
from patchstats.tapings import SLIP_SE, settle

FEWEST = 4  # tapings for a path
MISFIT = 3.5  # auxiliary residuals beyond this are flagged: about one good taping in two thousand


@dataclass(frozen=True)
class PathSettings:
    """The shared numbers of the growth paths, in log inches a day.

    ``level_sd`` and ``slope_sd`` are the shocks on the day of pollination, fading as ``exp(-day / fade_days)``;
    ``tape_factor`` multiplies the claimed tape error; ``fruits`` is the size of the sample behind them.
    """

    level_sd: float = 0.02
    slope_sd: float = 0.01
    fade_days: float = 20.0
    tape_factor: float = 1.0
    fruits: int = 0

    def _markdown(self) -> str:
        return (f"Growth paths: level shocks {self.level_sd:.4f} and slope shocks {self.slope_sd:.4f} in log inches on "
                f"the day of pollination, fading over {self.fade_days:.0f} days; tape error {self.tape_factor:.2f} "
                f"times the claimed one; learnt from {self.fruits} fruits.")

    __repr__ = _markdown
    _repr_markdown_ = _markdown


def smooth_trend(y: np.ndarray, *, obs_var, level_var, slope_var=None) -> tuple[pd.DataFrame, float]:
    """Local linear trend (or local level, with ``slope_var=None``) by exact diffuse smoothing.

    ``y`` is a series with NaN where nothing was observed; the variances are numbers or arrays of its length, the last
    entry of a shock's unused. Returns a table with one row a step (``level``, ``level_se``, ``slope``, ``slope_se``,
    ``level_slope_cov``, ``residual``: the auxiliary residual, standard normal where the model holds) and the
    log-likelihood (exact diffuse, with ``n/2 log(2 pi)``).

    >>> path, _ = smooth_trend([1.0, 2.0, np.nan, 4.0], obs_var=1.0, level_var=0.0, slope_var=0.0)
    >>> path["level"].round(6).tolist(), path["slope"].round(6).tolist()
    ([1.0, 2.0, 3.0, 4.0], [1.0, 1.0, 1.0, 1.0])
    """
    y = np.asarray(y, float)
    model = build_trend(y, slope_var is not None)
    set_variances(model, obs_var, level_var, slope_var)
    out = model.smooth()
    cov = out.smoothed_state_cov
    table = pd.DataFrame({"level": out.smoothed_state[0], "level_se": np.sqrt(cov[0, 0])})
    if slope_var is not None:
        table["slope"], table["slope_se"] = out.smoothed_state[1], np.sqrt(np.maximum(cov[1, 1], 0.0))
        table["level_slope_cov"] = cov[0, 1]
    error = out.smoothed_measurement_disturbance[0]
    spread = model["obs_cov"][0, 0] - out.smoothed_measurement_disturbance_cov[0, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        residual = np.where(np.isfinite(y) & (spread > 1e-12 * model["obs_cov"][0, 0]), error / np.sqrt(spread), np.nan)
    table["residual"] = residual
    return table, float(out.llf_obs.sum())


def build_trend(y: np.ndarray, trend: bool):
    """A state-space model of statsmodels for one series: level alone, or level and slope, from a flat start."""
    from statsmodels.tsa.statespace.simulation_smoother import SimulationSmoother

    states = 2 if trend else 1
    model = SimulationSmoother(k_endog=1, k_states=states, k_posdef=states)
    model.bind(y)
    model["design"] = np.eye(1, states)
    model["transition"] = np.triu(np.ones((states, states)))
    model["selection"] = np.eye(states)
    model.initialize_diffuse()
    return model


def set_variances(model, obs_var, level_var, slope_var) -> None:
    """Sets the variances of tape, level and slope (numbers, or one for each step) in a model of :func:`build_trend`."""
    steps = model.nobs
    model["obs_cov"] = np.broadcast_to(np.asarray(obs_var, float), (1, 1, steps)).copy()
    shocks = np.zeros((model.k_states, model.k_states, steps))
    shocks[0, 0] = level_var
    if model.k_states == 2:
        shocks[1, 1] = slope_var
    model["state_cov"] = shocks


# ---------------------------------------------------------------------------------------------------
# One fruit


@dataclass(frozen=True)
class FruitLog:
    """One fruit's tapings on the grid of its days: log inches with gaps, the claimed error, the weight table."""

    fruit: str
    date: pd.Timestamp  # of the first taping
    day: np.ndarray
    y: np.ndarray
    se: np.ndarray  # in log inches; 1 where nothing was taped
    line: np.ndarray
    table: WeightTable


def fruit_logs(club, table, tape_se_cm, as_of) -> list[FruitLog]:
    """The log of each fruit with a weight table and at least :data:`FEWEST` usable tapings (:func:`growth_paths`)."""
    used = settle(club, table, tape_se_cm, as_of)
    used = used[used["used"].to_numpy(bool)]
    named = used.dropna(subset=["table"]).drop_duplicates("fruit").set_index("fruit")["table"]
    out = []
    fruit = used["fruit"].to_numpy()
    starts = np.flatnonzero(np.r_[True, fruit[1:] != fruit[:-1]]) if len(fruit) else np.array([], int)
    day, total = used["day"].to_numpy(float), used["over_the_top_cm"].to_numpy(float)
    se, line, date = used["over_the_top_cm_se"].to_numpy(float), used["line"].to_numpy(float), used["date"]
    for first, last in zip(starts, np.r_[starts[1:], len(fruit)], strict=True):
        start, stop = _unbroken(total, se, first, last)
        if stop - start < FEWEST or fruit[start] not in named.index:
            continue
        grid = np.arange(day[start], day[stop - 1] + 1.0)
        place = (day[start:stop] - day[start]).astype(int)
        y, error, lines = np.full(len(grid), np.nan), np.ones(len(grid)), np.full(len(grid), np.nan)
        y[place], error[place] = np.log(total[start:stop]), se[start:stop] / total[start:stop]
        lines[place] = line[start:stop]
        name = named[fruit[start]]
        held = table if isinstance(table, WeightTable) else TABLES[name]
        out.append(FruitLog(fruit[start], date.iloc[start], grid, y, error, lines, held))
    return out


def _unbroken(total_cm: np.ndarray, se_cm: np.ndarray, first: int, last: int) -> tuple[int, int]:
    """The run of most tapings of one fruit between falls that the tape cannot explain; the earlier of equals."""
    size, error = total_cm[first:last], se_cm[first:last]
    falls = np.flatnonzero(np.diff(size) < -SLIP_SE * np.hypot(error[1:], error[:-1])) + 1
    ends = np.r_[0, falls, len(size)]
    best = int(np.diff(ends).argmax())
    return first + int(ends[best]), first + int(ends[best + 1])


def variances_of(log: FruitLog, settings: PathSettings) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Variances of the tape, and of the shocks to level and slope, on each day of a log, by the shared numbers."""
    fade = np.exp(-log.day / settings.fade_days)
    return ((settings.tape_factor * log.se) ** 2, (settings.level_sd * fade) ** 2, (settings.slope_sd * fade) ** 2)


def learn_path_settings(club, *, table: WeightTable | str | None = None, tape_se_cm: float | pd.Series = TAPE_SE_CM,
                        as_of=None, sample: int = 40, seed: int = 0) -> PathSettings:
    """The shared numbers of the club's growth paths, by maximum likelihood from a sample of its fruits.

    ``sample`` fruits are drawn by lot (``seed``) among those with at least 8 tapings; the others are as in
    :func:`patchstats.tapings.tapings`. Raises :class:`ModelError` when no fruit has that many.

    >>> from patchstats.tables import conform
    >>> day = np.arange(20, 60, 4)
    >>> fruits = conform("fruits", pd.DataFrame({"fruit": ["Ana/2021/A"], "season": 2021, "set_date": "2021-07-01"}))
    >>> readings = conform("readings", pd.DataFrame({
    ...     "fruit": "Ana/2021/A", "date": pd.Timestamp("2021-07-01") + pd.to_timedelta(day, unit="D"),
    ...     "over_the_top_cm": 1000.0 * np.exp(-2.0073 * np.exp(-0.050966 * day))}))
    >>> learn_path_settings({"fruits": fruits, "readings": readings}).fruits
    1
    """
    logs = [log for log in fruit_logs(club, table, tape_se_cm, as_of) if np.isfinite(log.y).sum() >= 8]
    return _learn(logs, sample, seed)


def _learn(logs: list[FruitLog], sample: int, seed: int) -> PathSettings:
    if not logs:
        raise ModelError("No fruit has the 8 tapings that it takes to learn how growth paths bend.")
    rng = np.random.default_rng(seed)
    chosen = [logs[i] for i in sorted(rng.choice(len(logs), size=min(sample, len(logs)), replace=False))]
    models = [build_trend(log.y, True) for log in chosen]

    def settings_at(theta):
        level, slope, fade, tape = np.exp(np.clip(theta, -15.0, 8.0))
        return PathSettings(float(level), float(slope), float(fade), float(tape), len(chosen))

    def deviance(theta):
        settings = settings_at(theta)
        total = 0.0
        for log, model in zip(chosen, models, strict=True):
            set_variances(model, *variances_of(log, settings))
            total -= model.loglike()
        return total if np.isfinite(total) else 1e12

    start = np.log([0.02, 0.01, 20.0, 1.0])
    best = minimize(deviance, start, method="Nelder-Mead",
                    options={"maxfev": 400, "xatol": 0.02, "fatol": 0.05, "initial_simplex": _simplex(start)})
    return settings_at(best.x)


def _simplex(start: np.ndarray) -> np.ndarray:
    return np.vstack([start, start + 0.7 * np.eye(len(start))])


def fit_log(log: FruitLog, settings: PathSettings) -> tuple[pd.DataFrame, np.ndarray]:
    """Smooths one log, leaving out one by one the tapings that do not fit; returns the path and who was left out."""
    y, out = log.y.copy(), np.full(len(log.y), np.nan)
    obs, level, slope = variances_of(log, settings)
    for _ in range(max(int(np.isfinite(y).sum()) // 8, 1) + 1):
        path, _llf = smooth_trend(y, obs_var=obs, level_var=level, slope_var=slope)
        size = np.abs(np.nan_to_num(path["residual"].to_numpy()))
        worst = int(size.argmax())
        if size[worst] <= MISFIT or np.isfinite(y).sum() <= FEWEST:
            break
        out[worst] = path["residual"].iloc[worst]
        y[worst] = np.nan
    return path, out


def gain_factor(log_cm: np.ndarray, table: WeightTable) -> np.ndarray:
    """Kilograms gained per unit of log inches at a size: the slope of the table times the size.

    >>> gain_factor(np.log([762.0]), TABLES["pumpkin 2017-21"]).round(0).tolist()
    [844.0]
    """
    total = np.exp(log_cm)
    return slope_kg_cm(total, table=table) * total


def _tell(log: FruitLog, settings: PathSettings, level: float) -> pd.DataFrame:
    path, misfit = fit_log(log, settings)
    z = norm.ppf(0.5 + level / 2.0)
    x, se, b = (path[c].to_numpy() for c in ("level", "level_se", "slope"))
    half = x + 0.5 * b  # the slope leads from this day to the next: the table is read half-way
    factor = gain_factor(half, log.table)
    step = 1e-4
    bend = (gain_factor(half + step, log.table) - gain_factor(half - step, log.table)) / (2.0 * step)
    by_level, by_slope = bend * b, factor + 0.5 * bend * b
    gain_se = np.sqrt(np.maximum((by_slope * path["slope_se"]) ** 2 + (by_level * se) ** 2
                                 + 2.0 * by_slope * by_level * path["level_slope_cov"], 0.0))

    def mass(log_cm):
        return mass_from_tape(np.exp(log_cm), table=log.table)["mass_kg"].to_numpy()

    gain = factor * b
    return pd.DataFrame({
        "fruit": log.fruit, "date": log.date + pd.to_timedelta(log.day - log.day[0], unit="D"), "day": log.day,
        "over_the_top_cm": np.exp(x), "over_the_top_cm_se": np.exp(x) * se,
        "over_the_top_cm_low": np.exp(x - z * se), "over_the_top_cm_high": np.exp(x + z * se),
        "mass_kg": mass(x), "mass_kg_se": gain_factor(x, log.table) * se, "mass_kg_low": mass(x - z * se),
        "mass_kg_high": mass(x + z * se), "gain_kg_day": gain, "gain_kg_day_se": gain_se,
        "gain_kg_day_low": gain - z * gain_se, "gain_kg_day_high": gain + z * gain_se,
        "taped": np.isfinite(log.y), "fits": np.isnan(misfit), "taped_cm": np.exp(log.y), "residual": misfit})


# ---------------------------------------------------------------------------------------------------
# The club's fruits


def growth_paths(club, *, settings: PathSettings | None = None, table: WeightTable | str | None = None,
                 tape_se_cm: float | pd.Series = TAPE_SE_CM, level: float = 0.9, as_of=None, jobs: int = 1,
                 seed: int = 0) -> pd.DataFrame:
    """The smoothed size, weight and daily gain of every fruit on every day between its first and last taping.

    ``settings`` are the shared numbers; None learns them (:func:`learn_path_settings`, ``seed``), or takes the defaults
    where fewer than five fruits have 8 tapings. ``jobs`` is the number of processes. Fruits with fewer than
    :data:`FEWEST` usable tapings have no path.

    Columns: fruit, date, day; over_the_top_cm, mass_kg and gain_kg_day (of the 24 hours from that day's taping to the
    next day's), each with se, low and high at ``level``; taped
    (a taping stands on that day), taped_cm, fits (False for a taping that the path was drawn without) and residual, by
    how many standard errors it stands off. Weight and gain are missing where the size lies outside the weight table.

    >>> from patchstats.tables import conform
    >>> day = np.arange(20, 60, 4)
    >>> fruits = conform("fruits", pd.DataFrame({"fruit": ["Ana/2021/A"], "season": 2021, "set_date": "2021-07-01"}))
    >>> readings = conform("readings", pd.DataFrame({
    ...     "fruit": "Ana/2021/A", "date": pd.Timestamp("2021-07-01") + pd.to_timedelta(day, unit="D"),
    ...     "over_the_top_cm": 1000.0 * np.exp(-2.0073 * np.exp(-0.050966 * day))}))
    >>> path = growth_paths({"fruits": fruits, "readings": readings}, settings=PathSettings())
    >>> path.loc[path["day"] == 38, ["over_the_top_cm", "gain_kg_day"]].round(0).values.tolist()
    [[749.0, 12.0]]
    """
    logs = fruit_logs(club, table, tape_se_cm, as_of)
    if not logs:
        return pd.DataFrame(columns=list(_tell_columns()))
    made = settings or settings_for(logs, seed)
    frames = each_fruit(_tell, [(log, made, level) for log in logs], jobs)
    return pd.concat(frames, ignore_index=True)


def _tell_columns() -> tuple[str, ...]:
    banded = [f"{q}{s}" for q in ("over_the_top_cm", "mass_kg", "gain_kg_day") for s in ("", "_se", "_low", "_high")]
    return ("fruit", "date", "day", *banded, "taped", "fits", "taped_cm", "residual")


def settings_for(logs: list[FruitLog], seed: int) -> PathSettings:
    """The shared numbers learnt from logs of 8 tapings or more; the defaults where fewer than five have those."""
    long = [log for log in logs if np.isfinite(log.y).sum() >= 8]
    return _learn(long, 40, seed) if len(long) >= 5 else PathSettings()


def each_fruit(work, arguments: list[tuple], jobs: int) -> list:
    """``work`` done for each tuple of arguments, in order, by ``jobs`` processes where there are many."""
    if jobs == 1 or len(arguments) < 50:
        return [work(*a) for a in arguments]
    from joblib import Parallel, delayed

    return Parallel(n_jobs=jobs, batch_size=32)(delayed(work)(*a) for a in arguments)
