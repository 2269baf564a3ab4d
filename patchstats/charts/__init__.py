"""Charts: one function a picture, a table in, a :class:`Chart` out.

Every chart keeps the table it drew, a title that is a question or a finding, and its alt text. Call ``.show()`` in
a notebook, ``.save(path)`` for a 1920 x 1080 PNG or an SVG. Charts compute nothing but what is needed to draw:
models and intervals come in the table.
"""

from patchstats.charts.compared import growers_compared, rank_uncertainty, season_to_season
from patchstats.charts.effects import effects, soil_curve, specification_curve, trade_off
from patchstats.charts.explain import effect_by_age, explained
from patchstats.charts.growth import gain_by_day, growth_of_fruit
from patchstats.charts.house import Chart
from patchstats.charts.logs import tape_against_scale, what_came_in, what_was_said

__all__ = [
    "Chart", "effect_by_age", "effects", "explained", "gain_by_day", "growers_compared", "growth_of_fruit",
    "rank_uncertainty", "season_to_season", "soil_curve", "specification_curve", "tape_against_scale", "trade_off",
    "what_came_in", "what_was_said",
]
