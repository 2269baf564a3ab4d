"""Charts of growth: the daily gain of every fruit, and one fruit's own path."""

from __future__ import annotations

import pandas as pd
import seaborn as sns

from patchstats.charts.house import (
    BLUE,
    CLOUD,
    INK,
    LABEL_POINTS,
    SOFT,
    VERMILION,
    Chart,
    name_line,
    require,
)
from patchstats.tables import short_name
from patchstats.units import IMPERIAL, Shown, axis_label, say, to_shown
from patchstats.weeks import weekly_gain

FEWEST_FRUITS = 10  # a middle of fewer says little of a club


def gain_by_day(gains: pd.DataFrame, *, shown: Shown = IMPERIAL,
                title: str = "How much does a fruit gain in a day?") -> Chart:
    """Daily gain against days after pollination: a line for every fruit, and the club's middle.

    ``gains`` as made by ``daily_gains`` (fruit, day, days, gain_kg_day). ``table``: each fruit's gain by week
    (:func:`patchstats.weeks.weekly_gain`), and the middle of all fruits in that week as the fruit "the club's
    middle"; weeks with fewer than 10 fruits have none.
    """
    require(gains, ("fruit", "day", "days", "gain_kg_day"), "gain_by_day")
    each = weekly_gain(gains)
    by_week = each.groupby("day")["gain_kg_day"]
    middle = by_week.median()[by_week.count() >= FEWEST_FRUITS].reset_index()
    middle["fruit"] = "the club's middle"
    table = pd.concat([each, middle], ignore_index=True)[["fruit", "day", "gain_kg_day"]]
    n_fruits = each["fruit"].nunique()

    alt = f"Lines of daily gain against days after pollination, one for each of {n_fruits} fruits."
    if not middle.empty:
        top, last = middle.nlargest(1, "gain_kg_day").iloc[0], middle.iloc[-1]
        most, least = (say(row["gain_kg_day"], "gain_kg_day", shown) for row in (top, last))
        alt += (f" The club's middle is highest near day {top['day']:.0f} with {most} and stands at {least} near "
                f"day {last['day']:.0f}.")

    def draw(figure):
        ax = figure.subplots()
        seen = each.assign(gain=to_shown(each["gain_kg_day"], "gain_kg_day", shown))
        sns.lineplot(seen, x="day", y="gain", units="fruit", estimator=None, ax=ax, color=CLOUD, linewidth=1.2,
                     alpha=0.45)
        if not middle.empty:
            height = to_shown(middle["gain_kg_day"], "gain_kg_day", shown)
            ax.plot(middle["day"], height, color=BLUE, linewidth=8)
            at = int(height.to_numpy().argmax())
            name_line(ax, middle["day"].iloc[at], height.iloc[at], "the club's middle", color=BLUE, dx=0, dy=26,
                      ha="center", points=LABEL_POINTS + 4)
        low, high = seen["gain"].quantile([0.002, 0.998])
        ax.set_ylim(min(0.0, low), high * 1.05)
        ax.set_xlabel("Days after pollination")
        ax.set_ylabel(axis_label("Daily gain", "gain_kg_day", shown))

    note = "Each grey line is one fruit, week by week, weighed by tape. The middle: half of them gain more, half less."
    return Chart("gain_by_day", title, table, alt, note, draw)


def growth_of_fruit(path: pd.DataFrame, readings: pd.DataFrame | None = None, *, fruit: str = "",
                    weigh_off_day: float | None = None, level: float = 0.9, shown: Shown = IMPERIAL,
                    title: str = "") -> Chart:
    """One fruit's own growth with its band.

    ``path``: day, mass_kg, mass_kg_low, mass_kg_high, the smoothed or forecast weight. ``readings``: day, mass_kg,
    the weights by tape, drawn as dots. ``weigh_off_day`` draws a line there. ``table``: path and readings together,
    told apart by the column ``kind`` ("path", "tape").
    """
    require(path, ("day", "mass_kg", "mass_kg_low", "mass_kg_high"), "growth_of_fruit")
    path = path.sort_values("day")
    dots = readings.dropna(subset=["day", "mass_kg"]) if readings is not None else path.iloc[:0]
    table = pd.concat([path.assign(kind="path"), dots.assign(kind="tape")], ignore_index=True)
    table = table[["kind", "day", "mass_kg", "mass_kg_low", "mass_kg_high"]]
    grower, _, rest = fruit.partition("/")
    name = f"{grower}'s {short_name(rest)} of {rest.split('/')[0]}" if rest else "the fruit"
    last = path.iloc[-1]
    least, at, most = (say(last[c], "mass_kg", shown) for c in ("mass_kg_low", "mass_kg", "mass_kg_high"))
    alt = (f"The growth of {fruit or 'one fruit'}: a line with a band of {level:.0%}, and {len(dots)} weights by tape "
           f"as dots. On day {last['day']:.0f} the line stands at {at}, the band from {least} to {most}.")

    def draw(figure):
        ax = figure.subplots()
        low, middle, high = (to_shown(path[c], "mass_kg", shown) for c in ("mass_kg_low", "mass_kg", "mass_kg_high"))
        ax.fill_between(path["day"], low, high, color=BLUE, alpha=0.22, linewidth=0)
        ax.plot(path["day"], low, color=BLUE, linewidth=1.5)
        ax.plot(path["day"], high, color=BLUE, linewidth=1.5)
        ax.plot(path["day"], middle, color=BLUE)
        ax.plot(dots["day"], to_shown(dots["mass_kg"], "mass_kg", shown), "o", color=INK, markersize=8)
        end = float(path["day"].iloc[-1])
        name_line(ax, end, middle.iloc[-1], at, color=BLUE)
        name_line(ax, end, high.iloc[-1], most, dy=10, color=SOFT, weight="normal", va="bottom")
        name_line(ax, end, low.iloc[-1], least, dy=-10, color=SOFT, weight="normal", va="top")
        if weigh_off_day is not None:
            ax.axvline(weigh_off_day, color=VERMILION, linewidth=3, linestyle="--")
            name_line(ax, weigh_off_day, 0, "weigh-off ", color=VERMILION, dx=-8, dy=20, ha="right")
        ax.set_xlim(right=end + 0.13 * (end - float(path["day"].iloc[0])))
        ax.set_ylim(bottom=0)
        ax.yaxis.set_major_formatter("{x:,g}")
        ax.set_xlabel("Days after pollination")
        ax.set_ylabel(axis_label("Weight by tape", "mass_kg", shown))

    note = (("Dots: weight by tape. " if len(dots) else "")
            + f"Band: {level:.0%} interval of the tape's error alone; on the scale fruits scatter by some 9% besides.")
    return Chart("growth_of_fruit", title or f"How has {name} grown?", table, alt, note, draw)
