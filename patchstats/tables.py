"""Tables: the data dictionary. Every table the club keeps, every column with its unit, plausible range and meaning.

The ladder of identity is grower -> patch -> plant -> fruit, by season. Keys are readable text:

* ``grower``: the name as declared, such as ``Marta Quell``
* ``patch``: ``<grower>/<patch>``; a log that names no patch gets ``<grower>/home``
* ``plant``: ``<grower>/<season>/<plant>``; a log that names no plant gets its fruit's label
* ``fruit``: ``<grower>/<season>/<fruit>``; the fruit is the unit of analysis (an *entry* once weighed)

Tables are plain DataFrames. Every stored row carries ``file`` and ``line``: where it was read. Plausible ranges
are wide gates against slips of the pen; a value outside is asked about, never silently dropped. Ranges without a
source beside them are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import PurePath

import pandas as pd

from patchstats.remarks import PatchstatsError

KINDS = ("text", "date", "number", "count", "yes_no", "choice")


@dataclass(frozen=True)
class Column:
    """One column: its kind, unit ("" for none), plausible range (inclusive, in that unit), choices and meaning."""

    name: str
    kind: str
    meaning: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    required: bool = False


@dataclass(frozen=True)
class Table:
    """One table: its key columns, columns and meaning. ``stored`` is False for tables computed from the others."""

    name: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    meaning: str
    stored: bool = True

    def __getitem__(self, column: str) -> Column:
        for c in self.columns:
            if c.name == column:
                return c
        raise KeyError(column)

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(c.name for c in self.columns)


def _text(name, meaning, required=False):
    return Column(name, "text", meaning, required=required)


def _date(name, meaning, required=False):
    return Column(name, "date", meaning, required=required)


def _num(name, unit, low, high, meaning):
    return Column(name, "number", meaning, unit, low, high)


def _banded(name, unit, low, high, meaning):
    """A number and its standard error, lower and upper end."""
    spread = high - low
    return (_num(name, unit, low, high, meaning), _num(f"{name}_se", unit, 0.0, spread, f"standard error: {meaning}"),
            _num(f"{name}_low", unit, low - spread, high, f"lower end of the interval: {meaning}"),
            _num(f"{name}_high", unit, low, high + spread, f"upper end of the interval: {meaning}"))


def _count(name, low, high, meaning):
    return Column(name, "count", meaning, "", low, high)


def _choice(name, choices, meaning):
    return Column(name, "choice", meaning, choices=choices)


def _yes(name, meaning):
    return Column(name, "yes_no", meaning)


_ORIGIN = (
    _text("file", "name of the file that the row was read from"),
    Column("line", "count", "line in that file, counted from 1 as an editor does", low=0),
)
_GROWER = _text("grower", "the grower's name as declared", required=True)
_PATCH = _text("patch", "the patch: grower/patch", required=True)
_PLANT = _text("plant", "the plant: grower/season/plant", required=True)
_FRUIT = _text("fruit", "the fruit: grower/season/fruit", required=True)
_SEASON = Column("season", "count", "year of the season (of the weigh-off)", low=1950, high=2100, required=True)

KINDS_OF_FRUIT = ("pumpkin", "squash", "field pumpkin", "watermelon", "long gourd", "tomato")
END_REASONS = ("weighed", "aborted", "culled", "stem split", "blossom-end split", "sag-line split", "rot",
               "vine break", "animal", "hail", "other loss", "not weighed")
LOSSES = ("aborted", "stem split", "blossom-end split", "sag-line split", "rot", "vine break", "animal", "hail",
          "other loss")
STATUSES = ("official", "exhibition", "damaged")
MEASURES = ("three measures", "total", "circumference by the fruit's own ratio",
            "circumference by the club's ratio", "circumference by the published tables")

_TABLES = (
    Table("growers", ("grower",), (
        _GROWER, _text("note", "remarks of the grower"), *_ORIGIN), "Members of the club who hand in logs."),
    Table("patches", ("patch",), (
        _PATCH, _GROWER,
        _num("latitude_deg", "deg", -66.0, 66.0, "latitude of the patch, north positive"),
        _num("area_m2", "m2", 5.0, 20000.0, "ground in the patch"),
        _yes("soil_heated", "soil heating cable or mat used"),
        _text("note", "remarks of the grower"), *_ORIGIN), "Pieces of ground where plants grow."),
    Table("plants", ("plant",), (
        _PLANT, _PATCH, _GROWER, _SEASON,
        _text("seed", "the seed planted, as the trade names it: weight, grower, year"),
        _date("sown_date", "day the seed was started"), _date("planted_date", "day the plant went out"),
        _text("note", "remarks of the grower"), *_ORIGIN), "Plants, one row a plant and season."),
    Table("fruits", ("fruit",), (
        _FRUIT, _PLANT, _PATCH, _GROWER, _SEASON,
        _choice("kind", KINDS_OF_FRUIT, "class at the weigh-off"),
        _text("seed", "the seed that its plant grew from"),
        _text("pollen", "pollen parent of the cross: a seed name, self, sib or open"),
        _date("set_date", "day of pollination: day 0 of days after pollination"),
        _count("secondaries_at_set", 0, 120, "secondary vines on the plant on the day of pollination"),
        _num("main_vine_cm", "cm", 30.0, 2000.0, "length of the main vine on the day of pollination"),
        _num("distance_out_cm", "cm", 0.0, 2000.0, "distance of the fruit from the stump along the vine"),
        _count("lobes", 2, 8, "stigma lobes of the female flower"),
        _num("lobe_evenness", "", 0.0, 1.0, "evenness of the stigma lobes, 1 = all alike"),
        _num("fruit_evenness", "", 0.0, 1.0, "evenness of the fruit's sides by eye, 1 = perfectly even"),
        _date("end_date", "day the fruit left the vine, or was lost"),
        _choice("end_reason", END_REASONS, "why the fruit's log ends"),
        _text("note", "remarks of the grower"), *_ORIGIN),
        "Fruits, one row a fruit that was set and kept for a while."),
    Table("readings", ("fruit", "date", "line"), (
        _FRUIT, _date("date", "day of the taping", required=True),
        _text("time_of_day", "time of the taping: HH:MM, morning, noon or evening"),
        _num("circumference_cm", "cm", 5.0, 700.0, "largest circumference near stem and blossom level"),
        _num("side_to_side_cm", "cm", 3.0, 500.0,
             "ground to ground over the top, square to the stem-blossom line, tape falling straight down"),
        _num("stem_to_blossom_cm", "cm", 3.0, 500.0, "ground to ground over the top from stem end to blossom end"),
        _num("over_the_top_cm", "cm", 10.0, 1500.0, "total of the three measures"),
        _num("written_kg", "kg", 0.0, 1500.0, "weight that the grower wrote down from some chart; never used as tape"),
        _yes("doubtful", "marked with ~ or ? by the grower"),
        _text("note", "remarks of the grower"), *_ORIGIN), "Tapings, one row a taping."),
    Table("sizes", ("plant", "date", "line"), (
        _PLANT, _date("date", "day of the count", required=True),
        _count("secondaries", 0, 120, "secondary vines, both sides together"),
        _num("main_vine_cm", "cm", 5.0, 2000.0, "length of the main vine"),
        _num("covered_m2", "m2", 0.0, 500.0, "ground covered by the plant"),
        _text("note", "remarks of the grower"), *_ORIGIN), "Plant size through the season."),
    Table("soil", ("patch", "date", "time_of_day", "depth_cm", "line"), (
        _PATCH, _date("date", "day of the reading", required=True),
        _text("time_of_day", "time of the reading: HH:MM, morning, noon or evening"),
        _num("soil_c", "c", -5.0, 45.0, "soil temperature"),
        _num("depth_cm", "cm", 0.0, 100.0, "depth of the probe"), *_ORIGIN), "Soil temperatures by patch and day."),
    Table("weather", ("patch", "date", "line"), (
        _PATCH, _date("date", "day", required=True),
        _num("air_max_c", "c", -40.0, 55.0, "highest air temperature of the day"),
        _num("air_min_c", "c", -50.0, 45.0, "lowest air temperature of the day"),
        _num("rain_mm", "mm", 0.0, 500.0, "rain of the day"),
        _num("water_mm", "mm", 0.0, 300.0, "water given by the grower"), *_ORIGIN), "Weather by patch and day."),
    Table("flowers", ("plant", "date", "line"), (
        _PLANT, _date("date", "morning of the pollination", required=True),
        _text("fruit", "the fruit that came of it, if it was kept"),
        _choice("cover", ("none", "bag", "cup", "cloth"), "cover over the female flower"),
        _count("males", 0, 20, "male flowers used"),
        _num("covered_hours", "hours", 0.0, 96.0, "hours covered in all"),
        _count("lobes", 2, 8, "stigma lobes of the female flower"),
        _yes("set", "whether the fruit set"),
        _text("note", "remarks of the grower"), *_ORIGIN), "Pollinations tried, and how each ended."),
    Table("weighings", ("fruit", "date"), (
        _FRUIT, _date("date", "day of the weigh-off", required=True), _text("site", "the weigh-off"),
        _num("scale_kg", "kg", 0.1, 1500.0, "weight on the certified scale"),
        _num("over_the_top_cm", "cm", 10.0, 1500.0, "total of the three measures at the weigh-off"),
        _choice("status", STATUSES, "official, exhibition or damaged"),
        _text("note", "remarks"), *_ORIGIN), "Weighings at a weigh-off."),
    Table("seeds", ("seed",), (
        _text("seed", "name of the seed line: weight, grower, year", required=True),
        _text("seed_parent", "seed that the mother plant grew from"),
        _text("pollen_parent", "seed that the pollen plant grew from, or self, sib, open"),
        _count("stock", 0, 10000, "seeds in the club's box"),
        _text("note", "remarks"), *_ORIGIN), "Seed lines and their pedigree."),
    Table("tapings", ("fruit", "date", "line"), (
        _FRUIT, _date("date", "day of the taping", required=True),
        _num("day", "days", 0.0, 200.0, "days after pollination"),
        _count("tapings", 1, 50, "readings behind the row"),
        _num("over_the_top_cm", "cm", 10.0, 1500.0, "total of the three measures, the day's mean"),
        _num("over_the_top_cm_se", "cm", 0.0, 100.0, "its standard error from the tape alone"),
        _choice("measure", MEASURES, "what the total rests on"),
        _num("relation_percent_se", "percent", 0.0, 50.0,
             "standard error of a total made from a circumference, from the relation; alike for all days of a fruit"),
        _num("mass_kg", "kg", 0.0, 1500.0, "weight by the published table"),
        _num("mass_kg_se", "kg", 0.0, 500.0, "its standard error from the tape alone"),
        _text("table", "the published table used"),
        _yes("used", "whether the row serves the analysis"),
        _text("reason", "why not, in words"),
        _num("expected_cm", "cm", 0.0, 1500.0, "what the tapings before and after lead one to expect, for a slip"),
        *_ORIGIN), "Tapings ready for analysis: one row a fruit and day used, and one each reading left out.",
        stored=False),
    Table("patch_days", ("patch", "date"), (
        _PATCH, _date("date", "day", required=True),
        _num("soil_c", "c", -5.0, 45.0, "mean soil temperature of the day"),
        _num("soil_c_se", "c", 0.0, 20.0, "its standard error, where gaps were filled"),
        _num("soil_c_low", "c", -30.0, 60.0, "lower end of its interval"),
        _num("soil_c_high", "c", -30.0, 60.0, "upper end of its interval"),
        _text("soil_source", "where it comes from: probe, filled, air or missing"),
        _num("air_max_c", "c", -40.0, 55.0, "highest air temperature of the day"),
        _num("air_min_c", "c", -50.0, 45.0, "lowest air temperature of the day"),
        _num("rain_mm", "mm", 0.0, 500.0, "rain of the day"),
        _num("water_mm", "mm", 0.0, 300.0, "water given by the grower"),
        _num("heat_c_day", "c_day", 0.0, 60.0, "degree days of the day"),
        _text("heat_rule", "method, cut-off, base and ceiling of the degree days")),
        "Soil and weather by patch and day.", stored=False),
    Table("paths", ("fruit", "date"), (
        _FRUIT, _date("date", "day", required=True),
        _num("day", "days", 0.0, 200.0, "days after pollination"),
        *_banded("over_the_top_cm", "cm", 10.0, 1500.0, "smoothed total of the three measures"),
        *_banded("mass_kg", "kg", 0.0, 1500.0, "weight by the published table at the smoothed total"),
        *_banded("gain_kg_day", "kg_day", -100.0, 100.0, "gain from that day's taping to the next day's"),
        _yes("taped", "whether a taping stands on that day"),
        _yes("fits", "False for a taping that the path was drawn without"),
        _num("taped_cm", "cm", 10.0, 1500.0, "the taping of that day"),
        _num("residual", "", -1000.0, 1000.0, "standard errors by which a taping that does not fit stands off")),
        "Growth paths: one row a fruit and day between its first and last taping.", stored=False),
    Table("landmarks", ("fruit",), (
        _FRUIT, _num("first_day", "", 0.0, 200.0, "days after pollination of the first taping"),
        _num("last_day", "", 0.0, 200.0, "days after pollination of the last taping"),
        *_banded("peak_days", "days", 0.0, 200.0, "days from set to the middle of the best five days running"),
        *_banded("peak_gain_kg_day", "kg_day", -100.0, 100.0, "mean daily gain in those five days"),
        *_banded("at_40_percent", "percent", 0.0, 120.0, "inches at 40 days in percent of the last taping's"),
        *_banded("at_60_percent", "percent", 0.0, 120.0, "inches at 60 days in percent of the last taping's"),
        _text("note", "whether the fastest gain may lie outside the log")),
        "Landmarks of growth: one row a fruit.", stored=False),
    Table("gains", ("fruit", "date"), (
        _FRUIT, _PLANT, _PATCH, _GROWER, _SEASON,
        _text("patch_season", "patch and season together"),
        _text("seed", "the seed that its plant grew from"),
        _date("date", "day of the later taping", required=True),
        _date("from_date", "day of the earlier taping"),
        _num("days", "days", 0.0, 60.0, "days between the two tapings"),
        _num("day", "days", 0.0, 200.0, "days after pollination at the middle of the interval"),
        _num("mass_kg", "kg", 0.0, 1500.0, "weight by the published table at the later taping"),
        _num("mass_kg_se", "kg", 0.0, 500.0, "its standard error from the tape alone"),
        _num("mass_before_kg", "kg", 0.0, 1500.0, "weight by the published table at the earlier taping"),
        _num("mass_before_kg_se", "kg", 0.0, 500.0, "its standard error from the tape alone"),
        _num("gain_kg_day", "kg_day", -50.0, 50.0, "daily gain over the interval"),
        _num("gain_kg_day_se", "kg_day", 0.0, 100.0, "its standard error from the tape alone"),
        _count("secondaries", 0, 120, "secondary vines on the day of pollination"),
        _num("set_day", "days", -60.0, 300.0,
             "pollination date as the day of the season's year; December before a southern season is below 1"),
        _num("soil_c", "c", -5.0, 45.0, "mean soil temperature over the interval"),
        _text("soil_source", "where it comes from: probe (measured in the patch), filled, air or missing"),
        _num("heat_c_day", "c_day", 0.0, 3000.0, "mean degree days a day over the interval"),
        _choice("measure", MEASURES, "what the less direct of the two totals rests on")),
        "Daily gains between tapings: one row an interval.", stored=False),
)

DICTIONARY: dict[str, Table] = {t.name: t for t in _TABLES}
STORED: tuple[str, ...] = tuple(t.name for t in _TABLES if t.stored)

_DTYPES = {"text": "object", "choice": "object", "date": "datetime64[ns]", "number": "float64", "count": "Int64",
           "yes_no": "boolean"}


def table(name: str) -> Table:
    """The dictionary's entry for a table; raises :class:`PatchstatsError` with the names that exist."""
    try:
        return DICTIONARY[name]
    except KeyError:
        raise PatchstatsError(
            f"There is no table called {name!r}; the tables are {', '.join(DICTIONARY)}.") from None


def table_of(club, name: str) -> pd.DataFrame:
    """The table ``name`` of a club, or of a plain dict of tables; a table that is not there is empty.

    Lets every analysis take either an opened club or the tables alone. Raises :class:`PatchstatsError` for what is
    neither, such as one table or the name of a folder: nothing found in those would look like a club without logs.
    """
    spec = table(name)
    if isinstance(club, (str, PurePath)):
        raise PatchstatsError(f"{str(club)!r} is the name of a club's folder: open it first, with open_club.")
    if isinstance(club, pd.DataFrame):
        raise PatchstatsError("This wants the whole club, as open_club gives it, or a dict of its tables by name; it "
                              f"was given one table with the columns {', '.join(map(str, club.columns[:4]))}.")
    held = club.get(name) if isinstance(club, dict) else getattr(club, name, None)
    return empty(spec.name) if held is None else held


def empty(name: str) -> pd.DataFrame:
    """A table without rows, each column of its kind."""
    return conform(name, pd.DataFrame())


def conform(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with exactly the dictionary's columns, in order and of their kinds.

    Missing columns become empty; a column that the dictionary does not know is an error, since dropping it
    would lose data.
    """
    spec = table(name)
    unknown = [c for c in frame.columns if c not in spec.names]
    if unknown:
        raise PatchstatsError(f"The table {name} has no column {', '.join(map(repr, unknown))}.")
    out = {}
    for column in spec.columns:
        dtype = _DTYPES[column.kind]
        if column.name in frame.columns:
            values = frame[column.name]
            if column.kind == "date":
                if not pd.api.types.is_datetime64_dtype(values):  # it would look through days that are days already
                    values = pd.to_datetime(values)
                values = values.dt.normalize().astype(dtype)
            elif column.kind in ("text", "choice"):
                values = values.astype(object).where(values.notna(), None)
            else:
                values = values.astype(dtype)
            out[column.name] = values
        else:
            fill = None if dtype == "object" else pd.NaT if column.kind == "date" else pd.NA
            if dtype == "float64":
                fill = float("nan")
            out[column.name] = pd.Series([fill] * len(frame), index=frame.index, dtype=dtype)
    return pd.DataFrame(out, columns=list(spec.names), index=frame.index)


def check(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """What in a conforming table breaks the dictionary: one row a fault (row, column, value, fault).

    Faults: a required cell that is empty, a value outside the plausible range, a word that is no choice, a
    repeated key. An empty result means that all is well.
    """
    spec = table(name)
    faults: list[tuple[object, str, object, str]] = []
    for column in spec.columns:
        values = frame[column.name]
        present = values.notna()
        if column.required:
            faults += [(row, column.name, None, "is empty") for row in frame.index[~present]]
        if column.low is not None or column.high is not None:
            low = -float("inf") if column.low is None else column.low
            high = float("inf") if column.high is None else column.high
            outside = present & ~values.astype("float64").between(low, high)
            faults += [(row, column.name, values[row], f"is outside {low:g} to {high:g} {column.unit}".strip())
                       for row in frame.index[outside]]
        if column.choices:
            wrong = present & ~values.isin(column.choices)
            faults += [(row, column.name, values[row], f"is not one of {', '.join(column.choices)}")
                       for row in frame.index[wrong]]
    repeated = frame.duplicated(list(spec.key), keep=False)
    faults += [(row, " + ".join(spec.key), None, "stands more than once") for row in frame.index[repeated]]
    return pd.DataFrame(faults, columns=["row", "column", "value", "fault"])


def dictionary_table() -> pd.DataFrame:
    """The data dictionary itself as a table: table, column, kind, unit, low, high, choices, required, meaning."""
    rows = [(t.name, c.name, c.kind, c.unit, c.low, c.high, ", ".join(c.choices), c.required, c.meaning)
            for t in _TABLES for c in t.columns]
    return pd.DataFrame(rows, columns=["table", "column", "kind", "unit", "low", "high", "choices", "required",
                                       "meaning"])


def short_name(key: str) -> str:
    """The last part of a key such as ``Marta Quell/2024/A``, for labels where the rest is plain from the context."""
    return key.rsplit("/", 1)[-1]
