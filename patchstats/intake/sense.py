"""Sense: what a grower knows of growth, asked of every fruit's tapings. Remarks only, but for two sure cases: a line
written twice is kept once, and a reading that its neighbours and the other tapes show to be a slip is left empty.

Limits. A daily gain of 5 inches around is the most that growers report (Denver blog, 2012-2013: 5 in a day at about
day 22); nearly twice that is called a leap. Half an inch is the tape's own error (common practice, no source), so a
fall of three of them is called a shrinkage. The scale and the published table differ by 9 % (one standard deviation,
weigh-offs 2017-21); three and a half of them are called far. As much is allowed for when three measures are held
against the density of fruits (:mod:`patchstats.ellipsoid`), since the weight is that of the table.
"""

from __future__ import annotations

import datetime as dt
import math
from collections import Counter, defaultdict
from collections.abc import Sequence

import numpy as np

from patchstats.ellipsoid import DENSITY_LIMITS_KG_L, check_density
from patchstats.intake.harvest import Harvest, Row
from patchstats.remarks import PatchstatsError
from patchstats.tape import mass_from_tape, table_for
from patchstats.units import IMPERIAL, say

_MEASURES = ("circumference_cm", "side_to_side_cm", "stem_to_blossom_cm", "over_the_top_cm")
_TITLES = {"circumference_cm": "The circumference", "side_to_side_cm": "Side to side",
           "stem_to_blossom_cm": "Stem to blossom", "over_the_top_cm": "The total"}
LEAP_CM_DAY = {"circumference_cm": 23.0, "side_to_side_cm": 15.0, "stem_to_blossom_cm": 15.0, "over_the_top_cm": 50.0}
_SHRINK_CM = {"circumference_cm": 3.9, "side_to_side_cm": 3.9, "stem_to_blossom_cm": 3.9, "over_the_top_cm": 7.7}
OUT_OF_PROPORTION = math.log(1.6)  # one of three tapes against the other two, relative to the same fruit's other days
_NEIGHBOUR_DAYS = 12
NEAR_SCALE_DAYS = 7  # a taping further from the weigh-off speaks of a smaller fruit
_NEWEST = 2100  # a season whose table is the newest there is
_FAR = 0.315  # 3.5 standard deviations of the scale about the published table
# Three measures in these proportions to the circumference make a body that a fruit may have, whatever the size (a law
# that the tests try); only the others are worth the search for their body.
LEAST_SHARE, MOST_SHARE, SHARES_APART = 0.44, 1.0, 0.2
_KEYS = {"soil": ("patch", "date", "time_of_day", "depth_cm"), "weather": ("patch", "date"), "sizes": ("plant", "date"),
         "flowers": ("plant", "date", "fruit")}


def check(harvest: Harvest) -> None:
    """Every check, in an order that does not let one slip be spoken of twice."""
    _drop_repeated(harvest, "readings", ("fruit", "date", "time_of_day"), speak_of_two=True)
    for table, key in _KEYS.items():
        _drop_repeated(harvest, table, key)
    by_fruit: dict[str, list[Row]] = defaultdict(list)
    for row in harvest.rows.get("readings", []):
        by_fruit[row.values["fruit"]].append(row)  # type: ignore[index]
    for fruit, rows in by_fruit.items():
        rows = sorted(rows, key=lambda r: (r.values["date"], r.record))
        _out_of_proportion(rows)
        for measure in _MEASURES:
            _jumps(rows, measure)
            _steps(rows, measure)
        _sums(rows)
        _against_dates(harvest, fruit, rows)
    _shapes(harvest, by_fruit)
    _scales(harvest, by_fruit)


def _number(row: Row, column: str) -> float | None:
    value = row.values.get(column)
    return value if isinstance(value, float) and not math.isnan(value) else None


def _shown(value: float, like: Row, column: str) -> str:
    """A length as the writer wrote it: the cell itself where there is one."""
    place = like.cells.get(column)
    if place and place[0] >= 0 and place[1] >= 0:
        return like.page.text(*place)
    return say(value, column, IMPERIAL)


def _place(row: Row, column: str) -> tuple[int, int | None]:
    place = row.cells.get(column)
    if place and place[0] >= 0 and place[1] >= 0:
        return place
    return row.record, None


def _speak(row: Row, code: str, column: str, **facts) -> None:
    record, position = _place(row, column)
    if position is None:
        row.page.say(code, record, next(iter(row.page.full(record)), None), read=row.page.words(record), **facts)
    else:
        row.page.say(code, record, position, **facts)


def _blank(row: Row, column: str, code: str, **facts) -> None:
    """Leave a value out of the tables and speak of its cell; a total that was summed from it goes too."""
    record, position = _place(row, column)
    if position is not None:
        row.page.unuse(record, position)
        row.page.say(code, record, position, **facts)
    row.values[column] = math.nan
    if column != "over_the_top_cm" and "over_the_top_cm" not in row.cells:
        row.values["over_the_top_cm"] = math.nan


def _drop_repeated(harvest: Harvest, table: str, key: Sequence[str], *, speak_of_two: bool = False) -> None:
    rows = harvest.rows.get(table, [])
    shared = Counter((id(r.page), r.record) for rs in harvest.rows.values() for r in rs)
    first: dict[tuple, Row] = {}
    kept = []
    for row in rows:
        place = tuple(row.values.get(k) for k in key)
        told = {k: v for k, v in row.values.items() if k not in ("note", "doubtful")}
        before = first.get(place)
        if before is None:
            first[place] = row
        elif told == {k: v for k, v in before.values.items() if k not in ("note", "doubtful")}:
            _drop(row, before, shared[id(row.page), row.record] == 1)
            continue
        elif speak_of_two:
            _speak(row, "two-tapings", next(iter(row.cells), ""), fruit=row.values["fruit"],
                   date=row.values["date"], other=before.page.lines[before.record])
        kept.append(row)
    if rows:
        harvest.rows[table] = kept


def _drop(row: Row, before: Row, alone: bool) -> None:
    page, line = row.page, before.page.lines[before.record]
    places = [p for p in row.cells.values() if p[0] >= 0 and p[1] >= 0]
    if alone:
        places += [(row.record, p) for p in page.full(row.record)]
    for place in places:
        page.unuse(*place)
    if alone:
        page.say("line-repeated", row.record, other=line)
    elif places:
        page.say("line-repeated", *places[0], also=places, other=line)


def _out_of_proportion(rows: list[Row]) -> None:
    """One tape of three far out of proportion to the other two, on a fruit whose other days agree: a slip."""
    measures = _MEASURES[:3]
    table = np.array([[_number(r, m) or math.nan for m in measures] for r in rows], dtype=float)
    whole = ~np.isnan(table).any(axis=1) & (table > 0).all(axis=1)
    if whole.sum() < 4:
        return
    logs = np.log(np.where(table > 0, table, np.nan))
    shape = np.nanmedian(logs[whole] - logs[whole].mean(axis=1, keepdims=True), axis=0)
    for at in np.flatnonzero(whole):
        size = logs[at] - shape  # each tape's own opinion of the fruit's size
        for slip in range(3):
            others = np.delete(size, slip)
            if abs(others[0] - others[1]) < 0.15 and abs(size[slip] - others.mean()) > OUT_OF_PROPORTION:
                row = rows[at]
                near = [r for r in (rows[at - 1] if at else None, rows[at + 1] if at + 1 < len(rows) else None) if r]
                told = [_shown(_number(r, measures[slip]) or 0.0, r, measures[slip]) for r in near]
                _blank(row, measures[slip], "tape-jumps", quantity=_TITLES[measures[slip]],
                       before=told[0] if told else "", after=told[-1] if told else "")
                break


def _series(rows: list[Row], measure: str) -> list[tuple[Row, dt.date, float]]:
    return [(r, r.values["date"], v) for r in rows if (v := _number(r, measure)) is not None]  # type: ignore[misc]


def _jumps(rows: list[Row], measure: str) -> None:
    series = _series(rows, measure)
    for (a, day_a, x), (row, day, y), (b, day_b, z) in zip(series, series[1:], series[2:], strict=False):
        if (day - day_a).days > _NEIGHBOUR_DAYS or (day_b - day).days > _NEIGHBOUR_DAYS or day_a == day or day == day_b:
            continue
        if _number(a, measure) is None or not -0.03 * x <= z - x <= LEAP_CM_DAY[measure] * (day_b - day_a).days:
            continue
        margin = 0.12 * max(x, z) + 5.0
        if (y > max(x, z) + margin or y < min(x, z) - margin) and _number(row, measure) is not None:
            _blank(row, measure, "tape-jumps", quantity=_TITLES[measure], before=_shown(x, a, measure),
                   after=_shown(z, b, measure))


def _steps(rows: list[Row], measure: str) -> None:
    if measure == "over_the_top_cm" and not any(measure in r.cells for r in rows):
        return  # a total that was summed says nothing that its three tapes do not
    series = _series(rows, measure)
    for (a, day_a, x), (row, day, y) in zip(series, series[1:], strict=False):
        days = max((day - day_a).days, 1)
        if (day - day_a).days == 0:
            continue
        told = {"quantity": _TITLES[measure], "before": _shown(x, a, measure), "after": _shown(y, row, measure),
                "days": "1 day" if days == 1 else f"{days} days"}
        if x - y > _SHRINK_CM[measure] * (1.0 if days < 4 else 1.3):
            _speak(row, "tape-shrinks", measure, **told)
        elif (y - x) / days > LEAP_CM_DAY[measure]:
            _speak(row, "tape-leaps", measure, **told)


def _sums(rows: list[Row]) -> None:
    for row in rows:
        around, side, end, total = (_number(row, m) for m in _MEASURES)
        if around is not None and side is not None and end is not None:
            if total is not None and "over_the_top_cm" in row.cells and abs(around + side + end - total) > max(
                    2.0, 0.01 * total):
                _speak(row, "total-disagrees", "over_the_top_cm", sum=_in_unit_of(row, around + side + end))
            if around < (side + end) / 2:
                _speak(row, "circumference-short", "circumference_cm", over=_in_unit_of(row, side + end))


def _shapes(harvest: Harvest, by_fruit: dict[str, list[Row]]) -> None:
    """Three measures that make no body, or one of a density that no fruit has."""
    for fruit, rows in by_fruit.items():
        known = harvest.named.get("fruits", {}).get(fruit)
        for row in rows:
            around, side, end = (_number(row, m) for m in _MEASURES[:3])
            if around and side and end and around >= (side + end) / 2 and odd_shares(side / around, end / around):
                made = _no_fruit(around, side, end, str((known or row).values.get("kind") or "pumpkin"))
                if made:
                    told = [_shown(v, row, m) for v, m in zip((around, side, end), _MEASURES, strict=False)]
                    _speak(row, "shape-impossible", "circumference_cm", around=told[0], side=told[1], end=told[2],
                           made=made)


def odd_shares(side, end):
    """Whether side to side and stem to blossom, as shares of the circumference, are worth a closer look (or arrays)."""
    least, most = np.minimum(side, end), np.maximum(side, end)
    return (least < LEAST_SHARE) | (most > MOST_SHARE) | (most - least > SHARES_APART)


def _no_fruit(around: float, side: float, end: float, kind: str) -> str:
    """What is wrong with three measures [cm], in words; "" where nothing is, or where no table tells a weight."""
    try:
        mass = mass_from_tape([around + side + end], table=table_for(_NEWEST, kind))["mass_kg"]
    except PatchstatsError:
        return ""
    limits = DENSITY_LIMITS_KG_L[0] * (1.0 - _FAR), DENSITY_LIMITS_KG_L[1] * (1.0 + _FAR)
    body = check_density(around, side, end, mass, limits_kg_l=limits).iloc[0]
    if np.isnan(body["volume_l"]):
        return "make no body"
    return f"make a body of {body['density_kg_l']:.1f} kg a litre (water: 1)" if body["flag"].startswith("too") else ""


def _in_unit_of(row: Row, value: float) -> str:
    """A sum in the unit that the row's own cells are written in, as far as that can be seen."""
    written = row.cells.get("circumference_cm")
    text = row.page.text(*written) if written and min(written) >= 0 else ""
    around = row.values.get("circumference_cm")
    try:
        factor = float(text) / around if isinstance(around, float) else math.nan
    except ValueError:
        factor = math.nan
    return f"{value * factor:.4g}" if math.isfinite(factor) else say(value, "over_the_top_cm", IMPERIAL)


def _against_dates(harvest: Harvest, fruit: str, rows: list[Row]) -> None:
    known = harvest.named.get("fruits", {}).get(fruit)
    if known is None:
        return
    begin, end = known.values.get("set_date"), known.values.get("end_date")
    first, last = rows[0], rows[-1]
    if begin is not None and first.values["date"] < begin:  # type: ignore[operator]
        _speak(
            first, "set-after-taping", next(iter(first.cells), ""), fruit=fruit, set=begin, date=first.values["date"]
        )
    if end is not None and last.values["date"] > end:  # type: ignore[operator]
        _speak(last, "end-before-taping", next(iter(last.cells), ""), fruit=fruit, end=end, date=last.values["date"])


def _scales(harvest: Harvest, by_fruit: dict[str, list[Row]]) -> None:
    """Scale weights far from what the tape of the weigh-off, or the last taping within a week of it, says."""
    for row in harvest.rows.get("weighings", []):
        scale, fruit, day = row.values.get("scale_kg"), row.values["fruit"], row.values["date"]
        tape = _number(row, "over_the_top_cm")
        near = [r for r in by_fruit.get(fruit, []) if _number(r, "over_the_top_cm")  # type: ignore[call-overload]
                and abs((r.values["date"] - day).days) <= NEAR_SCALE_DAYS]  # type: ignore[operator]
        if tape is None and near:
            tape = _number(near[-1], "over_the_top_cm")
        if not isinstance(scale, float) or tape is None:
            continue
        kind = harvest.named.get("fruits", {}).get(fruit, row).values.get("kind")
        mass = far_from_tape(scale, tape, day.year, kind)  # type: ignore[attr-defined]
        if mass is not None:
            _speak(row, "scale-far", "scale_kg", fruit=fruit, scale=_shown(scale, row, "scale_kg"),
                   tape=say(mass, "mass_kg", IMPERIAL))


def far_from_tape(scale_kg: float, over_the_top_cm: float, season: int, kind: object) -> float | None:
    """What the tape says [kg] when the scale is far from it; None when it is near, or no table speaks of the fruit.

    ``over_the_top_cm`` [cm]. A fruit whose kind is not told is a pumpkin.
    """
    try:
        table = table_for(season, kind if isinstance(kind, str) and kind else "pumpkin")
        mass = float(mass_from_tape([over_the_top_cm], table=table)["mass_kg"].iloc[0])
    except PatchstatsError:
        return None
    return mass if math.isfinite(mass) and mass > 0 and abs(scale_kg / mass - 1.0) > _FAR else None
