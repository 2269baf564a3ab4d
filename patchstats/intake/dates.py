"""Dates: from what growers write to days, the order of day and month settled once for the whole file.

A date is read in two steps. :func:`parse` says what a cell can be without choosing; :class:`Calendar` looks at all
the dates of a file, their weekday names, the season and the order in which they stand, and settles day-first or
month-first for all of them, or says that it cannot. Nothing is guessed: where two readings remain, both are shown.

Two-digit years are 1990 to 2069; 84 is no year. A spreadsheet's count of days is the 1900 system.
"""

from __future__ import annotations

import datetime as dt
import functools
import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

DAY_FIRST, MONTH_FIRST = "day first", "month first"
_EXCEL_EPOCH = dt.date(1899, 12, 30)

# Month names: English, German, French, Dutch, Danish/Norwegian, Swedish, Spanish, Italian (from memory).
_MONTH_NAMES = (
    "january jan januar jaenner janner janvier janv januari enero ene gennaio gen",
    "february feb februar fevrier fevr fev februari febrero febbraio",
    "march mar marz maerz mars maart mrt marts marzo mrz",
    "april apr avril avr abril aprile",
    "may mai mei maj mayo maggio mag",
    "june jun juni juin junio giugno giu",
    "july jul juli juillet juil julio luglio lug",
    "august aug aout augustus augusti agosto ago",
    "september sep sept septembre septiembre settembre set",
    "october oct okt oktober octobre octubre ottobre ott",
    "november nov novembre noviembre",
    "december dec dez dezember decembre december dicembre dic diciembre",
)
MONTHS = {name: number for number, names in enumerate(_MONTH_NAMES, 1) for name in names.split()}
_WEEKDAY_NAMES = (
    "monday mon montag lundi lun maandag mandag lunes lunedi man",
    "tuesday tue tues dienstag mardi dinsdag tirsdag martes martedi di tir",
    "wednesday wed mittwoch mercredi mer woensdag onsdag miercoles mercoledi mi wo ons",
    "thursday thu thur thurs donnerstag jeudi jeu donderdag torsdag jueves giovedi do tor",
    "friday fri freitag vendredi ven vrijdag fredag viernes venerdi fr vr fre",
    "saturday sat samstag samedi sam zaterdag lordag sabado sabato sa za lor",
    "sunday sun sonntag dimanche dim zondag sondag domingo domenica so zo son",
)
WEEKDAYS = {name: number for number, names in enumerate(_WEEKDAY_NAMES) for name in names.split()}
WEEKDAY_WORDS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_ACCENTS = str.maketrans("äâàáéèêëíìîïöôòóøüûùúåç", "aaaaeeeeiiiiooooouuuuac")

_TIME = re.compile(
    r"[\sT,]+(?:at\s+|@\s*)?(\d{1,2}):(\d{2})(?::\d{2}(?:\.\d+)?)?\s*(am|pm)?\s*(?:Z|[+-]\d{2}:?\d{2})?$|"
    r"[\s,]+(?:at\s+|@\s*)?(\d{1,2})\s*(am|pm)$",
    re.IGNORECASE,
)
_ISO = re.compile(r"(\d{4})([-/. ])(\d{1,2})\2(\d{1,2})\.?")
_COMPACT = re.compile(r"(19[5-9]\d|20\d\d)(\d{2})(\d{2})")
_NUMERIC = re.compile(r"(\d{1,2})\s*([-/. ])\s*(\d{1,2})(?:\s*\2\s*(\d{4}|'?\d{2})|\.)?")
_DAY_NAMED = re.compile(
    r"(\d{1,2})(?:st|nd|rd|th|er|\.|e)?[\s./-]*(?:of\s+|de\s+)?([a-z]{3,12})\.?(?:[\s,./-]+(?:de\s+)?(\d{4}|'?\d{2}))?"
)
_NAMED_DAY = re.compile(r"([a-z]{3,12})\.?[\s./-]*(\d{1,2})(?:st|nd|rd|th)?(?:[\s,./-]+(\d{4}|'\d{2}|\d{2}))?")
_YEAR_NAMED = re.compile(r"(\d{4})[\s./-]+([a-z]{3,12})\.?[\s./-]+(\d{1,2})")
_DAY_NUMBER = re.compile(
    r"(?:day|dap|tag|dag|jour|d)\s*[#:.]?\s*(\d{1,3})|(\d{1,3})\s*(?:dap|days?(?:\s+after\s+pollination)?)",
    re.IGNORECASE,
)
_SERIAL = re.compile(r"(\d{5})(?:\.(\d+|0))?")


@dataclass(frozen=True)
class Parsed:
    """What a cell says of a day: a settled (year, month, day), two numbers in unknown order, or a day number.

    ``year`` is None when it is not written. ``pair`` holds the two numbers as written.
    """

    year: int | None = None
    month: int | None = None
    day: int | None = None
    pair: tuple[int, int] | None = None
    number: int | None = None  # day after pollination
    serial: bool = False
    weekday: int | None = None
    time: str = ""


def year_of(text: str | None) -> int | None:
    """A year as written, two digits from 1990 to 2069; None when it is none.

    >>> year_of("2024"), year_of("'24"), year_of("84")
    (2024, 2024, None)
    """
    if not text:
        return None
    digits = text.strip().lstrip("'’")
    if not digits.isdigit():
        return None
    number = int(digits)
    if len(digits) == 4:
        return number if 1950 <= number <= 2100 else None
    if len(digits) == 2:
        return 2000 + number if number < 70 else 1900 + number if number >= 90 else None
    return None


@functools.lru_cache(maxsize=50_000)
def parse(text: str, *, serials: bool = True) -> Parsed | None:
    """What a cell says of a day, or None when it is no date.

    >>> parse("12 Jul 2024").month, parse("7/8/24").pair, parse("day 14").number, parse("84")
    (7, (7, 8), 14, None)
    """
    s = " ".join(text.replace("\u00a0", " ").strip().strip("\"“”~?").split()).casefold().translate(_ACCENTS)
    if not s or len(s) > 40 or not any(ch.isdigit() for ch in s):
        return None
    s, weekday = _take_weekday(s)
    s, time = _take_time(s)
    s = s.replace("’", "'")
    found = _ISO.fullmatch(s) or _COMPACT.fullmatch(s)
    if found:
        groups = found.groups() if len(found.groups()) == 3 else (found[1], found[3], found[4])
        return _checked(Parsed(int(groups[0]), int(groups[1]), int(groups[2]), weekday=weekday, time=time))
    found = _NUMERIC.fullmatch(s)
    if found and (found[2] != " " or found[4]):
        a, b = int(found[1]), int(found[3])
        year = year_of(found[4])
        if found[4] and year is None:
            return None
        if found[2] == "." and not found[4] and not s.endswith("."):
            return None  # 12.7 is a number
        return _pair(a, b, year, weekday, time)
    for pattern, order in ((_YEAR_NAMED, (3, 2, 1)), (_DAY_NAMED, (1, 2, 3)), (_NAMED_DAY, (2, 1, 3))):
        found = pattern.fullmatch(s)
        if found and found[order[1]] in MONTHS:
            year = year_of(found[order[2]])
            if found[order[2]] and year is None:
                return None
            return _checked(Parsed(year, MONTHS[found[order[1]]], int(found[order[0]]), weekday=weekday, time=time))
    found = _DAY_NUMBER.fullmatch(s)
    if found:
        return Parsed(number=int(found[1] or found[2]))
    found = _SERIAL.fullmatch(s)
    if found and serials and 29000 < int(found[1]) < 60000:
        day = _EXCEL_EPOCH + dt.timedelta(days=int(found[1]))
        return Parsed(day.year, day.month, day.day, serial=True)
    return None


def _take_weekday(s: str) -> tuple[str, int | None]:
    found = re.match(r"([a-z]{2,10})[.,]?\s+(?=\S)", s)
    if found and found[1] in WEEKDAYS and found[1] not in MONTHS:
        return s[found.end():], WEEKDAYS[found[1]]
    found = re.search(r"[\s,]+\(?([a-z]{2,10})\)?\.?$", s)
    if found and found[1] in WEEKDAYS and found[1] not in MONTHS:
        return s[:found.start()], WEEKDAYS[found[1]]
    return s, None


def _take_time(s: str) -> tuple[str, str]:
    found = _TIME.search(s)
    if found and found.start() > 0:
        time = read_time(found.group(0).strip(" ,t@"))
        if time is not None:
            return s[:found.start()].strip(), "" if time == "00:00" else time
    found = re.search(r"[\s,]+(morning|noon|evening|am|pm)$", s)
    if found:
        return s[:found.start()], {"am": "morning", "pm": "evening"}.get(found[1], found[1])
    return s, ""


def read_time(text: str) -> str | None:
    """A time of day as HH:MM, morning, noon or evening; None when it is none.

    >>> read_time("7:30"), read_time("8 pm"), read_time("am"), read_time("25:00")
    ('07:30', '20:00', 'morning', None)
    """
    s = text.strip().casefold().rstrip(".")
    words = {"am": "morning", "pm": "evening", "morning": "morning", "evening": "evening", "noon": "noon",
             "midday": "noon", "night": "evening", "afternoon": "evening", "a.m": "morning", "p.m": "evening",
             "morgens": "morning", "abends": "evening", "mittags": "noon", "matin": "morning", "soir": "evening",
             "midi": "noon", "morn": "morning", "eve": "evening"}
    if s in words:
        return words[s]
    found = re.fullmatch(
        r"(\d{1,2})(?:[:.h](\d{2}))?(?::\d{2}(?:\.\d+)?)?\s*(am|pm|a\.m|p\.m|h|uhr|o'clock)?\s*(?:z|[+-]\d{2}:?\d{2})?",
        s,
    )
    if not found or not (found[2] or found[3]):
        return None
    hour, minute, half = int(found[1]), int(found[2] or 0), (found[3] or "")[:1]
    if half in ("a", "p"):
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if half == "p" else 0)
    return f"{hour:02d}:{minute:02d}" if hour < 24 and minute < 60 else None


def read_weekday(text: str) -> int | None:
    """The number of a weekday name (Monday 0), or None."""
    return WEEKDAYS.get(text.strip().casefold().rstrip(".,").translate(_ACCENTS))


def _pair(a: int, b: int, year: int | None, weekday: int | None, time: str) -> Parsed | None:
    day_first, month_first = 1 <= b <= 12 and 1 <= a <= 31, 1 <= a <= 12 and 1 <= b <= 31
    if not (day_first or month_first):
        return None
    return Parsed(year, pair=(a, b), weekday=weekday, time=time)


def _checked(made: Parsed) -> Parsed | None:
    return made if _date(made.year or 2024, made.month, made.day) is not None else None


def _date(year: int | None, month: int | None, day: int | None) -> dt.date | None:
    try:
        return dt.date(year, month, day)  # type: ignore[arg-type]
    except (ValueError, TypeError):
        return None


def _turns_year(run: list[Parsed]) -> bool:
    months = [p.month for p in run if p.month]
    return any(a >= 11 and b <= 2 for a, b in zip(months, months[1:], strict=False))


@dataclass
class Calendar:
    """The dates of one file settled together: the order of day and month, and the season for dates without a year.

    ``order`` None: the file does not settle it. ``mixed``: the file contradicts itself. ``why`` in words.
    """

    season: int | None = None
    order: str | None = None
    mixed: bool = False
    why: str = ""
    turns: bool = False  # the log runs over the new year; its season is the later one
    memory: dict[str, Parsed | None] = field(default_factory=dict)

    def parse(self, text: str) -> Parsed | None:
        if text not in self.memory:
            self.memory[text] = parse(text)
        return self.memory[text]

    def settle(self, runs: Iterable[list[str]], singles: Iterable[str] = (), answered: str | None = None,
               sets: Iterable[str] = (), spans: Iterable[tuple[str, str, int]] = (), *, stated: str | None = None,
               custom: str | None = None) -> None:
        """Settle the order from ``runs`` (columns of dates, top to bottom), ``singles`` (facts), ``sets``
        (pollination dates, also among the others) and ``spans`` (a pollination, its fruit's end, and the most days
        that can lie between).

        ``answered``: the order that was given in answer for this file, and stands. ``stated``: what a heading says;
        dates that contradict it leave the order open. ``custom``: the club's usual order, when the file says nothing.
        """
        lives = [(self.parse(a), self.parse(b), most) for a, b, most in spans]
        pollinations = [p for p in map(self.parse, sets) if p is not None]
        parsed_runs = [[p for p in map(self.parse, run) if p is not None] for run in runs]
        lone = [p for p in map(self.parse, singles) if p is not None]
        self.turns = any(_turns_year(run) for run in parsed_runs)
        pairs = [(p, p.pair) for run in [*parsed_runs, lone] for p in run if p.pair]
        if not pairs:
            return
        if answered:
            self.order, self.why = answered, "as was answered when the file was handed in"
            return
        day_first = any(pair[0] > 12 for _, pair in pairs) or stated == DAY_FIRST
        month_first = any(pair[1] > 12 for _, pair in pairs) or stated == MONTH_FIRST
        if day_first and month_first:
            self.mixed = True
            return
        if stated:
            self.order, self.why = stated, "as a heading says"
            return
        if day_first or month_first:
            self.order = DAY_FIRST if day_first else MONTH_FIRST
            self.why = f"since a number above 12 stands {'first' if day_first else 'second'}"
            return
        if custom:
            self.order, self.why = custom, "as the club's settings say"
            return
        if all(pair[0] == pair[1] for _, pair in pairs):
            self.order, self.why = DAY_FIRST, "since day and month are the same number"
            return
        fits = {order: self._weekdays_fit([p for p, _ in pairs], order) for order in (DAY_FIRST, MONTH_FIRST)}
        if fits[DAY_FIRST] != fits[MONTH_FIRST] and None not in fits.values():
            self.order = DAY_FIRST if fits[DAY_FIRST] else MONTH_FIRST
            self.why = "since the weekdays fit"
            return
        sense = {order: self._makes_sense(parsed_runs, lone, order) and self._in_bloom(pollinations, order)
                 and all(self._lives(a, b, most, order) for a, b, most in lives if a and b)
                 for order in (DAY_FIRST, MONTH_FIRST)}
        if sense[DAY_FIRST] != sense[MONTH_FIRST]:
            self.order = DAY_FIRST if sense[DAY_FIRST] else MONTH_FIRST
            self.why = "since otherwise the days would not follow each other within one season"

    def _weekdays_fit(self, pairs: list[Parsed], order: str) -> bool | None:
        told = [(p, day) for p in pairs if p.weekday is not None and (day := self._resolve(p, order)) is not None]
        if not told:
            return None
        return all(day.weekday() == p.weekday for p, day in told)

    def _makes_sense(self, runs: list[list[Parsed]], lone: list[Parsed], order: str) -> bool:
        """Whether an order gives columns that run forward, close together, within one growing season."""
        everything: list[dt.date] = []
        for run in runs:
            days = [self._resolve(p, order, year=2024) for p in run if p.pair or p.month]
            if any(day is None for day in days):
                return False
            known = [day for day in days if day is not None]
            everything += known
            steps = [(b - a).days for a, b in zip(known, known[1:], strict=False)]
            if any(step < 0 for step in steps):
                return False
            # A log kept by the day or week: gaps of about a month, again and again, come from reading it wrongly.
            if len(steps) >= 2 and sum(27 <= step <= 62 for step in steps) >= max(2, 0.5 * len(steps)):
                return False
        facts = [self._resolve(p, order, year=2024) for p in lone]
        if any(day is None for day in facts):
            return False
        everything += [day for day in facts if day is not None]
        return bool(everything) and (max(everything) - min(everything)).days <= 200

    def _lives(self, begin: Parsed, end: Parsed, most: int, order: str) -> bool:
        a, b = self._resolve(begin, order, year=2024), self._resolve(end, order, year=2024)
        return a is not None and b is not None and 0 <= (b - a).days <= most

    def _in_bloom(self, pollinations: list[Parsed], order: str) -> bool:
        """Whether pollinations fall into early summer, north or south (late June to early July in the north:
        growers' guides; two months either side are allowed)."""
        days = [self._resolve(p, order, year=2024) for p in pollinations]
        return all(day is not None and day.month in (5, 6, 7, 8, 12, 1, 2) for day in days)

    def _resolve(self, p: Parsed, order: str | None, year: int | None = None) -> dt.date | None:
        at = p.year or year or self.season
        if p.pair:
            day, month = p.pair if order == DAY_FIRST else p.pair[::-1]
            return _date(at, month, day)
        return _date(at, p.month, p.day)

    def read(self, p: Parsed, season: int | None = None) -> dt.date | None:
        """The day of a parsed cell under what was settled; None when it must be asked or has no year.

        ``season``: that of the line, when it differs from the file's.
        """
        if p.pair and p.pair[0] != p.pair[1]:
            both = self.both(p)
            if len(both) == 1 and (self.mixed or self.order is None):
                return both[0]
            if self.order is None:
                return None
        day = self._resolve(p, self.order or DAY_FIRST, season)
        if day is None and p.pair and len(both := self.both(p)) == 1:
            day = both[0]  # the order is an answer, but this date has one reading only
        if day is not None and p.year is None and self.turns and day.month >= 8:
            return _date(day.year - 1, day.month, day.day)
        return day

    def both(self, p: Parsed) -> list[dt.date]:
        """The days that a parsed cell may mean when the order is open (one or two)."""
        days = {self._resolve(p, order, year=self.season or 2024) for order in (DAY_FIRST, MONTH_FIRST)}
        return sorted(day for day in days if day is not None)

    def settle_season(self, told: Mapping[str, int | None], written: Mapping[str, int]) -> str:
        """The season from what was told (a fact, the club, the file's name) or from the years in the dates, each text
        with how often it is written; none when the dates are of several years.

        Returns where it came from, in words. A log that runs over the new year belongs to the later year, that of
        the weigh-off.
        """
        for where, season in told.items():
            if season is not None:
                self.season = season
                return where
        years: Counter[int] = Counter()
        for text, count in written.items():
            p = self.parse(text)
            if p is not None and p.year is not None:
                years[p.year] += count
        if years:
            latest, top = max(years), max(years, key=lambda y: (years[y], y))
            if latest - min(years) == 1 and self.turns:
                self.season = latest
            elif years[top] >= 0.9 * sum(years.values()):  # the rest are slips
                self.season = top
            return "the dates" if self.season else ""
        return ""
