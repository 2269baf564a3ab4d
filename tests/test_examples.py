"""Every function that turns tape, taping or weather into numbers shows in its docstring what it gives."""

import ast
from pathlib import Path

import pytest

ROOM = Path(__file__).parent.parent / "patchstats"
CONVERSIONS = ("tape", "ellipsoid", "curves", "heat", "daylight", "soilheat", "waterneed", "tapings", "plantsize",
               "patchdays", "gains", "stretches", "curvefit", "growthpath", "tapers", "calibrate", "landmarks", "weeks",
               "soilfill")
# Steps that two modules of a floor share; they need a fruit's whole log, and their callers show what comes of it.
SHARED = {"settle", "build_trend", "set_variances", "fruit_logs", "variances_of", "fit_log", "settings_for",
          "each_fruit"}


@pytest.mark.parametrize("module", CONVERSIONS)
def test_every_function_has_an_example(module):
    tree = ast.parse((ROOM / f"{module}.py").read_text("utf-8"))
    functions = [n for n in tree.body if isinstance(n, ast.FunctionDef) and not n.name.startswith("_")]
    assert functions
    for function in functions:
        told = ast.get_docstring(function) or ""
        assert told, f"{module}.{function.name} says nothing of itself"
        assert ">>>" in told or function.name in SHARED, f"{module}.{function.name} has no example"


def test_the_shared_steps_are_still_there():
    names = {n.name for m in CONVERSIONS for n in ast.parse((ROOM / f"{m}.py").read_text("utf-8")).body
             if isinstance(n, ast.FunctionDef)}
    assert names >= SHARED
