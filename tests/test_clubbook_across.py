"""What the logs of a club say of one another: names alike and scales far from the tape, in different files."""

from __future__ import annotations

import random
import string

import pytest

from patchstats.calibrate import weighed
from patchstats.clubbook import HandedIn, as_html, as_text, create_club, open_club, receipt, take_back, take_in
from patchstats.intake import sense
from patchstats.intake.names import pairs
from patchstats.tapings import tapings
from patchstats.units import kg_to_lb

HEAD = "Grower,Season,Fruit,Date,Circ (in),SS (in),EE (in)\n"


def log(grower, fruit="A", *, day="2024-07-20", tapes="44,28,27"):
    return f"{HEAD}{grower},2024,{fruit},{day},{tapes}\n".encode()


def remarks_of(club, code):
    said = open_club(club).remarks
    return said[said["code"] == code]


@pytest.fixture
def club(tmp_path):
    return create_club(tmp_path / "club", name="Two Rivers Growers")


@pytest.mark.parametrize(("one", "other"), [
    ("Marta Quellhurst", "Marta Quelhurst"), ("Marta Quellhurst", "marta quellhurst"),
    ("Marta Quellhurst", "Quellhurst Marta"), ("Zoë Lefèvre", "Zoe Lefevre")])
def test_growers_alike_in_two_files_are_suggested_and_kept_apart(club, one, other):
    take_in(club, [HandedIn("one.csv", log(one)), HandedIn("two.csv", log(other))])
    (said,) = remarks_of(club, "names-alike-files").to_dict("records")
    assert said["message"] == f"{other} looks like {one} in one.csv, line 2; they were kept apart."
    assert (said["severity"], said["file"], said["line"], said["receipt"]) == ("noted", "two.csv", 2, 2)
    assert said["advice"].endswith("and take its old receipt back: patchstats take-back 1 if it is one.csv, "
                                   "patchstats take-back 2 if it is this one.")
    assert sorted(open_club(club).growers["grower"]) == sorted([one, other])


def test_the_advice_on_names_alike_works(club):
    take_in(club, [HandedIn("one.csv", log("Marta Quellhurst")), HandedIn("two.csv", log("Marta Quelhurst"))])
    take_in(club, HandedIn("three.csv", log("Marta Quelhurst") + b"\n"))
    take_back(club, 1)
    opened = open_club(club)
    assert opened.growers["grower"].tolist() == ["Marta Quelhurst"] and remarks_of(club, "names-alike-files").empty


def test_fruits_alike_of_one_grower_are_spoken_of_once_and_those_of_others_never(club):
    take_in(club, [HandedIn("one.csv", log("Ida Field", "Big Bertha")),
                   HandedIn("two.csv", log("Ida Field", "Big Berta")),
                   HandedIn("three.csv", log("Jo Harrow", "Big Bertha", tapes="50,30,30"))])
    (said,) = remarks_of(club, "names-alike-files")["message"]
    assert said == ("Ida Field/2024/Big Berta looks like Ida Field/2024/Big Bertha in one.csv, line 2; "
                    "they were kept apart.")


@pytest.mark.parametrize(("one", "other"), [
    ("Ann", "Anna"), ("Ida Field", "Jo Harrow"), ("Ida Field 11", "Ida Field 12")])
def test_other_names_are_left_alone(club, one, other):
    take_in(club, [HandedIn("one.csv", log(one)), HandedIn("two.csv", log(other))])
    assert remarks_of(club, "names-alike-files").empty


def test_fruit_numbers_are_never_alike(club):
    take_in(club, [HandedIn(f"{n}.csv", log("Ida Field", f"fruit {n}")) for n in (1, 2, 11, 12, 111)])
    assert remarks_of(club, "names-alike-files").empty


def test_what_one_file_has_said_is_not_said_again_and_what_is_taken_back_says_nothing(club):
    take_in(club, [HandedIn("one.csv", log("Marta Quellhurst")), HandedIn("two.csv", log("Marta Quelhurst")),
                   HandedIn("both.csv", log("Marta Quellhurst", day="2024-07-25")
                            + b"Marta Quelhurst,2024,A,2024-07-26,50,32,31\n")])
    assert remarks_of(club, "names-alike-files").empty
    assert len(remarks_of(club, "names-alike")) == 1
    take_back(club, 3)
    assert len(remarks_of(club, "names-alike-files")) == 1
    take_back(club, 2)
    assert remarks_of(club, "names-alike-files").empty


def test_two_thousand_names_are_compared_and_one_slip_among_them_is_found():
    # Invented names: twelve random letters each, so that by chance no two are one slip apart.
    chance = random.Random(20240704)
    labels = ["".join(chance.choices(string.ascii_lowercase, k=12)) for _ in range(2_000)]
    slip = labels[700][:5] + labels[700][6:]
    assert pairs([*labels, slip]) == [(labels[700], slip)]


def test_names_that_are_all_alike_are_given_up_not_laboured_over():
    chance = random.Random(1)
    labels = {"".join(chance.choices("ab", k=14)) for _ in range(2_000)}
    assert pairs(sorted(labels)) == []


def results(weight):
    return f"Grower,Season,Fruit,Date,Weight (lb)\nIda Field,2024,A,2024-10-05,{weight}\n".encode()


# 300 in is recorded as 623 lb: tests/references/weight_table_pairs.csv, which names its source.
TAPED = log("Ida Field", day="2024-10-03", tapes="126,88,86")


def test_a_scale_far_from_the_tape_of_another_file_is_noted_and_nothing_changed(club):
    take_in(club, [HandedIn("ida.csv", TAPED), HandedIn("results.csv", results("1624"))])
    (said,) = remarks_of(club, "scale-far").to_dict("records")
    assert said["message"] == "Ida Field/2024/A weighed 1,624 lb, but its tape says 623 lb."
    assert (said["severity"], said["file"], said["line"], said["receipt"]) == ("noted", "results.csv", 2, 2)
    assert open_club(club).weighings["scale_kg"].round(1).tolist() == [736.6]


@pytest.mark.parametrize("files", [
    [("ida.csv", TAPED), ("results.csv", results("655"))],
    [("ida.csv", TAPED.replace(b"2024-10-03", b"2024-09-20")), ("results.csv", results("1624"))]])
def test_a_scale_near_the_tape_or_long_after_it_is_no_remark(club, files):
    take_in(club, [HandedIn(*file) for file in files])
    assert remarks_of(club, "scale-far").empty


@pytest.mark.parametrize(("kind", "pounds"), [("", 83), ("pumpkin", 83), ("watermelon", 99)])
def test_a_fruit_without_a_kind_is_a_pumpkin_to_all_who_read_it(club, kind, pounds):
    # 150 in are recorded as 83 lb in pumpkins, 99 lb in watermelons: tests/references/weight_table_pairs.csv.
    taped = log("Ida Field", day="2024-10-03", tapes="62,44,44").replace(b"Fruit,", b"Pollinated,Fruit,Kind,")
    weight = results("200").replace(b"Weight (lb)", b"Weight (lb),OTT (in)").replace(b",200", b",200,150")
    taped = taped.replace(b",A,", f",2024-07-04,A,{kind},".encode())
    take_in(club, [HandedIn("ida.csv", taped), HandedIn("results.csv", weight)])
    opened = open_club(club)
    assert kg_to_lb(tapings(opened)["mass_kg"]).round().tolist() == [pounds]
    assert kg_to_lb(weighed(opened)["table_kg"]).round().tolist() == [pounds]
    far = sense.far_from_tape(90.0, 381.0, 2024, opened.fruits["kind"].iloc[0])
    assert round(kg_to_lb(far)) == pounds


def test_the_receipt_tells_what_the_files_say_of_one_another(club):
    take_in(club, HandedIn("one.csv", log("Marta Quellhurst")))
    (taken,) = take_in(club, HandedIn("two.csv", log("Marta Quelhurst")))
    words = "Marta Quelhurst looks like Marta Quellhurst in one.csv, line 2; they were kept apart."
    for spelled in (as_text(taken), as_html(taken), taken._repr_markdown_()):
        assert words in spelled and "Thank you" not in spelled
    assert receipt(club, 2) == taken
    take_back(club, 1)
    assert words not in as_text(receipt(club, 2)), "it is said of the club as it stands"


@pytest.mark.parametrize("tapes_first", [True, False])
def test_whichever_of_tape_and_scale_comes_last_has_it_on_its_receipt(club, tapes_first):
    files = [HandedIn("ida.csv", TAPED), HandedIn("results.csv", results("1624"))]
    first, last = (take_in(club, file)[0] for file in (files if tapes_first else files[::-1]))
    assert "scale-far" not in [r.code for r in first.remarks]
    (said,) = [r for r in last.remarks if r.code == "scale-far"]
    words = "Ida Field/2024/A weighed 1,624 lb, but its tape says 623 lb."
    where = (2, words) if tapes_first else (0, f"results.csv, line 2: {words}")
    assert (said.line, said.message) == where
    assert len(remarks_of(club, "scale-far")) == 1


NO_FRUIT = b"Date,Grower,Weight (lb)\n2024-10-05,Bram Oakenshaw,998\n"


@pytest.mark.parametrize("log_first", [True, False])
def test_results_that_name_no_fruit_are_asked_about_where_the_grower_has_one(club, log_first):
    files = [HandedIn("bram.csv", log("Bram Oakenshaw")), HandedIn("list.csv", NO_FRUIT)]
    last = [take_in(club, file)[0] for file in (files if log_first else files[::-1])][-1]
    (said,) = remarks_of(club, "fruit-unnamed-weighed").to_dict("records")
    assert said["message"] == ("The results name no fruit; Bram Oakenshaw has one fruit in 2024, A (bram.csv, line 2). "
                               "The weight was kept as of Bram Oakenshaw/2024/1.")
    assert (said["severity"], said["file"], said["line"]) == ("asked", "list.csv", 2)
    assert said["advice"].startswith("If it is that one, write A as its Fruit in the list")
    assert "fruit-unnamed-weighed" in [r.code for r in last.remarks]
    assert sorted(open_club(club).fruits["fruit"]) == ["Bram Oakenshaw/2024/1", "Bram Oakenshaw/2024/A"]


@pytest.mark.parametrize("others", [
    [], [log("Bram Oakenshaw"), log("Bram Oakenshaw", "B", tapes="50,30,30")], [log("Bram Oakenshaw", "1")],
    [log("Jo Harrow")], [log("Bram Oakenshaw").replace(b"2024", b"2023")]])
def test_results_that_name_no_fruit_are_left_alone_where_it_is_not_one_other(club, others):
    take_in(club, [HandedIn(f"{n}.csv", data) for n, data in enumerate([NO_FRUIT, *others])])
    assert remarks_of(club, "fruit-unnamed-weighed").empty


def test_results_that_name_fruit_1_are_not_asked_about(club):
    named = NO_FRUIT.replace(b"Weight", b"Fruit,Weight").replace(b",998", b",1,998")
    take_in(club, [HandedIn("bram.csv", log("Bram Oakenshaw")), HandedIn("list.csv", named)])
    assert remarks_of(club, "fruit-unnamed-weighed").empty
