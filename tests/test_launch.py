"""The launcher: what it says when it cannot work, and that it does the work once."""

from __future__ import annotations

import ast
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from patchstats import launch

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture
def bare_clone(tmp_path) -> Path:
    """A clone that no environment was made in yet, with just what the launcher reads."""
    clone = tmp_path / "clone"
    (clone / "patchstats").mkdir(parents=True)
    for name in ("pyproject.toml", "constraints.txt"):
        shutil.copy(ROOT / name, clone)
    for name in ("__init__.py", "__main__.py", "launch.py"):
        shutil.copy(ROOT / "patchstats" / name, clone / "patchstats")
    return clone


def run(clone: Path, *words: str, code: str = "", **environment: str) -> subprocess.CompletedProcess:
    """``python -m patchstats`` in a clone by the machine's own Python, which has no patchstats."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("PIP_", "PYTHON", "PATCHSTATS_"))}
    command = ["-c", code] if code else ["-m", "patchstats", *words]
    return subprocess.run([getattr(sys, "_base_executable", sys.executable), *command], cwd=clone, text=True,
                          capture_output=True, env={**kept, **environment}, check=False)


@pytest.mark.parametrize("name", ["__init__.py", "__main__.py", "launch.py"])
def test_an_old_python_can_read_the_entrance(name):
    text = (ROOT / "patchstats" / name).read_text(encoding="utf-8")
    ast.parse(text, feature_version=(3, 6))
    assert "from __future__ import annotations" not in text  # 3.6 does not know it


def test_too_old_is_one_sentence():
    assert launch.too_old((3, 9, 18)) == (
        "patchstats needs Python 3.11 or newer and this is Python 3.9.18: install a newer one and run the same "
        "command with it.")
    assert launch.too_old((3, 11, 0)) == launch.too_old((3, 15, 2)) == ""


def test_the_oldest_python_is_the_one_that_the_project_declares():
    declared = f'requires-python = ">={".".join(map(str, launch.OLDEST))}"'
    assert declared in (ROOT / "pyproject.toml").read_text(encoding="utf-8")


def test_no_network_is_one_sentence(bare_clone):
    nowhere = {"PIP_CONFIG_FILE": os.devnull, "PIP_INDEX_URL": "http://127.0.0.1:9/simple"}
    done = run(bare_clone, "demo", **nowhere)
    assert done.returncode == 2
    log = bare_clone / ".venv" / launch.LOG
    assert done.stderr == (
        "The packages that patchstats needs could not be fetched: a network is needed this once; connect and try "
        f"again (pip's own report is in {log}).\n")
    assert "Making " in done.stdout and "Installing" in done.stdout
    assert not (bare_clone / ".venv" / launch.STAMP).exists()


@pytest.mark.parametrize("module", ["venv", "ensurepip"])
def test_no_venv_module_is_one_sentence(bare_clone, module):
    code = (f"import sys; sys.modules[{module!r}] = None\n"
            "from patchstats.launch import main; sys.exit(main(['demo']))")
    done = run(bare_clone, code=code)
    assert done.returncode == 2
    assert done.stderr == (
        "This Python has no venv module, which keeps the project's packages apart from the machine's: install it (on "
        "Debian and Ubuntu: sudo apt install python3-venv) and try again.\n")
    assert not (bare_clone / ".venv").exists()


def test_something_else_in_the_place_of_the_environment(bare_clone):
    (bare_clone / ".venv").mkdir()
    (bare_clone / ".venv" / "photo.jpg").write_bytes(b"mine")
    done = run(bare_clone, "demo")
    assert done.returncode == 2
    assert done.stderr == (f"{bare_clone / '.venv'} is in the way: it is not a virtual environment; move it and try "
                           "again.\n")
    assert (bare_clone / ".venv" / "photo.jpg").read_bytes() == b"mine"


def test_an_environment_that_cannot_be_written(bare_clone):
    (bare_clone / ".venv").write_text("a file where the folder should be")
    done = run(bare_clone, "demo")
    assert done.returncode == 2
    assert done.stderr.startswith(f"The environment {bare_clone / '.venv'} cannot be made: ")
    assert done.stderr.count("\n") == 1


def test_set_up_once_then_quick(bare_clone, monkeypatch):
    """The second run finds the stamp and starts nothing; a changed constraint makes it install again."""
    monkeypatch.delenv("PATCHSTATS_VENV", raising=False)
    installs = []

    def install(root, python, log, say):
        installs.append(python)

    def make_venv(venv, say):
        python = Path(launch.venv_python(venv))
        python.parent.mkdir(parents=True, exist_ok=True)
        python.touch()

    monkeypatch.setattr(launch, "install", install)
    monkeypatch.setattr(launch, "make_venv", make_venv)
    said: list[str] = []
    python = launch.set_up(str(bare_clone), said.append)
    assert Path(python).is_relative_to(bare_clone / ".venv")
    assert said[-1].startswith("Ready after ")
    said.clear()
    assert launch.set_up(str(bare_clone), said.append) == python
    assert said == [] and len(installs) == 1
    with open(bare_clone / "constraints.txt", "a", encoding="utf-8") as file:
        file.write("six==1.17.0\n")
    launch.set_up(str(bare_clone), said.append)
    assert len(installs) == 2


def test_paths_of_each_system(monkeypatch):
    assert Path(launch.venv_python("there", windows=True)) == Path("there", "Scripts", "python.exe")
    assert Path(launch.venv_python("there", windows=False)) == Path("there", "bin", "python")
    monkeypatch.setenv("PATCHSTATS_VENV", "elsewhere")
    assert Path(launch.venv_folder("clone")) == Path("elsewhere").absolute()


def test_one_thread_unless_told_otherwise():
    environment = {"OMP_NUM_THREADS": "4"}
    launch.one_thread(environment)
    assert environment["OMP_NUM_THREADS"] == "4"
    assert environment["OPENBLAS_NUM_THREADS"] == "1"


@pytest.mark.parametrize(("told", "threads"), [({}, 1), ({"OPENBLAS_NUM_THREADS": "2"}, 2)])
def test_importing_asks_for_one_thread_even_where_numpy_was_first(told, threads):
    """What numpy has loaded is told too, and so is what scipy loads later; whoever set a number keeps it."""
    code = ("import numpy, patchstats, scipy.linalg, threadpoolctl;"
            "print({p['num_threads'] for p in threadpoolctl.threadpool_info() if p['user_api'] == 'blas'})")
    environment = {name: value for name, value in os.environ.items() if not name.endswith("_NUM_THREADS")}
    done = subprocess.run([sys.executable, "-c", code], env={**environment, **told}, capture_output=True, text=True,
                          check=True, cwd=ROOT)
    assert done.stdout.strip() == str({min(threads, os.cpu_count() or 1)})


def test_constraints_name_releases_and_no_address():
    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pins = [line for line in lines if line and not line.startswith("#")]
    assert len(pins) > 50
    for line in pins:
        name, _, release = line.partition("==")
        assert name and release and not set(line) & set("/:@ "), line
