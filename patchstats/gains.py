"""Gains: from tapings to daily gain between them, with its error, joined to plant, soil and weather.

A daily gain is the difference of two noisy weights over the days between: its variance is the sum of theirs over the
days squared, and neighbouring gains of a fruit share one taping, so their errors correlate at about -1/2 (exactly -1/2
when the tapings are equally good and the days equal; closed form). Both ends' errors stand in the table, so that a
model can take that up. They hold the tape's error alone: how far a fruit runs heavy or light to its chart is the same
for all of its tapings, scales all its gains alike, and is no noise between days.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from patchstats.patchdays import patch_days, window_means
from patchstats.plantsize import size_at_set
from patchstats.remarks import PatchstatsError
from patchstats.tables import conform, table_of
from patchstats.tape import TAPE_SE_CM, WeightTable
from patchstats.tapings import SLIP_SE, settle
from patchstats.units import lb_to_kg

# Growers speak of up to 60 lb on a best day (Pantagraph, 29 Jul 2022); the gate stands well above it.
FASTEST_KG_DAY = lb_to_kg(100.0)
LONGEST_DAYS = 60.0  # a longer gap says little of any day in it; the dictionary's range

_FAULTS = np.array([
    None,
    "one of the totals lies outside the weight table, or there is no table for the class or season",
    "more than 60 days between the tapings",
    "the fruit shrinks by more than the tape can explain",
    "a gain that no fruit makes"], dtype=object)


def daily_gains(club, *, table: WeightTable | str | None = None, tape_se_cm: float | pd.Series = TAPE_SE_CM,
                days: pd.DataFrame | None = None, as_of=None) -> pd.DataFrame:
    """Daily gain of every fruit between consecutive tapings, conforming to ``DICTIONARY["gains"]``.

    ``club`` is an opened club or a dict of tables. ``table``, ``tape_se_cm`` and ``as_of`` as in
    :func:`patchstats.tapings.tapings`. ``days`` gives patch-days of your own making (gaps filled, one depth, degree
    days); None takes :func:`patchstats.patchdays.patch_days` of the club.

    One row an interval, sorted by fruit and date. ``day`` is days after pollination at its middle; ``soil_c`` and
    ``heat_c_day`` are means over the days after the earlier taping up to and with the later one.
    ``mass_before_kg_se`` and ``mass_kg_se`` are the errors of both ends, and a row whose ``from_date`` is the ``date``
    of the row above shares its taping. Nothing is left out silently: ``attrs["left_out"]`` counts readings and
    intervals by reason, and :func:`left_out` lists them; ``attrs["heat_rule"]`` says how degree days were worked out.

    >>> fruits = conform("fruits", pd.DataFrame({"fruit": ["Ana/2021/A"], "season": 2021, "set_date": "2021-07-01"}))
    >>> readings = conform("readings", pd.DataFrame({"fruit": "Ana/2021/A", "date": ["2021-08-05", "2021-08-08"],
    ...                                              "over_the_top_cm": [762.0, 787.4]}))
    >>> gains = daily_gains({"fruits": fruits, "readings": readings})
    >>> gains[["day", "gain_kg_day", "gain_kg_day_se"]].round(2).values.tolist()
    [[36.5, 9.66, 0.68]]
    """
    made = settle(club, table, tape_se_cm, as_of)
    rows, dropped = _intervals(made)
    rows = _join_fruits(rows, club, as_of)
    days = patch_days(club, as_of=as_of) if days is None else days
    out = conform("gains", _join_days(rows, days))
    if "heat_rule" in days.columns:
        out.attrs["heat_rule"] = ", or ".join(days["heat_rule"].dropna().unique())
    reasons = pd.concat([made.loc[~made["used"].astype(bool), "reason"], dropped["reason"]])
    out.attrs["left_out"] = {str(k): int(v) for k, v in reasons.value_counts().items()}
    return out


def left_out(club, *, table: WeightTable | str | None = None, tape_se_cm: float | pd.Series = TAPE_SE_CM,
             as_of=None) -> pd.DataFrame:
    """What :func:`daily_gains` did not use: readings and intervals, one row each with the reason.

    Columns: what ("reading" or "interval"), fruit, from_date, date, over_the_top_cm, expected_cm, reason, file, line.

    >>> fruits = conform("fruits", pd.DataFrame({"fruit": ["Ana/2021/A"], "season": 2021, "set_date": "2021-07-01"}))
    >>> readings = conform("readings", pd.DataFrame({"fruit": "Ana/2021/A", "date": ["2021-06-05", "2021-08-08"],
    ...                                              "over_the_top_cm": [762.0, 787.4]}))
    >>> left_out({"fruits": fruits, "readings": readings})[["what", "reason"]].values.tolist()
    [['reading', 'before the pollination']]
    """
    made = settle(club, table, tape_se_cm, as_of)
    _, dropped = _intervals(made)
    readings = made[~made["used"].astype(bool)].assign(what="reading", from_date=np.datetime64("NaT", "ns"))
    both = [readings, dropped.assign(what="interval", expected_cm=np.nan)]
    columns = ["what", "fruit", "from_date", "date", "over_the_top_cm", "expected_cm", "reason", "file", "line"]
    frames = [b[columns] for b in both if len(b)]
    if not frames:
        return pd.DataFrame(columns=columns)
    return pd.concat(frames).sort_values(["fruit", "date"], kind="stable", ignore_index=True)


def _intervals(made: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Consecutive used tapings of one fruit as intervals, and the intervals that cannot stand, with reasons."""
    used = np.flatnonzero(made["used"].to_numpy(bool))
    fruit = made["fruit"].to_numpy()[used]
    same = np.flatnonzero(fruit[1:] == fruit[:-1])
    before, after = used[same], used[same + 1]

    def ends(column):
        values = made[column].to_numpy()
        return values[before], values[after]

    day0, day1 = ends("day")
    mass0, mass1 = ends("mass_kg")
    se0, se1 = ends("mass_kg_se")
    between = day1 - day0
    gain, gain_se = (mass1 - mass0) / between, np.hypot(se0, se1) / between
    noise = SLIP_SE * gain_se
    with np.errstate(invalid="ignore"):
        fault = np.select([np.isnan(gain), between > LONGEST_DAYS, gain < -noise, gain > FASTEST_KG_DAY + noise],
                          [1, 2, 3, 4], default=0)
    relation0, relation1 = ends("relation_percent_se")
    weaker = np.where(relation0 > relation1, before, after)  # the less direct of the two speaks for the interval
    keep = fault == 0
    rows = pd.DataFrame({
        "fruit": made["fruit"].to_numpy()[after[keep]], "date": made["date"].to_numpy()[after[keep]],
        "from_date": made["date"].to_numpy()[before[keep]], "days": between[keep], "day": (0.5 * (day0 + day1))[keep],
        "mass_before_kg": mass0[keep], "mass_before_kg_se": se0[keep], "mass_kg": mass1[keep],
        "mass_kg_se": se1[keep], "gain_kg_day": gain[keep], "gain_kg_day_se": gain_se[keep],
        "measure": made["measure"].to_numpy()[weaker[keep]]})
    dropped = made.iloc[after[~keep]].assign(from_date=made["date"].to_numpy()[before[~keep]],
                                             reason=_FAULTS[fault[~keep]])
    return rows, dropped


def _join_fruits(rows: pd.DataFrame, club, as_of) -> pd.DataFrame:
    """Adds who and where, and what is known of the plant on the day of pollination."""
    fruits = table_of(club, "fruits").drop_duplicates("fruit").reset_index(drop=True)
    place = pd.Index(fruits["fruit"]).get_indexer(rows["fruit"])
    for column in ("plant", "patch", "grower", "season", "seed"):
        rows[column] = fruits[column].array.take(place)
    plants = table_of(club, "plants").drop_duplicates("plant")
    lacks = rows["seed"].isna()
    rows.loc[lacks, "seed"] = rows.loc[lacks, "plant"].map(plants.set_index("plant")["seed"])
    rows["patch_season"] = _patch_season(fruits).array.take(place)
    size = size_at_set({"fruits": fruits, "sizes": table_of(club, "sizes")}, as_of=as_of)
    rows["secondaries"] = size["value"].round().astype("Int64").array.take(place)
    new_year = pd.to_datetime(fruits["season"].astype(float), format="%Y")
    rows["set_day"] = ((fruits["set_date"] - new_year).dt.days + 1.0).array.take(place)
    return rows


def _patch_season(fruits: pd.DataFrame) -> pd.Series:
    label = fruits["patch"].astype("string") + " " + fruits["season"].astype("string")
    return label.astype(object).where(label.notna(), None)


def _join_days(rows: pd.DataFrame, days: pd.DataFrame) -> pd.DataFrame:
    """Adds the window means of soil temperature and degree days, and how the soil temperature was come by."""
    lacking = [c for c in ("patch", "date", "soil_c") if c not in days.columns]
    if lacking:
        raise PatchstatsError(f"The table of patch-days lacks the column {', '.join(lacking)}.")
    days = days.assign(
        filled=days["soil_source"].eq("filled").to_numpy(float) if "soil_source" in days.columns else 0.0,
        air=days["soil_source"].eq("air").to_numpy(float) if "soil_source" in days.columns else 0.0)
    heat = ["heat_c_day"] if "heat_c_day" in days.columns else []
    means = window_means(days, ["soil_c", "filled", "air", *heat], patch=rows["patch"], from_date=rows["from_date"],
                         to_date=rows["date"])
    # The least direct day of the window names it.
    place = np.select([means["soil_c"].isna(), means["air"] > 0, means["filled"] > 0], [0, 1, 2], default=3)
    rows["soil_c"] = means["soil_c"]
    rows["soil_source"] = np.array(["missing", "air", "filled", "probe"], dtype=object)[place]
    for column in heat:
        rows[column] = means[column]
    return rows
