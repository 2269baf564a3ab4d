"""Reading dates: what a cell can mean, and the order of day and month settled for a whole file."""

from __future__ import annotations

import datetime as dt

import pytest

from patchstats.intake.dates import MONTHS, Calendar, parse, read_time, year_of


@pytest.mark.parametrize(
    "text",
    [
        "2024-07-12",
        "2024/7/12",
        "20240712",
        "12 Jul 2024",
        "12. Juli 2024",
        "12 juillet 2024",
        "July 12th, 2024",
        "12-Jul-24",
        "Jul 12 '24",
        "Fri 12 Jul 2024",
        "12 july 2024",
        "2024-07-12 08:30",
        "2024-07-12T08:30:00Z",
        "45485",
        "2024 Jul 12",
        "12 luglio 2024",
        "12 de julio de 2024",
        "12 juli 2024",
    ],
)
def test_one_day_in_many_forms(text):
    p = parse(text)
    assert (p.year, p.month, p.day) == (2024, 7, 12)


@pytest.mark.parametrize("text", ["84", "1984", "12.7", "7/12/84", "2024-02-30", "31 Feb 2024", "soon", "", "120-77-76",
                                  "45", "45485.5.3", "32/13/2024", "1,204"])
def test_no_day(text):
    assert parse(text) is None


def test_the_count_of_days_of_a_spreadsheet():
    """ECMA-376 part 1, 18.17.4.1: in the 1900 system 2 January 2006 is 38719 (its own example)."""
    p = parse("38719")
    assert (p.year, p.month, p.day, p.serial) == (2006, 1, 2, True)


@pytest.mark.parametrize(("text", "year"), [("24", 2024), ("'24", 2024), ("99", 1999), ("00", 2000), ("69", 2069),
                                            ("84", None), ("2024", 2024), ("204", None)])
def test_years_of_two_digits(text, year):
    assert year_of(text) == year


@pytest.mark.parametrize(
    ("text", "time"),
    [
        ("7:30", "07:30"),
        ("07.30 Uhr", "07:30"),
        ("8 pm", "20:00"),
        ("12 am", "00:00"),
        ("morning", "morning"),
        ("25:00", None),
        ("7", None),
    ],
)
def test_times(text, time):
    assert read_time(text) == time


def test_a_time_behind_a_date_is_kept():
    assert parse("2024-07-12 08:30").time == "08:30"
    assert parse("7/12/2024 7am").time == "07:00"


def test_twelve_months_in_eight_languages():
    assert set(MONTHS.values()) == set(range(1, 13))
    for word, month in {
        "mai": 5,
        "août": 8,
        "dez": 12,
        "maart": 3,
        "ottobre": 10,
        "enero": 1,
        "maj": 5,
        "juin": 6,
    }.items():
        assert parse(f"3 {word} 2024").month == month


def order_of(run, singles=(), sets=(), asked=None):
    calendar = Calendar(season=2024)
    calendar.settle([run], singles, asked, sets)
    return calendar


def test_a_number_above_twelve_settles_the_order():
    assert order_of(["07/08/2024", "13/08/2024"]).order == "day first"
    assert order_of(["07/08/2024", "07/13/2024"]).order == "month first"


def test_weekdays_settle_the_order():
    # 7 August 2024 was a Wednesday, 8 July 2024 a Monday (any calendar).
    assert order_of(["Wed 07/08/2024"]).order == "day first"
    assert order_of(["Mon 07/08/2024"]).order == "month first"


def test_a_log_kept_daily_settles_the_order():
    assert order_of(["7/8", "7/9", "7/10", "7/11"]).order == "month first"
    assert order_of(["8/7", "9/7", "10/7", "11/7"]).order == "day first"


def test_a_pollination_falls_into_early_summer():
    assert order_of([], ["03/07/2024"], ["03/07/2024"]).order == "day first"


def test_what_remains_open_is_not_chosen():
    calendar = order_of(["07/08/2024"])
    assert calendar.order is None
    assert calendar.read(parse("07/08/2024")) is None
    assert calendar.both(parse("07/08/2024")) == [dt.date(2024, 7, 8), dt.date(2024, 8, 7)]


def test_an_answer_settles_it():
    calendar = order_of(["07/08/2024"], asked="day first")
    assert calendar.read(parse("07/08/2024")) == dt.date(2024, 8, 7)


def test_whose_word_it_was_is_said():
    def settled(run, **told):
        calendar = Calendar(season=2024)
        calendar.settle([run], **told)
        return calendar.order, calendar.why

    open_run = ["07/08/2024"]
    assert settled(open_run, answered="day first") == ("day first", "as was answered when the file was handed in")
    assert settled(open_run, stated="day first", custom="month first") == ("day first", "as a heading says")
    assert settled(open_run, custom="month first") == ("month first", "as the club's settings say")
    # The club's custom gives way to what a file shows, and a heading that its dates contradict settles nothing.
    assert settled([*open_run, "07/25/2024"], custom="day first") == (
        "month first", "since a number above 12 stands second")
    assert settled([*open_run, "07/25/2024"], stated="day first")[0] is None


def test_both_orders_in_one_file_are_not_chosen_between():
    calendar = order_of(["13/08/2024", "07/25/2024", "05/08/2024"])
    assert calendar.mixed
    assert calendar.read(parse("07/25/2024")) == dt.date(2024, 7, 25)
    assert calendar.read(parse("05/08/2024")) is None
