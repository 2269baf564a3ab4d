"""Tapings: from raw readings to one trustworthy total, error and weight a fruit and day.

A row of ``readings`` is what a member wrote. Before anything is computed from it, three things are settled here:

* **The total.** All three measures where they stand, else the total as written, else the circumference times a
  ratio: the fruit's own where other days give it, else the club's (a line in logs, fitted to its full tapings), else
  the ratio at which the published circumference table and the published total table give one weight.
* **The error.** The tape's, as a column: a day taped twice has a smaller one, a day with the circumference alone a
  larger one. A ratio that is wrong is wrong alike on all days of a fruit, so its error is kept apart.
* **Slips.** A reading that stands off its neighbours further than tape and growth can explain is left out. Every
  reading left out is a row with its reason: readings in = readings used + readings listed.

A circumference is a weak witness late in a season: a fruit may stop rising and only widen, so a log of
circumferences alone overstates late gain.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from patchstats.remarks import PatchstatsError
from patchstats.tables import conform, table_of
from patchstats.tape import (
    TABLES,
    TAPE_SE_CM,
    WeightTable,
    mass_from_circumference,
    mass_from_tape,
    over_the_top_total_cm,
    table_for,
    table_named,
    tape_for_mass_cm,
)
from patchstats.units import inches_to_cm

# A slip stands off by more than this many standard errors of the tape, over and above what growth can bend.
SLIP_SE = 8.0
# Bend of a growth curve in log inches, per day squared: the largest of the Gompertz curve through 77 % of the inches
# at 40 days and 91 % at 60 (Holland, N.E.P.G.A. Newsletter, June 1993) is 2.0073 * 0.050966**2 = 0.0052, on day 0.
BEND_PER_DAY2 = 0.0052
_FEWEST_FULL = 30  # full tapings for a ratio of the club's own; common practice, no source

USED = ""


def tapings(club, *, table: WeightTable | str | None = None, tape_se_cm: float | pd.Series = TAPE_SE_CM,
            as_of=None) -> pd.DataFrame:
    """Every reading of a club, ready for analysis or listed with the reason why not.

    ``club`` is an opened club or a dict of tables. ``table`` names a weight table for all fruits; None takes the one
    published for each fruit's season and class. ``tape_se_cm`` is the standard error of one over-the-top total [cm]:
    one number, or a Series by grower (a grower it lacks gets the default). ``as_of`` leaves out all that is dated
    later, so that a forecast can be made as it would have been on that day.

    Returns a table conforming to ``DICTIONARY["tapings"]``, sorted by fruit and date: rows with ``used`` True are one a
    fruit and day; rows with ``used`` False are single readings with their ``reason``. A used row whose total lies
    outside the weight table has no mass. The sum of ``tapings`` is the number of readings.
    """
    raw = _readings(club, as_of)
    raw["se"] = _tape_se(raw["grower"], tape_se_cm)
    raw = _with_totals(raw)
    days = _days(raw)
    days, slips = _without_slips(days)
    days, parted = _settle_doubles(days, raw, slips)
    listed = pd.concat([raw[raw["reason"] != USED].assign(tapings=1), parted], ignore_index=True)
    days["used"], days["reason"] = True, None
    listed["used"] = False
    out = pd.concat([days, listed], ignore_index=True) if len(listed) else days
    out = _with_mass(out, table)
    out = out.sort_values(["fruit", "date", "line"], kind="stable").reset_index(drop=True)
    spec = conform("tapings", pd.DataFrame())
    return conform("tapings", out[[c for c in spec.columns if c in out.columns]])


def _readings(club, as_of) -> pd.DataFrame:
    """The readings with what is known of their fruit, and a reason where one cannot serve."""
    readings = table_of(club, "readings")
    fruits = table_of(club, "fruits").drop_duplicates("fruit")
    if as_of is not None:
        readings = readings[readings["date"] <= pd.Timestamp(as_of)]
    frame = readings.reset_index(drop=True).copy()
    # Joined by position: a merge on a million text keys takes as long as all the rest.
    place = pd.Index(fruits["fruit"]).get_indexer(frame["fruit"])
    known = place >= 0
    for column in ("grower", "season", "kind", "set_date", "end_date", "end_reason"):
        values = fruits[column].array.take(place, allow_fill=True)
        frame[column] = values
    if as_of is not None:  # what ended later is not known yet
        later = frame["end_date"] > pd.Timestamp(as_of)
        frame.loc[later, "end_date"] = pd.NaT
    frame["kind"] = frame["kind"].where(frame["kind"].notna(), "pumpkin")
    frame["day"] = (frame["date"] - frame["set_date"]).dt.days.astype(float)
    frame["reason"] = np.select(
        [~known, frame["set_date"].isna(), frame["day"] < 0, frame["date"] > frame["end_date"]],
        ["its fruit is in no table of fruits", "the day of pollination is not known", "before the pollination",
         "after the fruit left the vine"], default=USED).astype(object)
    return frame


def _tape_se(growers: pd.Series, tape_se_cm: float | pd.Series) -> np.ndarray:
    if isinstance(tape_se_cm, pd.Series):
        values = growers.map(tape_se_cm).fillna(TAPE_SE_CM).to_numpy(float)
    else:
        values = np.full(len(growers), float(tape_se_cm))
    if len(values) and not (np.isfinite(values).all() and values.min() > 0):
        raise PatchstatsError("The tape's standard error must be a number above zero, in centimetres.")
    return values


# ---------------------------------------------------------------------------------------------------
# The total


def _with_totals(raw: pd.DataFrame) -> pd.DataFrame:
    """Adds over_the_top_cm, its tape error, what it rests on, and the error of a circumference's ratio."""
    three = over_the_top_total_cm(raw["circumference_cm"], raw["side_to_side_cm"], raw["stem_to_blossom_cm"])
    raw["total"] = three.where(three.notna(), raw["over_the_top_cm"])
    raw["measure"] = np.where(three.notna(), "three measures", "total").astype(object)
    raw["relation_percent_se"] = 0.0
    only = raw["total"].isna() & raw["circumference_cm"].notna() & (raw["reason"] == USED)
    if only.any():
        ratio = _ratios(raw, three, only)
        rows = ratio.index
        raw.loc[rows, "total"] = raw.loc[rows, "circumference_cm"] * ratio["ratio"]
        # The total's error is that of three measures; a circumference has one third of its variance.
        raw.loc[rows, "se"] *= ratio["ratio"] / np.sqrt(3.0)
        raw.loc[rows, "measure"] = ratio["measure"]
        raw.loc[rows, "relation_percent_se"] = ratio["percent_se"]
    empty = raw["total"].isna() & (raw["reason"] == USED)
    raw.loc[empty, "reason"] = "no tape measure that gives a total"
    raw["over_the_top_cm"] = raw["total"]
    raw["over_the_top_cm_se"] = raw["se"]
    raw.loc[raw["total"].isna(), ["measure", "over_the_top_cm_se"]] = [None, np.nan]
    return raw.drop(columns=["total", "se"])


def _ratios(raw: pd.DataFrame, three: pd.Series, only: pd.Series) -> pd.DataFrame:
    """Total over circumference for each row of ``only``: ratio, its standard error in percent, where it comes from."""
    full = three.notna() & (raw["reason"] == USED)
    log_ratio = np.log(three[full] / raw.loc[full, "circumference_cm"])
    rows = raw[only]
    out = pd.DataFrame({"ratio": np.nan, "percent_se": np.nan, "measure": None}, index=rows.index)
    if full.any():
        per_fruit = log_ratio.groupby(raw.loc[full, "fruit"]).agg(["mean", "size"])
        spread = float((log_ratio - log_ratio.groupby(raw.loc[full, "fruit"]).transform("mean")).std(ddof=1))
        spread = spread if np.isfinite(spread) else 0.05
        own = rows["fruit"].map(per_fruit["mean"])
        count = rows["fruit"].map(per_fruit["size"])
        has = own.notna()
        out.loc[has, "ratio"] = np.exp(own[has])
        out.loc[has, "percent_se"] = 100.0 * spread / np.sqrt(count[has])
        out.loc[has, "measure"] = "circumference by the fruit's own ratio"
    rest = out["ratio"].isna()
    if rest.any() and int(full.sum()) >= _FEWEST_FULL:
        x = np.log(raw.loc[full, "circumference_cm"].to_numpy(float))
        line = np.polyfit(x, log_ratio.to_numpy(), 1) if np.ptp(x) > 0.5 else np.array([0.0, log_ratio.mean()])
        left = (log_ratio - np.polyval(line, x)).groupby(raw.loc[full, "fruit"]).mean()
        fruit_sd = float(left.std(ddof=1)) if len(left) > 1 else 0.05
        out.loc[rest, "ratio"] = np.exp(np.polyval(line, np.log(rows.loc[rest, "circumference_cm"].to_numpy(float))))
        out.loc[rest, "percent_se"] = 100.0 * fruit_sd
        out.loc[rest, "measure"] = "circumference by the club's ratio"
    elif rest.any():
        out.loc[rest, ["ratio", "percent_se"]] = _published_ratio(rows.loc[rest, "circumference_cm"])
        out.loc[rest, "measure"] = "circumference by the published tables"
    return out[out["ratio"].notna()]


def _published_ratio(circumference_cm: pd.Series) -> np.ndarray:
    """Ratio at which the published circumference and total tables give one weight; held level beyond their range.

    The circumference table keeps 54 % of fruit within 10 %, a standard deviation of 13.5 % of weight, or a third of it
    in length, since weight goes nearly with the cube.
    """
    rough = TABLES["circumference 2005-11"]
    grid = inches_to_cm(np.linspace(rough.low_inches, rough.high_inches, 60))
    total = tape_for_mass_cm(mass_from_circumference(grid)["mass_kg"].to_numpy())
    good = np.isfinite(total)
    ratio = np.interp(circumference_cm.to_numpy(float), grid[good], (total / grid)[good])
    return np.column_stack([ratio, np.full(len(ratio), rough.scatter[0][1] / 3.0)])


# ---------------------------------------------------------------------------------------------------
# One row a day


def _days(raw: pd.DataFrame) -> pd.DataFrame:
    """Means of a fruit's readings of one day; a direct measure is not mixed with a circumference."""
    good = raw[raw["reason"] == USED].copy()
    good["code"] = pd.factorize(good["fruit"], sort=True)[0]
    good["rough"] = good["measure"].str.startswith("circumference").to_numpy(bool) if len(good) else False
    good = good.sort_values(["code", "date", "rough", "line"], kind="stable")
    code, date = good["code"].to_numpy(), good["date"].to_numpy()
    first = np.ones(len(good), bool)
    first[1:] = (code[1:] != code[:-1]) | (date[1:] != date[:-1])
    number = np.cumsum(first) - 1
    rough = good["rough"].to_numpy()
    passed = rough & ~rough[first][number] if len(good) else rough  # the day has a direct measure
    raw.loc[good.index[passed], "reason"] = "a fuller taping was made that day"
    good, number = good[~passed], number[~passed]
    days = good[first[~passed]].copy()
    size = np.bincount(number, minlength=len(days))
    days["over_the_top_cm"] = np.bincount(number, good["over_the_top_cm"], minlength=len(days)) / np.maximum(size, 1)
    days["over_the_top_cm_se"] = days["over_the_top_cm_se"].to_numpy() / np.sqrt(np.maximum(size, 1))
    days["tapings"] = size
    return days.reset_index(drop=True)


def slip_scores(day: np.ndarray, total_cm: np.ndarray, se_cm: np.ndarray) -> np.ndarray:
    """How far each inner taping of one fruit stands off the line through its neighbours; above 1 is a slip near by.

    ``day`` in days, ``total_cm`` and ``se_cm`` in cm, all in order of time. The line is drawn in log inches. The
    measure is :data:`SLIP_SE` standard errors of the tape plus :data:`BEND_PER_DAY2` of bend; the ends score 0.
    """
    score = np.zeros(len(day))
    if len(day) >= 3:
        score[1:-1] = np.abs(_stand_off(day, total_cm)) / _allowance(day, total_cm, se_cm)
    return score


def _stand_off(day, total_cm):
    return total_cm[1:-1] - _between(day, total_cm)


def _between(day, total_cm):
    """What the neighbours lead one to expect of each inner taping [cm]."""
    x = np.log(total_cm)
    weight = (day[1:-1] - day[:-2]) / (day[2:] - day[:-2])
    return np.exp(x[:-2] * (1.0 - weight) + x[2:] * weight)


def _allowance(day, total_cm, se_cm):
    before, after = day[1:-1] - day[:-2], day[2:] - day[1:-1]
    weight = before / (before + after)
    noise = np.sqrt(se_cm[1:-1] ** 2 + ((1.0 - weight) * se_cm[:-2]) ** 2 + (weight * se_cm[2:]) ** 2)
    # A chord under a curve of bend b falls short of it by b/2 * before * after.
    return SLIP_SE * noise + total_cm[1:-1] * 0.5 * BEND_PER_DAY2 * before * after


def _without_slips(days: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Splits the days into those kept and those that are slips of the tape or the pen."""
    code, day = days["code"].to_numpy(), days["day"].to_numpy(float)
    total, se = days["over_the_top_cm"].to_numpy(float), days["over_the_top_cm_se"].to_numpy(float)
    keep = np.ones(len(days), bool)
    expected = np.full(len(days), np.nan)
    if len(days) >= 4:
        inner = np.zeros(len(days), bool)
        inner[1:-1] = (code[2:] == code[1:-1]) & (code[:-2] == code[1:-1])
        score = np.zeros(len(days))
        with np.errstate(divide="ignore", invalid="ignore"):  # across two fruits the line means nothing
            score[1:-1] = np.abs(_stand_off(day, total)) / np.abs(_allowance(day, total, se))
        starts = np.flatnonzero(np.r_[True, code[1:] != code[:-1]])
        ends = np.r_[starts[1:], len(days)]
        for fruit in np.unique(code[inner & (score > 1.0)]):
            span = slice(starts[fruit], ends[fruit])
            keep[span], expected[span] = _sift(day[span], total[span], se[span])
    slips = days[~keep].assign(expected_cm=expected[~keep])
    return days[keep].reset_index(drop=True), slips


def _sift(day: np.ndarray, total: np.ndarray, se: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Leaves out, one by one, the taping without which one fruit's curve is smoothest.

    At most a quarter of the tapings go: beyond that nobody can say which ones are wrong, and what remains is met by
    the gate on gains.
    """
    keep = np.ones(len(day), bool)
    expected = np.full(len(day), np.nan)

    def roughness(rows):
        score = slip_scores(day[rows], total[rows], se[rows])
        return float(np.maximum(score - 1.0, 0.0).sum()), float((score**2).sum())

    for _ in range(len(day) // 4):
        rows = np.flatnonzero(keep)
        score = slip_scores(day[rows], total[rows], se[rows])
        worst = int(score.argmax())
        if score[worst] <= 1.0 or len(rows) < 4:
            break
        near = range(max(worst - 1, 0), min(worst + 2, len(rows)))
        out = min(near, key=lambda i: roughness(np.delete(rows, i)))
        keep[rows[out]] = False
        rest = np.delete(rows, out)
        expected[rows[out]] = np.exp(np.interp(day[rows[out]], day[rest], np.log(total[rest])))
    return keep, expected


def _settle_doubles(days: pd.DataFrame, raw: pd.DataFrame, slips: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Slips back to single readings: of a doubled day that is off, the reading that fits its neighbours is kept."""
    if not len(slips):
        return days, slips.assign(reason=None)
    key = pd.MultiIndex.from_arrays([raw["fruit"], raw["date"]])
    off = slips.set_index(["fruit", "date"])
    rows = raw[(raw["reason"] == USED) & key.isin(off.index)].copy()
    place = off.index.get_indexer(pd.MultiIndex.from_arrays([rows["fruit"], rows["date"]]))
    rows["expected_cm"] = off["expected_cm"].to_numpy()[place]
    rows["code"] = off["code"].to_numpy()[place]
    rows["tapings"] = 1
    distance = (rows["over_the_top_cm"] - rows["expected_cm"]).abs()
    doubled = off["tapings"].to_numpy()[place] > 1
    fits = doubled & (distance <= SLIP_SE * rows["over_the_top_cm_se"]).to_numpy()
    saved = rows[fits].drop_duplicates(["fruit", "date"])
    if len(saved):
        days = pd.concat([days, saved.drop(columns="expected_cm")]).sort_values(["code", "date"], ignore_index=True)
    parted = rows.drop(index=saved.index)
    parted["reason"] = "a slip: further from the tapings before and after than tape and growth can explain"
    return days, parted


def _with_mass(frame: pd.DataFrame, table: WeightTable | str | None) -> pd.DataFrame:
    """Adds mass_kg, mass_kg_se and the table's name, by each fruit's season and class unless one table is named."""
    frame["mass_kg"], frame["mass_kg_se"], frame["table"] = np.nan, np.nan, None
    serves = frame["used"].to_numpy(bool)
    if table is not None:
        groups = [(table_named(table), serves)]
    else:
        pairs = frame.loc[serves, ["season", "kind"]].drop_duplicates()
        groups = []
        for season, kind in pairs.itertuples(index=False):
            rows = serves & (frame["season"] == season).to_numpy(bool) & (frame["kind"] == kind).to_numpy(bool)
            try:
                groups.append((table_for(int(season), kind), rows))
            except PatchstatsError:  # weighed without a tape, or a season whose table is not held
                continue
    for chosen, rows in groups:
        made = mass_from_tape(frame.loc[rows, "over_the_top_cm"].to_numpy(), table=chosen,
                              tape_se_cm=frame.loc[rows, "over_the_top_cm_se"].to_numpy())
        frame.loc[rows, "mass_kg"] = made["mass_kg"].to_numpy()
        frame.loc[rows, "mass_kg_se"] = made["mass_kg_se"].to_numpy()
        frame.loc[rows, "table"] = chosen.name
    return frame
