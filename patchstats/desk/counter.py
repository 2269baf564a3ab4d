"""The counter: what was handed over and is not kept yet lies here, in memory only, for an hour at most."""

from __future__ import annotations

import secrets
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from patchstats.clubbook import HandedIn
from patchstats.desk.preview import Preview
from patchstats.desk.questions import Question

LARGEST_BYTES = 5_000_000  # a season's log has a few thousand letters; a workbook with pictures is no log


@dataclass(frozen=True)
class OnCounter:
    """One file on the counter: its bytes, how it reads now, every question asked so far, what was told in answer, and
    the reader's settings that follow from that."""

    handed: HandedIn
    preview: Preview
    questions: tuple[Question, ...] = ()
    told: Mapping[str, str] = field(default_factory=dict)
    settings: Mapping[str, object] = field(default_factory=dict)
    replaces: int | None = None


class Counter:
    """Files by owner and a name that nobody can guess. The oldest go when there are too many."""

    def __init__(self, *, each: int = 6, most: int = 40, minutes: float = 60.0,
                 clock: Callable[[], float] = time.monotonic):
        self._each, self._most, self._seconds, self._clock = each, most, 60.0 * minutes, clock
        self._held: OrderedDict[tuple[str, str], tuple[float, OnCounter]] = OrderedDict()

    def put(self, owner: str, item: OnCounter, name: str | None = None) -> str:
        """Lays a file down, or what became of it in the place of the earlier; returns its name."""
        name = name or secrets.token_urlsafe(12)
        self._held[owner, name] = (self._clock(), item)
        self._held.move_to_end((owner, name))
        self._clear(owner)
        return name

    def get(self, owner: str, name: str) -> OnCounter | None:
        """The owner's own file of that name, or None; nobody reaches another's."""
        self._clear(owner)
        found = self._held.get((owner, name))
        return found[1] if found else None

    def take_away(self, owner: str, name: str) -> None:
        self._held.pop((owner, name), None)

    def _clear(self, owner: str) -> None:
        now = self._clock()
        for key in [key for key, (at, _) in self._held.items() if now - at > self._seconds]:
            del self._held[key]
        own = [key for key in self._held if key[0] == owner]
        for key in own[: max(0, len(own) - self._each)]:
            del self._held[key]
        while len(self._held) > self._most:
            self._held.popitem(last=False)
