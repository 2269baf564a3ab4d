"""Writing the annual meeting's output: charts as pictures, and one page of findings; whole or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from patchstats.charts import Chart
from patchstats.findings import Findings, together
from patchstats.meeting.contents import club_sections
from patchstats.meeting.page import Section, as_html
from patchstats.remarks import OutputError

PAGE = "index.html"
CHARTS = "charts"


@dataclass(frozen=True)
class Meeting:
    """What was written: the ``page``, the ``charts`` (PNG and SVG, with the alt text of each beside it) and the
    ``findings`` on the page in their order."""

    folder: Path
    page: Path
    charts: tuple[Path, ...]
    findings: Findings

    def _markdown(self) -> str:
        pictures = [path for path in self.charts if path.suffix == ".png"]
        return (f"The annual meeting's page with {len(self.findings)} findings and {len(pictures)} charts.\n\n"
                f"{self.findings._markdown()}")

    def _repr_markdown_(self) -> str:
        return self._markdown()

    def __repr__(self) -> str:
        return self._markdown().replace("*", "")


def write_meeting(club, folder: str | os.PathLike, *, sections: Sequence[Section] | None = None, level: float = 0.9,
                  progress: Callable[[str], None] | None = None) -> Meeting:
    """Writes ``folder/index.html``, one self-contained page, and ``folder/charts``: each chart as a PNG of
    1920 x 1080, an SVG and a text file with its alt text.

    ``sections`` None makes the club's own (:func:`patchstats.meeting.club_sections`). ``progress`` is told the name
    of each chart. Other files in the folder stay. Raises :class:`OutputError` before any work when the folder cannot
    be written; a failure later leaves the folder as it was.
    """
    folder = Path(folder)
    with _workplace(folder) as work:
        sections = club_sections(club, level=level) if sections is None else sections
        pictures = work / CHARTS
        pictures.mkdir()
        for chart in (chart for section in sections for chart in section.charts):
            if progress:
                progress(chart.name)
            _save(chart, pictures)
        seasons = club.fruits["season"].dropna()
        span = f", seasons {seasons.min()} to {seasons.max()}" if len(seasons) else ""
        subtitle = f"What the members' logs say{span}"
        (work / PAGE).write_text(as_html(f"{club.name}: annual meeting", subtitle, sections, shown=club.shown),
                                 encoding="utf-8", newline="\n")
        written = _move_into(work, folder)
    return Meeting(folder, folder / PAGE, tuple(path for path in written if path.parent.name == CHARTS),
                   together(*(section.findings for section in sections)))


def _save(chart: Chart, folder: Path) -> None:
    chart.save(folder / f"{chart.name}.png")
    chart.save(folder / f"{chart.name}.svg")
    (folder / f"{chart.name}.txt").write_text(f"{chart.title}\n\n{chart.alt}\n", encoding="utf-8", newline="\n")


@contextmanager
def _workplace(folder: Path) -> Iterator[Path]:
    """A folder inside ``folder`` to work in, gone at the end; with it ``folder`` too, if it was made for nothing."""
    made = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        work = Path(tempfile.mkdtemp(prefix=".meeting-", dir=folder))
    except OSError as error:
        raise OutputError(f"The folder {folder} cannot be written to: {error.strerror}. Name another one.") from None
    try:
        yield work
    except OSError as error:
        raise OutputError(f"The meeting's page cannot be written to {folder}: {error.strerror}.") from None
    finally:
        shutil.rmtree(work, ignore_errors=True)
        if made and not any(folder.iterdir()):
            folder.rmdir()


def _move_into(work: Path, folder: Path) -> list[Path]:
    """Moves the finished files to their place, the page last, so that it never names a chart that is not there."""
    files = sorted((path for path in work.rglob("*") if path.is_file()), key=lambda path: (path.name == PAGE, path))
    moved = []
    for path in files:
        target = folder / path.relative_to(work)
        target.parent.mkdir(exist_ok=True)
        os.replace(path, target)
        moved.append(target)
    return moved
