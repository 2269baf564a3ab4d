"""The club book: exports that other programs read, and that come back exactly."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path

import hypothesis
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plain_reader import PlainIntake, plain_log, read_plain

from patchstats import intake, tables
from patchstats.clubbook import HandedIn, create_club, export, open_club, read_export, take_in
from patchstats.clubbook.export import harmless
from patchstats.remarks import ClubError

WILD = ['=HYPERLINK("http://x")', "+1", "-1", "@SUM(A1)", "\tx", "\rx", "\nx", "'quoted", "''", "＝1",
        "plain, 'quoted'", 'a "b"', "two\r\nlines", "7' 2\"", "½ é 南瓜 🎃", " spaces ", "NA", "nan", "None", "TRUE"]


@pytest.fixture
def club(tmp_path):
    """A club with every kind of cell: wild texts, long floats, counts, days, yes and no, and gaps."""
    def reader(data, name, told):
        if name == "plain.csv":
            return read_plain(data, name, told)
        fruits = tables.conform("fruits", pd.DataFrame({
            "fruit": [f"Ida/2024/{n}" for n in range(len(WILD))], "plant": "Ida/2024/1", "patch": "Ida/home",
            "grower": "Ida", "season": 2024, "note": WILD, "kind": "pumpkin", "set_date": "2024-07-04",
            "lobes": [4, None] + [5] * (len(WILD) - 2), "lobe_evenness": [0.1 + 0.2, None] + [1 / 3] * (len(WILD) - 2),
            "file": name, "line": range(1, len(WILD) + 1)}))
        patches = tables.conform("patches", pd.DataFrame({
            "patch": ["Ida/home", "Ida/east", "Ida/west"], "grower": "Ida", "soil_heated": [True, None, False],
            "latitude_deg": -43.5, "file": name, "line": 1}))
        return PlainIntake({"fruits": fruits, "patches": patches}, (), len(WILD), len(WILD), 0)

    folder = create_club(tmp_path / "club", name='Two "Rivers" =1+1')
    take_in(folder, [HandedIn("=wild.csv", b"wild"), HandedIn("plain.csv", plain_log())], reader=reader)
    return folder


def test_an_export_comes_back_exactly(club, tmp_path):
    opened = open_club(club)
    back = read_export(export(club, tmp_path / "out"))
    assert list(back) == list(tables.STORED)
    for name, frame in opened.tables.items():
        pd.testing.assert_frame_equal(back[name], frame, check_exact=True)
    assert set(back["fruits"]["note"].dropna()) == set(WILD)


def test_an_export_is_the_same_each_time(club, tmp_path):
    one, other = export(club, tmp_path / "one"), export(open_club(club), tmp_path / "other")
    for path in one.iterdir():
        assert path.read_bytes() == (other / path.name).read_bytes()


def test_no_cell_of_an_export_is_a_formula(club, tmp_path):
    # The signs that make a spreadsheet take a cell for a formula: OWASP, "CSV Injection".
    folder = export(club, tmp_path / "out")
    for path in folder.glob("*.csv"):
        with open(path, encoding="utf-8", newline="") as lines:
            for row in csv.reader(lines):
                for cell in row:
                    number = cell.lstrip("-").replace(".", "", 1).replace("e-", "", 1).isdigit()
                    assert number or not cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠"))


@hypothesis.settings(deadline=None)
@given(st.text())
def test_harmless_can_be_undone(text):
    made = harmless(text)
    assert (made[1:] if made.startswith("'") else made) == text


def test_frictionless_finds_no_fault_in_an_export(club, tmp_path):
    # frictionless is the reference implementation of Data Package and Table Schema; in a process of its own, since it
    # warns of things that are not ours.
    folder = export(club, tmp_path / "out")
    code = ("import sys, json, frictionless; report = frictionless.validate(sys.argv[1]); "
            "print(json.dumps([report.valid, sum(t.stats.get('rows') or 0 for t in report.tasks), "
            "report.flatten(['type', 'note'])]))")
    done = subprocess.run([sys.executable, "-c", code, str(folder / "datapackage.json")], capture_output=True,
                          text=True, check=True, cwd=folder)
    valid, rows, faults = json.loads(done.stdout.splitlines()[-1])
    opened = open_club(club)
    assert (valid, faults) == (True, [])
    assert rows == sum(map(len, opened.tables.values())) + len(opened.remarks) + len(opened.receipts)


def test_frictionless_reads_the_values(club, tmp_path):
    folder = export(club, tmp_path / "out")
    code = ("import json, sys; from frictionless import Package; "
            "rows = [r for r in Package(sys.argv[1]).get_resource('patches').read_rows() if r['grower'] == 'Ida']; "
            "print(json.dumps([[r['soil_heated'], float(r['latitude_deg'])] for r in rows]))")
    done = subprocess.run([sys.executable, "-c", code, str(folder / "datapackage.json")], capture_output=True,
                          text=True, check=True, cwd=folder)
    assert json.loads(done.stdout.splitlines()[-1]) == [[None, -43.5], [True, -43.5], [False, -43.5]]


def test_the_description_names_every_column_with_its_unit(club, tmp_path):
    package = json.loads((export(club, tmp_path / "out") / "datapackage.json").read_text(encoding="utf-8"))
    # Data Package 2.0, "$schema": the profile that a descriptor follows is named by its address.
    assert package["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"
    fields = {r["name"]: [f["name"] for f in r["schema"]["fields"]] for r in package["resources"]}
    for name in tables.STORED:
        assert fields[name] == list(tables.table(name).names)
    (field,) = [f for r in package["resources"] if r["name"] == "readings" for f in r["schema"]["fields"]
                if f["name"] == "circumference_cm"]
    assert field == {"name": "circumference_cm", "type": "number", "description":
                     "largest circumference near stem and blossom level [cm]; plausible: 5 to 700"}


def test_an_export_needs_a_new_folder_and_leaves_nothing_half(club, tmp_path):
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_text("mine")
    with pytest.raises(ClubError, match="full is there already; name a new folder for the export"):
        export(club, tmp_path / "full")
    assert [p.name for p in (tmp_path / "full").iterdir()] == ["mine.txt"]
    with pytest.raises(ClubError, match="readings.csv|growers.csv"):
        read_export(tmp_path / "full")


# ---------------------------------------------------------------------------------------------------
# A member hands in a table of an export: it is read as the same rows

LOGS = Path(__file__).parents[1] / "data" / "demo" / "logs"


@pytest.fixture(scope="module")
def sample(tmp_path_factory):
    """A part of the demo club that has rows in every table, and the folder of its export."""
    folder = create_club(tmp_path_factory.mktemp("club") / "club", name="Sample")
    take_in(folder, sorted(p for p in LOGS.iterdir() if p.name.startswith(("club", "inkerby", "jasperholt"))))
    opened = open_club(folder)
    assert all(len(frame) for frame in opened.tables.values())
    return opened, export(opened, folder.parent / "out")


def cells_of(folder, name):
    return pd.read_csv(folder / f"{name}.csv", dtype=str, keep_default_na=False)


def as_saved_abroad(cells, name):
    """As a spreadsheet of a country with decimal commas saves the table."""
    for column in tables.table(name).columns:
        if column.kind == "date":
            cells[column.name] = cells[column.name].str.replace(r"(\d+)-(\d+)-(\d+)", r"\3.\2.\1", regex=True)
        elif column.kind == "number":
            cells[column.name] = cells[column.name].str.replace(".", ",")
    return cells.to_csv(index=False, sep=";").encode()


def assert_same_but_for_origin(read, held, aside=("file", "line")):
    kept = [c for c in held.columns if c not in aside]
    pd.testing.assert_frame_equal(read[kept], held[kept], check_exact=False, rtol=1e-12)


@pytest.mark.parametrize("name", tables.STORED)
def test_an_exported_table_reads_as_the_same_rows(sample, name):
    opened, folder = sample
    result = intake.read_file(folder / f"{name}.csv")
    held = opened.tables[name].copy()
    nowhere = held["file"].isna()  # plants and patches that the club itself completed: now they stand in this file
    held["file"] = held["file"].mask(nowhere, f"{name}.csv")
    held["line"] = held["line"].mask(nowhere, held.index.to_series() + 2)
    pd.testing.assert_frame_equal(result.tables[name], held, check_exact=True)
    assert not result.remarks and result.rows_listed == 0


@pytest.mark.parametrize("name", tables.STORED)
def test_an_exported_table_saved_by_a_spreadsheet_reads_as_the_same_rows(sample, name):
    opened, folder = sample
    result = intake.read_bytes(as_saved_abroad(cells_of(folder, name), name), f"{name}.csv")
    assert_same_but_for_origin(result.tables[name], opened.tables[name])
    assert {r.severity for r in result.remarks} <= {"noted"}


@pytest.mark.parametrize("name", tables.STORED)
def test_an_exported_table_with_its_columns_moved_reads_as_the_same_rows(sample, name):
    opened, folder = sample
    moved = cells_of(folder, name).iloc[:, ::-1].drop(columns="note", errors="ignore")
    result = intake.read_bytes(moved.to_csv(index=False).encode(), f"{name}.csv")
    assert_same_but_for_origin(result.tables[name], opened.tables[name], aside=("file", "line", "note"))
    assert {r.severity for r in result.remarks} <= {"noted"}


@pytest.mark.parametrize("name", ["remarks", "receipts"])
def test_the_clubs_own_lists_are_no_logs(sample, name):
    result = intake.read_file(sample[1] / f"{name}.csv")
    assert [r.message for r in result.remarks] == [
        f"This is the club's own list of {name}; there are no readings in it, and nothing was taken in."]
    assert result.rows_kept == 0 and not result.tables
