"""The upload desk: a small page where members hand in logs, see what was understood, answer, confirm, take back.

It runs on the club's own computer with tornado, which JupyterLab brings, and asks nothing of the net.
:mod:`~patchstats.desk.server` opens it; :mod:`~patchstats.desk.pages`, :mod:`~patchstats.desk.hand_in` and
:mod:`~patchstats.desk.receipts` answer the browser; :mod:`~patchstats.desk.preview` and
:mod:`~patchstats.desk.questions` say what was understood and what must be asked; :mod:`~patchstats.desk.counter`
holds what is not kept yet; :mod:`~patchstats.desk.security` knows who may come in; :mod:`~patchstats.desk.thanks`
draws the member's own growth chart; :mod:`~patchstats.desk.folder` does the same for the analyst with a folder of
files. Everything that is kept goes through the club book.
"""

from __future__ import annotations

from patchstats.desk.folder import FolderPreview, keep_folder, look_at_folder
from patchstats.desk.security import give_code
from patchstats.desk.server import open_desk

__all__ = ["FolderPreview", "give_code", "keep_folder", "look_at_folder", "open_desk"]
