"""Charts of entries compared fairly: growers with intervals, how sure the ranks are, season to season."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.ticker import MaxNLocator

from patchstats.charts.house import (
    BLUE,
    CLOUD,
    INK,
    SOFT,
    TICK_POINTS,
    VERMILION,
    Chart,
    interval,
    joined,
    name_line,
    require,
)
from patchstats.tables import short_name
from patchstats.units import IMPERIAL, Shown, axis_label, say, to_shown

ROWS_A_PANEL = 20  # more names than this in one column cannot be read from the back of a hall
PANELS = 3


def growers_compared(levels: pd.DataFrame, *, column: str = "pace_percent", group: str = "grower",
                     raw: pd.Series | None = None, level: float = 0.9, shown: Shown = IMPERIAL,
                     title: str = "Who gained most for their conditions?") -> Chart:
    """Each level of a group with its interval, best first: a caterpillar chart.

    ``levels``: index the level's name; shift, low, high [unit of ``column``], shrunken. ``raw``: by the same index,
    the shift before shrinkage, drawn as a hollow mark so that the shrinkage is seen. Filled squares: intervals that
    leave out zero. Beyond 60 rows only the first and last 30 are drawn; ``table`` keeps them all.
    """
    require(levels, ("shift", "low", "high"), "growers_compared")
    rows = levels[["shift", "low", "high"]].sort_values("shift", ascending=False, kind="stable")
    rows.index = [str(name) for name in rows.index]
    if raw is not None:
        rows = rows.assign(raw=raw.rename(index=str).reindex(rows.index))
    most = ROWS_A_PANEL * PANELS
    seen = rows if len(rows) <= most else pd.concat([rows.iloc[: most // 2], rows.iloc[-most // 2:]])
    above, below = rows.index[rows["low"] > 0], rows.index[rows["high"] < 0]
    alt = (f"{len(rows)} marks, one a {group.replace('_', ' ')}, with {level:.0%} intervals, best first. "
           f"Above the club's middle with an interval that leaves it out: {_listed(above)}. Below: {_listed(below)}. "
           f"First is {rows.index[0]} with {_plus(rows['shift'].iloc[0], column, shown)} "
           f"({_plus(rows['low'].iloc[0], column, shown)} to "
           f"{_plus(rows['high'].iloc[0], column, shown)}).")

    def draw(figure):
        panels = -(-len(seen) // ROWS_A_PANEL)
        per = -(-len(seen) // panels)
        axes = np.atleast_1d(figure.subplots(1, panels, sharex=True))
        for number, ax in enumerate(axes):
            part = seen.iloc[number * per:(number + 1) * per]
            y = np.arange(len(part))[::-1]
            low, middle, high = (to_shown(part[c].to_numpy(), column, shown, difference=True)
                                 for c in ("low", "shift", "high"))
            above, below = (part["low"] > 0).to_numpy(), (part["high"] < 0).to_numpy()
            for chosen, color, mark in ((above, BLUE, "s"), (below, VERMILION, "s"), (~above & ~below, SOFT, "o")):
                interval(ax, low[chosen], high[chosen], y[chosen], color=color)
                ax.plot(middle[chosen], y[chosen], mark, color=color, markersize=13)
            if "raw" in part:
                ax.plot(to_shown(part["raw"].to_numpy(), column, shown, difference=True), y, "o", markersize=9,
                        markerfacecolor="white", markeredgecolor=INK, markeredgewidth=1.5, zorder=1.5)
            ax.axvline(0, color=INK, linewidth=2)
            ax.set_yticks(y, [_short(name) for name in part.index],
                          fontsize=TICK_POINTS if per <= 16 else TICK_POINTS - 3)
            ax.set_ylim(len(part) - per - 0.7, len(part) - 0.3)  # the same height a row in every panel
            ax.grid(axis="y", visible=False)
            ax.margins(x=0.04)
            if panels < 3 or number == 1:  # three such labels would run into each other
                ax.set_xlabel(axis_label("From the club's middle", column, shown, difference=True))

    marks = "Squares: the interval leaves out the club's middle; dots: it cannot be told from it."
    hollow = " Hollow: unshrunken." if raw is not None else ""
    undrawn = f" The {len(rows) - len(seen)} in between are not drawn." if len(rows) > len(seen) else ""
    if undrawn:
        marks = "Squares: it leaves out the club's middle."  # there is one line at the foot
    note = f"Bars: {level:.0%} intervals. {marks}{hollow}{undrawn}"
    alt += undrawn
    table = rows.rename_axis(group).reset_index().assign(column=column)
    return Chart("growers_compared", title, table, alt, note, draw)


def rank_uncertainty(ranks: pd.DataFrame, *, group: str = "grower", level: float = 0.9, top: int = 15,
                     title: str = "How sure are the ranks?") -> Chart:
    """The rank of each of the best, as far as it is known.

    ``ranks``: index the name; rank (the middle of the simulated ranks), low, high, and ``top_3``, the probability of
    being among the first three. The ``top`` best by rank are drawn; ``table`` keeps all.
    """
    require(ranks, ("rank", "low", "high", "top_3"), "rank_uncertainty")
    rows = ranks[["rank", "low", "high", "top_3"]]
    rows = rows.sort_values(["rank", "top_3"], ascending=[True, False], kind="stable")
    rows.index = [str(name) for name in rows.index]
    seen = rows.iloc[:top]
    likeliest = rows.nlargest(1, "top_3")
    first = seen.iloc[0]
    alt = (f"Ranks with {level:.0%} intervals for the {len(seen)} best of {len(rows)}. {seen.index[0]} stands at rank "
           f"{first['rank']:.0f}, but may be anywhere from {first['low']:.0f} to {first['high']:.0f}. The likeliest "
           f"of the first three is {likeliest.index[0]}, with a chance of {likeliest['top_3'].iloc[0]:.0%}.")

    def draw(figure):
        ax = figure.subplots()
        y = np.arange(len(seen))[::-1]
        interval(ax, seen["low"], seen["high"], y, color=BLUE, width=9)
        ax.plot(seen["rank"], y, "o", color=BLUE, markersize=18)
        right = float(seen["high"].max())
        for at, chance in zip(y, seen["top_3"], strict=True):
            name_line(ax, right, at, f"{chance:.0%}" if chance >= 0.005 else "<1%", dx=40, color=INK)
        name_line(ax, right, len(seen) - 0.15, "among the\nfirst three", dx=40, va="bottom", color=SOFT,
                  points=TICK_POINTS)
        ax.set_yticks(y, [_short(name) for name in seen.index])
        ax.set_ylim(-0.6, len(seen) + 0.9)
        ax.set_xlim(0, right * 1.16)
        ax.set_xticks([1, *range(5, int(right) + 1, 5)])
        ax.grid(axis="y", visible=False)
        ax.set_xlabel("Rank, 1 is the best")

    note = f"Bars: where the rank lies with a chance of {level:.0%}, all drawn together by joint simulation."
    return Chart("rank_uncertainty", title, rows.rename_axis(group).reset_index(), alt, note, draw)


def season_to_season(seasons: pd.DataFrame, *, column: str = "pace_percent", each: pd.DataFrame | None = None,
                     level: float = 0.9, shown: Shown = IMPERIAL, title: str = "Is the club getting better?") -> Chart:
    """Season to season with intervals.

    ``seasons``: season, estimate, low, high [unit of ``column``], such as the shifts of the seasons with the change
    of members taken out. ``each``: season and ``column``, one row a fruit, drawn as faint dots behind.
    """
    require(seasons, ("season", "estimate", "low", "high"), "season_to_season")
    rows = seasons[["season", "estimate", "low", "high"]].sort_values("season").reset_index(drop=True)
    difference = each is None
    best, worst = rows.nlargest(1, "estimate").iloc[0], rows.nsmallest(1, "estimate").iloc[0]
    word = (lambda v: _plus(v, column, shown)) if difference else (lambda v: say(v, column, shown))
    highest, lowest = (f"{s['season']:.0f} with {word(s['estimate'])} ({word(s['low'])} to {word(s['high'])})"
                       for s in (best, worst))
    alt = f"{len(rows)} seasons as dots with {level:.0%} intervals. Highest is {highest}, lowest {lowest}."

    def draw(figure):
        ax = figure.subplots()
        x = rows["season"].to_numpy(float)
        if each is not None:
            behind = each[["season", column]].dropna()
            jitter = np.random.default_rng(1).uniform(-0.18, 0.18, len(behind))
            ax.plot(behind["season"].to_numpy(float) + jitter, to_shown(behind[column].to_numpy(), column, shown), "o",
                    color=CLOUD, alpha=0.5, markersize=8, markeredgewidth=0)
        low, middle, high = (to_shown(rows[c].to_numpy(), column, shown, difference=difference)
                             for c in ("low", "estimate", "high"))
        ax.plot(x, middle, color=BLUE, linewidth=2.5)
        interval(ax, low, high, x, color=BLUE, vertical=True, width=9)
        ax.plot(x, middle, "o", color=BLUE, markersize=20)
        for at, top, value in zip(x, high, rows["estimate"], strict=True):
            name_line(ax, at, top, word(value), dx=0, dy=8, ha="center", va="bottom", points=TICK_POINTS)
        if difference:
            ax.axhline(0, color=INK, linewidth=2)
        ax.set_xticks(x, [f"{s:.0f}" for s in x])
        ax.set_xlim(x[0] - 0.5, x[-1] + 0.5)
        ax.margins(y=0.12)
        ax.yaxis.set_major_locator(MaxNLocator(integer=True))
        ax.yaxis.set_major_formatter("{x:,g}")
        ax.grid(axis="x", visible=False)
        ax.set_xlabel("Season")
        title = "Gain, from the club's middle" if difference else "Weight on the scale"
        ax.set_ylabel(axis_label(title, column, shown, difference=difference))

    note = f"Bars: {level:.0%} intervals." + ("" if difference else " Each faint dot is one fruit.")
    return Chart("season_to_season", title, rows.assign(column=column), alt, note, draw)


def _plus(value: float, column: str, shown: Shown) -> str:
    return ("+" if value > 0 else "") + say(value, column, shown, difference=True)


def _listed(names) -> str:
    shown = [str(n) for n in names[:5]]
    rest = len(names) - len(shown)
    return joined(shown + ([f"{rest} more"] if rest else [])) or "none"


def _short(name: str) -> str:
    """A level's name short enough for an axis: the fruit or plant of a key keeps its season."""
    words = name if name.count("/") < 2 else f"{name.split('/')[0]} {short_name(name)}"
    return words if len(words) <= 26 else words[:25] + "…"
