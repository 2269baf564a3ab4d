"""The tour of the invented club: it leaves all or nothing, and its second run says that nothing new came in."""

from __future__ import annotations

import shutil
from pathlib import Path

import nbformat

from patchstats import tour


def notebook(folder: Path, *cells: str) -> None:
    made = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(cell) for cell in cells])
    made.cells[0].metadata["tags"] = ["parameters"]
    folder.mkdir()
    nbformat.write(made, folder / "00_what_came_in.ipynb")


def test_the_whole_tour_and_a_second_one(demo_root, tmp_path, monkeypatch):
    shutil.copytree(demo_root / "data" / "demo", tmp_path / "club")
    notebook(tmp_path / "notebooks", "club_folder = 'somewhere else'",
             "from patchstats.clubbook import open_club\nprint(open_club(club_folder).name)")
    monkeypatch.setattr(tour, "notebooks_folder", lambda: tmp_path / "notebooks")
    said: list[str] = []
    output = tmp_path / "output"
    tour.demo(output=output, club_folder=tmp_path / "club", say=said.append)
    assert "  Nothing new came in: every log was in the club book already." in said
    assert (output / "index.html").is_file()
    assert list(output.rglob("*.png")) and list(output.rglob("*.svg"))
    run = nbformat.read(output / "notebooks" / "00_what_came_in.ipynb", as_version=4)
    name = tour.demo_club(lambda line: None, tmp_path / "club").name
    assert run.cells[-1].outputs[0].text == f"{name}\n"
    assert [p for p in output.iterdir() if p.name.startswith(".")] == []


def test_counts_are_said_and_add_up(demo_root, tmp_path):
    folder = tmp_path / "club"
    (folder / "logs").mkdir(parents=True)
    shutil.copy(demo_root / "data" / "demo" / "patchstats.toml", folder)
    for log in sorted((demo_root / "data" / "demo" / "logs").iterdir())[::20]:
        shutil.copy(log, folder / "logs")
    said: list[str] = []
    club = tour.demo_club(said.append, folder)
    assert (club.receipts["rows_read"] == club.receipts["rows_kept"] + club.receipts["rows_listed"]).all()
    assert any(f"{club.receipts['rows_read'].sum():,} lines read = {club.receipts['rows_kept'].sum():,} kept + "
               f"{club.receipts['rows_listed'].sum():,} listed" in line for line in said)
    assert not any("Nothing new" in line or "Refused" in line for line in said)
