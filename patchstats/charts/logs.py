"""Charts of the logs themselves: what came in, and the tape held against the scale."""

from __future__ import annotations

import textwrap

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.ticker import MaxNLocator

from patchstats.charts.house import (
    BLUE,
    INK,
    LABEL_POINTS,
    TICK_POINTS,
    VERMILION,
    Chart,
    joined,
    name_line,
    require,
)
from patchstats.remark_kinds import KINDS
from patchstats.tape import percent_to_chart
from patchstats.units import IMPERIAL, Shown, axis_label, say, to_shown

MOST_BARS = 14


def what_came_in(table: pd.DataFrame, *, by: str = "kind", longest_first: bool = True,
                 title: str = "What came in, and what could not be used?") -> Chart:
    """Rows kept and rows listed for mending, a bar for each value of ``by`` (such as the layout of a log).

    ``table``: ``by``, kept, listed. Longest bars first, or in the order of ``by``; beyond 14 the later ones are added
    up as "all others".
    """
    require(table, (by, "kept", "listed"), "what_came_in")
    rows = table.groupby(by, as_index=False)[["kept", "listed"]].sum()
    rows = rows.assign(read=rows["kept"] + rows["listed"])
    if longest_first:
        rows = rows.sort_values("read", ascending=False, kind="stable")
    kept, listed = int(rows["kept"].sum()), int(rows["listed"].sum())
    seen = rows.iloc[:MOST_BARS]
    if len(rows) > MOST_BARS:
        seen = rows.iloc[: MOST_BARS - 1]
        rest = rows.iloc[MOST_BARS - 1:][["kept", "listed", "read"]].sum()
        seen = pd.concat([seen, pd.DataFrame([{by: "all others", **rest}])], ignore_index=True)
    alt = (f"Bars of rows kept and rows listed, {len(rows)} of them by {by.replace('_', ' ')}. In all "
           f"{kept + listed:,} rows were read, {kept:,} kept and {listed:,} listed with a remark.")

    def draw(figure):
        ax = figure.subplots()
        y = np.arange(len(seen))[::-1]
        ax.barh(y, seen["kept"], color=BLUE, height=0.72)
        some = (seen["listed"] > 0).to_numpy()
        ax.barh(y[some], seen["listed"][some], left=seen["kept"][some], color="white", edgecolor=VERMILION, hatch="///",
                height=0.72, linewidth=2)
        for at, row in zip(y, seen.itertuples(), strict=True):
            words = f"{row.kept:,.0f} kept" + (f", {row.listed:,.0f} listed" if row.listed else "")
            name_line(ax, row.read, at, words, points=TICK_POINTS, weight="normal")
        ax.set_yticks(y, [textwrap.fill(str(v), 26, max_lines=2, placeholder=" …") for v in seen[by]])
        ax.set_xlim(0, seen["read"].max() * 1.32)
        ax.grid(axis="y", visible=False)
        ax.xaxis.set_major_formatter("{x:,.0f}")
        ax.set_xlabel("Rows in the members' logs")

    note = "Blue: rows kept. Hatched: rows listed with file, line and a remark. Nothing is dropped."
    return Chart("what_came_in", title, rows.reset_index(drop=True), alt, note, draw)


def what_was_said(remarks: pd.DataFrame, *, title: str = "What had to be mended in members' logs?") -> Chart:
    """Remarks by their kind, the most frequent first: how often each was made, in how many files.

    ``remarks``: severity, code, file, one row a remark. ``table``: code, severity, remarks, files. The 14 most
    frequent are drawn.
    """
    require(remarks, ("severity", "code", "file"), "what_was_said")
    rows = (remarks.groupby(["code", "severity"])["file"].agg(remarks="size", files="nunique").reset_index()
            .sort_values(["remarks", "code"], ascending=[False, True], kind="stable").reset_index(drop=True))
    seen = rows.head(MOST_BARS)
    names = {code: KINDS[code].title if code in KINDS else code.replace("-", " ") for code in rows["code"]}
    most = joined([f"{names[row.code]} ({row.remarks:,})" for row in rows.head(3).itertuples()])
    alt = (f"Bars of {len(remarks):,} remarks by {len(rows)} kinds, in {remarks['file'].nunique():,} files. "
           f"The most frequent: {most}.")

    def draw(figure):
        ax = figure.subplots()
        y = np.arange(len(seen))[::-1]
        lost = seen["severity"].isin(("refused", "asked", "blanked")).to_numpy()
        ax.barh(y[~lost], seen["remarks"][~lost], color=BLUE, height=0.72)
        ax.barh(y[lost], seen["remarks"][lost], color="white", edgecolor=VERMILION, hatch="///", height=0.72,
                linewidth=2)
        for at, row in zip(y, seen.itertuples(), strict=True):
            files = f"{row.files:,} file{'s' if row.files > 1 else ''}"
            name_line(ax, row.remarks, at, f"{row.remarks:,} in {files}, {row.severity}", points=TICK_POINTS,
                      weight="normal")
        ax.set_yticks(y, [textwrap.shorten(names[code], 40, placeholder=" …") for code in seen["code"]])
        ax.set_xlim(0, seen["remarks"].max() * 1.5)
        ax.grid(axis="y", visible=False)
        ax.xaxis.set_major_locator(MaxNLocator(integer=True))
        ax.xaxis.set_major_formatter("{x:,.0f}")
        ax.set_xlabel("Remarks")

    note = "Blue: kept, as written or mended. Hatched: left out of the tables until a member answers or mends it."
    return Chart("what_was_said", title, rows, alt, note, draw)


def tape_against_scale(table: pd.DataFrame, *, shown: Shown = IMPERIAL,
                       title: str = "How well does the tape tell the scale?") -> Chart:
    """Percent to chart against the weight by tape, one dot an entry.

    ``table``: table_kg (the weight by the published table), scale_kg. ``Chart.table`` adds to_chart_percent =
    100 * (scale / table - 1): heavy to chart above zero, light below.
    """
    require(table, ("table_kg", "scale_kg"), "tape_against_scale")
    rows = table[["table_kg", "scale_kg"]].astype(float).dropna().reset_index(drop=True)
    require(rows, (), "tape_against_scale")
    rows["to_chart_percent"] = percent_to_chart(rows["scale_kg"], rows["table_kg"])
    percent = rows["to_chart_percent"]
    far = percent.abs() > 10 + 1e-9  # 440 lb on a table of 400 lb is within 10%, whatever the last binary digit
    within = int((~far).sum())
    lightest, heaviest = (say(m, "mass_kg", shown) for m in rows["table_kg"].agg(["min", "max"]))
    alt = (f"Dots of percent to chart against weight by tape for {len(rows)} entries, from {lightest} to {heaviest}. "
           f"{within} of {len(rows)} lie within 10% of the chart; the middle is {_percent(percent.median())}, from "
           f"{_percent(percent.min())} to {_percent(percent.max())}.")

    def draw(figure):
        ax = figure.subplots()
        x = to_shown(rows["table_kg"], "mass_kg", shown)
        ax.axhspan(-10, 10, color=BLUE, alpha=0.10, linewidth=0)
        ax.axhline(0, color=INK, linewidth=2.5)
        sns.scatterplot(x=x[~far], y=percent[~far], ax=ax, color=BLUE, s=130, alpha=0.65, linewidth=0)
        sns.scatterplot(x=x[far], y=percent[far], ax=ax, color=VERMILION, marker="D", s=130, alpha=0.8, linewidth=0)
        reach = max(22.0, float(percent.abs().max()) * 1.15)
        ax.set_ylim(-reach, reach)
        ax.set_xlim(0, x.max() * 1.04)
        ax.yaxis.set_major_formatter(lambda y, _: _percent(y))
        ax.xaxis.set_major_formatter("{x:,.0f}")
        for y, words, va in ((0.985, "heavy to chart", "top"), (0.015, "light to chart", "bottom")):
            ax.text(0.012, y, words, transform=ax.transAxes, va=va, fontsize=LABEL_POINTS, fontweight="bold", color=INK)
        name_line(ax, 0, 10, f"within 10%: {within} of {len(rows)}", dx=10, dy=-6, va="top", color=BLUE)
        ax.set_xlabel(axis_label("Weight by tape and published table", "mass_kg", shown))
        ax.set_ylabel("Scale against the table")

    note = "One dot an entry on the certified scale. Blue dots: within 10% of the table; diamonds: further off."
    return Chart("tape_against_scale", title, rows, alt, note, draw)


def _percent(value: float) -> str:
    """Percent to chart with its sign, none for zero."""
    return f"{value:+.0f}%" if round(value) else "0%"
