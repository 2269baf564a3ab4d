"""Cells: numbers as growers write them, marks, three measures in one, decimal signs."""

from __future__ import annotations

import pytest

from patchstats.intake.cells import (
    decimal_sign,
    is_ditto,
    is_error,
    is_nothing,
    read_choice,
    read_count,
    read_evenness,
    read_number,
    read_yes,
    three_measures,
)
from patchstats.tables import DICTIONARY


# 120-77-76 = 273 in: a dated log of British Columbia, 2015 (public grower's log).
@pytest.mark.parametrize("text", ["120-77-76", "120/77/76", "120 77 76", "120x77x76", "120 - 77 - 76", "C120 SS77 EE76",
                                  "120;77;76", "120,77,76", "120-77-76 = 273"])
def test_three_measures_in_one_cell(text):
    values, total, _, _ = three_measures(text, None)
    assert values == [120.0, 77.0, 76.0]
    assert total in (None, 273.0)


@pytest.mark.parametrize("text", ["120", "120-77", "soon", "120-77-76-75", ""])
def test_no_three_measures(text):
    assert three_measures(text, None) is None


@pytest.mark.parametrize(("texts", "delimiter", "sign"), [
    (["84,5", "60,25"], ";", ","), (["84.5", "60"], ",", "."), (["1,204.5"], ",", "."), (["1.204,5"], ";", ","),
    (["1,204"], ",", None), (["84", "60"], ",", None), (["84,5", "60.5"], ";", None)])
def test_the_decimal_sign_of_a_file(texts, delimiter, sign):
    assert decimal_sign(texts, delimiter) == sign


def test_a_number_with_two_readings_keeps_both():
    assert read_number("1,204", None) == [1.204, 1204.0]
    assert read_number("1,204", ".").value == 1204.0


def test_marks():
    assert is_nothing("n/a") and is_nothing(" - ") and not is_nothing("0")
    assert is_ditto('"') and is_ditto("same") and not is_ditto("84")
    assert is_error("#REF!") and is_error("=A1") and not is_error("a=b")


def test_counts_yes_and_shares():
    assert (read_count("9+9", None), read_count("9+9=17", None), read_count("18.5", None)) == (18, None, None)
    assert (read_yes("Y"), read_yes("nein"), read_yes("perhaps")) == (True, False, None)
    assert (read_evenness("80 %", None), read_evenness("8/10", None), read_evenness("1.4", ".")) == (0.8, 0.8, None)


def test_every_choice_of_the_dictionary_is_read_as_itself():
    for table, column, concept in (("fruits", "end_reason", "end_reason"), ("flowers", "cover", "cover"),
                                   ("weighings", "status", "status"), ("fruits", "kind", "kind")):
        for choice in DICTIONARY[table][column].choices:
            assert read_choice(concept, choice) == choice
