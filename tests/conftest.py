"""What every test shares: one linear-algebra thread, and the invented club taken in once."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from patchstats.launch import one_thread

one_thread()  # before anything imports numpy

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="session")
def demo_root(tmp_path_factory) -> Path:
    """A folder that holds ``data/demo`` as a clone does once ``patchstats demo`` has run; not to be written to."""
    from patchstats import clubbook

    root = tmp_path_factory.mktemp("clone")
    shutil.copytree(ROOT / "data" / "demo", root / "data" / "demo",
                    ignore=shutil.ignore_patterns("book.sqlite*", "originals"))
    clubbook.take_in(root / "data" / "demo", root / "data" / "demo" / "logs")
    return root


@pytest.fixture(scope="session")
def demo_club(demo_root):
    """The invented club, opened; not to be changed."""
    from patchstats import clubbook

    return clubbook.open_club(demo_root / "data" / "demo")
