"""The floors: a module imports only from floors below its own. The same list is the picture in DEVELOPERS.md."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

import patchstats

PACKAGE = Path(patchstats.__file__).parent
ROOT = PACKAGE.parent
LONGEST_MODULE_LINES = 400

# (what the floor is for, its rooms). A room is a module or a package of patchstats.
FLOORS = [
    ("words", ("launch", "remarks", "remark_kinds", "units", "seednames", "outputs")),
    ("knowledge of the patch", (
        "tables", "tape", "ellipsoid", "curves", "heat", "daylight", "waterneed", "soilheat", "kinship")),
    ("taking in and keeping", ("intake", "clubbook")),
    ("the analysis table", ("tapings", "plantsize", "patchdays", "gains", "stretches")),
    ("the engine house", ("lmm", "curvefit", "growthpath", "tapers", "pace", "ranking")),
    ("the club's questions", (
        "drivermodels", "drivers", "expected", "fairness", "robustness", "seedlines", "practices", "calibrate",
        "landmarks", "soilfill", "weeks")),
    ("showing", ("findings", "charts")),
    ("doors", ("answers", "meeting", "desk", "demo", "tour", "cli")),
]

# Steps sideways, or up a stair: who may import whom all the same, and why.
STAIRS = {
    ("launch", "cli"): "the launcher hands the command over once the project is installed",
    ("units", "remarks"): "an unknown unit is a fault said in words",
    ("seednames", "remarks"): "names that are none are a fault said in words",
    ("seednames", "units"): "the weight in a seed's name is read as any other",
    ("remark_kinds", "remarks"): "the kinds are data of that class",
    ("outputs", "remarks"): "a folder that cannot be written is a fault said in words",
    ("waterneed", "daylight"): "the sun drives evaporation",
    ("clubbook", "intake"): "what is handed in is read on its way into the book",
    ("gains", "tapings"): "gains are made of tapings, plant sizes and days of the patch, each prepared by itself",
    ("gains", "plantsize"): "the same",
    ("gains", "patchdays"): "the same",
    ("drivers", "drivermodels"): "the models are data to it",
    ("expected", "drivermodels"): "the same",
    ("fairness", "drivermodels"): "it must know which terms the models split",
    ("robustness", "drivermodels"): "the same",
    ("fairness", "drivers"): "the club's progress is the drivers' model with the season's number added",
    ("expected", "drivers"): "it reads the fitted drivers off",
    ("seedlines", "drivers"): "a seed is judged after the drivers' effects are taken off",
    ("practices", "drivers"): "it compares the patches whose gains the drivers explain",
    ("robustness", "drivers"): "it asks the drivers' question again, in other ways",
    ("tour", "demo"): "the tour shows the invented club",
    ("tour", "meeting"): "its last step is the annual meeting",
    ("cli", "tour"): "the command line opens the other doors",
    ("cli", "desk"): "the same",
    ("cli", "meeting"): "the same",
}

# Rooms that keep to these libraries alone (and to floor 0).
BARE_ROOMS = {"launch": set(), "lmm": {"numpy", "scipy", "pandas", "patsy", "joblib", "dask", "pyarrow"}}

FLOOR_OF = {room: number for number, (_, rooms) in enumerate(FLOORS) for room in rooms}
NO_FLOOR = -1  # a room that nobody has placed yet may import nothing


def modules() -> list[Path]:
    entrances = (PACKAGE / "__init__.py", PACKAGE / "__main__.py")
    return sorted(path for path in PACKAGE.rglob("*.py") if path not in entrances)


def name_of(path: Path) -> str:
    return ".".join(path.relative_to(PACKAGE).with_suffix("").parts).removesuffix(".__init__")


def room_of(path: Path) -> str:
    return name_of(path).split(".")[0]


def imports_of(path: Path) -> Iterator[str]:
    """Full names of the modules that a file imports anywhere in it, inside functions too."""
    package = ["patchstats", *path.relative_to(PACKAGE).parts[:-1]]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            module = ".".join([*base, *([node.module] if node.module else [])])
            yield module
            yield from (f"{module}.{alias.name}" for alias in node.names)


@cache
def rooms_imported(path: Path) -> set[str]:
    named = {name.split(".")[1] for name in imports_of(path) if name.startswith("patchstats.")}
    return named & (set(FLOOR_OF) | {room_of(p) for p in modules()})


def test_every_room_has_a_floor():
    assert {room_of(p) for p in modules()} == set(FLOOR_OF)


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_imports_come_from_floors_below(path):
    room = room_of(path)
    wrong = {other for other in rooms_imported(path) - {room}
             if FLOOR_OF.get(other, NO_FLOOR) >= FLOOR_OF.get(room, NO_FLOOR) and (room, other) not in STAIRS}
    assert not wrong, f"{name_of(path)} (floor {FLOOR_OF.get(room, NO_FLOOR)}) imports {', '.join(sorted(wrong))}"


def test_each_stair_is_used():
    used = {(room_of(p), other) for p in modules() for other in rooms_imported(p)}
    assert set(STAIRS) <= used


@pytest.mark.parametrize("path", [p for p in modules() if room_of(p) not in ("demo", "tour", "cli")], ids=name_of)
def test_analysis_never_sees_the_invented_club(path):
    assert "demo" not in rooms_imported(path)


@pytest.mark.parametrize("path", [p for p in modules() if room_of(p) in BARE_ROOMS], ids=name_of)
def test_bare_rooms_keep_to_their_libraries(path):
    allowed = BARE_ROOMS[room_of(path)] | set(sys.stdlib_module_names) | {"patchstats"}
    assert {name.split(".")[0] for name in imports_of(path)} <= allowed


def test_the_criterion_knows_arrays_alone():
    path = PACKAGE / "lmm" / "criterion.py"
    allowed = {"numpy", "scipy", "patchstats"} | set(sys.stdlib_module_names)
    assert {name.split(".")[0] for name in imports_of(path)} <= allowed


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_modules_are_short_or_say_why_not(path):
    lines = path.read_text(encoding="utf-8").splitlines()
    said_why = any("over 400 lines" in line for line in lines[:30])
    assert len(lines) <= LONGEST_MODULE_LINES or said_why, f"{name_of(path)} has {len(lines)} lines"


def picture() -> str:
    """The floors as DEVELOPERS.md shows them."""
    rows = [f"| {number} {what} | {', '.join(f'`{room}`' for room in rooms)} |"
            for number, (what, rooms) in enumerate(FLOORS)]
    return "\n".join(["| floor | rooms |", "| --- | --- |", *reversed(rows)])


def test_developers_see_the_same_picture():
    shown = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert picture() in shown, f"DEVELOPERS.md is to show this:\n{picture()}"


def test_importing_the_package_loads_nothing_heavy():
    heavy = "{'numpy', 'pandas', 'scipy', 'matplotlib', 'seaborn', 'statsmodels'}"
    code = f"import sys, patchstats, patchstats.cli; print(sorted(set(sys.modules) & {heavy}))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
