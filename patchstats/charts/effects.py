"""Charts of what drives daily gain: effects with intervals, the soil curve, the trade-off, the specifications."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.ticker import MaxNLocator

from patchstats.charts.house import (
    BLUE,
    INK,
    SOFT,
    TICK_POINTS,
    VERMILION,
    Chart,
    interval,
    name_line,
    require,
)
from patchstats.units import IMPERIAL, Shown, axis_label, display_of, say, to_shown

_ESTIMATE = ("estimate", "low", "high")
RUG_TICKS = 300  # quantiles of the logged values: as dense as they are, however many there are
_SIDES = {"within": (BLUE, "o"), "between": (VERMILION, "s"), "naive": (SOFT, "^"), "unsplit": (INK, "D")}


def effects(table: pd.DataFrame, *, column: str = "pace_percent", level: float = 0.9, shown: Shown = IMPERIAL,
            title: str = "What goes with more daily gain?") -> Chart:
    """Effects with their intervals, one row each.

    ``table``: ``effect`` (said in words, such as "5 more secondary vines"), estimate, low, high [unit of ``column``],
    and ``side`` where there are several for one effect: "within" (one grower's own fruits), "between" (growers) or
    "naive" (growers left out of account) or "unsplit" (own fruits and growers in one). Drawn in
    the order given, from the top.
    """
    require(table, ("effect", *_ESTIMATE), "effects")
    rows = table.reset_index(drop=True)
    if "side" not in rows:
        rows = rows.assign(side="within")
    drawn = rows[["effect", "side", *_ESTIMATE]].assign(column=column)
    names = list(dict.fromkeys(rows["effect"]))
    sides = list(dict.fromkeys(rows["side"]))
    words = rows[list(_ESTIMATE)].map(lambda value: _signed(value, column, shown))
    named = rows["effect"] + (" (" + rows["side"] + ")" if len(sides) > 1 else "")
    said = "; ".join(named + " " + words["estimate"] + " (" + words["low"] + " to " + words["high"] + ")")
    alt = f"Effects on daily gain as dots with {level:.0%} intervals: {said}."

    def draw(figure):
        ax = figure.subplots()
        offsets = np.linspace(0.22, -0.22, len(sides)) * (len(sides) > 1)
        for row in rows.itertuples():
            color, mark = _SIDES.get(row.side, (INK, "D"))
            y = len(names) - 1 - names.index(row.effect) + offsets[sides.index(row.side)]
            low, middle, high = (to_shown(v, column, shown, difference=True) for v in (row.low, row.estimate, row.high))
            interval(ax, low, high, y, color=color, width=7)
            ax.plot(middle, y, mark, color=color, markersize=18)
            if len(sides) > 1:
                name_line(ax, high, y, _SIDE_WORDS.get(row.side, row.side), color=color, dx=16, points=TICK_POINTS)
        ax.axvline(0, color=INK, linewidth=2.5)
        ax.set_yticks(range(len(names) - 1, -1, -1), names)
        ax.set_ylim(-0.6, len(names) - 0.4)
        ax.grid(axis="y", visible=False)
        low, high = ax.get_xlim()
        ax.set_xlim(low, high + (0.26 * (high - low) if len(sides) > 1 else 0))
        unit = display_of(column, shown).unit
        ax.set_xlabel(f"less gain  ←  Daily gain ({unit})  →  more gain")

    note = f"Bars: {level:.0%} intervals. Right of the black line: more gain. Observational: nothing was set by lot."
    return Chart("effects", title, drawn, alt, note, draw)


_SIDE_WORDS = {"within": "a grower's own fruits", "between": "between growers", "naive": "growers ignored",
               "unsplit": "both together"}


def _signed(value: float, column: str, shown: Shown) -> str:
    return ("+" if value > 0 else "") + say(value, column, shown, difference=True, decimals=1)


def soil_curve(curve: pd.DataFrame, *, optimum: pd.Series | None = None, column: str = "pace_percent",
               readings_c: pd.Series | None = None, reference_c: float = 20.0, level: float = 0.9,
               shown: Shown = IMPERIAL, title: str = "Which soil temperature goes with most gain?") -> Chart:
    """Gain along soil temperature with its band, and the optimum with its interval.

    ``curve``: soil_c, estimate, low, high [unit of ``column``], as the difference from gain at ``reference_c`` (where
    the band has no width, being compared with itself). ``optimum``: estimate, low, high [c].
    ``readings_c``: the soil temperatures in the data, drawn as ticks on the foot so that a thin end is seen as thin.
    """
    require(curve, ("soil_c", *_ESTIMATE), "soil_curve")
    curve = curve.sort_values("soil_c")
    if optimum is not None and not curve["soil_c"].iloc[0] <= optimum["estimate"] <= curve["soil_c"].iloc[-1]:
        optimum = None  # beyond the soils logged: the curve was never seen to turn
    alt = (f"A curve of gain against soil temperature from {say(curve['soil_c'].iloc[0], 'soil_c', shown)} to "
           f"{say(curve['soil_c'].iloc[-1], 'soil_c', shown)} with its {level:.0%} band.")
    if optimum is not None:
        alt += (f" It is highest at {say(optimum['estimate'], 'soil_c', shown)}, {level:.0%} interval "
                f"{say(optimum['low'], 'soil_c', shown)} to {say(optimum['high'], 'soil_c', shown)}.")

    def draw(figure):
        ax = figure.subplots()
        x = to_shown(curve["soil_c"], "soil_c", shown)
        low, middle, high = (to_shown(curve[c], column, shown, difference=True) for c in ("low", "estimate", "high"))
        ax.fill_between(x, low, high, color=BLUE, alpha=0.22, linewidth=0)
        ax.plot(x, middle, color=BLUE, linewidth=6)
        if readings_c is not None:
            logged = readings_c.dropna().astype(float).quantile(np.linspace(0, 1, RUG_TICKS))
            ticks = to_shown(logged[logged.between(curve["soil_c"].iloc[0], curve["soil_c"].iloc[-1])], "soil_c", shown)
            ax.plot(ticks, np.full(len(ticks), 0.012), "|", color=INK, alpha=0.4, markersize=22,
                    transform=ax.get_xaxis_transform())
        if optimum is not None:
            best, below, above = (to_shown(optimum[c], "soil_c", shown) for c in ("estimate", "low", "high"))
            top = np.interp(best, x, middle)
            ax.plot(best, top, "o", color=VERMILION, markersize=20)
            interval(ax, below, above, top, color=VERMILION)
            words = f"most gain at {say(optimum['estimate'], 'soil_c', shown)}"
            name_line(ax, best, np.interp(best, x, high), words, color=VERMILION, dx=0, dy=12, ha="center",
                      va="bottom")
            ax.margins(y=0.12)
        ax.xaxis.set_major_locator(MaxNLocator(integer=True))
        ax.set_xlabel(axis_label("Soil temperature", "soil_c", shown))
        at = say(reference_c, "soil_c", shown)
        ax.set_ylabel(axis_label(f"Daily gain, from that at {at}", column, shown, difference=True))

    note = f"Band: {level:.0%} interval." + (
        " Ticks at the foot: where the soil temperatures of the logs lie." if readings_c is not None else "")
    return Chart("soil_curve", title, curve[["soil_c", *_ESTIMATE]].assign(column=column), alt, note, draw)


def trade_off(fruits: pd.DataFrame, *, shown: Shown = IMPERIAL,
              title: str = "Wait for a bigger plant, or set now: what have members done?") -> Chart:
    """Set date against plant size at set, one dot a fruit: where the club has tried both, and where never.

    ``fruits``: set_day [day of the year], secondaries. The line is the least-squares line through the dots.
    """
    require(fruits, ("set_day", "secondaries"), "trade_off")
    rows = fruits[["set_day", "secondaries"]].astype(float).dropna().reset_index(drop=True)
    require(rows, (), "trade_off")
    varied = len(rows) > 2 and rows.nunique().min() > 1
    r = np.corrcoef(rows["set_day"], rows["secondaries"])[0, 1] if varied else np.nan
    (first, last), (few, many) = (rows[c].agg(["min", "max"]) for c in ("set_day", "secondaries"))
    alt = (f"Dots of plant size against pollination date for {len(rows)} fruits, from {_date_words(first)} to "
           f"{_date_words(last)} and {few:.0f} to {many:.0f} secondary vines.")
    if varied:
        alt += f" Their correlation is {r:.2f}."

    def draw(figure):
        ax = figure.subplots()
        jitter = np.random.default_rng(1).uniform(-0.3, 0.3, (len(rows), 2))  # counts would cover each other
        sns.scatterplot(x=rows["set_day"] + jitter[:, 0], y=rows["secondaries"] + jitter[:, 1], ax=ax, color=BLUE,
                        s=150, alpha=0.5, linewidth=0)
        if varied:
            slope, start = np.polyfit(rows["set_day"], rows["secondaries"], 1)
            ends = np.array([first, last])
            ax.plot(ends, start + slope * ends, color=VERMILION)
            words = "later set, bigger plant" if slope > 0 else "later set, smaller plant"
            name_line(ax, ends[-1], start + slope * ends[-1], words, color=VERMILION, dx=0, dy=30, ha="right")
        corner = {"transform": ax.transAxes, "color": SOFT, "fontsize": TICK_POINTS}
        ax.text(0.01, 0.98, "early and big", ha="left", va="top", **corner)
        ax.text(0.99, 0.02, "late and small", ha="right", va="bottom", **corner)
        ticks = [t for t in _MONTH_TICKS if first - 4 <= t <= last + 4]
        ax.set_xticks(ticks, [_date_words(t) for t in ticks])
        ax.yaxis.set_major_locator(MaxNLocator(integer=True))  # nobody keeps half a vine
        ax.set_xlabel("Day of pollination")
        ax.set_ylabel("Secondary vines at pollination")

    note = "One dot a fruit, moved a little apart. A corner without dots: the club cannot say what happens there."
    return Chart("trade_off", title, rows, alt, note, draw)


_MONTH_TICKS = tuple(range(101, 300, 10))


def _date_words(day: float) -> str:
    """A day of the year (of a common year) as one says it: ``182`` is "1 Jul"."""
    date = pd.Timestamp(2023, 1, 1) + pd.Timedelta(days=round(float(day)) - 1)
    return f"{date.day} {date:%b}"


def specification_curve(table: pd.DataFrame, *, term: str = "", column: str = "pace_percent", level: float = 0.9,
                        main: str = "", shown: Shown = IMPERIAL, title: str = "") -> Chart:
    """One effect by every way of working it out, smallest first, with the choices behind each.

    ``table``: ``specification`` (words), estimate, low, high [unit of ``column``], and further text columns, one a
    choice made (such as ``chart``, ``curve``, ``left_out``). ``main`` names the specification that is reported.
    """
    require(table, ("specification", *_ESTIMATE), "specification_curve")
    rows = table.sort_values("estimate", kind="stable").reset_index(drop=True)
    choices = [c for c in rows.columns if c not in ("specification", *_ESTIMATE, "se", "df", "t", "p", "n_rows")]
    sure = int(((rows["low"] > 0) | (rows["high"] < 0)).sum())
    same = int((np.sign(rows["estimate"]) == np.sign(rows["estimate"].median())).sum())
    least, most = (_signed(rows["estimate"].iloc[at], column, shown) for at in (0, -1))
    alt = (f"{len(rows)} ways of working out {term or 'one effect'}, from {least} to {most}; {same} of {len(rows)} "
           f"have the same sign, and {sure} of {len(rows)} have a {level:.0%} interval that leaves out zero.")

    def draw(figure):
        lines = [(c, v) for c in choices for v in dict.fromkeys(rows[c].dropna())]
        if lines:
            ax, grid = figure.subplots(2, 1, sharex=True, height_ratios=(3, max(1.0, 0.32 * len(lines))))
        else:
            ax, grid = figure.subplots(), None
        low, middle, high = (to_shown(rows[c], column, shown, difference=True) for c in ("low", "estimate", "high"))
        is_main = (rows["specification"] == main).to_numpy()
        for chosen, color, mark, size in ((~is_main, BLUE, "o", 12), (is_main, VERMILION, "D", 20)):
            at = np.flatnonzero(chosen)
            interval(ax, low[at], high[at], at, color=color, vertical=True, width=3 if size == 12 else 6)
            ax.plot(at, middle[at], mark, color=color, markersize=size)
        if is_main.any():
            at = int(np.flatnonzero(is_main)[0])
            name_line(ax, at, high[at], "the one we report", color=VERMILION, dx=0, dy=18, ha="center")
        ax.axhline(0, color=INK, linewidth=2.5)
        ax.set_xticks([])
        ax.set_ylabel(axis_label("Effect", column, shown, difference=True))
        if grid is not None:
            for y, (choice, value) in enumerate(reversed(lines)):
                at = np.flatnonzero(rows[choice] == value)
                grid.plot(at, np.full(len(at), y), "s", color=INK, markersize=11)
            names = [f"{choice.replace('_', ' ')}: {value}" for choice, value in reversed(lines)]
            grid.set_yticks(range(len(lines)), names, fontsize=TICK_POINTS - 4)
            grid.set_ylim(-0.7, len(lines) - 0.3)
            grid.grid(axis="x", visible=False)
            grid.set_xticks([])

    note = f"Each column is one way of working it out; squares mark what it used. Bars: {level:.0%} intervals."
    title = title or f"Does the answer{f' for {term}' if term else ''} hang on how it is worked out?"
    name = "_".join(["specification_curve", *re.findall("[a-z0-9]+", term.lower())])
    return Chart(name, title, rows, alt, note, draw)
