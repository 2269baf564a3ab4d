"""The club book: one folder a club, with every file ever handed in, its receipt, its rows and their history.

A club folder holds ``patchstats.toml`` (:mod:`~patchstats.clubbook.settings`), ``book.sqlite``
(:mod:`~patchstats.clubbook.store`) and ``originals/`` (each file's bytes under their SHA-256). Nothing is ever
deleted: taking back marks a receipt, and the tables are made of the receipts that stand.
"""

from __future__ import annotations

from patchstats.clubbook.backup import backup
from patchstats.clubbook.club import Club, open_club, receipt
from patchstats.clubbook.export import export, read_export
from patchstats.clubbook.handed import HandedIn
from patchstats.clubbook.history import corrected, history, original, take_back
from patchstats.clubbook.receipts import Receipt, as_html, as_text
from patchstats.clubbook.settings import ClubSettings, read_settings, write_settings
from patchstats.clubbook.sheets import blank_log, corrected_log, explained
from patchstats.clubbook.take import create_club, read_again, take_in
from patchstats.clubbook.verify import Verification, verify

__all__ = ["Club", "ClubSettings", "HandedIn", "Receipt", "Verification", "as_html", "as_text", "backup",
           "blank_log", "corrected", "corrected_log", "create_club", "explained", "export", "history", "open_club",
           "original", "read_again", "read_export", "read_settings", "receipt", "take_back", "take_in", "verify",
           "write_settings"]
