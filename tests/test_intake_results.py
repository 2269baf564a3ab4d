"""Lists of a weigh-off in the forms in which a secretary hands them in."""

from __future__ import annotations

import pytest

from patchstats import intake
from patchstats.units import kg_to_lb

TITLE = "Two Rivers weigh-off, 5 Oct 2024\n"


def weighed(text, name="results.txt"):
    table = intake.read_bytes(text.encode(), name).tables.get("weighings")
    return [] if table is None else [(row.fruit, f"{row.date:%Y-%m-%d}", round(kg_to_lb(row.scale_kg), 1), row.status)
                                     for row in table.itertuples()]


TWO = [("Marta Quellhurst/2024/1", "2024-10-05", 1204.5, None), ("Ida Field/2024/1", "2024-10-05", 998.0, None)]


@pytest.mark.parametrize(("text", "name"), [
    (f"{TITLE}1. Marta Quellhurst 1,204.5 lb\n2. Ida Field 998 lb\n", "results.txt"),
    (f"{TITLE}1st Marta Quellhurst - 1204.5 lbs.\n2nd Ida Field - 998 lbs.\n", "results.txt"),
    (f"{TITLE}Marta Quellhurst ........ 1204.5 pounds\nIda Field ........ 998 pounds\n", "results.txt"),
    ("1\tMarta Quellhurst\t1204.5\tlbs\n2\tIda Field\t998\tlbs\n", "results 2024-10-05.txt"),
    ("1,Marta Quellhurst,1204.5 lb\n2,Ida Field,998 lb\n", "Weigh-off 2024-10-05.csv"),
    ("Place,Grower,Weight (lb)\n1,Marta Quellhurst,1204.5\n2,Ida Field,998\n", "2024-10-05.csv"),
    (f"{TITLE}Place,First name,Last name,Lbs\n1,Marta,Quellhurst,1204.5\n2,Ida,Field,998\n", "results.csv"),
    ("Date: 5 Oct 2024\nName,Lbs\nMarta Quellhurst,1204.5\nIda Field,998\n", "results.csv")])
def test_a_list_of_results_is_understood(text, name):
    assert weighed(text, name) == TWO


def test_two_entries_of_one_grower_on_one_day_are_two_fruits():
    text = "Date,Grower,Weight (lb)\n2024-10-05,Ida Field,998\n2024-10-05,Ida Field,911\n2024-10-12,Ida Field,700\n"
    assert [(fruit, day) for fruit, day, _, _ in weighed(text)] == [
        ("Ida Field/2024/1", "2024-10-05"), ("Ida Field/2024/2", "2024-10-05"), ("Ida Field/2024/1", "2024-10-12")]


def test_a_word_behind_a_weight_is_the_entrys_status():
    text = "Date,Grower,Weight (lb)\n2024-10-05,Ida Field,998 DMG\n2024-10-05,Jo Harrow,911 lb (exh)\n"
    assert [status for *_, status in weighed(text)] == ["damaged", "exhibition"]


def test_weights_without_a_unit_are_asked_about():
    result = intake.read_bytes(f"{TITLE}Marta Quellhurst - 1204.5\nIda Field - 998\n".encode(), "results.txt")
    assert [r.code for r in result.remarks if r.severity == "asked"] == ["unit-asked"]


def test_two_days_in_the_title_are_not_chosen_between():
    text = "Weigh-offs of 5 Oct 2024 and 12 Oct 2024\nGrower,Weight (lb)\nIda Field,998\nJo Harrow,911\n"
    assert [r.code for r in intake.read_bytes(text.encode(), "results.csv").remarks if r.severity == "refused"] == [
        "line-without-date"] * 2


@pytest.mark.parametrize("text", [
    "We had rain, 12 mm\nThe sun came out at 9\n", "Bought manure 12\nBought lime 3\n", "Soil 71\nSoil 72\n",
    "July 20\nJuly 21\n", "Seed 1204\nSeed 998\n"])
def test_other_lines_that_end_in_a_number_are_no_results(text):
    assert intake.read_bytes(text.encode(), "notes.txt").tables.get("weighings") is None
