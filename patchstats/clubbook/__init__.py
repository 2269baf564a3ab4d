"""The club book: one folder a club, with every file ever handed in, its receipt, its rows and their history.

A club folder holds ``patchstats.toml`` (:mod:`~patchstats.clubbook.settings`), ``book.sqlite``
(:mod:`~patchstats.clubbook.store`) and ``originals/`` (each file's bytes under their SHA-256). Nothing is ever
deleted: taking back marks a receipt, and the tables are made of the receipts that stand.
"""

from __future__ import annotations

from patchstats.clubbook.club import Club, open_club, receipt
from patchstats.clubbook.handed import HandedIn
from patchstats.clubbook.receipts import Receipt, as_html, as_text
from patchstats.clubbook.settings import ClubSettings, read_settings, write_settings
from patchstats.clubbook.take import create_club, take_in

__all__ = ["Club", "ClubSettings", "HandedIn", "Receipt", "as_html", "as_text", "create_club", "open_club",
           "read_settings", "receipt", "take_in", "write_settings"]
