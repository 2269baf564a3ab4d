"""Charts of what lies behind the differences: what explains them, and at which age an effect acts."""

from __future__ import annotations

import numpy as np
import pandas as pd

from patchstats.charts.house import BLUE, INK, MEANING, TICK_POINTS, Chart, interval, name_line, require
from patchstats.units import IMPERIAL, Shown, axis_label, say, to_shown


def explained(table: pd.DataFrame, *, level: float = 0.9, title: str = "What explains the differences between fruits?"
              ) -> Chart:
    """Shares of a whole as bars with their intervals, largest first.

    ``table``: what (words), share, low, high (between 0 and 1), see :func:`patchstats.expected.explained`.
    """
    require(table, ("what", "share", "low", "high"), "explained")
    rows = table.sort_values("share", ascending=False, kind="stable").reset_index(drop=True)
    drawn = rows.assign(**{f"{c}_percent": 100.0 * rows[c] for c in ("share", "low", "high")})
    said = "; ".join(f"{r.what} {r.share_percent:.0f}%" for r in drawn.itertuples())
    alt = f"Shares of the lasting differences between fruits as bars with {level:.0%} intervals: {said}."

    def draw(figure):
        ax = figure.subplots()
        places = np.arange(len(drawn))[::-1]
        ax.barh(places, drawn["share_percent"], color=BLUE, height=0.62)
        known = drawn["high_percent"].notna().to_numpy()
        interval(ax, drawn["low_percent"][known], drawn["high_percent"][known], places[known], color=INK, width=4)
        right = drawn[["share_percent", "high_percent"]].max(axis=1)
        for place, x, row in zip(places, right, drawn.itertuples(), strict=True):
            name_line(ax, x, place, f"{row.share_percent:.0f}%", points=TICK_POINTS)
        ax.set_yticks(places, drawn["what"])
        ax.set_xlim(min(0.0, float(drawn["low_percent"].min())), 1.12 * float(right.max()))
        ax.grid(axis="y", visible=False)
        ax.set_xlabel("Share of the lasting differences (%)")

    note = f"Thin bars: {level:.0%} intervals. Shares in this club, as its plants and patches were. Observational."
    return Chart("explained", title, drawn, alt, note, draw)


def effect_by_age(table: pd.DataFrame, *, column: str = "pace_percent", level: float = 0.9, shown: Shown = IMPERIAL,
                  title: str = "At which age does it act?") -> Chart:
    """Effects along the age of the fruit with their bands.

    ``table``: effect (words), day, estimate, low, high [unit of ``column``], see
    :func:`patchstats.expected.effects_by_age`.
    """
    require(table, ("effect", "day", "estimate", "low", "high"), "effect_by_age")
    names = list(dict.fromkeys(table["effect"]))
    parts = []
    for name in names:
        rows = table[table["effect"] == name].sort_values("day")
        first, last = rows.iloc[0], rows.iloc[-1]
        parts.append(f"{name}: {_plus(first.estimate, column, shown)} at day {first.day:g}, "
                     f"{_plus(last.estimate, column, shown)} at day {last.day:g}")
    alt = f"Effects on daily gain along the age of the fruit, with {level:.0%} bands. {'; '.join(parts)}."

    def draw(figure):
        ax = figure.subplots()
        for name, color in zip(names, MEANING, strict=False):
            rows = table[table["effect"] == name].sort_values("day")
            low, middle, high = (to_shown(rows[c], column, shown, difference=True) for c in ("low", "estimate", "high"))
            ax.fill_between(rows["day"], low, high, color=color, alpha=0.2, linewidth=0)
            ax.plot(rows["day"], middle, color=color, linewidth=6)
            at = len(rows) // 2
            name_line(ax, rows["day"].iloc[at], np.asarray(high)[at], name, color=color, dx=0, dy=10, ha="center",
                      va="bottom")
        ax.axhline(0, color=INK, linewidth=2.5)
        ax.margins(y=0.15)
        ax.set_xlabel("Days after pollination")
        ax.set_ylabel(axis_label("Effect on daily gain", column, shown, difference=True))

    note = f"Bands: {level:.0%} intervals. Among one grower's own fruits. Observational: nothing was set by lot."
    return Chart("effect_by_age", title, table[["effect", "day", "estimate", "low", "high"]].assign(column=column), alt,
                 note, draw)


def _plus(value: float, column: str, shown: Shown) -> str:
    return ("+" if value > 0 else "") + say(value, column, shown, difference=True, decimals=1)
