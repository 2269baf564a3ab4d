"""Seed names in the spellings of the trade. Growers and seeds are invented; the forms are those of growers' lists."""

import pandas as pd
import pytest

from patchstats.seednames import look_alikes, read_pollen, read_seed_name


@pytest.mark.parametrize("text", [
    "895 Quell 08", "895 Quell 2008", "895 quell '08", "895QUELL08", "895 lb Quell 2008", "895lbs. Quell 08",
    "895 Quell'08", "Quell 895 08", "895# Quell 08", " 895   Quell,  2008 ", "895.0 Quell 08", "895 Quell ’08",
    "895-Quell-08", "895 Quell_08", "895 Quell-2008", "895est Quell 08", "895Quell08est", "~895 Quell 08",
    "895dmg Quell 08", "895 Quell exh08",
    "895 Quell 08*", "895* Quell 08", "895 est. Quell 2008", "895 Quell 08 (est)", "895 Quell 08 DMG"])
def test_one_seed_in_many_spellings(text):
    seed = read_seed_name(text)
    assert seed.name == "895 Quell 2008"
    assert seed.raw == text
    assert seed.doubt == ""


@pytest.mark.parametrize(("text", "name"), [
    ("1,985 Thornby 19", "1985 Thornby 2019"), ("150.5 Quell 04", "150.5 Quell 2004"),
    ("150½ Quell 04", "150.5 Quell 2004"), ("150,5 Quell 04", "150.5 Quell 2004"),
    ("2009 Thornby 2019", "2009 Thornby 2019"), ("209 B Quell 12", "209 B Quell 2012"),
    ("209B Quell 12", "209 B Quell 2012"), ("209-B Quell-12", "209 B Quell 2012"),
    ("209 Quell B 12", "209 B Quell 2012"),
    ("895 van der Quell 08", "895 van der Quell 2008"), ("1450 O'Ashmere 2016", "1450 O'Ashmere 2016"),
    ("1450 QUELL-THORNBY", "1450 Quell-Thornby"), ("406 kg Quell 2019", "406 kg Quell 2019"),
    ("723 Quell 94", "723 Quell 1994"), ("895 Quell", "895 Quell")])
def test_names(text, name):
    seed = read_seed_name(text)
    assert (seed.name, seed.doubt) == (name, "")
    # reading the one spelling again changes nothing
    assert read_seed_name(seed.name).name == name


@pytest.mark.parametrize(("text", "cross", "pollen"), [
    ("895 Quell 08 (1016 Thornby 06 x 1385 Ashmere 07)", "1016 Thornby 2006 x 1385 Ashmere 2007", "named"),
    ("895 Quell 08 [1016 Thornby × 1385 Ashmere]", "1016 Thornby x 1385 Ashmere", "named"),
    ("895 Quell 08 (1016 Thornby X self)", "1016 Thornby x self", "self"),
    ("895 Quell 08 (1016 Thornby selfed)", "1016 Thornby x self", "self"),
    ("895 Quell 08 (1016 Thornby x sibb)", "1016 Thornby x sib", "sib"),
    ("895 Quell 08 (1016 Thornby x open)", "1016 Thornby x open", "open"),
    ("895 Quell 08 (1016 Thornby x ?)", "1016 Thornby x open", "open"),
    ("895 Quell 08 (self)", "? x self", "self"),
    ("895 Quell 08 self", "? x self", "self"), ("895 Quell 08 Sib.", "? x sib", "sib"),
    ("895 Quell 08 open", "? x open", "open"),
    ("895 Quell 08 - 1016 Thornby x self", "1016 Thornby x self", "self"),
    ("895 Quell 08: 1016 Thornby x1385 Ashmere", "1016 Thornby x 1385 Ashmere", "named"),
    ("895 Quell 08 (1016Thornby06x1385Ashmere07)", "1016 Thornby 2006 x 1385 Ashmere 2007", "named"),
    ("895 Quell 08 (1016 Thornby 06x1385 Ashmere 07)", "1016 Thornby 2006 x 1385 Ashmere 2007", "named"),
    ("895 Quell 08 (1016 Thornby (700 Dunmore x 800 Quell) x 1385 Ashmere", "1016 Thornby x 1385 Ashmere", "named"),
    ("895 Quell 08", "", "")])
def test_crosses(text, cross, pollen):
    seed = read_seed_name(text)
    assert (seed.name, seed.cross, seed.pollen, seed.doubt) == ("895 Quell 2008", cross, pollen, "")


def test_a_cross_without_a_name_of_its_own():
    seed = read_seed_name("1016 Thornby 06 x 1385 Ashmere 07")
    assert seed.surname == ""
    assert seed.name == seed.cross == "1016 Thornby 2006 x 1385 Ashmere 2007"
    assert seed.doubt == ""


def test_what_is_doubtful_of_a_parent_is_said_of_the_seed():
    assert read_seed_name("895 Quell 08 (1016 x self)").doubt == (
        "Of its seed parent 1016: No grower's name was found.")


@pytest.mark.parametrize("surname", ["Open", "Xavier", "Rex", "Self-Thornby", "Bee"])
def test_a_surname_is_no_pollen_and_no_cross(surname):
    seed = read_seed_name(f"895 {surname} 08")
    assert (seed.name, seed.cross, seed.doubt) == (f"895 {surname} 2008", "", "")


def test_nested_parents_and_their_marks_are_kept():
    seed = read_seed_name("895 Quell 08 (1016 Thornby est (700 Dunmore x self) x 1385* Ashmere) exh")
    assert seed.marks == ("exh",)
    assert seed.seed_parent.marks == ("est",)
    assert seed.seed_parent.cross == "700 Dunmore x self"
    assert seed.pollen_parent.marks == ("est",)


def test_mass():
    assert read_seed_name("2000 Quell 20").mass_kg == pytest.approx(907.18474)  # NIST SP 811
    assert read_seed_name("900 kg Quell 20").mass_kg == 900.0
    assert read_seed_name("Quell").mass_kg is None


@pytest.mark.parametrize(("text", "doubt"), [
    ("Quell 2008", "Its one number may be a weight or a year."), ("Quell 08", "No weight was found."),
    ("Big Orange", "No weight was found."), ("895", "No grower's name was found."),
    ("895 Quell 08 12", "It holds more numbers than a weight and a year."),
    ("895 Quell 1208", "1208 is neither a year nor the weight."),
    ("895 Quell 08 (1016 Thornby)", "Only one parent of the cross is named."),
    ("895 Quell 08 (1016 A x 9 B x 8 C)", "It names more than two parents."),
    ("895 Quell 08 (self x 1016 Thornby)", "'self' stands in the place of the seed parent."),
    ("895 Quell 08 (7 Ash x self) (8 Elm x 9 Oak)", "It names more than one cross."), ("", "No weight was found.")])
def test_doubts(text, doubt):
    assert doubt in read_seed_name(text).doubt


def test_nothing_is_lost_of_what_cannot_be_read():
    assert read_seed_name("  the  big one! ").name == "The Big One!"
    assert read_seed_name("  the  big one! ").raw == "  the  big one! "
    assert read_seed_name("???").name == "???"


def test_pollen():
    assert [read_pollen(t)[0] for t in ("", " Self ", "SIBB", "open pollinated", "O.P.", "bees", "?")] == [
        "", "self", "sib", "open", "open", "open", "open"]
    kind, name = read_pollen("1385 Ashmere '07")
    assert (kind, name.name) == ("named", "1385 Ashmere 2007")


def test_look_alikes_are_suggested_never_merged():
    names = ["895 Quell 2008", "895 Quel 08", "895 Quell", "859 Quell 2008", "895.5 Quell 2008", "895 B Quell 2008",
             "895 Quell 2009", "895 Thornby 2008", "1200 Quell 2008"]
    pairs = look_alikes(names)
    found = {(a, b): why for a, b, why in pairs.itertuples(index=False)}
    assert found["895 Quell 2008", "895 Quel 2008"] == "surnames nearly the same"
    assert found["895 Quell 2008", "895 Quell"] == "year missing"
    assert found["895 Quell 2008", "859 Quell 2008"] == "two digits of the weight exchanged"
    assert found["895 Quell 2008", "895.5 Quell 2008"] == "weights nearly the same"
    assert found["895 Quell 2008", "895 B Quell 2008"] == "letter missing"
    apart = {"895 Thornby 2008", "1200 Quell 2008"}
    assert not apart & set(pairs[["name", "other"]].to_numpy().ravel())
    assert ("895 Quell 2008", "895 Quell 2009") not in found


def test_the_same_name_twice_is_no_look_alike():
    assert look_alikes(["895 Quell 08", "895 QUELL 2008"]).empty
    assert look_alikes([]).columns.tolist() == ["name", "other", "why"]
    assert isinstance(look_alikes([]), pd.DataFrame)
