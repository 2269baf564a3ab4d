"""Writing the annual meeting's output: charts as pictures, and one page of findings; whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from patchstats.charts import Chart
from patchstats.drivers import Drivers
from patchstats.findings import Findings
from patchstats.meeting.contents import club_sections
from patchstats.meeting.page import Section, all_findings, as_html
from patchstats.outputs import finished_whole

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


def write_meeting(club, folder: str | os.PathLike, *, sections: Sequence[Section] | None = None,
                  drivers: Drivers | None = None, level: float = 0.9,
                  progress: Callable[[str], None] | None = None) -> Meeting:
    """Writes ``folder/index.html``, one self-contained page, and ``folder/charts``: each chart as a PNG of
    1920 x 1080, an SVG and a text file with its alt text.

    ``sections`` None makes the club's own (:func:`patchstats.meeting.club_sections`), from ``drivers`` if that has
    been worked out already. ``progress`` is told the name of each chart. Other files in the folder stay. Raises
    :class:`OutputError` before any work when the folder cannot be written; a failure later leaves it as it was.
    """
    folder = Path(folder)
    with finished_whole(folder) as work:
        sections = club_sections(club, drivers=drivers, level=level) if sections is None else sections
        pictures = work / CHARTS
        pictures.mkdir()
        for chart in (chart for section in sections for chart in section.charts):
            if progress:
                progress(chart.name)
            _save(chart, pictures)
        seasons = club.fruits["season"].dropna()
        span = (f", seasons {seasons.min()} to {seasons.max()}" if seasons.nunique() > 1 else
                f", season {seasons.min()}" if len(seasons) else "")
        subtitle = f"What the members' logs say{span}"
        (work / PAGE).write_text(as_html(f"{club.name}: annual meeting", subtitle, sections, shown=club.shown),
                                 encoding="utf-8", newline="\n")
        written = sorted(path.relative_to(work) for path in pictures.iterdir())
    return Meeting(folder, folder / PAGE, tuple(folder / path for path in written),
                   all_findings(sections))


def _save(chart: Chart, folder: Path) -> None:
    chart.save(folder / f"{chart.name}.png")
    chart.save(folder / f"{chart.name}.svg")
    (folder / f"{chart.name}.txt").write_text(f"{chart.title}\n\n{chart.alt}\n", encoding="utf-8", newline="\n")
