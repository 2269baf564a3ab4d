"""Charts: what is drawn is the table, in the club's units; every picture keeps the house style."""

import functools
import hashlib
import io
import struct
import subprocess
import sys
import xml.etree.ElementTree as ElementTree

import matplotlib
import numpy as np
import pandas as pd
import pytest
from PIL import Image

from patchstats import charts
from patchstats.charts import house
from patchstats.remarks import OutputError, PatchstatsError
from patchstats.units import METRIC

RANDOM = np.random.default_rng(11)
NAMES = ["Ada Moor", "Bo Fenn", "Wim Oster", "Ulla Varn", "Corin Tarn", "Isolde Brack"]


def gains_table():
    rows = [(f"{name}/2024/{fruit}", day, 1.0, (10 + k) * np.exp(-((day - 35) / 20) ** 2))
            for k, name in enumerate(NAMES) for fruit in "AB" for day in np.arange(10.5, 80)]
    return pd.DataFrame(rows, columns=["fruit", "day", "days", "gain_kg_day"])


def levels_table(count=6):
    shift = np.linspace(9, -9, count)
    return pd.DataFrame({"shift": shift, "low": shift - 4, "high": shift + 4},
                        index=[f"Grower {k}" for k in range(count)])


EFFECTS = pd.DataFrame([("5 more vines", "within", 8.0, 4.0, 12.0), ("5 more vines", "between", 14.0, 9.0, 19.0),
                        ("a week later", "within", -6.0, -9.0, -3.0)],
                       columns=["effect", "side", "estimate", "low", "high"])
SOIL = pd.DataFrame({"soil_c": [14.0, 18.0, 22.0, 26.0], "estimate": [-9.0, -1.0, 0.0, -8.0],
                     "low": [-12.0, -3.0, -2.0, -12.0], "high": [-6.0, 1.0, 2.0, -4.0]})
OPTIMUM = pd.Series({"estimate": 21.0, "low": 20.0, "high": 22.0})
FRUITS = pd.DataFrame({"set_day": [175, 180, 185, 190, 195.0], "secondaries": [10, 16, 15, 22, np.nan]})
WAYS = pd.DataFrame({"specification": ["a", "b", "c"], "chart": ["2013", "2021", "2021"],
                     "rows": ["all", "all", "sure"], "estimate": [7.0, 6.0, 8.0],
                     "low": [4.0, -1.0, 5.0], "high": [10.0, 9.0, 11.0]})
LONG = "5 more secondary vines at set"
RANKS = pd.DataFrame({"rank": [1.0, 2, 3], "low": [1, 1, 2], "high": [2, 3, 3], "top_3": [1.0, 0.9, 0.8]},
                     index=NAMES[:3])
SEASONS = pd.DataFrame({"season": [2022, 2023, 2024], "estimate": [-4.0, 1, 5], "low": [-7.0, -2, 2],
                        "high": [-1.0, 4, 8]})
SCALE = pd.DataFrame({"table_kg": [400.0, 500.0, 800.0, np.nan], "scale_kg": [440.0, 400.0, 800.0, 100.0]})
CAME_IN = pd.DataFrame({"kind": ["one day a row", "one day a column"], "kept": [900, 300], "listed": [0, 12]})
PATH = pd.DataFrame({"day": [20.0, 40, 60], "mass_kg": [100.0, 300, 450], "mass_kg_low": [90.0, 280, 400],
                     "mass_kg_high": [110.0, 320, 500]})
TAPED = pd.DataFrame({"day": [20.0, 41], "mass_kg": [98.0, 310]})

SHARES = pd.DataFrame([("the grower", 0.3, 0.2, 0.4), ("plant size", 0.5, 0.4, 0.6), ("the season", 0.2, 0.0, np.nan)],
                      columns=["what", "share", "low", "high"])
BY_AGE = pd.DataFrame([(effect, day, size + day / 50, size - 2 + day / 50, size + 2 + day / 50)
                       for effect, size in (("5 more vines", 9.0), ("a week later", -6.0)) for day in (20, 40, 60)],
                      columns=["effect", "day", "estimate", "low", "high"])

CHARTS = {
    "explained": lambda **k: charts.explained(SHARES),
    "effect_by_age": lambda **k: charts.effect_by_age(BY_AGE, **k),
    "gain_by_day": lambda **k: charts.gain_by_day(gains_table(), **k),
    "effects": lambda **k: charts.effects(EFFECTS, **k),
    "growers_compared": lambda **k: charts.growers_compared(levels_table(36), raw=levels_table(36)["shift"] * 1.4, **k),
    "growers_compared, many": lambda **k: charts.growers_compared(levels_table(90), **k),
    "rank_uncertainty": lambda **k: charts.rank_uncertainty(RANKS),
    "season_to_season": lambda **k: charts.season_to_season(SEASONS, **k),
    "soil_curve": lambda **k: charts.soil_curve(SOIL, optimum=OPTIMUM, readings_c=SOIL["soil_c"], **k),
    "trade_off": lambda **k: charts.trade_off(FRUITS, **k),
    "specification_curve": lambda **k: charts.specification_curve(WAYS, term=LONG, main="a", **k),
    "tape_against_scale": lambda **k: charts.tape_against_scale(SCALE, **k),
    "what_came_in": lambda **k: charts.what_came_in(CAME_IN),
    "growth_of_fruit": lambda **k: charts.growth_of_fruit(PATH, TAPED, fruit="Ada Moor/2024/A", weigh_off_day=58, **k),
}
EACH = pytest.mark.parametrize("name", CHARTS)


@functools.cache
def figure_of(name):
    return CHARTS[name]().figure()


# --- the house style


def contrast(color, other="#FFFFFF"):
    """WCAG 2.2, relative luminance and contrast ratio."""
    def luminance(hexes):
        parts = [int(hexes[k:k + 2], 16) / 255 for k in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    light, dark = sorted((luminance(color), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_formula_against_known_ratios():
    # Lightest grey that passes 4.5:1 and the next that fails; red: computed with wcag-contrast-ratio 0.9.
    assert contrast("#767676") == pytest.approx(4.542224959605, abs=5e-13)
    assert contrast("#777777") == pytest.approx(4.478089, abs=5e-7)
    assert contrast("#FF0000") == pytest.approx(3.998477, abs=5e-7)


def test_colours_that_carry_meaning_stand_out_from_white():
    # WCAG 2.2, success criteria 1.4.11 (graphics, 3:1) and 1.4.3 (writing, 4.5:1).
    assert all(contrast(color) >= 3 for color in (*house.MEANING, house.CLOUD))
    assert contrast(house.INK) >= 4.5 and contrast(house.SOFT) >= 4.5


def test_the_colours_are_those_of_okabe_and_ito():
    # Wong 2011, Nature Methods 8:441, figure 2.
    assert {house.BLUE, house.VERMILION, house.GREEN, house.PURPLE} <= {
        "#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7"}


def writing(figure):
    """Everything written on the picture that is drawn: titles, labels, names, and ticks inside their axis."""
    found = list(figure.texts)
    for ax in figure.axes:
        found += [*ax.texts, ax.xaxis.label, ax.yaxis.label]
        for axis, limits in ((ax.xaxis, ax.get_xlim()), (ax.yaxis, ax.get_ylim())):
            found += [tick.label1 for tick in axis.get_major_ticks() if min(limits) <= tick.get_loc() <= max(limits)]
    return [text for text in found if text.get_text().strip()]


@EACH
def test_writing_is_large_and_stays_on_the_picture(name):
    figure = figure_of(name)
    width, height = figure.canvas.get_width_height()
    for text in writing(figure):
        # A fortieth of the height, a forty-fifth for long lists of names: common practice, no source.
        assert text.get_fontsize() / 72 * figure.dpi >= height / 45, text.get_text()
        box = text.get_window_extent()
        assert box.x0 >= -1 and box.y0 >= -1 and box.x1 <= width + 1 and box.y1 <= height + 1, text.get_text()


@EACH
def test_names_of_an_axis_do_not_touch(name):
    figure = figure_of(name)
    for ax in figure.axes:
        inside = [tick.label1.get_window_extent() for tick in ax.yaxis.get_major_ticks()
                  if min(ax.get_ylim()) <= tick.get_loc() <= max(ax.get_ylim())]
        inside.sort(key=lambda box: box.y0)
        assert all(low.y1 <= high.y0 + 1 for low, high in zip(inside, inside[1:], strict=False))


@EACH
def test_large_writing_in_colour_still_passes(name):
    # WCAG 2.2, success criterion 1.4.3: writing from 18 points up needs 3:1.
    for text in writing(figure_of(name)):
        assert contrast(matplotlib.colors.to_hex(text.get_color())) >= 3, text.get_text()


# --- files


@EACH
def test_png_is_1920_by_1080_and_nothing_global_is_touched(name):
    before = dict(matplotlib.rcParams)
    data = CHARTS[name]().to_bytes("png")
    assert dict(matplotlib.rcParams) == before
    pyplot = sys.modules.get("matplotlib.pyplot")
    assert pyplot is None or pyplot.get_fignums() == []
    assert struct.unpack(">II", data[16:24]) == (1920, 1080)  # PNG specification, 3rd edition, section 11.2.1 (IHDR)


@EACH
def test_svg_is_the_same_in_every_run_and_carries_its_words(name):
    chart = CHARTS[name]()
    text = chart.to_bytes("svg").decode()
    assert text == CHARTS[name]().to_bytes("svg").decode()
    assert "<dc:date>" not in text
    root = ElementTree.fromstring(text)
    named = {element.tag.rsplit("}", 1)[-1]: element.text for element in list(root)[:2]}
    assert named == {"title": chart.title, "desc": chart.alt}
    assert root.attrib["role"] == "img"


def test_svg_is_the_same_in_another_process():
    code = ("import pandas as pd, hashlib; from patchstats import charts; "
            "t = pd.DataFrame({'kind': ['a'], 'kept': [3], 'listed': [1]}); "
            "print(hashlib.sha256(charts.what_came_in(t).to_bytes('svg')).hexdigest())")
    other = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.strip()
    here = charts.what_came_in(pd.DataFrame({"kind": ["a"], "kept": [3], "listed": [1]})).to_bytes("svg")
    assert other == hashlib.sha256(here).hexdigest()


def test_save_writes_whole_files_or_says_why_not(tmp_path):
    chart = charts.what_came_in(CAME_IN)
    assert chart.save(tmp_path / "a.png").read_bytes()[:4] == b"\x89PNG"
    assert chart.save(tmp_path / "b.picture", "svg").exists()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.png", "b.picture"]
    with pytest.raises(OutputError, match="cannot be written to .*missing.*a.png: No such file or directory"):
        chart.save(tmp_path / "missing" / "a.png")
    with pytest.raises(PatchstatsError, match="saved as png or svg, not as 'gif'"):
        chart.save(tmp_path / "a.gif")


def test_notebook_picture_is_half_as_large_and_has_its_alt_text():
    chart = charts.what_came_in(CAME_IN)
    data, about = chart._repr_png_()
    assert struct.unpack(">II", data[16:24]) == (960, 540)
    assert about["alt"] == chart.alt
    assert repr(chart) == f"{chart.title}\n{chart.alt}"


def test_a_rare_colour_survives_the_palette():
    levels = levels_table(80).assign(high=1.0)
    levels.iloc[-1, levels.columns.get_loc("high")] = -1.0  # one mark alone in that colour
    data, _ = charts.growers_compared(levels)._repr_png_()
    pixels = np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).reshape(-1, 3).astype(int)
    wanted = [int(house.VERMILION[k:k + 2], 16) for k in (1, 3, 5)]
    assert np.abs(pixels - wanted).sum(axis=1).min() <= 6  # two steps of 256 a colour: common practice, no source


# --- what each chart draws


def line(figure, label_or_index=0, axes=0):
    return figure.axes[axes].lines[label_or_index]


def test_gain_by_day_draws_the_middle_of_each_week():
    chart = charts.gain_by_day(gains_table(), shown=METRIC)
    middle = chart.table[chart.table["fruit"] == "the club's middle"]
    # Law: a week's mean of daily gains times its days is the weight gained in it.
    gains = gains_table()
    week = gains[(gains["fruit"] == "Ada Moor/2024/A") & gains["day"].between(35, 42, inclusive="left")]
    drawn = chart.table[(chart.table["fruit"] == "Ada Moor/2024/A") & (chart.table["day"] == 38.5)]
    assert drawn["gain_kg_day"].iloc[0] * 7 == pytest.approx((week["gain_kg_day"] * week["days"]).sum())
    bold = max(chart.figure().axes[0].lines, key=lambda each: each.get_linewidth())
    assert bold.get_ydata() == pytest.approx(middle["gain_kg_day"].to_numpy())
    assert "12 fruits" in chart.alt and "near day 32" in chart.alt


def test_units_change_the_axis_and_the_marks_but_not_the_table():
    metric, imperial = charts.gain_by_day(gains_table(), shown=METRIC), charts.gain_by_day(gains_table())
    pd.testing.assert_frame_equal(metric.table, imperial.table)
    heights = [max(c.figure().axes[0].lines, key=lambda each: each.get_linewidth()).get_ydata()
               for c in (metric, imperial)]
    # 1 lb = 0.45359237 kg: NIST SP 811, appendix B.
    assert heights[0] == pytest.approx(heights[1] * 0.45359237)
    assert metric.figure().axes[0].get_ylabel() == "Daily gain (kg a day)"
    assert imperial.figure().axes[0].get_ylabel() == "Daily gain (lb a day)"


def test_effects_draws_each_estimate_on_its_interval():
    chart = charts.effects(EFFECTS)
    ax = chart.figure().axes[0]
    points = sorted(float(each.get_xdata()[0]) for each in ax.lines if each.get_marker() not in ("None", ""))
    assert points == [-6.0, 8.0, 14.0]
    spans = sorted(tuple(segment[:, 0]) for each in ax.collections for segment in each.get_segments())
    assert spans == [(-9.0, -3.0), (4.0, 12.0), (9.0, 19.0)]
    assert "5 more vines (within) +8.0% (+4.0% to +12.0%)" in chart.alt


def test_explained_is_in_order_and_said():
    chart = charts.explained(SHARES)
    assert chart.table["what"].tolist() == ["plant size", "the grower", "the season"]
    assert "plant size 50%; the grower 30%; the season 20%" in chart.alt


def test_effect_by_age_says_both_ends():
    chart = charts.effect_by_age(BY_AGE)
    assert "5 more vines: +9.4% at day 20, +10.2% at day 60" in chart.alt
    (ax,) = chart.figure().axes
    assert ax.lines[0].get_ydata().tolist() == pytest.approx([9.4, 9.8, 10.2])


def test_growers_compared_marks_only_those_that_can_be_told():
    chart = charts.growers_compared(levels_table(6))
    squares = [x for each in chart.figure().axes[0].lines if each.get_marker() == "s" for x in each.get_xdata()]
    table = chart.table
    assert sorted(squares) == sorted(table.loc[(table["low"] > 0) | (table["high"] < 0), "shift"])
    assert "Grower 0 and Grower 1" in chart.alt


def test_a_long_list_of_growers_keeps_both_ends_and_every_row_of_the_table():
    chart = charts.growers_compared(levels_table(90))
    figure = chart.figure()
    names = [label.get_text() for ax in figure.axes for label in ax.get_yticklabels()]
    assert len(chart.table) == 90 and len(names) == 60
    assert names[0] == "Grower 0" and "Grower 89" in names and "Grower 45" not in names
    assert "The 30 in between are not drawn." in chart.note and chart.alt.endswith("The 30 in between are not drawn.")
    assert "not drawn" not in charts.growers_compared(levels_table(60)).note


def test_axes_count_vines_and_degrees_in_whole_numbers():
    soil = pd.DataFrame({"soil_c": np.linspace(15.6, 25.6, 9), "estimate": 0.0, "low": -1.0, "high": 1.0})
    for chart, axis in ((charts.trade_off(FRUITS), "yaxis"), (charts.soil_curve(soil), "xaxis"),
                        (charts.season_to_season(SEASONS), "yaxis")):
        ticks = getattr(chart.figure().axes[0], axis).get_ticklocs()
        assert len(ticks) > 2 and np.allclose(ticks, np.round(ticks))


def test_a_best_soil_beyond_the_logs_is_not_marked():
    soil = pd.DataFrame({"soil_c": [15.0, 20.0, 25.0], "estimate": [-5.0, 0.0, 4.0], "low": -6.0, "high": 6.0})
    beyond = pd.Series({"estimate": 30.0, "low": 27.0, "high": 36.0})
    chart = charts.soil_curve(soil, optimum=beyond)
    assert "highest" not in chart.alt
    assert not any("most gain" in text.get_text() for text in chart.figure().axes[0].texts)


def test_a_chance_below_one_in_two_hundred_is_not_none():
    ranks = pd.DataFrame({"rank": [1, 2], "low": [1, 1], "high": [2, 2], "top_3": [0.998, 0.002]}, index=["A", "B"])
    words = [text.get_text() for text in charts.rank_uncertainty(ranks).figure().axes[0].texts]
    assert "<1%" in words and "0%" not in words


def test_specification_curve_is_in_order_and_counts():
    chart = charts.specification_curve(WAYS, term="plant size", main="a")
    assert list(chart.table["specification"]) == ["b", "a", "c"]
    assert "3 of 3 have the same sign, and 2 of 3 have a 90% interval that leaves out zero" in chart.alt
    assert chart.name == "specification_curve_plant_size"  # two terms are two files
    labels = [label.get_text() for label in chart.figure().axes[1].get_yticklabels()]
    assert labels == ["rows: sure", "rows: all", "chart: 2013", "chart: 2021"]


def test_tape_against_scale_computes_percent_to_chart():
    # Worked by hand from the definition: 440/400 is 10% heavy, 400/500 20% light.
    chart = charts.tape_against_scale(SCALE)
    assert list(chart.table["to_chart_percent"]) == pytest.approx([10.0, -20.0, 0.0])
    assert "2 of 3 lie within 10%" in chart.alt


def test_what_came_in_adds_up():
    many = pd.DataFrame({"kind": [f"hand {k:02d}" for k in range(20)], "kept": range(20, 0, -1), "listed": 1})
    chart = charts.what_came_in(many)
    bars = chart.figure().axes[0].patches
    assert sum(bar.get_width() for bar in bars) == (many["kept"] + many["listed"]).sum() == chart.table["read"].sum()
    assert [t.get_text() for t in chart.figure().axes[0].get_yticklabels()][-1] == "all others"


def test_trade_off_says_the_correlation():
    chart = charts.trade_off(FRUITS)
    assert len(chart.table) == 4
    assert f"correlation is {np.corrcoef([175, 180, 185, 190], [10, 16, 15, 22])[0, 1]:.2f}" in chart.alt
    assert "from 24 Jun to 9 Jul" in chart.alt  # day 175 of a common year is 24 June, day 190 9 July: any calendar


def test_season_chart_in_kilograms_and_growth_of_a_fruit():
    each = pd.DataFrame({"season": [2022, 2023, 2024, 2024], "mass_kg": [300.0, 400, 500, np.nan]})
    seasons = SEASONS.assign(estimate=400.0, low=350.0, high=450.0)
    chart = charts.season_to_season(seasons, column="mass_kg", each=each, shown=METRIC)
    assert chart.figure().axes[0].get_ylabel() == "Weight on the scale (kg)"
    growth = CHARTS["growth_of_fruit"](shown=METRIC)
    assert "On day 60 the line stands at 450 kg, the band from 400 kg to 500 kg." in growth.alt
    assert list(growth.table["kind"]) == ["path"] * 3 + ["tape"] * 2


def test_a_table_that_lacks_a_column_or_every_row():
    with pytest.raises(PatchstatsError, match="The chart gain_by_day needs the column days."):
        charts.gain_by_day(gains_table().drop(columns="days"))
    with pytest.raises(PatchstatsError, match="The chart effects has nothing to draw"):
        charts.effects(EFFECTS.iloc[:0])
