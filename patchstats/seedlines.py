"""Seed lines: breeding values through the pedigree, how much of the differences they carry, and which crosses to plan.

A fruit grows on a plant, and the plant grew from the seed that was *planted*: its parents act on the fruit. The pollen
put on the flower this season makes the seeds inside the fruit and does nothing to the fruit itself; it counts when
those seeds are planted. So the model's seed line is the planted one (``plants.seed``), related through its parents,
and ``fruits.pollen`` enters nowhere here.

The model is the animal model of breeding (Henderson 1975, Biometrics 31:423-447; Mrode 2014, *Linear Models for the
Prediction of Animal Breeding Values*, 3rd ed., ch. 3) inside the club's model of pace: lines that share parents
share what they give. A seed lot counts as one individual. Only additive inheritance is modelled.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from patchstats.drivers import Drivers, fit_model
from patchstats.kinship import Pedigree, inbreeding, plan_crosses, relationship_matrix, seed_pedigree
from patchstats.lmm import MixedFit
from patchstats.lmm.joint import joint_shifts
from patchstats.remarks import ModelError
from patchstats.seednames import read_seed_name
from patchstats.tables import table_of


@dataclass(frozen=True)
class SeedLines:
    """Seed lines through the pedigree.

    ``values``: one row a seed in the pedigree, best first: value, se, low, high [response unit, percent of gain],
    reliability (the share of the line's variance that the data have told), inbreeding, fruits grown from it, and
    ``planted``. ``heritability``: share of the lasting differences between fruits that goes with the seed line, and
    its interval; ``told`` is False where the data cannot tell it from none. ``genetic_sd`` is that of an outbred line.
    """

    fit: MixedFit
    pedigree: Pedigree
    values: pd.DataFrame
    heritability: pd.Series
    genetic_sd: float
    level: float

    def _markdown(self) -> str:
        h = self.heritability
        lines = [f"**Seed lines** ({len(self.values)} in the pedigree, {int(self.values['planted'].sum())} planted; "
                 f"{self.level:.0%} intervals)", "",
                 f"Share of lasting differences between fruits that goes with the seed line: {h['estimate']:.2f} "
                 f"({h['low']:.2f} to {h['high']:.2f})", "",
                 "| seed | % of gain | low | high | reliability | fruits |", "|---|---|---|---|---|---|"]
        planted = self.values[self.values["planted"]].head(10)
        lines += [f"| {seed} | {r.value:+.1f} | {r.low:+.1f} | {r.high:+.1f} | {r.reliability:.2f} | {r.fruits} |"
                  for seed, r in zip(planted.index, planted.itertuples(), strict=True)]
        return "\n".join(lines)

    def _repr_markdown_(self) -> str:
        return self._markdown()

    def __repr__(self) -> str:
        return self._markdown()


def seed_lines(club, found: Drivers, *, open_as: str = "unknown", level: float | None = None) -> SeedLines:
    """Breeding values of every seed line in the pedigree from the gains that ``found`` was fitted to.

    ``open_as`` as in :func:`patchstats.kinship.seed_pedigree`. Raises :class:`ModelError` when no plant's seed is
    known.
    """
    level = found.level if level is None else level
    rows = found.rows[found.rows["seed"].notna()].copy()
    if rows["seed"].nunique() < 2:
        raise ModelError("Fewer than two seed lines are logged with their plants, so no line can be compared.")
    pedigree = _pedigree(table_of(club, "seeds"), rows["seed"], open_as)
    place = {name: pedigree.names[pedigree.position(name)] for name in rows["seed"].unique()}
    rows["seed"] = rows["seed"].map(place)
    a = relationship_matrix(pedigree)
    fit = fit_model(found.model.formula, rows, errors=found.fit.errors, level=level, known={"seed": a})
    names = pd.Index(pedigree.names, name="seed")
    value, covariance = joint_shifts(fit, pd.DataFrame({"seed": names}, index=names))
    se = np.sqrt(np.diag(covariance))
    sd = float(fit.variances.loc[("seed", "(Intercept)"), "sd"])
    z = stats.norm.ppf(0.5 + level / 2)
    own = sd**2 * np.diag(a)
    fruits = rows.loc[fit.design.index].groupby("seed")["fruit"].nunique()
    with np.errstate(divide="ignore", invalid="ignore"):
        reliability = np.where(own > 0, np.clip(1.0 - se**2 / own, 0.0, 1.0), 0.0)
    values = pd.DataFrame({
        "value": value, "se": se, "low": value - z * se, "high": value + z * se, "reliability": reliability,
        "inbreeding": inbreeding(pedigree).reindex(names), "fruits": fruits.reindex(names).fillna(0).astype("int64")})
    values["planted"] = values["fruits"] > 0
    values = values.sort_values("value", ascending=False, kind="stable")
    grown = rows.loc[fit.design.index].drop_duplicates("fruit")["seed"]
    among = a.loc[grown, grown].to_numpy()
    return SeedLines(fit, pedigree, values, heritability(fit, float(np.diag(among).mean() - among.mean())), sd, level)


def heritability(fit: MixedFit, spread: float = 1.0) -> pd.Series:
    """The seed line's share of the variance of a fruit's lasting pace: estimate, low, high, told.

    All lasting parts count below the line: seed line, grower, patch in a season, season and fruit (at day 40), not
    the day-to-day part and not the tape. ``spread``: the variance expected among the lines of the fruits grown, in
    units of an outbred line's: the mean of their own relationships less the mean of all (inbred lines lie further
    apart, related ones closer; Legarra 2016, Theoretical Population Biology 107:26-30). The interval is that of the
    seed line's standard deviation (Wald on the logarithm), the other parts held; ``told`` is False where the standard
    deviation is estimated as none, or its interval spans more than tenfold: then the data cannot tell, and the number
    must not be used.
    """
    table = fit.variances
    parts = table.xs("(Intercept)", level="column")
    row = parts.loc["seed"]
    rest = float((parts.drop(index="seed")["sd"] ** 2).sum())

    def share(sd):
        return spread * sd**2 / (spread * sd**2 + rest) if np.isfinite(sd) and sd > 0 else 0.0

    low, high = share(row["low"]), share(row["high"]) if np.isfinite(row["high"]) else 1.0
    told = bool(row["sd"] > 0 and np.isfinite(row["low"]) and row["high"] < 10 * row["low"])
    return pd.Series({"estimate": share(row["sd"]), "low": low, "high": high, "told": told}, name="heritability")


def cross_plan(club, lines: SeedLines, *, best: int = 8, in_hand: bool = True) -> pd.DataFrame:
    """Crosses among the best lines (with themselves too): what to expect of their offspring, best expected first.

    Expected value and spread are of the offspring's breeding value [percent of gain]; ``expected_se`` is how unsure
    the expected value is, from both parents' errors together; ``inbreeding`` is the offspring's. ``in_hand``: only
    lines with seed in the club's box. Columns as :func:`patchstats.kinship.plan_crosses`, and expected_se, low, high.
    A cross is a suggestion to talk over: lines were not given to members by lot.
    """
    seeds = table_of(club, "seeds").dropna(subset=["seed"])
    line_of = {name.casefold(): name for name in lines.pedigree.names}  # in its spelling there
    line = seeds["seed"].map(lambda name: line_of.get(read_seed_name(name).key))
    stock = seeds["stock"].astype("float64").groupby(line).sum(min_count=1)
    values = lines.values
    if in_hand:
        held = stock.reindex(values.index)
        values = values[held.fillna(0.0) > 0]
    if values.empty:
        raise ModelError("No seed line in the pedigree has seed in hand; ask with in_hand=False, or log the stock.")
    chosen = list(values.head(best).index)
    plan = plan_crosses(lines.pedigree, chosen, breeding_values=values["value"], genetic_sd=lines.genetic_sd,
                        stock=stock)
    names = pd.Index(lines.pedigree.names)
    _, covariance = joint_shifts(lines.fit, pd.DataFrame({"seed": names}, index=names))
    v = covariance.to_numpy()
    m, f = names.get_indexer(plan["seed_parent"]), names.get_indexer(plan["pollen_parent"])
    plan["expected_se"] = 0.5 * np.sqrt(v[m, m] + v[f, f] + 2 * v[m, f])
    z = stats.norm.ppf(0.5 + lines.level / 2)
    plan["low"], plan["high"] = plan["expected"] - z * plan["expected_se"], plan["expected"] + z * plan["expected_se"]
    return plan.sort_values("expected", ascending=False, kind="stable", ignore_index=True)


def open_pollination_sensitivity(club, found: Drivers) -> pd.DataFrame:
    """How much it matters what open pollen is taken for: one row each of unknown, self and sib.

    Columns: open_as, heritability, low, high, genetic_sd, ``agreement`` (correlation of the planted lines' values
    with those under "unknown") and ``largest_change`` [percent of gain].
    """
    made = {way: seed_lines(club, found, open_as=way) for way in ("unknown", "self", "sib")}
    planted = made["unknown"].values.query("planted").index
    base = made["unknown"].values.loc[planted, "value"]
    rows = []
    for way, lines in made.items():
        value = lines.values.reindex(planted)["value"]
        h = lines.heritability
        rows.append((way, h["estimate"], h["low"], h["high"], lines.genetic_sd,
                     1.0 if way == "unknown" else float(np.corrcoef(base, value)[0, 1]),
                     float((value - base).abs().max())))
    return pd.DataFrame(rows, columns=["open_as", "heritability", "low", "high", "genetic_sd", "agreement",
                                       "largest_change"])


def _pedigree(seeds: pd.DataFrame, planted: pd.Series, open_as: str) -> Pedigree:
    """The club's pedigree with every planted seed in it, founders where nothing is known of their parents."""
    listed = {read_seed_name(name).key for name in seeds["seed"].dropna()}
    extra = sorted({name for name in planted if read_seed_name(name).key not in listed})
    bare = pd.DataFrame({"seed": extra, "seed_parent": None, "pollen_parent": None})
    whole = seeds[["seed", "seed_parent", "pollen_parent"]]
    return seed_pedigree(pd.concat([whole, bare], ignore_index=True) if extra else whole, open_as=open_as)
