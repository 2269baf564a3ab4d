"""The museum of broken logs: every specimen gives exactly the remarks, counts and values thought out beside it."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import pandas as pd
import pytest

from patchstats import intake
from patchstats.remark_kinds import KINDS

ROOMS = Path(__file__).parent / "specimens"
EXPECTED = tomllib.loads((ROOMS / "expected.toml").read_text("utf-8"))


def test_every_specimen_has_its_label_and_there_are_at_least_eighty():
    files = {p.name for p in ROOMS.iterdir() if p.suffix != ".toml"}
    assert files == set(EXPECTED)
    assert len(files) >= 80


@pytest.mark.parametrize("name", EXPECTED)
def test_specimen(name):
    expected, result = EXPECTED[name], intake.read_file(ROOMS / name)
    told = [f"{r.severity} {r.code} {r.line} {r.column}: {r.read}" for r in result.remarks]
    assert sorted(told) == sorted(expected["remarks"])
    assert [result.rows_read, result.rows_kept, result.rows_listed] == expected["rows"]
    assert {table: len(frame) for table, frame in result.tables.items()} == expected["tables"]
    for column, listed in expected.get("values", {}).items():
        table, _, field = column.partition(".")
        got = result.tables[table][field].tolist()
        words = (
            listed.split("|") if "|" in listed or isinstance(got[0], str) and ":" not in listed else listed.split(" ")
        )
        assert len(got) == len(words), (column, got)
        assert all(_same(value, word) for value, word in zip(got, words, strict=True)), (column, got, words)


def _same(value, word: str) -> bool:
    if pd.isna(value):
        return word == "None"
    if isinstance(value, pd.Timestamp):
        return value.date().isoformat() == word
    if isinstance(value, float):
        # Half a unit of the last digit written down.
        digits = len(word.partition(".")[2])
        return math.isclose(value, float(word), rel_tol=0.0, abs_tol=0.5 * 10.0**-digits + 1e-9) and math.isclose(
            value, float(word), rel_tol=2e-6)
    return str(value) == word


def test_every_message_of_the_museum_reads_as_a_sentence():
    for name in EXPECTED:
        for remark in intake.read_file(ROOMS / name).remarks:
            assert remark.message[0].isupper() or not remark.message[0].isalpha() or remark.read, remark
            assert remark.message.endswith((".", "?")) and remark.advice.endswith("."), remark
            assert remark.code in KINDS
