"""Headings: the trade's words, units, whose column it is; a near miss is suggested, never applied."""

from __future__ import annotations

import pytest

from patchstats import intake
from patchstats.intake.headings import Words, words_with
from patchstats.remarks import PatchstatsError
from patchstats.tables import DICTIONARY

WORDS = Words()


# The trade's own words and abbreviations (growers' measuring guides: circumference, side to side, stem to blossom,
# over the top; log shorthand circ-SS-EE, DAP).
@pytest.mark.parametrize(
    ("text", "concept", "unit"),
    [
        ("Circ", "circumference", ""),
        ("Circ. (in)", "circumference", "in"),
        ("circumference_cm", "circumference", "cm"),
        ("SS", "side_to_side", ""),
        ("Side to side, inches", "side_to_side", "in"),
        ("EE", "stem_to_blossom", ""),
        ("OTT", "over_the_top", ""),
        ("Total inches", "over_the_top", "in"),
        ("circ-SS-EE", "three", ""),
        ("DAP", "day", ""),
        ("Est. weight (lbs)", "written", "lb"),
        ("Umfang (cm)", "circumference", "cm"),
        ("Bestäubt am", "set_date", ""),
        ("Main vine ft", "main_vine", "ft"),
        ("Soil temp (F)", "soil", "F"),
        ("% heavy", "derived", ""),
        ("FRUIT", "fruit", ""),
    ],
)
def test_known_headings(text, concept, unit):
    found = WORDS.match(text)
    assert (found.concept, found.unit) == (concept, unit)


@pytest.mark.parametrize("text", ["Wasps", "120", "Marta", "2024-07-04", "", "Circumfrance"])
def test_unknown_headings(text):
    assert WORDS.match(text) is None


def test_a_near_miss_is_suggested():
    for slip, meant in (("Circumfrance", "circumference"), ("circumfrence", "circumference"),
                        ("cirumference (inches)", "circumference"), ("wieght (lb)", "weight"), ("Daet", "date"),
                        ("stem to blosom", "stem to blossom"), ("Polinated", "pollinated")):
        assert WORDS.match(slip) is None and WORDS.near(slip) == meant
    assert WORDS.near("Wasps") is None


@pytest.mark.parametrize(("text", "concept", "group"), [
    ("Fruit A circ", "circumference", "A"), ("A circ cm", "circumference", "A"), ("circ B", "circumference", "B"),
    ("C ss", "side_to_side", "C")])
def test_headings_that_say_whose_column_it_is(text, concept, group):
    found = WORDS.match(text)
    assert (found.concept, found.group) == (concept, group)


def test_the_depth_and_the_time_in_a_soil_heading():
    found = WORDS.match('Soil 4" am (F)')
    assert (found.concept, found.depth, found.time_of_day, found.unit) == ("soil", "4 in", "morning", "F")


def test_every_measured_column_of_the_dictionary_is_a_known_heading():
    for table in ("readings", "sizes", "soil", "weather"):
        for column in DICTIONARY[table].columns:
            if column.unit:
                assert WORDS.match(column.name) is not None, column.name


def test_a_clubs_own_words():
    settings = intake.Settings(heading_words={"Wamme": "circ", "Tag des Bandes": "date"})
    data = b"Grower,Ida\nSeason,2024\nFruit,A\n\nTag des Bandes,Wamme (cm)\n2024-07-20,112\n"
    result = intake.read_bytes(data, "log.csv", settings=settings)
    assert result.tables["readings"]["circumference_cm"].tolist() == [112.0]


def test_a_clubs_word_must_mean_something_known():
    with pytest.raises(PatchstatsError, match="'Wamme' should mean 'belly', but that is no known heading"):
        words_with({"Wamme": "belly"})
