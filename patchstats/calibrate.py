"""Calibrate: the tape held against the scale.

The published table says what a fruit of so many inches weighs on the average; a fruit is heavy or light to that
chart by its walls, cavity and shape. What is seen here are fruits that reached the scale: lost fruits never do, and
prize lists hold the heavy ones (at 450 in and more, entries went 3 % heavy on the average while all entries together
went to chart: Giant Pumpkins, R4DS TidyTuesday 2021-10-19, class P, 2017-21).

:func:`calibrate` asks how much of that heaviness belongs to the seed line and to the grower, by a mixed model of
ln(scale / table) on size. The published parts are small (of the logarithm: seed parent SD 0.031, grower 0.039, all
else 0.08; same source, one-way and confounded with each other), so a line with a few entries says little: its shift is
shrunken towards the club, and its interval counts that nobody knows the parts exactly. The shift is averaged over what
the two spreads may be, in proportion to their restricted likelihood (spreads taken as equally likely beforehand: Gelman
2006, Bayesian Analysis 1:515-534). A fit at the one best value, often zero in a small club, would claim far too much.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from scipy.stats import norm, t

from patchstats.lmm import MixedFit, fit_mixed
from patchstats.remarks import ModelError, PatchstatsError
from patchstats.tables import LOSSES, table_of
from patchstats.tape import (
    TABLES,
    TAPE_SE_CM,
    WeightTable,
    mass_from_tape,
    percent_to_chart,
    slope_kg_cm,
    table_for,
    table_named,
)
from patchstats.units import cm_to_inches

WEIGHED = ("fruit", "grower", "season", "seed", "kind", "date", "status", "over_the_top_cm", "scale_kg", "table_kg",
           "to_chart_percent", "table")


def weighed(club, *, table: WeightTable | str | None = None) -> pd.DataFrame:
    """Every entry with the weight that its tape would have told: one row a weighing, by season and fruit.

    ``club`` is an opened club or a dict of tables. ``table`` None takes the table of each season and class (a fruit
    without a class counts as a pumpkin). Adds ``table_kg``, empty where there was no tape at the weigh-off or it lies
    outside the table, and ``to_chart_percent`` = 100 * (scale / table - 1), heavy to chart above zero.

    >>> from patchstats.tables import conform
    >>> fruits = conform("fruits", pd.DataFrame({"fruit": ["Ana/2021/A"], "season": 2021}))
    >>> scale = conform("weighings", pd.DataFrame({"fruit": ["Ana/2021/A"], "date": "2021-10-02", "scale_kg": 300.0,
    ...                                            "over_the_top_cm": 762.0}))
    >>> weighed({"fruits": fruits, "weighings": scale})[["table_kg", "to_chart_percent"]].round(1).values.tolist()
    [[282.7, 6.1]]
    """
    fruits = table_of(club, "fruits")[["fruit", "grower", "season", "seed", "kind"]]
    rows = table_of(club, "weighings")[["fruit", "date", "status", "over_the_top_cm", "scale_kg"]].merge(
        fruits, on="fruit", how="left")
    kind = rows["kind"].fillna("pumpkin")
    rows["table_kg"], rows["table"] = np.nan, None
    for (season, of_kind), group in rows.groupby(["season", kind]):
        try:
            chosen = table_for(int(season), str(of_kind)) if table is None else table_named(table)
        except PatchstatsError:
            if table is not None:
                raise
            continue  # a class that has no table, or a season whose table is not held
        rows.loc[group.index, "table_kg"] = mass_from_tape(group["over_the_top_cm"], table=chosen)["mass_kg"]
        rows.loc[group.index, "table"] = chosen.name
    rows["to_chart_percent"] = percent_to_chart(rows["scale_kg"], rows["table_kg"])
    return rows.sort_values(["season", "fruit"], kind="stable")[list(WEIGHED)].reset_index(drop=True)


# ---------------------------------------------------------------------------------------------------
# The club's own calibration

FEWEST_ENTRIES = 20  # below that the two spreads cannot be told from the scatter of single fruit
_REFERENCE_CM = 889.0  # 350 in: sizes and scatter are stated relative to it, which changes no answer
_NODES = 9
SELECTION = ("Only fruits that reached the scale are seen: lost, cut and unweighed fruits are missing, and a club that "
             "hands in prize winners only will find itself heavy.")


@dataclass(frozen=True, eq=False, repr=False)
class Calibration:
    """The club's own reading of the published table.

    ``overall``: how heavy the club goes to chart at 350 in, and how that changes with ten percent more inches.
    ``seeds`` and ``growers``: percent to chart of each at 350 in, shrunken towards the club's, with its interval (seed
    lines as grown by a typical grower, growers with a typical line); entries; and the raw mean of its entries.
    ``spreads``: the parts of the scatter. ``selection``: who is not on the scale.
    ``rows``: the entries used, ``left_out`` those that were not, counted by reason.
    """

    fit: MixedFit
    rows: pd.DataFrame
    overall: pd.DataFrame
    seeds: pd.DataFrame
    growers: pd.DataFrame
    spreads: pd.DataFrame
    selection: pd.DataFrame
    left_out: pd.DataFrame
    level: float
    nodes: tuple[tuple[float, MixedFit], ...] = field(repr=False, default=())
    caveat: str = SELECTION

    def _markdown(self) -> str:
        club = self.overall.loc["the club at 350 in"]
        return "\n\n".join([
            f"**Calibration of the tape** from {len(self.rows)} entries, {len(self.seeds)} seed lines and "
            f"{len(self.growers)} growers. At 350 in the club goes {club['to_chart_percent']:+.1f} % to chart "
            f"({self.level:.0%} interval {club['to_chart_percent_low']:+.1f} to {club['to_chart_percent_high']:+.1f}).",
            _pipes(self.spreads.round(1)), self.caveat])

    def __repr__(self) -> str:
        return self._markdown()

    def _repr_markdown_(self) -> str:
        return self._markdown()


def _pipes(table: pd.DataFrame) -> str:
    """A small table as markdown."""
    head = [str(table.index.name or ""), *map(str, table.columns)]
    rows = [[str(i), *map(str, row)] for i, row in zip(table.index, table.to_numpy().tolist(), strict=True)]
    return "\n".join("| " + " | ".join(r) + " |" for r in [head, ["---"] * len(head), *rows])


def calibrate(club, *, table: WeightTable | str | None = None, level: float = 0.9) -> Calibration:
    """How heavy to chart the club, its seed lines and its growers go.

    ``club`` and ``table`` as in :func:`weighed`. Official and exhibition entries of known total, scale weight and
    grower are used; damaged ones are not. A fruit whose seed is not written down stands for a line of its own. Raises
    :class:`ModelError` with fewer than 20 entries.

    >>> from patchstats.tables import conform
    >>> rng = np.random.default_rng(1)
    >>> size, place = rng.uniform(600.0, 1100.0, 60), np.arange(60)
    >>> told = mass_from_tape(size)["mass_kg"].to_numpy()
    >>> names = [f"Member {i % 12}/2021/{i}" for i in place]
    >>> fruits = conform("fruits", pd.DataFrame({"fruit": names, "grower": [n.split("/")[0] for n in names],
    ...                                          "season": 2021, "seed": [f"1500 Quell {i % 8}" for i in place]}))
    >>> scale = conform("weighings", pd.DataFrame({"fruit": names, "date": "2021-10-02", "over_the_top_cm": size,
    ...                                            "scale_kg": 1.05 * told * np.exp(rng.normal(0.0, 0.08, 60))}))
    >>> found = calibrate({"fruits": fruits, "weighings": scale})
    >>> club = found.overall.loc["the club at 350 in"]
    >>> bool(club["to_chart_percent_low"] < 5.0 < club["to_chart_percent_high"])
    True
    """
    entries = weighed(club, table=table)
    reasons = np.select(
        [entries["status"].eq("damaged"), entries["scale_kg"].isna(), entries["table_kg"].isna(),
         entries["grower"].isna()],
        ["damaged", "no scale weight", "no total, or outside the table", "its fruit is not in the logs"], default="")
    rows = entries[reasons == ""].reset_index(drop=True)
    if len(rows) < FEWEST_ENTRIES:
        raise ModelError(f"A calibration takes at least {FEWEST_ENTRIES} entries with both tape and scale; "
                         f"there are {len(rows)}.")
    rows = _model_columns(rows, table)
    where = " + (1 | weigh_off)" if rows["weigh_off"].nunique() >= 5 else ""
    fit = fit_mixed(f"log_ratio ~ log_size + (1 | seed_line) + (1 | grower){where}", rows, weights="weight",
                    level=level)
    nodes = _nodes(fit)
    known = rows["seed"].notna()
    return Calibration(
        fit=fit, rows=rows, overall=_overall(fit, nodes, level),
        seeds=_by_group(fit, nodes, "seed_line", rows[known], "seed", level),
        growers=_by_group(fit, nodes, "grower", rows, "grower", level), spreads=_spreads(fit, nodes, level),
        selection=_selection(club, entries), level=level, nodes=nodes,
        left_out=pd.Series(reasons[reasons != ""], dtype=object).value_counts().rename_axis("reason").rename(
            "entries").to_frame())


def _model_columns(rows: pd.DataFrame, table: WeightTable | str | None) -> pd.DataFrame:
    size = rows["over_the_top_cm"].to_numpy(float)
    held = TABLES if table is None else {table_named(table).name: table_named(table)}
    return rows.assign(
        log_ratio=np.log(rows["scale_kg"] / rows["table_kg"]), log_size=np.log(size / _REFERENCE_CM),
        # Small fruit scatter more about the table; the published scatter by size says by how much.
        weight=[(_scatter(TABLES["pumpkin 2017-21"], _REFERENCE_CM) / _scatter(held[name], s)) ** 2
                for name, s in zip(rows["table"], size, strict=True)],
        seed_line=rows["seed"].where(rows["seed"].notna(), "not named: " + rows["fruit"]),
        weigh_off=rows["date"].dt.strftime("%Y-%m-%d"))


def _scatter(table: WeightTable, size_cm: float) -> float:
    return float(table.scatter_percent(cm_to_inches(size_cm)))


def _nodes(fit: MixedFit) -> tuple[tuple[float, MixedFit], ...]:
    """The fit at a grid of spreads of seed line and grower (the other parts as fitted), with weights that sum to 1."""
    problem, best = fit.problem, fit.optimum
    terms = [fit.terms_of(group)[0] for group in ("seed_line", "grower")]
    places = [int(problem.offsets[number]) for number in terms]
    # up to 1.2 times a single fruit's spread, in the engine's units
    grids = [np.linspace(0.0, max(1.2 / fit.terms[number].transform[0, 0], 2.5 * abs(best.theta[place])), _NODES)
             for number, place in zip(terms, places, strict=True)]
    made = []
    for first in grids[0]:
        for second in grids[1]:
            theta = best.theta.copy()
            theta[places] = first, second
            point = problem.evaluate(theta, gradient=False)
            made.append((point.value, replace(fit, optimum=replace(best, theta=theta, point=point))))
    values = np.array([value for value, _ in made])
    weights = np.exp(-0.5 * (values - values.min()))
    # Trapezes: the ends of the grid stand for half as much.
    ends = np.ones(_NODES)
    ends[[0, -1]] = 0.5
    weights *= np.outer(ends, ends).ravel()
    weights /= weights.sum()
    return tuple((float(w), f) for w, (_, f) in zip(weights, made, strict=True) if w > 1e-4)


def _average(weights: np.ndarray, means: np.ndarray, ses: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean and standard error over the nodes: the mean variance plus the variance of the means."""
    weights = weights / weights.sum()
    mean = weights @ means
    return mean, np.sqrt(weights @ (ses**2 + (means - mean) ** 2))


def _percent(log_ratio, se, level: float, df: float, index) -> pd.DataFrame:
    z = t.ppf(0.5 + level / 2.0, df)
    middle = 100.0 * np.expm1(log_ratio)
    return pd.DataFrame({
        "to_chart_percent": middle, "to_chart_percent_se": (100.0 + middle) * se,
        "to_chart_percent_low": 100.0 * np.expm1(log_ratio - z * se),
        "to_chart_percent_high": 100.0 * np.expm1(log_ratio + z * se)}, index=index)


def _df(fit: MixedFit) -> float:
    """Degrees of freedom for the club's own heaviness (Satterthwaite), taken for its lines and growers as well."""
    return float(max(fit.coef["df"].iloc[0], 3.0))


def _overall(fit: MixedFit, nodes, level: float) -> pd.DataFrame:
    names = ["the club at 350 in", "ten percent more inches"]
    scale = np.array([1.0, np.log(1.1)])
    weights = np.array([w for w, _ in nodes])
    means = np.array([f.fixed.to_numpy() for _, f in nodes]) * scale
    ses = np.array([np.sqrt(np.diag(f.fixed_covariance)) for _, f in nodes]) * scale
    return _percent(*_average(weights, means, ses), level, _df(fit), names)


def _by_group(fit: MixedFit, nodes, group: str, rows: pd.DataFrame, column: str, level: float) -> pd.DataFrame:
    weights = np.array([w for w, _ in nodes])
    labels = pd.Index(rows[column].unique(), name=column)
    new = pd.DataFrame({"log_size": 0.0, group: labels})
    tables = [f.predict(new, include=(group,)) for _, f in nodes]
    mean, se = _average(weights, np.array([x["estimate"] for x in tables]), np.array([x["se"] for x in tables]))
    out = _percent(mean, se, level, _df(fit), labels)
    raw = rows.groupby(column)["to_chart_percent"].agg(entries="size", to_chart_percent_mean="mean")
    out = raw.join(out, how="inner")
    return out.sort_values("to_chart_percent", ascending=False, kind="stable")


def _spreads(fit: MixedFit, nodes, level: float) -> pd.DataFrame:
    """Spread of each part in percent: seed line and grower averaged over the nodes, the others as fitted."""
    weights = np.array([w for w, _ in nodes]) / sum(w for w, _ in nodes)
    rows = {}
    for name, group in (("seed line", "seed_line"), ("grower", "grower")):
        number = fit.terms_of(group)[0]
        sd = np.array([100.0 * abs(f.theta[number][0, 0]) * f.sigma for _, f in nodes])
        order = np.argsort(sd)
        low, high = np.interp([0.5 - level / 2.0, 0.5 + level / 2.0], np.cumsum(weights[order]), sd[order])
        rows[name] = (weights @ sd, low, high)
    fitted = 100.0 * fit.variances.reset_index().set_index("group")[["sd", "low", "high"]]
    for name, group in (("weigh-off", "weigh_off"), ("single fruit at 350 in", "residual")):
        if group in fitted.index:
            rows[name] = tuple(fitted.loc[group])
    return pd.DataFrame.from_dict(rows, orient="index", columns=["sd_percent", "sd_percent_low", "sd_percent_high"]
                                  ).rename_axis("part")


def _selection(club, entries: pd.DataFrame) -> pd.DataFrame:
    """How many fruits of the logs came to the scale, and how the ten heaviest compare with the rest."""
    fruits = table_of(club, "fruits")
    seen = fruits["fruit"].isin(entries["fruit"])
    lost = fruits["end_reason"].isin(LOSSES) & ~seen
    whole = entries[entries["status"].ne("damaged")].dropna(subset=["to_chart_percent"])
    top = whole.nlargest(10, "scale_kg")
    return pd.DataFrame({
        "fruits": [int(seen.sum()), int(entries["status"].eq("damaged").sum()), int(lost.sum()),
                   int((~seen & ~lost).sum()), len(top)],
        "to_chart_percent_mean": [whole["to_chart_percent"].mean(), np.nan, np.nan, np.nan,
                                  top["to_chart_percent"].mean()],
    }, index=pd.Index(["on the scale", "of these damaged", "lost before", "cut or not weighed", "the ten heaviest"],
                      name="which"))


def scale_weight(calibration: Calibration, fruits: pd.DataFrame, *, table: WeightTable | str = "pumpkin 2017-21",
                 tape_se_cm: float = TAPE_SE_CM, level: float | None = None) -> pd.DataFrame:
    """What the scale will say of taped fruits, by the table and the club's calibration.

    ``fruits`` has ``over_the_top_cm`` and, where known, ``seed`` and ``grower``; a line or grower never met counts as a
    typical one, with its spread in the interval. Columns: over_the_top_cm, table_kg, mass_kg (the median), mass_kg_low
    and mass_kg_high at ``level``, to_chart_percent. Nobody should plan a lift on these numbers.

    >>> from patchstats.tables import conform
    >>> rng = np.random.default_rng(1)
    >>> size, place = rng.uniform(600.0, 1100.0, 60), np.arange(60)
    >>> told = mass_from_tape(size)["mass_kg"].to_numpy()
    >>> names = [f"Member {i % 12}/2021/{i}" for i in place]
    >>> fruits = conform("fruits", pd.DataFrame({"fruit": names, "grower": [n.split("/")[0] for n in names],
    ...                                          "season": 2021, "seed": [f"1500 Quell {i % 8}" for i in place]}))
    >>> scale = conform("weighings", pd.DataFrame({"fruit": names, "date": "2021-10-02", "over_the_top_cm": size,
    ...                                            "scale_kg": 1.05 * told * np.exp(rng.normal(0.0, 0.08, 60))}))
    >>> found = calibrate({"fruits": fruits, "weighings": scale})
    >>> new = pd.DataFrame({"over_the_top_cm": [762.0], "seed": "1500 Quell 3"})
    >>> made = scale_weight(found, new).iloc[0]
    >>> bool(made["mass_kg_low"] < made["mass_kg"] < made["mass_kg_high"])
    True
    """
    level = calibration.level if level is None else level
    chosen = table_named(table)
    size = fruits["over_the_top_cm"].to_numpy(float)
    told = mass_from_tape(size, table=chosen, tape_se_cm=tape_se_cm)["mass_kg"].to_numpy()
    new = pd.DataFrame({
        "log_size": np.log(size / _REFERENCE_CM), "weight": 1.0,
        "seed_line": _column(fruits, "seed"), "grower": _column(fruits, "grower"), "weigh_off": ""})
    weights = np.array([w for w, _ in calibration.nodes])
    tables = [f.predict(new, of="mean") for _, f in calibration.nodes]
    mean, se = _average(weights, np.array([x["estimate"] for x in tables]), np.array([x["se"] for x in tables]))
    sigma = weights @ np.array([f.sigma for _, f in calibration.nodes]) / weights.sum()
    own = np.array([_scatter(chosen, s) for s in size]) / _scatter(TABLES["pumpkin 2017-21"], _REFERENCE_CM)
    tape = slope_kg_cm(size, table=chosen) * tape_se_cm / told
    half = norm.ppf(0.5 + level / 2.0) * np.sqrt(se**2 + (sigma * own) ** 2 + tape**2)
    return pd.DataFrame({
        "over_the_top_cm": size, "table_kg": told, "mass_kg": told * np.exp(mean),
        "mass_kg_low": told * np.exp(mean - half), "mass_kg_high": told * np.exp(mean + half),
        "to_chart_percent": 100.0 * np.expm1(mean)}, index=fruits.index)


def _column(fruits: pd.DataFrame, name: str) -> np.ndarray:
    if name not in fruits.columns:
        return np.full(len(fruits), "", dtype=object)
    return fruits[name].astype(object).where(fruits[name].notna(), "").to_numpy()
