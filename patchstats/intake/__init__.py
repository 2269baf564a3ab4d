"""Intake: the reader of members' files. It understands what a person would, and what it cannot use it lists.

``read_bytes``, ``read_file`` and ``read_folder`` give an :class:`Intake`: tables that conform to the data dictionary
and remarks that name the place of all the rest.
"""

from patchstats.intake.read import Intake, read_bytes, read_file, read_folder
from patchstats.intake.settings import Settings

__all__ = ["Intake", "Settings", "read_bytes", "read_file", "read_folder"]
