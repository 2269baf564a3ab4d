"""Answers: one call a question, and findings, charts and doubts come back together.

The rooms below do the work; an :class:`Answer` only lays out what they made, for a notebook, a report or a wall.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import pandas as pd

from patchstats import charts, fairness, findings, robustness
from patchstats.charts import Chart
from patchstats.drivers import ASKED, Drivers, fit_drivers
from patchstats.expected import effects_by_age, explained
from patchstats.findings import Findings
from patchstats.gains import daily_gains
from patchstats.lmm.parallel import wake
from patchstats.units import IMPERIAL

_GROUPS = {"grower": "growers", "fruit": "entries", "patch": "patches", "patch_season": "patches in a season",
           "seed": "seed lines", "season": "seasons"}
FEW = 4  # stretches of about five days: three weeks of taping


@dataclass(frozen=True)
class Answer:
    """A question's answer: ``findings`` as sentences, ``charts``, ``doubts`` (a table with a sentence each), and the
    ``tables`` behind them by name. ``drivers`` is the fitted model."""

    question: str
    findings: Findings
    charts: tuple[Chart, ...]
    doubts: pd.DataFrame
    tables: dict[str, pd.DataFrame] = field(repr=False)
    drivers: Drivers = field(repr=False)

    def _markdown(self) -> str:
        doubts = "\n".join(f"- {sentence}" for sentence in self.doubts["sentence"])
        pictures = ", ".join(chart.name for chart in self.charts)
        return (f"## {self.question}\n\n{self.findings._markdown()}\n\n### What to doubt\n\n"
                f"{doubts or '- Nothing seen.'}\n\nCharts: {pictures}. Tables: {', '.join(self.tables)}.")

    def _repr_markdown_(self) -> str:
        return self._markdown()

    def __repr__(self) -> str:
        return self._markdown().replace("*", "").replace("#", "").strip()


def what_drives_gain(club, *, model: str = "club", level: float = 0.9, thorough: bool = True, jobs: int = 2) -> Answer:
    """What drives daily gain: the club's model with its effects, the plain regression beside, and how robust it is.

    ``club`` an opened club or a dict of tables. ``thorough`` adds the fits without each grower and each season, the
    specification curve and multiple imputation; without it only the model itself. ``jobs``: processes for those.
    """
    shown = getattr(club, "shown", IMPERIAL)
    with ThreadPoolExecutor(1) as beside:
        if thorough:  # the other processes start while the model is fitted
            beside.submit(wake, "patchstats.lmm", jobs)
        found = fit_drivers(club, model=model, level=level)
        column = found.model.response
        asked = {f"{term}_within": (per, words) for term, per, words in ASKED
                 if f"{term}_within" in found.fit.coef.index}
        if thorough:  # they fit without this and by other ways while this one fills the gaps and draws
            robust = beside.submit(_robust, club, found, {term: per for term, (per, _) in asked.items()}, jobs)
        pictures = [charts.effects(found.effects, column=column, level=level, shown=shown),
                    charts.trade_off(found.rows.drop_duplicates("fruit"), shown=shown)]
        if not found.soil.empty:
            best = found.soil_best if pd.notna(found.soil_best["estimate"]) else None
            pictures.append(charts.soil_curve(found.soil, optimum=best, column=column,
                                              readings_c=found.rows["soil_c"], level=level, shown=shown))
        shares, ages = explained(found, level=level), effects_by_age(found, level=level)
        pictures += [charts.explained(shares, level=level),
                     charts.effect_by_age(ages.table, column=column, level=level, shown=shown)]
        tables = {"effects": found.effects, "sides": found.sides, "soil": found.soil, "middle_gain": found.curve,
                  "variances": found.fit.variances, "explained": shares, "by_age": ages.table}
        doubts = [findings.of_fit(found.fit.check())]
        if thorough:
            filled = robustness.imputed(found)
            tables |= robust.result()
    if thorough:
        if "leave_one_out" in tables:
            doubts.append(findings.leans_on(tables["leave_one_out"]))
        ways = tables["specifications"]
        for term, (_, words) in asked.items():
            curve = ways[ways["term"] == term].drop(columns="term").reset_index(drop=True)
            pictures.append(charts.specification_curve(curve, column=column, level=level, shown=shown, term=words,
                                                       main=curve["specification"].iloc[0]))
            doubts.append(pd.Series([findings.every_way(curve, words, column=column, shown=shown,
                                                        level=level).sentence]))
        tables["imputed"] = filled
        doubts.append(findings.gaps_filled(tables["imputed"], {t: per for t, (per, _) in asked.items()}, column=column,
                                           shown=shown))
    said = findings.together(
        findings.what_drives(found, shown=shown), findings.explains(shares, level=level),
        findings.acts_at_age(ages.table, ages.changes, column=column, shown=shown, level=level))
    return Answer("What drives daily gain?", said, tuple(pictures),
                  pd.concat(doubts, ignore_index=True).to_frame("sentence"), tables, found)


def _robust(club, found: Drivers, terms: dict[str, float], jobs: int) -> dict[str, pd.DataFrame]:
    """The effects without each grower and each season, and by other ways of working them out."""
    used = found.rows.loc[found.fit.design.index]
    # Of two, one left out leaves none to compare with.
    left_out = [robustness.leave_one_out(found, group, jobs=jobs).assign(group=group)
                for group in ("grower", "season") if used[group].nunique() > 2]
    ways = robustness.specifications(club, found, gains=daily_gains, terms=terms, jobs=jobs)
    return {**({"leave_one_out": pd.concat(left_out, ignore_index=True)} if left_out else {}), "specifications": ways}


def who_did_well(club, *, drivers: Drivers | None = None, group: str = "grower", level: float = 0.9) -> Answer:
    """Growers against what their conditions lead one to expect.

    Or another ``group``: "fruit" (entries), "patch", "patch_season", "seed", "season".
    """
    shown = getattr(club, "shown", IMPERIAL)
    found = fit_drivers(club, level=level) if drivers is None else drivers
    column = found.model.response
    shifts = fairness.shifts(found.fit, group, rows=found.rows, level=level)
    ranks = fairness.ranks(found.fit, group, rows=found.rows, level=level)
    words = _GROUPS.get(group, group)
    said = findings.together(findings.compared(shifts, column=column, group=words, shown=shown, level=level),
                             findings.among_first(ranks, group=words, level=level))
    pictures = (charts.growers_compared(shifts, column=column, group=group, raw=shifts["raw"], level=level,
                                        shown=shown),
                charts.rank_uncertainty(ranks, group=group, level=level))
    doubts = [findings.little_to_go_by(shifts["n_rows"], group=words, fewest=FEW)]
    tables = {"shifts": shifts, "ranks": ranks}
    if len(shifts) <= 60:
        tables["pairs"] = fairness.all_pairs(found.fit, group, rows=found.rows, level=level)
        doubts.append(findings.pairs_told(tables["pairs"]))
    return Answer("Who did well for their conditions?", said, pictures,
                  pd.concat(doubts, ignore_index=True).to_frame("sentence"), tables, found)
