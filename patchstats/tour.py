"""The tour: the invented club from its members' logs to the annual meeting, each step said as it is done.

What the tour makes is put together beside its place and moved there at the end, so that a tour that fails leaves
nothing half written.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection
from pathlib import Path

from patchstats.launch import clone_root
from patchstats.outputs import finished_whole
from patchstats.remarks import OutputError

Say = Callable[[str], None]
LONGEST_CELL_SECONDS = 600
# The same whatever Python ran it, so that a notebook changes only when its content does.
NOTEBOOK_METADATA = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
                     "language_info": {"name": "python"}}


def demo(*, output: Path, club_folder: Path | None = None, say: Say = print) -> Path:
    """The whole tour; returns the folder with the annual meeting's page, its charts and the executed notebooks.

    ``club_folder`` defaults to ``data/demo`` of the clone, or ``patchstats-demo`` where there is no clone. Raises
    :class:`OutputError` before anything is done when ``output`` cannot be written.
    """
    with finished_whole(output) as workplace:
        from patchstats.drivers import fit_drivers
        from patchstats.findings import what_drives
        from patchstats.meeting import club_sections, write_meeting

        club = demo_club(say, club_folder)
        say("Fitting what drives daily gain ...")
        drivers = fit_drivers(club)
        for finding in what_drives(drivers, shown=club.shown).items:
            say(f"  {finding.sentence}")
        say("Running the notebooks ...")
        run_notebooks(club.folder, workplace / "notebooks", say)
        say("Writing the annual meeting's page and charts ...")
        meeting = write_meeting(club, workplace, sections=club_sections(club, drivers=drivers))
        say(f"  {len(meeting.findings)} findings, {len(meeting.charts)} files of charts.")
    say(f"\nWhere to look:\n  {output / 'index.html'}  the findings and charts, for any browser\n"
        f"  {output / 'notebooks'}  one question a notebook: jupyter lab {output / 'notebooks'}\n"
        f"  {club.folder / 'logs'}  the logs as members wrote them")
    return output


def demo_club(say: Say = print, folder: Path | None = None):
    """The invented club: its logs written where they lack, taken in, and the club opened."""
    from patchstats.clubbook import open_club, take_in

    folder = default_folder() if folder is None else folder
    logs = folder / "logs"
    if logs.is_dir() and any(logs.iterdir()):
        say(f"The invented club's logs are in {logs}.")
    else:
        from patchstats.demo import write_club

        say(f"Writing the invented club's logs to {logs} ...")
        write_club(folder)
    say("Taking in every log ...")
    receipts = take_in(folder, logs)
    read, kept, listed = (sum(getattr(r, f"rows_{what}") for r in receipts) for what in ("read", "kept", "listed"))
    new = sum(receipt.status == "taken in" for receipt in receipts)
    say(f"  {len(receipts)} logs: {read:,} lines read = {kept:,} kept + {listed:,} listed with a remark.")
    if new == 0:
        say("  Nothing new came in: every log was in the club book already.")
    elif new < len(receipts):
        say(f"  {new} of them are new.")
    for receipt in receipts:
        if receipt.status == "refused":
            say(f"  Refused: {receipt.name}. {receipt.reason}")
    club = open_club(folder)
    say(f"{club.name}: {len(club.growers)} growers, {club.fruits['season'].nunique()} seasons, "
        f"{len(club.fruits)} fruits, {len(club.readings):,} tapings, {len(club.weighings)} weighings.")
    return club


def default_folder() -> Path:
    """Where the invented club lives when nobody says otherwise, as seen from here where that is shorter."""
    root = clone_root()
    if root is None:
        return Path("patchstats-demo")
    folder = Path(root, "data", "demo")
    return folder.relative_to(Path.cwd()) if folder.is_relative_to(Path.cwd()) else folder


def notebooks_folder() -> Path:
    """The notebooks: of the clone, or as shipped inside an installed package."""
    root = clone_root()
    return Path(root, "notebooks") if root else Path(__file__).with_name("_notebooks")


def run_notebooks(club_folder: Path, to: Path, say: Say = print, *, only: Collection[str] = ()) -> list[Path]:
    """Run every notebook on the club in ``club_folder``, each in a fresh kernel, and write the executed copies.

    ``only``: the names of those to run. Raises :class:`OutputError` naming the notebook that stopped, and why.
    """
    import nbformat
    from nbclient import NotebookClient
    from nbclient.exceptions import CellExecutionError

    to.mkdir(parents=True, exist_ok=True)
    written = []
    for path in sorted(notebooks_folder().glob("*.ipynb")):
        if only and path.stem not in only:
            continue
        started = time.monotonic()
        notebook = nbformat.read(path, as_version=4)
        _set_club(notebook, club_folder.resolve(), to)
        client = NotebookClient(notebook, timeout=LONGEST_CELL_SECONDS, kernel_name="python3", record_timing=False,
                                extra_arguments=["--IPKernelApp.log_level=ERROR"],
                                resources={"metadata": {"path": str(path.parent)}})
        try:
            client.execute()
        except CellExecutionError as error:
            raise OutputError(f"The notebook {path.name} stopped: {error.ename}: {error.evalue}") from error
        notebook.metadata = nbformat.from_dict(NOTEBOOK_METADATA)
        nbformat.write(notebook, to / path.name)
        written.append(to / path.name)
        say(f"  {path.stem}: {time.monotonic() - started:.0f} s")
    return written


def _set_club(notebook, club_folder: Path, kept_in: Path) -> None:
    """Point a notebook at the club, unless it finds it from where it is kept, so that it can be run again there.

    A cell after the one tagged ``parameters`` says so, as parameter runners do.
    """
    import nbformat

    if (kept_in / "../data/demo").resolve() == club_folder:
        return
    for place, cell in enumerate(notebook.cells):
        if "parameters" in cell.metadata.get("tags", []):
            told = nbformat.v4.new_code_cell(f"club_folder = {str(club_folder)!r}",
                                             metadata={"tags": ["injected-parameters"]})
            notebook.cells.insert(place + 1, told)
            return
