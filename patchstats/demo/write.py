"""Writing the invented club's files: members' logs in their hands, the secretary's lists, and the club's settings."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from patchstats.demo import clublists, sidelogs
from patchstats.demo.blemishes import PLANTED_COLUMNS
from patchstats.demo.hands import FACTS_ON_TOP, WRITE
from patchstats.demo.logs import Writer, fruit_logs
from patchstats.demo.model import DEMO_SEED
from patchstats.demo.simulate import DemoClub, simulate
from patchstats.remarks import PatchstatsError

_HAND_STREAM = 1066  # sets the stream of the hands apart from the club's own


@dataclass(frozen=True)
class Written:
    """The files as ``{name: bytes}`` and the list of blemishes planted (see :mod:`patchstats.demo.blemishes`)."""

    files: dict[str, bytes]
    planted: pd.DataFrame


def compose(club: DemoClub) -> Written:
    """Every file of the club in memory; the same club gives the same bytes."""
    readings = dict(iter(club.tables["readings"].groupby("fruit", sort=True)))
    pages, planted = clublists.pages(club.tables), []
    for place, (member, habit) in enumerate(club.habits.items()):
        rng = np.random.Generator(np.random.PCG64([club.seed, _HAND_STREAM, place]))
        writer = Writer(member, habit, rng)
        _member(writer, club.tables, readings)
        pages += writer.pages
        planted += writer.planted
    files = {page.name: page.bytes() for page in sorted(pages, key=lambda p: p.name)}
    if len(files) != len(pages):
        raise PatchstatsError("Two pages of the invented club bear one name; choose fewer members.")
    listed = pd.DataFrame(planted, columns=list(PLANTED_COLUMNS))
    return Written(files, listed.sort_values(["file", "line"], kind="stable", ignore_index=True))


def _member(writer: Writer, tables: dict[str, pd.DataFrame], readings: dict) -> None:
    own = {name: tables[name][tables[name]["grower"] == writer.member] for name in ("plants", "fruits", "patches")}
    patches = len(own["patches"])
    for season, fruits in own["fruits"].groupby("season", sort=True):
        WRITE[writer.hand.name](writer, fruit_logs(writer, fruits, readings, patches))
        soil = _of(tables["soil"], own["patches"]["patch"], "patch")
        soil = soil[soil["date"].dt.year == season]
        if len(soil):
            sidelogs.soil_log(writer, soil, int(season), patches)
    if len(own["plants"]):
        sidelogs.plant_list(writer, own["plants"])
    if writer.hand.name not in FACTS_ON_TOP and len(own["fruits"]):
        sidelogs.fruit_list(writer, own["fruits"])
    for name, write in (("sizes", sidelogs.size_log), ("flowers", sidelogs.flower_log)):
        rows = _of(tables[name], own["plants"]["plant"], "plant")
        if len(rows):
            write(writer, rows)
    weather = _of(tables["weather"], own["patches"]["patch"], "patch")
    if len(weather):
        sidelogs.weather_log(writer, weather, patches)


def _of(table: pd.DataFrame, keys: pd.Series, column: str) -> pd.DataFrame:
    return table[table[column].isin(keys)]


def settings_text(club: DemoClub) -> str:
    """The club's settings, as a ``patchstats.toml`` says them."""
    days = "".join(f"{season} = {day.isoformat()}\n" for season, day in sorted(club.weigh_off.items()))
    return ("# The invented club. Made by patchstats.demo; see README.md in this folder.\n"
            f'[club]\nname = "{club.name}"\n\n'
            '[shown]\nlength = "in"\nmass = "lb"\ntemperature = "F"\n\n'
            '[season]\nfirst_day = "04-01"\nlast_day = "11-15"\n\n'
            f"[weigh_off]\n{days}")


def write_club(folder: str | Path, seed: int = DEMO_SEED) -> list[Path]:
    """Writes the demo club's folder: ``patchstats.toml`` and ``logs/``. Gives the paths written."""
    folder = Path(folder)
    logs = write_logs(folder / "logs", seed)
    settings = folder / "patchstats.toml"
    settings.write_bytes(settings_text(simulate(seed)).encode("utf-8"))
    return [settings, *logs]


def write_logs(folder: str | Path, seed: int = DEMO_SEED) -> list[Path]:
    """Writes the demo club's logs into ``folder`` (made if need be) and gives their paths, sorted by name.

    The same seed gives the same bytes on every machine. Files of the same name are written over; others stay.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    written = compose(simulate(seed))
    for name, data in written.files.items():
        (folder / name).write_bytes(data)
    return [folder / name for name in written.files]
