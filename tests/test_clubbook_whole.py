"""The ladder of identity made whole from what the logs together say (the rules are those of the data dictionary)."""

from __future__ import annotations

import pandas as pd

from patchstats.clubbook.whole import completed
from patchstats.tables import conform


def _held(**rows):
    return {name: conform(name, pd.DataFrame(made)) for name, made in rows.items()}


def test_a_fruit_that_names_no_plant_or_patch_gets_its_label_and_home():
    whole = completed(_held(fruits=[{"fruit": "Ida Field/2024/A", "grower": "Ida Field", "season": 2024}]))
    fruit = whole["fruits"].iloc[0]
    assert (fruit["plant"], fruit["patch"]) == ("Ida Field/2024/A", "Ida Field/home")
    assert whole["plants"]["plant"].tolist() == ["Ida Field/2024/A"]
    assert whole["patches"]["patch"].tolist() == ["Ida Field/home"]
    assert whole["growers"]["grower"].tolist() == ["Ida Field"]


def test_patch_and_seed_pass_between_a_plant_and_its_fruit():
    whole = completed(_held(
        plants=[{"plant": "Ida Field/2024/1", "patch": "Ida Field/low field", "grower": "Ida Field", "season": 2024}],
        fruits=[{"fruit": "Ida Field/2024/A", "plant": "Ida Field/2024/1", "grower": "Ida Field", "season": 2024,
                 "seed": "900 Field 22"}]))
    assert whole["fruits"]["patch"].tolist() == ["Ida Field/low field"]
    assert whole["plants"]["seed"].tolist() == ["900 Field 22"]


def test_what_a_log_says_stays():
    whole = completed(_held(
        plants=[{"plant": "Ida Field/2024/1", "patch": "Ida Field/low field", "grower": "Ida Field", "season": 2024}],
        fruits=[{"fruit": "Ida Field/2024/A", "plant": "Ida Field/2024/1", "patch": "Ida Field/home",
                 "grower": "Ida Field", "season": 2024}]))
    assert whole["fruits"]["patch"].tolist() == ["Ida Field/home"]


def test_nothing_held_gives_every_stored_table_empty():
    assert all(frame.empty for frame in completed({}).values())
