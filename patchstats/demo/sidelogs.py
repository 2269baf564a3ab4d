"""The logs that a member keeps beside the tape: plants, fruits, plant sizes, flowers, soil, weather."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from patchstats.demo.dialects import Page
from patchstats.demo.logs import Writer
from patchstats.demo.words import FACTS
from patchstats.units import CM_PER_FOOT, CM_PER_INCH, c_to_f

LOGGER_HANDS = ("flat", "centimetres", "spreadsheet")  # their soil log is a data logger's export


def _last(key: str) -> str:
    return key.rsplit("/", 1)[-1]


def _season(key: str) -> str:
    return key.split("/")[1]


def _top(writer: Writer, name: str, season: int | None = None) -> Page:
    page = writer.page(name)
    page.add(writer.word("grower"), writer.member)
    if season is not None:
        page.add(writer.word("season"), season)
    return page


def _ending(writer: Writer) -> str:
    return "txt" if writer.dialect.delimiter in ("\t", "|") else "csv"


def _vine_head(writer: Writer, key: str) -> str:
    return f"{writer.word(key)} ({'cm' if writer.dialect.metric else 'ft'})"


def _vine(writer: Writer, cm: float) -> str:
    return writer.dialect.number(cm, 0) if writer.dialect.metric else writer.dialect.number(cm / CM_PER_FOOT, 1)


def plant_list(writer: Writer, plants: pd.DataFrame) -> None:
    """The plants of every season in one list."""
    page = _top(writer, f"{writer.stem} plants.{_ending(writer)}")
    page.text()
    page.add(*(writer.word(k) for k in ("season", "plant", "patch", "seed", "sown_date", "planted_date")))
    for row in plants.itertuples():
        page.add(row.season, _last(row.plant), _last(row.patch), row.seed, writer.dialect.date(row.sown_date.date()),
                 writer.dialect.date(row.planted_date.date()))


def fruit_list(writer: Writer, fruits: pd.DataFrame) -> None:
    """The fruits of every season in one list, by members whose tape logs do not say their facts."""
    page = _top(writer, f"{writer.stem} fruit list.{_ending(writer)}")
    page.text()
    keys = FACTS[1:]
    heads = [_vine_head(writer, k) if k in ("main_vine_cm", "distance_out_cm") else writer.word(k) for k in keys]
    page.add(*heads)
    for row in fruits.itertuples():
        cells = []
        for key in keys:
            value = getattr(row, key)
            if key in ("patch", "plant", "fruit"):
                value = _last(value)
            elif key in ("main_vine_cm", "distance_out_cm"):
                value = _vine(writer, value)
            elif key in ("set_date", "end_date"):
                value = writer.dialect.date(value.date())
            elif key in ("lobe_evenness", "fruit_evenness"):
                value = "" if np.isnan(value) else writer.dialect.number(value)
            cells.append(value)
        page.add(*cells)


def size_log(writer: Writer, sizes: pd.DataFrame) -> None:
    """Secondary vines and main vine by plant and date."""
    page = _top(writer, f"{writer.stem} plant sizes.{_ending(writer)}")
    page.text()
    covered = [f"{writer.word('covered_m2')} (m2)"] if writer.dialect.metric else []
    page.add(*(writer.word(k) for k in ("season", "plant", "date", "secondaries")), _vine_head(writer, "vine"),
             *covered)
    for row in sizes.itertuples():
        more = [writer.dialect.number(row.covered_m2)] if covered else []
        page.add(_season(row.plant), _last(row.plant), writer.dialect.date(row.date.date()), row.secondaries,
                 _vine(writer, row.main_vine_cm), *more)


def flower_log(writer: Writer, flowers: pd.DataFrame) -> None:
    """Every pollination tried and how it ended."""
    page = _top(writer, f"{writer.stem} flowers.{_ending(writer)}")
    page.text()
    page.add(*(writer.word(k) for k in ("season", "plant", "date", "cover", "males", "covered_hours", "lobes", "set",
                                        "fruit")))
    for row in flowers.itertuples():
        page.add(_season(row.plant), _last(row.plant), writer.dialect.date(row.date.date()), row.cover, row.males,
                 writer.dialect.number(row.covered_hours, 1), row.lobes, writer.word("yes" if row.set else "no"),
                 _last(row.fruit) if row.fruit else "")


def _degrees(writer: Writer, celsius: float) -> str:
    if writer.dialect.metric:
        return writer.dialect.number(celsius, 1)
    return writer.dialect.number(c_to_f(celsius), 1)


def _degree_sign(writer: Writer) -> str:
    return "C" if writer.dialect.metric else "F"


def soil_log(writer: Writer, soil: pd.DataFrame, season: int, patches: int) -> None:
    """A season's soil temperatures: by hand, or as a data logger writes them."""
    unit = _degree_sign(writer)
    depth = "10 cm" if writer.dialect.metric else "4 in"
    if writer.hand.name in LOGGER_HANDS:
        plain = replace(writer.dialect, encoding="utf-8", delimiter=",", dates="iso")
        for patch, rows in soil.groupby("patch", sort=True):
            name = f"logger_{writer.stem}_{_last(patch).replace(' ', '-')}_{season}.csv"
            page = writer.page(name, plain)
            page.rows([("Grower", writer.member), ("Season", season), ("Patch", _last(patch)), ("Probe depth", depth)])
            page.add("Timestamp", f"Soil temperature ({unit})")
            for row in rows.itertuples():
                page.add(f"{plain.date(row.date.date())} {row.time_of_day}", _degrees(writer, row.soil_c))
        return
    page = _top(writer, f"{writer.stem} soil {season}.{_ending(writer)}", season)
    page.add(writer.word("depth"), depth)
    page.text()
    where = [writer.word("patch")] if patches > 1 else []
    page.add(*where, writer.word("date"), writer.word("time"), f"{writer.word('soil')} ({unit})")
    for row in soil.itertuples():
        page.add(*([_last(row.patch)] if where else []), writer.dialect.date(row.date.date()), row.time_of_day,
                 _degrees(writer, row.soil_c))


def weather_log(writer: Writer, weather: pd.DataFrame, patches: int) -> None:
    """Highest and lowest air temperature and rain, all seasons in one file."""
    unit = _degree_sign(writer)
    page = _top(writer, f"{writer.stem} weather.{_ending(writer)}")
    page.text()
    where = [writer.word("patch")] if patches > 1 else []
    rain = "mm" if writer.dialect.metric else "in"
    page.add(*where, writer.word("season"), writer.word("date"), f"{writer.word('air_max_c')} ({unit})",
             f"{writer.word('air_min_c')} ({unit})", f"{writer.word('rain_mm')} ({rain})")
    for row in weather.itertuples():
        wet = row.rain_mm if writer.dialect.metric else row.rain_mm / (10.0 * CM_PER_INCH)
        page.add(*([_last(row.patch)] if where else []), row.date.year, writer.dialect.date(row.date.date()),
                 _degrees(writer, row.air_max_c), _degrees(writer, row.air_min_c), writer.dialect.number(wet, 1))
