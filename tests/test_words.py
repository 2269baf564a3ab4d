"""Words: what README and DEVELOPERS say holds, every column is in the dictionary, and faults are told in sentences."""

from __future__ import annotations

import ast
import contextlib
import io
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from patchstats import cli, tables

ROOT = Path(__file__).resolve().parents[1]
PAGES = ("README.md", "DEVELOPERS.md")


def blocks(page: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", (ROOT / page).read_text(encoding="utf-8"),
                      re.MULTILINE | re.DOTALL)


def commands(page: str) -> list[list[str]]:
    """The patchstats commands in a page's shell blocks, as words after ``patchstats``."""
    lines = [shlex.split(line, comments=True) for block in blocks(page, "sh") for line in block.splitlines()]
    return [line[line.index("patchstats") + 1:] for line in lines if "patchstats" in line]


@pytest.mark.parametrize("code", blocks("README.md", "python"))
def test_readme_code_runs(code, demo_root):
    done = subprocess.run([sys.executable, "-W", "error", "-c", code], cwd=demo_root, capture_output=True, text=True,
                          check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip()


def test_readme_commands_run(demo_root, tmp_path, monkeypatch, capsys):
    shutil.copytree(demo_root / "data", tmp_path / "data")
    monkeypatch.chdir(tmp_path)
    ran = [words for words in commands("README.md") if words[:1] not in (["demo"], ["test"])]
    assert len(ran) >= 5
    for words in ran:
        assert cli.main(words) == 0, (words, capsys.readouterr().err)


@pytest.mark.parametrize("page", PAGES)
def test_commands_exist(page):
    assert ["test"] in commands(page)
    for words in commands(page):
        cli.make_parser().parse_args(words)


def test_prose_names_commands_that_exist():
    known = set(re.findall(r"^    ([a-z-]+)  ", help_text(), re.MULTILINE)) | {"--help"}
    known |= set(re.findall(r"^    ([a-z-]+)$", help_text(), re.MULTILINE))
    for page in PAGES:
        named = re.findall(r"`patchstats ([a-z-]+)", (ROOT / page).read_text(encoding="utf-8"))
        assert set(named) <= known, page


def help_text() -> str:
    said = io.StringIO()
    with contextlib.redirect_stdout(said), pytest.raises(SystemExit):
        cli.main(["--help"])
    return said.getvalue()


@pytest.mark.parametrize("page", PAGES)
def test_links_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)#]+)", (ROOT / page).read_text(encoding="utf-8")):
        assert (ROOT / target).is_file(), f"{page}: {target}"


@pytest.mark.parametrize("page", PAGES)
def test_files_named_in_prose_exist(page):
    text = (ROOT / page).read_text(encoding="utf-8")
    made_by_running = ("output/", "data/demo")
    for name in set(re.findall(r"`((?:patchstats|tests|notebooks|docs|data|\.ci)/[\w./-]+)`", text)):
        assert (ROOT / name).exists() or name.startswith(made_by_running), f"{page}: {name}"


def test_every_stored_column_is_in_the_dictionary(demo_club):
    for name, frame in demo_club.tables.items():
        assert tuple(frame.columns) == tables.DICTIONARY[name].names, name


def test_every_gains_column_is_in_the_dictionary(demo_club):
    from patchstats.gains import daily_gains

    assert tuple(daily_gains(demo_club).columns) == tables.DICTIONARY["gains"].names


def test_the_dictionary_is_printed_whole(capsys):
    assert cli.main(["dictionary"]) == 0
    said = capsys.readouterr().out
    for table in tables.DICTIONARY.values():
        assert f"{table.name}: {table.meaning}" in said
        for column in table.columns:
            assert re.search(rf"^  {column.name} ", said, re.MULTILINE), column.name


@pytest.mark.parametrize("table", tables.DICTIONARY.values(), ids=lambda t: t.name)
def test_a_column_says_its_unit_and_its_meaning(table):
    from patchstats.units import unit_of_column

    for column in table.columns:
        assert column.meaning and not column.meaning.endswith("."), column.name
        if column.unit and column.name not in ("day", "set_day"):  # days by their own name
            assert unit_of_column(column.name) == column.unit, column.name


def sentences_of(exception_names: set[str]):
    """The literal texts with which the package raises its faults: (place, text with each value as ``{}``)."""
    for path in sorted((ROOT / "patchstats").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not (isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call)):
                continue
            name = getattr(node.exc.func, "id", getattr(node.exc.func, "attr", ""))
            if name in exception_names and node.exc.args:
                text = literal(node.exc.args[0])
                if text is not None:
                    yield f"{path.relative_to(ROOT).as_posix()}:{node.lineno}", text


def literal(node) -> str | None:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values)
    return None


def test_faults_are_told_in_sentences():
    from patchstats import remarks

    names = {name for name in dir(remarks) if name.endswith("Error")} | {"LaunchError"}
    told = list(sentences_of(names))
    assert len(told) > 50
    for place, text in told:
        ended = text.rstrip()[-1] in ".?)}\""
        begun = re.match(r"[A-Z{0-9'\"]|patchstats |[a-z]+\.toml |[a-z_]+ is ", text)
        assert ended and begun, f"{place}: {text!r} is no whole sentence"
