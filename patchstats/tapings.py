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
from patchstats.tables import MEASURES, conform, table_of
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
# Bend of a growth curve in log inches, per day squared. The Gompertz curve through 77 % of the inches at 40 days and
# 91 % at 60 (Holland, N.E.P.G.A. Newsletter, June 1993) bends by at most 2.0073 * 0.050966**2 = 0.0052. Young fruit
# bend more: circumferences that growers dated (about 20 in on day 10, 35 on day 14, 37 on day 15, 58 on day 22, 110 on
# day 36; growers' posts of 2008 to 2014) gain 0.14 a day in log inches before day 14 and 0.06 after, about 0.01 per
# day squared. The allowance is over twice that at day 14, fading with age, since a good young taping lost is worse than
# a poor one kept: a choice, no source.
BEND_PER_DAY2 = 0.0052
_YOUNG_BEND, _YOUNG_DAYS = 0.12, 8.0
# A reading goes only if the log is far smoother without it; otherwise the growth itself is rough.
_SMOOTHER = 0.25
_FEWEST_FULL = 30  # full tapings for a ratio of the club's own; common practice, no source

# Reasons why a reading does not serve. Inside this module a reason is its place in this list, and 0 means that it does.
REASONS = (
    "",
    "its fruit is in no table of fruits",
    "the day of pollination is not known",
    "before the pollination",
    "after the fruit left the vine",
    "no tape measure that gives a total",
    "a fuller taping was made that day",
    "a slip: further from the tapings before and after than tape and growth can explain",
)
_NO_TOTAL, _FULLER, _SLIP = 5, 6, 7
_TOTAL, _OWN, _CLUB, _PUBLISHED = 1, 2, 3, 4  # places in MEASURES; 0 is all three measures


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

    >>> fruits = conform("fruits", pd.DataFrame({"fruit": ["Ana/2021/A"], "season": 2021, "set_date": "2021-07-01"}))
    >>> readings = conform("readings", pd.DataFrame({"fruit": "Ana/2021/A", "date": ["2021-08-05", "2021-08-08"],
    ...                                              "over_the_top_cm": [762.0, 787.4]}))
    >>> tapings({"fruits": fruits, "readings": readings})[["day", "mass_kg", "mass_kg_se"]].round(1).values.tolist()
    [[35.0, 282.7, 1.4], [38.0, 311.6, 1.5]]
    """
    return conform("tapings", settle(club, table, tape_se_cm, as_of))


def settle(club, table: WeightTable | str | None, tape_se_cm: float | pd.Series, as_of) -> pd.DataFrame:
    """The same rows and columns in plain kinds, for the modules that compute on them and then conform their own."""
    raw, fruits, files = _readings(club, tape_se_cm, as_of)
    _add_totals(raw)
    days = _days(raw)
    days, slips = _without_slips(days)
    days, listed = _settle_doubles(days, raw, slips)
    out = days.assign(used=True)
    if len(listed):
        out = pd.concat([out, listed.assign(used=False, tapings=1)], ignore_index=True)
        out = out.sort_values(["fruit", "date", "line"], kind="stable", ignore_index=True)
    total, se, fruit = (out[c].to_numpy() for c in ("over_the_top_cm", "over_the_top_cm_se", "fruit"))
    mass, mass_se, name = _mass(fruit, total, se, out["used"].to_numpy(), fruits, table)
    return pd.DataFrame({
        "fruit": fruits.index.to_numpy(object)[fruit], "date": out["date"], "day": out["day"],
        "tapings": out["tapings"], "over_the_top_cm": total, "over_the_top_cm_se": se,
        "measure": np.array([*MEASURES, None], dtype=object)[out["measure"].to_numpy()],
        "relation_percent_se": out["relation_percent_se"], "mass_kg": mass, "mass_kg_se": mass_se, "table": name,
        "used": out["used"], "reason": np.array([None, *REASONS[1:]], dtype=object)[out["reason"].to_numpy()],
        "expected_cm": out["expected_cm"], "file": files[out["row"].to_numpy()], "line": out["line"]})


def _readings(club, tape_se_cm, as_of) -> tuple[pd.DataFrame, pd.DataFrame, np.ndarray]:
    """The readings in order of fruit and date, in numbers only, with a reason where one cannot serve.

    ``fruit`` is a place in the second table, which holds what is known of each fruit that has readings: text compared
    a million times over takes longer than all the rest. The third answer is the file of each reading.
    """
    readings = table_of(club, "readings")
    if as_of is not None:
        readings = readings[readings["date"] <= pd.Timestamp(as_of)]
    code, names = pd.factorize(readings["fruit"], sort=True)
    fruits = table_of(club, "fruits").drop_duplicates("fruit").set_index("fruit").reindex(names)
    fruits = fruits[["grower", "season", "kind", "set_date", "end_date"]]
    fruits["kind"] = fruits["kind"].where(fruits["kind"].notna(), "pumpkin")
    if as_of is not None:  # what ended later is not known yet
        fruits["end_date"] = fruits["end_date"].where(fruits["end_date"] <= pd.Timestamp(as_of))
    date = readings["date"].to_numpy("datetime64[ns]")
    line = readings["line"].fillna(0).to_numpy(np.int64)
    order = np.lexsort([line, date, code])
    code, date = code[order], date[order]
    set_date, end_date = (fruits[c].to_numpy("datetime64[ns]")[code] for c in ("set_date", "end_date"))
    day = (date - set_date) / np.timedelta64(1, "D")
    known = table_of(club, "fruits")["fruit"]
    reason = np.select([~pd.Index(names).isin(known)[code], np.isnat(set_date), day < 0, date > end_date],
                       [1, 2, 3, 4], default=0)
    measures = {c: readings[c].to_numpy(float)[order] for c in
                ("circumference_cm", "side_to_side_cm", "stem_to_blossom_cm", "over_the_top_cm")}
    frame = pd.DataFrame({
        "fruit": code, "date": date, "day": day, "line": line[order], "row": np.arange(len(order)), **measures,
        "over_the_top_cm_se": _tape_se(fruits["grower"], tape_se_cm)[code], "measure": np.int8(_TOTAL),
        "relation_percent_se": 0.0, "reason": reason.astype(np.int8), "expected_cm": np.nan})
    return frame, fruits, readings["file"].to_numpy(object)[order]


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


def _add_totals(raw: pd.DataFrame) -> None:
    """Fills over_the_top_cm with its tape error, what it rests on, and the error of a circumference's ratio."""
    around = raw["circumference_cm"].to_numpy()
    three = over_the_top_total_cm(around, raw["side_to_side_cm"].to_numpy(), raw["stem_to_blossom_cm"].to_numpy())
    full = np.isfinite(three)
    total = np.where(full, three, raw["over_the_top_cm"].to_numpy())
    se, reason = raw["over_the_top_cm_se"].to_numpy(), raw["reason"].to_numpy()
    measure = np.where(full, 0, _TOTAL)
    relation = np.zeros(len(raw))
    only = np.isnan(total) & np.isfinite(around) & (reason == 0)
    if only.any():
        good = full & (reason == 0)
        ratio, relation[only], measure[only] = _ratios(raw["fruit"].to_numpy(), around, three, good, only)
        total[only] = around[only] * ratio
        # The total's error is that of three measures; a circumference has one third of its variance.
        se = se.copy()
        se[only] *= ratio / np.sqrt(3.0)
    empty = np.isnan(total)
    raw["over_the_top_cm"], raw["relation_percent_se"] = total, relation
    raw["over_the_top_cm_se"] = np.where(empty, np.nan, se)
    raw["measure"] = np.where(empty, len(MEASURES), measure)
    raw["reason"] = np.where(empty & (reason == 0), _NO_TOTAL, reason)


def _ratios(fruit, around, three, good, only) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Total over circumference for each row of ``only``: ratio, its standard error in percent, place in MEASURES."""
    x, y, owner = np.log(around[good]), np.log(three[good] / around[good]), fruit[good]
    size = int(fruit.max()) + 1
    count = np.bincount(owner, minlength=size)
    with np.errstate(invalid="ignore"):
        mean = np.bincount(owner, y, minlength=size) / count
    spread = np.sqrt(np.sum((y - mean[owner]) ** 2) / max(len(y) - np.count_nonzero(count), 1))
    spread = max(float(spread), 0.005)  # a fruit measured once says nothing of how its shape drifts
    asked = fruit[only]
    if len(y) >= _FEWEST_FULL:
        line = np.polyfit(x, y, 1) if np.ptp(x) > 0.5 else np.array([0.0, y.mean()])
        of_fruit = np.bincount(owner, y - np.polyval(line, x), minlength=size)[count > 0] / count[count > 0]
        ratio = np.exp(np.polyval(line, np.log(around[only])))
        percent = np.full(len(asked), 100.0 * max(float(of_fruit.std()), spread))
        place = np.full(len(asked), _CLUB)
    else:
        ratio, percent = _published_ratio(around[only])
        place = np.full(len(asked), _PUBLISHED)
    own = count[asked] > 0
    ratio[own] = np.exp(mean[asked[own]])
    percent[own] = 100.0 * spread / np.sqrt(count[asked[own]])
    place[own] = _OWN
    return ratio, percent, place


def _published_ratio(circumference_cm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Ratio at which the published circumference and total tables give one weight; held level beyond their range.

    The circumference table keeps 54 % of fruit within 10 %, a standard deviation of 13.5 % of weight, or a third of it
    in length, since weight goes nearly with the cube.
    """
    rough = TABLES["circumference 2005-11"]
    grid = inches_to_cm(np.linspace(rough.low_inches, rough.high_inches, 60))
    total = tape_for_mass_cm(mass_from_circumference(grid)["mass_kg"].to_numpy())
    good = np.isfinite(total)
    ratio = np.interp(circumference_cm, grid[good], (total / grid)[good])
    return ratio, np.full(len(ratio), rough.scatter[0][1] / 3.0)


# ---------------------------------------------------------------------------------------------------
# One row a day


def _days(raw: pd.DataFrame) -> pd.DataFrame:
    """Means of a fruit's readings of one day; a direct measure is not mixed with a circumference."""
    good = np.flatnonzero(raw["reason"].to_numpy() == 0)
    fruit, date = raw["fruit"].to_numpy()[good], raw["date"].to_numpy()[good]
    first = np.ones(len(good), bool)
    first[1:] = (fruit[1:] != fruit[:-1]) | (date[1:] != date[:-1])
    if first.all():
        return (raw if len(good) == len(raw) else raw.iloc[good].reset_index(drop=True)).assign(tapings=1)
    number = np.cumsum(first) - 1
    rough = raw["relation_percent_se"].to_numpy()[good] > 0
    direct = np.bincount(number, ~rough) > 0
    passed = rough & direct[number]
    raw.loc[raw.index[good[passed]], "reason"] = _FULLER
    good, number = good[~passed], number[~passed]
    size = np.bincount(number)
    days = raw.iloc[good[np.r_[True, number[1:] != number[:-1]]]].reset_index(drop=True)
    days["over_the_top_cm"] = np.bincount(number, raw["over_the_top_cm"].to_numpy()[good]) / size
    days["over_the_top_cm_se"] = days["over_the_top_cm_se"] / np.sqrt(size)
    return days.assign(tapings=size)


def slip_scores(day: np.ndarray, total_cm: np.ndarray, se_cm: np.ndarray) -> np.ndarray:
    """How far each inner taping of one fruit stands off the line through its neighbours; above 1 is a slip near by.

    ``day`` in days, ``total_cm`` and ``se_cm`` in cm, all in order of time. The line is drawn in log inches. The
    measure is :data:`SLIP_SE` standard errors of the tape plus the bend of a growing fruit; the ends score 0.

    >>> day, total = np.array([40.0, 42.0, 44.0, 46.0]), np.array([700.0, 718.0, 834.0, 750.0])
    >>> slip_scores(day, total, np.full(4, 1.27)).round(1).tolist()
    [0.0, 2.2, 4.5, 0.0]
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
    bend = BEND_PER_DAY2 + _YOUNG_BEND * np.exp(-day[:-2] / _YOUNG_DAYS)
    return SLIP_SE * noise + total_cm[1:-1] * 0.5 * bend * before * after


def _without_slips(days: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Splits the days into those kept and those that are slips of the tape or the pen."""
    code, day = days["fruit"].to_numpy(), days["day"].to_numpy()
    total, se = days["over_the_top_cm"].to_numpy(), days["over_the_top_cm_se"].to_numpy()
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
        rank = np.cumsum(np.r_[True, code[1:] != code[:-1]]) - 1
        for fruit in np.unique(rank[inner & (score > 1.0)]):
            span = slice(starts[fruit], ends[fruit])
            keep[span], expected[span] = _sift(day[span], total[span], se[span])
    if keep.all():
        return days, days.iloc[:0]
    return days[keep], days[~keep].assign(expected_cm=expected[~keep])


def _sift(day: np.ndarray, total: np.ndarray, se: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Leaves out, one by one, the taping without which one fruit's curve is smoothest.

    It stops when the log is no longer rough, when leaving a taping out would not make it far smoother, and at a quarter
    of the tapings: beyond that nobody can say which ones are wrong. What remains is met by the gate on gains.
    """
    keep = np.ones(len(day), bool)
    expected = np.full(len(day), np.nan)

    def roughness(rows, around):
        score = slip_scores(day[rows], total[rows], se[rows])[max(around - 3, 0):around + 4]
        return float(np.maximum(score - 1.0, 0.0).sum()), float((score**2).sum())

    for _ in range(len(day) // 4):
        rows = np.flatnonzero(keep)
        score = slip_scores(day[rows], total[rows], se[rows])
        worst = int(score.argmax())
        if score[worst] <= 1.0 or len(rows) < 4:
            break
        near = range(max(worst - 1, 0), min(worst + 2, len(rows)))
        out = min(near, key=lambda i: roughness(np.delete(rows, i), worst))
        rest = np.delete(rows, out)
        if roughness(rest, worst)[1] > _SMOOTHER * roughness(rows, worst)[1]:
            break
        keep[rows[out]] = False
        expected[rows[out]] = np.exp(np.interp(day[rows[out]], day[rest], np.log(total[rest])))
    return keep, expected


def _settle_doubles(days: pd.DataFrame, raw: pd.DataFrame, slips: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Slips back to single readings: of a doubled day that is off, the reading that fits its neighbours is kept.

    Returns the days that serve and all readings that do not.
    """
    if len(slips):
        key = pd.MultiIndex.from_frame(slips[["fruit", "date"]])
        place = key.get_indexer(pd.MultiIndex.from_frame(raw[["fruit", "date"]]))
        rows = raw[(place >= 0) & (raw["reason"].to_numpy() == 0)].copy()
        place = place[rows.index]
        rows["expected_cm"] = slips["expected_cm"].to_numpy()[place]
        distance = (rows["over_the_top_cm"] - rows["expected_cm"]).abs()
        doubled = slips["tapings"].to_numpy()[place] > 1
        fits = doubled & (distance <= SLIP_SE * rows["over_the_top_cm_se"]).to_numpy()
        saved = rows[fits].drop_duplicates(["fruit", "date"])
        if len(saved):
            days = pd.concat([days, saved.assign(tapings=1, expected_cm=np.nan)])
        off = rows.index.difference(saved.index)
        raw.loc[off, "reason"] = _SLIP
        raw.loc[off, "expected_cm"] = rows.loc[off, "expected_cm"]
    return days, raw[raw["reason"].to_numpy() != 0]


def _mass(fruit, total, se, used, fruits: pd.DataFrame, table: WeightTable | str | None):
    """Mass, its error and the table's name, by each fruit's season and class unless one table is named."""
    of_fruit = np.full(len(fruits), -1)
    held: list[WeightTable] = []
    if table is not None:
        held, of_fruit[:] = [table_named(table)], 0
    else:
        for (season, kind), rows in fruits.groupby(["season", "kind"]).indices.items():
            try:
                held.append(table_for(int(season), kind))
            except PatchstatsError:  # weighed without a tape, or a season whose table is not held
                continue
            of_fruit[rows] = len(held) - 1
    which = np.where(used, of_fruit[fruit], -1)
    mass, mass_se = np.full(len(total), np.nan), np.full(len(total), np.nan)
    for number, chosen in enumerate(held):
        rows = which == number
        made = mass_from_tape(total[rows], table=chosen, tape_se_cm=se[rows])
        mass[rows], mass_se[rows] = made["mass_kg"], made["mass_kg_se"]
    return mass, mass_se, np.array([*(t.name for t in held), None], dtype=object)[which]
