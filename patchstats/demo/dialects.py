"""Ways of putting cells on paper: delimiter, encoding, line ends, decimal mark, dates; and the page being written."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction

_MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
           "December")
_FRENCH = ("janv.", "févr.", "mars", "avr.", "mai", "juin", "juil.", "août", "sept.", "oct.", "nov.", "déc.")
_GERMAN = ("Januar", "Februar", "März", "April", "Mai", "Juni", "Juli", "August", "September", "Oktober", "November",
           "Dezember")

DATE_FORMS = ("iso", "month first", "month first short", "day first", "day first short", "day first dots", "4 Jul",
              "4-Jul", "4 July 2021", "July 4, 2021", "german words", "french words")


def write_date(day: date, form: str) -> str:
    """A date as a member writes it.

    >>> [write_date(date(2021, 7, 4), form) for form in ("month first", "day first dots", "french words")]
    ['7/4/2021', '04.07.2021', '4 juil. 2021']
    """
    month = _MONTHS[day.month - 1]
    forms = {
        "iso": f"{day.year}-{day.month:02d}-{day.day:02d}",
        "month first": f"{day.month}/{day.day}/{day.year}",
        "month first short": f"{day.month}/{day.day}/{day.year % 100:02d}",
        "day first": f"{day.day:02d}/{day.month:02d}/{day.year}",
        "day first short": f"{day.day:02d}/{day.month:02d}/{day.year % 100:02d}",
        "day first dots": f"{day.day:02d}.{day.month:02d}.{day.year}",
        "4 Jul": f"{day.day} {month[:3]}",
        "4-Jul": f"{day.day}-{month[:3]}",
        "4 July 2021": f"{day.day} {month} {day.year}",
        "July 4, 2021": f"{month} {day.day}, {day.year}",
        "german words": f"{day.day}. {_GERMAN[day.month - 1]} {day.year}",
        "french words": f"{day.day} {_FRENCH[day.month - 1]} {day.year}",
    }
    return forms[form]


@dataclass(frozen=True)
class Dialect:
    """How one hand's files are put down."""

    delimiter: str = ","
    encoding: str = "utf-8"
    newline: str = "\n"
    dates: str = "iso"
    decimal: str = "."
    language: str = "en"
    metric: bool = False

    def number(self, value: float, places: int = 2) -> str:
        """A plain number without idle zeros, with the dialect's decimal mark."""
        text = f"{value:.{places}f}"
        if "." in text:
            text = text.rstrip("0").rstrip(".")
        return ("0" if text == "-0" else text).replace(".", self.decimal)

    def date(self, day: date) -> str:
        return write_date(day, self.dates)


def fraction(value: float) -> str:
    """A number of inches with quarters as a fraction.

    >>> fraction(84.5), fraction(0.25), fraction(84.0)
    ('84 1/2', '1/4', '84')
    """
    whole, rest = divmod(Fraction(round(value * 4), 4), 1)
    if not rest:
        return str(whole)
    return f"{whole} {rest}" if whole else str(rest)


def feet_inches(inches: float) -> str:
    """Inches as feet and inches.

    >>> feet_inches(86.5)
    '7\\' 2 1/2"'
    """
    feet, rest = divmod(inches, 12.0)
    return f"{int(feet)}' {fraction(rest)}\"" if feet else f'{fraction(rest)}"'


@dataclass
class Page:
    """A file being written. ``add`` gives the line on which a row stands, counted from 1."""

    name: str
    dialect: Dialect
    lines: list[str] = field(default_factory=list)

    def add(self, *cells: object) -> int:
        self.lines.append(self.dialect.delimiter.join(self._cell(c) for c in cells))
        return len(self.lines)

    def text(self, line: str = "") -> int:
        self.lines.append(line)
        return len(self.lines)

    def rows(self, rows: Iterable[Iterable[object]]) -> None:
        for row in rows:
            self.add(*row)

    def _cell(self, cell: object) -> str:
        text = "" if cell is None else str(cell)
        if self.dialect.delimiter in text or text.startswith('"') or "\n" in text or '""' in text:
            return '"' + text.replace('"', '""') + '"'
        return text

    def bytes(self) -> bytes:
        """The file's bytes; every line ends, and UTF-16 and "utf-8-sig" begin with their mark."""
        text = "".join(line + self.dialect.newline for line in self.lines)
        if self.dialect.encoding == "utf-16":  # the platform's byte order must not matter
            return b"\xff\xfe" + text.encode("utf-16-le")
        return text.encode(self.dialect.encoding)
