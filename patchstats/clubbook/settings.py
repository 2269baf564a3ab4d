"""Settings: what a club decides once, kept in its ``patchstats.toml``.

::

    [club]
    name = "Two Rivers Growers"

    [shown]                     # units on charts, cards and receipts; nothing stored depends on them
    length = "in"               # "in" or "cm"
    mass = "lb"                 # "lb" or "kg"
    temperature = "F"           # "F" or "C"

    [season]                    # days outside are asked about; a first day after the last spans New Year
    first_day = "04-01"         # month-day
    last_day = "11-15"

    [weigh_off]                 # season = day of the weigh-off
    2024 = 2024-10-05

    [reading]                   # leave out unless every member of the club writes dates alike
    date_order = "day first"    # or "month first"

    [headings]                  # a heading that members write = what it means
    "umfang" = "circumference"

Every part but ``[club] name`` may be left out. A key that is not listed here is an error, with the nearest one.
"""

from __future__ import annotations

import datetime as dt
import difflib
import json
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType

from patchstats.clubbook.faults import in_words
from patchstats.clubbook.files import write_whole
from patchstats.remarks import ClubError, PatchstatsError
from patchstats.units import IMPERIAL, Shown

SETTINGS_NAME = "patchstats.toml"
DATE_ORDERS = ("day first", "month first")

_PARTS = {
    "club": ("name",),
    "shown": ("length", "mass", "temperature"),
    "season": ("first_day", "last_day"),
    "weigh_off": None,  # any season
    "reading": ("date_order",),
    "headings": None,  # any heading
}


@dataclass(frozen=True)
class ClubSettings:
    """What ``patchstats.toml`` says. ``first_day`` and ``last_day`` of the season are (month, day)."""

    name: str
    shown: Shown = IMPERIAL
    first_day: tuple[int, int] = (4, 1)
    last_day: tuple[int, int] = (11, 15)
    weigh_off: Mapping[int, dt.date] = field(default_factory=dict)
    date_order: str | None = None
    heading_words: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self):
        object.__setattr__(self, "weigh_off", MappingProxyType(dict(self.weigh_off)))
        object.__setattr__(self, "heading_words", MappingProxyType(dict(self.heading_words)))

    def __reduce__(self):
        return ClubSettings, (self.name, self.shown, self.first_day, self.last_day, dict(self.weigh_off),
                              self.date_order, dict(self.heading_words))

    def season_of(self, day: dt.date) -> int | None:
        """The season (year of its last day) that a day belongs to, or None for a day between seasons."""
        at = (day.month, day.day)
        if self.first_day <= self.last_day:
            return day.year if self.first_day <= at <= self.last_day else None
        if at >= self.first_day:
            return day.year + 1
        return day.year if at <= self.last_day else None


def read_settings(folder: str | Path) -> ClubSettings:
    """The settings of the club in ``folder``; raises :class:`ClubError` with what to write instead."""
    folder = Path(folder)
    path = folder / SETTINGS_NAME
    must_be_club(folder)
    with in_words(folder, "reading the club's settings"):
        data = path.read_bytes()
    try:
        parsed = tomllib.loads(data.decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ClubError(f"{path} cannot be read: {error}. Mend that line, or put the file's last good copy back."
                        ) from None
    return _settings(parsed, path)


def must_be_club(folder: Path) -> None:
    """Raises :class:`ClubError` when there is no club in ``folder``."""
    if not folder.is_dir():
        raise ClubError(f"There is no folder {folder}.")
    if not (folder / SETTINGS_NAME).is_file():
        raise ClubError(f"{folder} is no club folder: it holds no {SETTINGS_NAME}. "
                        "Make a club with create_club, or name the folder that holds it.")


def write_settings(folder: str | Path, settings: ClubSettings) -> Path:
    """Writes ``patchstats.toml`` whole or not at all, and returns its path."""
    folder = Path(folder)
    shown = settings.shown
    lines = ["# The club's settings. Nothing stored depends on the units shown.", "[club]",
             f"name = {_quoted(settings.name)}", "", "[shown]",
             f'length = "{shown.length}"            # "in" or "cm"',
             f'mass = "{shown.mass}"              # "lb" or "kg"',
             f'temperature = "{shown.temperature}"        # "F" or "C"', "",
             "[season]                 # month-day; days outside are asked about",
             f'first_day = "{settings.first_day[0]:02d}-{settings.first_day[1]:02d}"',
             f'last_day = "{settings.last_day[0]:02d}-{settings.last_day[1]:02d}"', "",
             "[weigh_off]              # season = day of the weigh-off, such as 2024 = 2024-10-05",
             *(f"{season} = {day.isoformat()}" for season, day in sorted(settings.weigh_off.items())), "",
             "[reading]",
             (f'date_order = "{settings.date_order}"' if settings.date_order else
              '# date_order = "day first"   # or "month first": only if every member writes dates alike'), "",
             '[headings]               # what members write = its meaning, such as "umfang" = "circumference"',
             *(f"{_quoted(word)} = {_quoted(meaning)}" for word, meaning in settings.heading_words.items())]
    path = folder / SETTINGS_NAME
    with in_words(folder, "writing the club's settings"):
        write_whole(path, ("\n".join(lines) + "\n").encode("utf-8"))
    return path


def checked_name(name: str) -> str:
    """A club's name without spaces at the ends; raises :class:`ClubError` if nothing printable is left."""
    name = " ".join(str(name).split())
    if not name or not name.isprintable() or "\x7f" in name:
        raise ClubError("A club needs a name of plain printable letters.")
    return name


def _settings(parsed: dict, path: Path) -> ClubSettings:
    for part, content in parsed.items():
        if part not in _PARTS:
            raise ClubError(f"{path}: there is no part [{part}]{_nearest(part, _PARTS)}.")
        if not isinstance(content, dict):
            raise ClubError(f"{path}: {part} stands alone; write it as a part, [{part}], with its lines below.")
        known = _PARTS[part]
        for key in content:
            if known is not None and key not in known:
                raise ClubError(f"{path}: the part [{part}] has no key {key!r}{_nearest(key, known)}.")
    club = parsed.get("club", {})
    if not isinstance(club.get("name"), str):
        raise ClubError(f'{path}: the club has no name; write [club] and below it name = "...".')
    try:
        shown = Shown(**parsed.get("shown", {}))
    except PatchstatsError as error:
        raise ClubError(f"{path}: {error}") from None
    season = parsed.get("season", {})
    days = {key: _month_day(path, key, value) for key, value in season.items()}
    reading = parsed.get("reading", {})
    order = reading.get("date_order")
    if order is not None and order not in DATE_ORDERS:
        raise ClubError(f'{path}: date_order is {order!r}; write "day first" or "month first", or leave it out.')
    return ClubSettings(checked_name(club["name"]), shown, weigh_off=_weigh_offs(path, parsed.get("weigh_off", {})),
                        date_order=order, heading_words=_headings(path, parsed.get("headings", {})), **days)


def _month_day(path: Path, key: str, value: object) -> tuple[int, int]:
    match = re.fullmatch(r"(\d{1,2})-(\d{1,2})", value) if isinstance(value, str) else None
    try:
        if match is None:
            raise ValueError
        day = dt.date(2000, int(match[1]), int(match[2]))
    except ValueError:
        raise ClubError(f'{path}: {key} is {value!r}; write month-day, such as "04-01".') from None
    return day.month, day.day


def _weigh_offs(path: Path, part: dict) -> dict[int, dt.date]:
    out = {}
    for season, day in part.items():
        if not re.fullmatch(r"\d{4}", season) or not isinstance(day, dt.date) or isinstance(day, dt.datetime):
            raise ClubError(f"{path}: the weigh-off {season!r} is {day!r}; write season = day, such as "
                            "2024 = 2024-10-05, without quotes.")
        out[int(season)] = day
    return out


def _headings(path: Path, part: dict) -> dict[str, str]:
    for word, meaning in part.items():
        if not isinstance(meaning, str) or not word.strip():
            raise ClubError(f'{path}: the heading {word!r} must be given one meaning in quotes, such as '
                            '"umfang" = "circumference".')
    return dict(part)


def _nearest(word: str, known: Iterable[str]) -> str:
    known = list(known)
    near = difflib.get_close_matches(word, known, n=1)
    return f" (did you mean {near[0]!r}?)" if near else f"; it may hold {', '.join(known)}"


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
