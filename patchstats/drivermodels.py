"""The club's models of daily gain, by name: the formula, what it assumes, and what it must not be used for.

The response is pace (:mod:`patchstats.pace`), so that an effect in percent holds at every age.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import pandas as pd

from patchstats.patchdays import lagged_means, patch_days
from patchstats.remarks import ModelError

LAST_DAYS = 7
SOIL_TERMS = ("soil_from_20_c", "I(soil_from_20_c ** 2)")
SPLIT = ("secondaries", "set_day")

_GROUPS = "(1 + age10 | fruit) + (1 | grower) + (1 | patch_season) + (1 | season) + (1 | seed)"
_SOIL = " + ".join(SOIL_TERMS)
_OWN = "pace_percent ~ spline(day, 4) + secondaries_within + secondaries_between + set_day_within + set_day_between"
_HEAT, _WATER = "heat_7_c_day", "water_7_mm"


@dataclass(frozen=True)
class Model:
    """A named model: its formula, what it assumes, and what it must not be used for."""

    name: str
    formula: str
    about: str
    not_for: str

    @property
    def response(self) -> str:
        return self.formula.split("~")[0].strip()

    def has(self, column: str) -> bool:
        """Whether the formula speaks of a column."""
        return column in self.formula


MODELS: dict[str, Model] = {m.name: m for m in (
    Model(
        "club", f"{_OWN} + {_SOIL} + {_GROUPS}",
        "Pace on plant size and set date, each within and between growers, and on a curve of soil temperature; a "
        "smooth curve takes up what age leaves; with shifts of each fruit (and its own slope in age), grower, patch "
        "in a season, season and seed line. Assumes that effects multiply, that a grower's skill is alike for all of "
        "that grower's fruits, and that the soil acts alike at every age.",
        "telling what would happen to a plant such as the club has never grown, or the gain of a single day"),
    Model(
        "without the split", f"pace_percent ~ spline(day, 4) + secondaries + set_day + {_SOIL} + {_GROUPS}",
        "As the club's model, with one effect for plant size and one for set date: a mixture of what a grower can "
        "change and what better growers have anyway.",
        "advice to a member: a grower's skill leaks into the effect of plant size"),
    Model(
        "without soil", f"{_OWN} + {_GROUPS}",
        "As the club's model without soil temperature, so that members who log no soil count too.",
        "anything about the soil; set date then carries the soil of its weeks"),
    Model(
        "with heat", f"{_OWN} + {_SOIL} + {_HEAT} + {_GROUPS}",
        f"As the club's model, with the degree days a day of the last {LAST_DAYS} days, on patches whose weather is "
        "logged. Assumes that heat acts in a straight line between the base and the ceiling of its degree days.",
        "heat apart from soil: warm weeks warm both, and the logs seldom hold the one without the other"),
    Model(
        "with water", f"{_OWN} + {_SOIL} + {_WATER} + {_GROUPS}",
        f"As the club's model, with the water of the last {LAST_DAYS} days (rain and what was given, in mm a day), "
        "where either is logged; what is not written down counts as none. Assumes a straight line.",
        "telling how much to water: members water most when it is dry and hot"),
)}


def model_named(name: str) -> Model:
    """A model by its name; raises :class:`ModelError` with the names that exist."""
    if name not in MODELS:
        raise ModelError(f"There is no model {name!r}; the models are {', '.join(MODELS)}.")
    return MODELS[name]


def fitted_to(model: Model, rows: pd.DataFrame) -> Model:
    """The model without the groups of which the rows hold one alone: a club's first season has no other to differ from.

    With a single grower there is nothing between growers either.
    """
    used = rows.dropna(subset=[c for c in ("secondaries", "set_day") if c in rows])
    if model.has(SOIL_TERMS[0]):
        used = used[used[SOIL_TERMS[0]].notna()]
    formula = model.formula
    for group in ("grower", "patch_season", "season", "seed"):
        if used[group].nunique() < 2:
            formula = formula.replace(f" + (1 | {group})", "")
    if used["grower"].nunique() < 2:
        for term in SPLIT:
            formula = formula.replace(f" + {term}_between", "")
    return replace(model, formula=formula)


def with_last_days(gains: pd.DataFrame, club, model: Model) -> pd.DataFrame:
    """The gains with the weather of the last days that the model asks for: ``heat_7_c_day``, ``water_7_mm``.

    Means over the seven days up to and with the later taping, from :func:`patchstats.patchdays.patch_days` of the
    club; missing where fewer than half of the days are logged. Raises :class:`ModelError` where nothing is.
    """
    wanted = [column for column in (_HEAT, _WATER) if model.has(column)]
    if not wanted:
        return gains
    if club is None:
        raise ModelError(f"The model {model.name!r} needs the weather of the patches: give the club, not its gains "
                         "alone.")
    days = patch_days(club)
    logged = days[["rain_mm", "water_mm"]].notna().any(axis=1)
    days[_HEAT], days[_WATER] = days["heat_c_day"], days[["rain_mm", "water_mm"]].sum(axis=1).where(logged)
    means = lagged_means(days, wanted, patch=gains["patch"], date=gains["date"], lag_days=LAST_DAYS)
    if means[wanted].notna().to_numpy().sum() == 0:
        raise ModelError(f"No patch has weather logged that the model {model.name!r} could use; hand in a weather file "
                         "with the day's highest and lowest temperature, rain and water given.")
    out = gains.assign(**{column: means[column] for column in wanted})
    out.attrs = dict(gains.attrs)
    return out
