"""The form of a notebook: one question, short cells, no machinery, outputs kept, no number typed by hand.

That the outputs are right is checked by running every notebook again and comparing (nbval), which
``python3 -m patchstats test`` does after these tests.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

import nbformat
import pytest

FOLDER = Path(__file__).resolve().parents[1] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
MOST_CELLS = 25
MOST_LINES = 12
MOST_BYTES = 500_000
FINDINGS = "What we found"
DOUBTS = "What would change our mind"
BANNED = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef, ast.Lambda, ast.For, ast.AsyncFor, ast.While, ast.Try,
          ast.TryStar)
BANNED_IMPORTS = {"time", "timeit", "warnings", "datetime", "os", "sys"}

each = pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)


def read(path: Path):
    return nbformat.read(path, as_version=4)


def code_cells(path: Path) -> list:
    return [cell for cell in read(path).cells if cell.cell_type == "code"]


def headings(path: Path) -> list[str]:
    text = "\n".join(cell.source for cell in read(path).cells if cell.cell_type == "markdown")
    return re.findall(r"^#+\s+(.+?)\s*$", text, re.MULTILINE)


def section(path: Path, heading: str) -> list:
    """The cells from a heading to the next one, each markdown cell cut to what belongs to that section."""
    found, inside = [], False
    for cell in read(path).cells:
        if cell.cell_type == "markdown":
            first, *rest = re.split(r"^#+\s+", cell.source, flags=re.MULTILINE)
            if inside and first.strip():
                found.append(first)
            for part in rest:
                inside = part.splitlines()[0].strip() == heading
                if inside:
                    found.append(part)
        elif inside:
            found.append(cell)
    return found


def test_there_are_notebooks():
    assert len(NOTEBOOKS) >= 5


@each
def test_name_is_a_chapter_and_a_question(path):
    assert re.fullmatch(r"\d\d(_[a-z0-9]+)+", path.stem)


@each
def test_opens_with_one_question_and_holds_the_two_last_sections(path):
    first = read(path).cells[0]
    assert first.cell_type == "markdown" and re.match(r"# .+\?\s*$", first.source.splitlines()[0]), \
        "the first line is '# ' and a question"
    assert len(first.source.splitlines()) > 1, "say under the question why a grower cares"
    assert headings(path)[-2:] == [FINDINGS, DOUBTS]
    assert len(re.findall(r"^# ", "\n".join(c.source for c in read(path).cells if c.cell_type == "markdown"),
                          re.MULTILINE)) == 1, "one question a notebook"


@each
def test_is_short(path):
    assert len(read(path).cells) <= MOST_CELLS
    assert path.stat().st_size <= MOST_BYTES
    for cell in code_cells(path):
        assert len(cell.source.splitlines()) <= MOST_LINES, cell.source


@each
def test_first_code_cell_holds_the_parameters_as_literals(path):
    tagged = [cell for cell in code_cells(path) if "parameters" in cell.metadata.get("tags", [])]
    assert tagged == code_cells(path)[:1]
    for statement in ast.parse(tagged[0].source).body:
        assert isinstance(statement, ast.Assign), tagged[0].source
        ast.literal_eval(statement.value)


@each
def test_reads_the_demo_club_alone(path):
    assert 'club_folder = "../data/demo"' in code_cells(path)[0].source


@each
def test_no_machinery(path):
    for cell in code_cells(path):
        tree = ast.parse(cell.source)  # a magic or a shell line is no Python
        for node in ast.walk(tree):
            assert not isinstance(node, BANNED), cell.source
            if isinstance(node, ast.Attribute):
                assert node.attr != "style", cell.source
            if isinstance(node, (ast.Import, ast.ImportFrom)):
                named = {alias.name.split(".")[0] for alias in node.names} if isinstance(node, ast.Import) else {
                    (node.module or "").split(".")[0]}
                assert not named & BANNED_IMPORTS, cell.source
        assert not cell.source.rstrip().endswith(";"), cell.source


@each
def test_outputs_are_kept_and_of_one_run(path):
    counts = [cell.execution_count for cell in code_cells(path)]
    assert counts == list(range(1, len(counts) + 1)), "run it again, in a fresh kernel: patchstats notebooks"
    for cell in code_cells(path):
        for output in cell.outputs:
            assert output.output_type != "error", cell.source
            assert output.get("name") != "stderr", cell.source
            assert "execution" not in cell.metadata, "a time of day changes on every run"
            shown = " ".join(v for k, v in output.get("data", {}).items() if isinstance(v, str) and "image" not in k)
            shown += output.get("text", "")
            assert not re.search(r"0x[0-9a-f]{6}|Warning:|/home/|/root/|/tmp/|/Users/|[A-Z]:\\\\", shown), shown[:200]


@each
def test_what_we_found_is_said_by_findings(path):
    cells = section(path, FINDINGS)
    prose = "\n".join(cell for cell in cells if isinstance(cell, str))
    assert not re.search(r"\d", prose), "a Finding says the number, not a hand"
    code = [cell for cell in cells if not isinstance(cell, str)]
    assert code, "print the findings here"
    for cell in code:
        assert cell.source.startswith("# NBVAL_CHECK_OUTPUT\n"), cell.source
        assert cell.outputs, cell.source


def test_the_sanitise_file_hides_nothing():
    text = (FOLDER.parent / "tests" / "nbval_sanitize.cfg").read_text(encoding="utf-8")
    assert [line for line in text.splitlines() if line.strip() and not line.startswith("#")] == []
