"""What the annual meeting asks of a club's logs: one function a section, each with its findings and charts.

A section that the logs cannot fill keeps its question and says why it stays open.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import pandas as pd

from patchstats import charts, fairness, findings
from patchstats.calibrate import weighed
from patchstats.drivers import Drivers, fit_drivers
from patchstats.gains import daily_gains
from patchstats.meeting.page import Section
from patchstats.remarks import PatchstatsError
from patchstats.tables import LOSSES
from patchstats.weeks import fastest_gain


def club_sections(club, *, drivers: Drivers | None = None, level: float = 0.9) -> tuple[Section, ...]:
    """The sections of a club's meeting, in the order to be read.

    ``drivers``: what drives daily gain, if it has been worked out already.
    """
    gains = daily_gains(club)
    fitted = cache(lambda: drivers or fit_drivers(club, gains=gains, level=level))
    asked: tuple[tuple[str, Callable[[], Section]], ...] = (
        (CAME_IN, lambda: came_in(club)),
        (SEASON, lambda: season(club, gains, level=level)),
        (SCALE, lambda: scale(club, level=level)),
        (DRIVES, lambda: drives(club, fitted())),
        (FAIR, lambda: fair(club, fitted())),
        (SEASONS, lambda: seasons(club, fitted())),
        (LOST, lambda: lost(club, level=level)),
    )
    return tuple(_answered(title, answer) for title, answer in asked)


CAME_IN = "What came in?"
SEASON = "What does a season look like?"
SCALE = "How well does the tape tell the scale?"
DRIVES = "What goes with more daily gain?"
FAIR = "Who did well for their conditions?"
SEASONS = "Is the club getting better?"
LOST = "How many fruits are lost?"

_LOST_HOW = {
    "aborted": "aborted", "stem split": "ended in a stem split", "blossom-end split": "split at the blossom end",
    "sag-line split": "split along the sag line", "rot": "were lost to rot",
    "vine break": "were lost with a broken vine", "animal": "were lost to an animal", "hail": "were lost to hail",
    "other loss": "were lost in other ways"}


def came_in(club) -> Section:
    """Rows read, kept and listed, and what had to be mended."""
    standing = club.receipts[club.receipts["taken_back"].isna()]
    read, kept, listed = (int(standing[f"rows_{what}"].sum()) for what in ("read", "kept", "listed"))
    pictures = [charts.what_came_in(rows_by_season(club), by="season", longest_first=False)]
    if not club.remarks.empty:
        pictures.append(charts.what_was_said(club.remarks))
    return Section(CAME_IN, "Every line of every log is either in the tables or listed for its member.",
                   (findings.rows_taken_in(files=len(standing), read=read, kept=kept, listed=listed),),
                   tuple(pictures))


def rows_by_season(club) -> pd.DataFrame:
    """Rows kept and listed of each season's logs: season, kept, listed. A file that names no season counts as such."""
    standing = club.receipts[club.receipts["taken_back"].isna()]
    of_file = club.fruits.groupby("file")["season"].min()
    of_reading = club.readings.merge(club.fruits[["fruit", "season"]], on="fruit").groupby("file")["season"].min()
    season = standing["file"].map(of_reading).fillna(standing["file"].map(of_file))
    words = season.map(lambda year: f"season {year:.0f}" if pd.notna(year) else "no one season")
    return pd.DataFrame({"season": words, "kept": standing["rows_kept"], "listed": standing["rows_listed"]}).groupby(
        "season", as_index=False).sum()


def season(club, gains: pd.DataFrame, *, level: float) -> Section:
    """Daily gain by day, and the middle weight on the scale of each season."""
    chart = charts.gain_by_day(gains, shown=club.shown)
    fastest = fastest_gain(gains)
    of = "fruits taped through their fastest weeks"
    found = findings.together(
        findings.middle(fastest["day_days"], "day_days", "age at the fastest gain", of=of, level=level),
        findings.middle(fastest["gain_kg_day"], "gain_kg_day", "gain on a fruit's fastest days", of=of,
                        shown=club.shown, level=level,
                        doubts=("The best of many noisy weeks looks a little better than it was.",)))
    return Section(SEASON, "", found.items, (chart,))


def scale(club, *, level: float) -> Section:
    """Entries heavy and light to chart."""
    entries = weighed(club).dropna(subset=["to_chart_percent"])
    near = int((entries["to_chart_percent"].abs() <= 10).sum())
    found = findings.together(
        findings.against_chart(entries["to_chart_percent"], level=level),
        findings.share(near, len(entries), "entries weighed within 10% of the table", level=level),
        findings.middle(entries["scale_kg"], "scale_kg", "weight on the scale", of="entries", shown=club.shown,
                        level=level))
    return Section(SCALE, "The tape measures a fruit every day; the scale weighs it once.", found.items,
                   (charts.tape_against_scale(entries, shown=club.shown),))


def drives(club, drivers: Drivers) -> Section:
    """Plant size, set date and soil temperature, within and between growers."""
    shown, column = club.shown, drivers.model.response
    pictures = [charts.effects(drivers.effects, column=column, level=drivers.level, shown=shown),
                charts.trade_off(drivers.rows.drop_duplicates("fruit"), shown=shown)]
    if not drivers.soil.empty:
        best = drivers.soil_best if pd.notna(drivers.soil_best["estimate"]) else None
        pictures.insert(1, charts.soil_curve(drivers.soil, optimum=best, column=column,
                                             readings_c=drivers.rows["soil_c"], level=drivers.level, shown=shown))
    return Section(DRIVES, f"{drivers.model.about} Not for {drivers.model.not_for}.",
                   findings.what_drives(drivers, shown=shown).items, tuple(pictures))


def fair(club, drivers: Drivers) -> Section:
    """Growers with plant size, set date and soil taken into account, and how sure their order is."""
    column, level = drivers.model.response, drivers.level
    shifts, ranks = (of(drivers.fit, "grower", rows=drivers.rows, level=level)
                     for of in (fairness.shifts, fairness.ranks))
    found = findings.together(findings.compared(shifts, column=column, shown=club.shown, level=level),
                              findings.among_first(ranks, level=level))
    return Section(FAIR, "Each grower against what plant size, set date and soil lead one to expect, shrunken by how "
                   "little there is to go by.", found.items,
                   (charts.growers_compared(shifts, column=column, level=level, shown=club.shown),
                    charts.rank_uncertainty(ranks, level=level)))


def seasons(club, drivers: Drivers) -> Section:
    """Season to season with the change of members taken out."""
    table, column = fairness.season_table(drivers.fit, level=drivers.level), drivers.model.response
    said = {"column": column, "shown": club.shown, "level": drivers.level}
    found = [findings.seasons(table, **said)]
    if len(table) >= fairness.FEWEST_SEASONS:
        found.append(findings.progress(fairness.progress(drivers, level=drivers.level), **said))
    return Section(SEASONS, "Seasons with the change of members, seed and conditions taken out.", tuple(found),
                   (charts.season_to_season(table, column=column, level=drivers.level, shown=club.shown),))


def lost(club, *, level: float) -> Section:
    """The share of fruits whose log ends in a loss."""
    ends = club.fruits["end_reason"].dropna()
    known = ends[ends != "culled"]
    gone = known[known.isin(LOSSES)]
    found = [findings.share(len(gone), len(known), "fruits that were not culled were lost before the scale",
                            level=level, caveat="Only fruits whose log says how it ended are counted.")]
    most = gone.value_counts().sort_index().sort_values(ascending=False, kind="stable").head(3)
    found += [findings.share(int(count), len(known), f"fruits {_LOST_HOW[reason]}", level=level)
              for reason, count in most.items()]
    return Section(LOST, "", tuple(found), ())


def _answered(title: str, answer: Callable[[], Section]) -> Section:
    try:
        return answer()
    except PatchstatsError as reason:
        return Section(title, f"These logs leave the question open. {reason}", (), ())
