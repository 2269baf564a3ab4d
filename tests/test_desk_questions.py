"""What the upload desk asks, what an answer changes, and what a preview shows before anything is kept."""

from __future__ import annotations

import pytest
from desk_at_work import OPEN_LOG, WHOLE_LOG, new_club

from patchstats.clubbook import HandedIn, open_club, take_in
from patchstats.desk.preview import look
from patchstats.desk.questions import Question, asked, settings_of, together, told_of
from patchstats.remark_kinds import kind
from patchstats.remarks import PatchstatsError, remark

DATES = kind("date-asked"), "log.csv", 5, "date", "07/08/2024"
UNITS = kind("unit-asked"), "log.csv", 5, "circ", "60"
INCHES = {"what": "The tape", "first": "in", "second": "cm", "first_means": "inches", "second_means": "centimetres",
          "count": 9}


def form(**told: str):
    return lambda key: told.get(key, "")


def test_an_open_date_is_asked_with_both_its_meanings():
    (question,) = asked([remark(*DATES, first="8 Jul 2024", second="7 Aug 2024", count=2)])
    assert question.key == "date_order" and question.title == "Day first or month first?"
    assert question.choices == (("day first", "Day first: 07/08/2024 is 7 Aug 2024"),
                                ("month first", "Month first: 07/08/2024 is 8 Jul 2024"))
    (swapped,) = asked([remark(*DATES, first="7 Aug 2024", second="8 Jul 2024", count=2)])
    assert swapped == question, "whichever the reader names first"


def test_a_unit_is_asked_only_where_an_answer_helps():
    tape = remark(*UNITS, **INCHES)
    air = remark(*UNITS, **INCHES | {"first": "C", "second": "F"})
    assert [q.key for q in asked([tape, tape, air])] == ["length"], "once a file"


def test_names_are_suggested_and_what_must_be_answered_comes_first():
    told = [remark(kind("fruit-unnamed"), "log.csv", before="", after="x/2024/1"),
            remark(kind("season-missing"), "log.csv", count=3),
            remark(kind("grower-missing"), "log.csv", count=3)]
    fruit = next(q for q in asked(told) if q.key == "fruit")
    assert not fruit.needed and asked(told)[-1] == fruit
    grower = next(q for q in asked(told, member="Odo Field", growers=["Ida", "Odo Field"]) if q.key == "grower")
    assert grower.suggestions == ("Odo Field", "Ida")


def test_answers_become_settings_of_the_reader():
    questions = asked([
        remark(*DATES, first="8 Jul 2024", second="7 Aug 2024", count=2),
        remark(*UNITS, **INCHES),
        remark(kind("grower-missing"), "log.csv", count=3), remark(kind("season-missing"), "log.csv", count=3),
        remark(kind("heading-near-miss"), "log.csv", 4, "circumfrense", "circumfrense", count=2, sample="60, 100",
               suggestion="circumference")])
    told = {"date_order": "month first", "length": "in", "grower": "  Marta   Quell ", "season": "2024",
            "heading:circumfrense": "yes"}
    tidy = told_of(form(**told), questions)
    assert tidy == told | {"grower": "Marta Quell"}
    answers = settings_of(tidy, questions, {"umfang": "circumference"})
    assert answers == {"date_order": "month first", "length": "in", "grower": "Marta Quell", "season": 2024,
                       "heading_words": {"umfang": "circumference", "circumfrense": "circumference"}}
    assert settings_of(told_of(form(), questions), questions) == {}, "an answer may be left out"
    assert settings_of({"heading:circumfrense": "no"}, questions) == {}


@pytest.mark.parametrize(("told", "fault"), [
    ({"date_order": "year first"}, "Day first or month first? Choose one of the answers that are offered."),
    ({"season": "24"}, "Which season? Write the year with four digits, such as 2024."),
    ({"season": "2104"}, "Which season? Write the year with four digits, such as 2024."),
    ({"grower": "a/b"}, "Whose log is this? A name has 1 to 80 printable letters and no slash."),
    ({"grower": "a\x00b"}, "Whose log is this? A name has 1 to 80 printable letters and no slash.")])
def test_answers_that_cannot_be_right_are_said(told, fault):
    questions = (Question("date_order", "choice", "Day first or month first?", "", (("day first", "Day first"),)),
                 Question("season", "year", "Which season?", ""), Question("grower", "text", "Whose log is this?", ""))
    with pytest.raises(PatchstatsError) as caught:
        settings_of(told_of(form(**told), questions), questions)
    assert str(caught.value) == fault


def test_what_the_form_was_not_asked_is_not_taken():
    assert told_of(form(heading_words="x", replaces="3"), ()) == {} and settings_of({"replaces": "3"}, ()) == {}


def test_a_question_stays_when_it_is_answered_so_that_it_can_be_answered_otherwise():
    one, two = (Question(key, "text", key, "") for key in ("grower", "fruit"))
    assert together((one,), (two,)) == (one, two)
    newer = Question("grower", "text", "anew", "")
    assert together((one, two), (newer,)) == (newer, two)


# --- the preview -------------------------------------------------------------------------------------------------


def test_a_preview_asks_and_keeps_nothing(tmp_path):
    folder = new_club(tmp_path / "club")
    before = sorted(path.name for path in folder.iterdir())
    seen = look(folder, HandedIn("log.csv", OPEN_LOG), answers={})
    assert {q.key for q in seen.questions} == {"date_order", "length", "grower", "heading:circumfrense"}
    assert seen.receipt.status == "preview" and seen.receipt.number == 0
    assert sorted(path.name for path in folder.iterdir()) == before
    assert open_club(folder).receipts.empty


def test_answers_settle_what_was_open(tmp_path):
    folder = new_club(tmp_path / "club")
    seen = look(folder, HandedIn("log.csv", OPEN_LOG), answers={
        "date_order": "month first", "length": "in", "grower": "Marta Quell",
        "heading_words": {"circumfrense": "circumference"}})
    assert seen.keeps and not [q for q in seen.questions if q.needed]
    tapings = next(s for s in seen.samples if s.title == "Tapings")
    assert tapings.count == 2
    first = dict(zip(tapings.headings, tapings.rows[0], strict=True))
    # As written in the log, in the club's inches; the total is the sum of the three.
    assert (first["date"], first["circumference (in)"], first["side to side (in)"]) == ("2024-07-08", "60", "40")
    assert first["over the top (in)"] == "141"


def test_names_say_what_the_club_knows_and_what_looks_alike(tmp_path):
    folder = new_club(tmp_path / "club")
    take_in(folder, HandedIn("marta.csv", WHOLE_LOG))
    seen = look(folder, HandedIn("log.csv", WHOLE_LOG.replace(b"Quell", b"Quel")), answers={}, club=open_club(folder))
    grower = next(n for n in seen.names if n.what == "grower")
    assert (grower.name, grower.known, grower.alike) == ("Marta Quel", False, "Marta Quell")
    more = WHOLE_LOG + b"2024-08-05,102,66,67\n"
    seen = look(folder, HandedIn("log.csv", more), answers={}, club=open_club(folder))
    assert [(n.name, n.known) for n in seen.names] == [("Marta Quell", True), ("Marta Quell/2024/A", True)]


def test_a_file_that_is_no_log_keeps_nothing(tmp_path):
    folder = new_club(tmp_path / "club")
    seen = look(folder, HandedIn("log.csv", b"\x89PNG\r\n\x1a\n" + bytes(40)), answers={})
    assert not seen.keeps and not seen.questions and not seen.samples
