"""The desk: everything that the pages share, as plain methods that may run beside the browser's connection.

Reading a file, writing the book and drawing take their time, so pages call these methods in worker threads; what
they share is guarded by locks, and the club book itself guards what is written.
"""

from __future__ import annotations

import json
import logging
import os
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from patchstats import clubbook
from patchstats.clubbook import Club, HandedIn, Receipt, store
from patchstats.clubbook.faults import in_words
from patchstats.desk import thanks
from patchstats.desk.counter import Counter, OnCounter
from patchstats.desk.preview import look
from patchstats.desk.questions import settings_of, together
from patchstats.desk.security import Door, Session, Sessions

_log = logging.getLogger(__name__)
LEDGER_NAME = "desk-ledger.jsonl"
_SHOWN_RECEIPTS = 8


@dataclass(frozen=True)
class Thanks:
    """The charts of one receipt (title and words, pictures drawn when asked for), or why there are none."""

    charts: tuple
    why_none: str = ""


class Desk:
    """The desk of one club. ``door`` is None at the club's own computer, where nobody signs in."""

    def __init__(self, folder: str | Path, *, door: Door | None = None):
        self.folder = Path(folder)
        self.settings = clubbook.read_settings(self.folder)
        self.door, self.sessions, self.counter = door, Sessions(), Counter()
        self._lock = threading.Lock()
        self._drawing = threading.Lock()  # matplotlib's style is one for all threads
        self._opened: tuple[object, Club | None] = (None, None)
        self._thanked: tuple[object, dict[int, Thanks]] = (None, {})  # of one opening of the club

    # --- handing in ---------------------------------------------------------------------------------------------

    def look(self, handed: HandedIn, session: Session, *, replaces: int | None = None) -> OnCounter:
        """How a file would be taken in; nothing is kept."""
        seen = look(self.folder, handed, answers={}, replaces=replaces, member=session.member, club=self.club())
        return OnCounter(handed, seen, seen.questions, replaces=replaces)

    def look_again(self, item: OnCounter, session: Session, told: Mapping[str, str]) -> OnCounter:
        """How it would be taken in with these answers. Raises :class:`PatchstatsError` for one that cannot be right."""
        settings = settings_of(told, item.questions, self.settings.heading_words)
        seen = look(self.folder, item.handed, answers=settings, replaces=item.replaces, member=session.member,
                    club=self.club())
        return OnCounter(item.handed, seen, together(item.questions, seen.questions), told, settings, item.replaces)

    def keep(self, item: OnCounter, session: Session) -> Receipt:
        """Takes a file in, and writes down who handed it in."""
        (receipt,) = clubbook.take_in(self.folder, item.handed, answers=dict(item.settings), replaces=item.replaces)
        if receipt.number:
            session.receipts.add(receipt.number)
        if receipt.status == "taken in":
            self._write_down(receipt.number, session.member)
        return receipt

    def take_back(self, number: int, session: Session, why: str) -> Receipt:
        """Takes a receipt back in the member's name."""
        by = f"{session.member} at the upload desk" if session.member else "at the upload desk"
        return clubbook.take_back(self.folder, number, why=f"{why} ({by})" if why else by)

    # --- what may be seen ---------------------------------------------------------------------------------------

    def owns(self, session: Session, number: int) -> bool:
        """Whether a receipt may be taken back from here: any at the club's own computer, else the member's own."""
        return self.door is None or number in self._own(session.member)

    def may_see(self, session: Session, number: int) -> bool:
        """The same, and receipts of files whose very bytes this browser has shown."""
        return self.owns(session, number) or number in session.receipts

    def receipts(self, session: Session) -> list[dict[str, object]]:
        """The newest receipts that may be taken back from here: number, name, when, and whether it still stands."""
        club = self.club()
        if club is None:
            return []
        frame = club.receipts
        if self.door is not None:
            frame = frame[frame["receipt"].isin(self._own(session.member))]
        newest = frame.sort_values("receipt", ascending=False).head(_SHOWN_RECEIPTS)
        return [{"number": row.receipt, "name": row.name, "when": row.taken_in[:10], "stands": pd.isna(row.taken_back)}
                for row in newest.itertuples(index=False)]

    def receipt(self, number: int) -> Receipt:
        return clubbook.receipt(self.folder, number)

    def corrected(self, number: int) -> bytes:
        return clubbook.corrected(self.folder, number)

    # --- thanks -------------------------------------------------------------------------------------------------

    def thanks(self, number: int) -> Thanks:
        """The growth charts of the fruits that a receipt tells of."""
        club = self.club()
        if club is None:
            return Thanks((), thanks.why_none([]))
        with self._drawing:
            if self._thanked[0] is not club:
                self._thanked = (club, {})
            held = self._thanked[1]
            if number not in held:
                held[number] = _thanks(club, thanks.fruits_of(self.folder, number))
            return held[number]

    def picture(self, number: int, place: int) -> bytes | None:
        """The chart at this place among a receipt's, as PNG; None when there is none."""
        made = self.thanks(number).charts
        if not 0 <= place < len(made):
            return None
        with self._drawing:
            return made[place].to_bytes("png")

    def club(self) -> Club | None:
        """The club, opened anew only when its book has changed; None while it has no book."""
        state = _state(self.folder)
        with self._lock:
            if self._opened[0] != state:
                there = store.book_path(self.folder).exists()
                self._opened = (state, clubbook.open_club(self.folder) if there else None)
            return self._opened[1]

    # --- who handed in what -------------------------------------------------------------------------------------

    def _write_down(self, number: int, member: str) -> None:
        if not member:
            return
        # A line end in front too: a line that a power cut has cut short spoils no later one.
        line = "\n" + json.dumps({"receipt": number, "member": member}, ensure_ascii=False) + "\n"
        with in_words(self.folder, "writing down who handed in"), self._lock, \
                open(self.folder / LEDGER_NAME, "a", encoding="utf-8") as ledger:
            ledger.write(line)
            ledger.flush()
            os.fsync(ledger.fileno())

    def _own(self, member: str) -> set[int]:
        """The receipts that a member handed in at the desk, and those that took their place since."""
        path = self.folder / LEDGER_NAME
        with in_words(self.folder, "reading who handed in"):
            text = path.read_text("utf-8", errors="replace") if path.exists() else ""
        own = set()
        for line in text.splitlines():
            try:
                told = json.loads(line)
                if told["member"] == member:
                    own.add(int(told["receipt"]))
            except (ValueError, TypeError, KeyError):
                continue
        club = self.club()
        if club is not None:
            later = club.receipts.dropna(subset=["replaced_by"]).sort_values("receipt")
            for old, new in zip(later["receipt"], later["replaced_by"], strict=True):
                if old in own:
                    own.add(int(new))
        return own


def _thanks(club: Club, fruits: list[str]) -> Thanks:
    try:
        made = thanks.growth_charts(club, fruits)
    except Exception:  # whatever may be wrong with a picture, it must not stand between a member and the receipt
        _log.exception("The growth of %s could not be drawn", fruits)
        return Thanks((), "Your growth could not be drawn; tell the club's secretary.")
    return Thanks(tuple(made), "" if made else thanks.why_none(fruits))


def _state(folder: Path) -> tuple:
    """What changes whenever the book does."""
    book = store.book_path(folder)
    out = []
    for path in (book, Path(f"{book}-wal"), folder / "patchstats.toml"):
        try:
            told = path.stat()
            out.append((told.st_mtime_ns, told.st_size))
        except FileNotFoundError:
            out.append((0, 0))
    return tuple(out)
