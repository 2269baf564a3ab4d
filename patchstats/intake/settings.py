"""Settings: what the club, or a member's answer, tells the reader beforehand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from patchstats.remarks import PatchstatsError

DATE_ORDERS = ("day first", "month first")
LENGTHS = ("in", "cm")


@dataclass(frozen=True)
class Settings:
    """What is known before a file is read.

    ``heading_words``: the club's own headings (word -> a known heading or concept). ``season``, ``date_order``
    ("day first" or "month first"), ``length`` ("in" or "cm", for tapes that name no unit), ``grower``, ``patch`` and
    ``fruit``: answers to what the file does not say. What the file says itself comes first, except for the date
    order, which is an answer. ``club_date_order``: how the club's members write dates, for files that do not show it.
    """

    heading_words: Mapping[str, str] = field(default_factory=dict)
    season: int | None = None
    date_order: str | None = None
    club_date_order: str | None = None
    length: str | None = None
    grower: str | None = None
    patch: str | None = None
    fruit: str | None = None

    def __post_init__(self):
        object.__setattr__(self, "heading_words", MappingProxyType(dict(self.heading_words)))
        for order in (self.date_order, self.club_date_order):
            if order not in (None, *DATE_ORDERS):
                raise PatchstatsError(f"The order of dates is {order!r}; write 'day first' or 'month first'.")
        if self.length not in (None, *LENGTHS):
            raise PatchstatsError(f"The unit of tapes is {self.length!r}; write 'in' or 'cm'.")
        if self.season is not None:
            try:
                season = int(self.season)
            except (TypeError, ValueError):
                season = 0
            if not 1950 <= season <= 2100:
                raise PatchstatsError(f"The season {self.season!r} is no year from 1950 to 2100.")
            object.__setattr__(self, "season", season)
