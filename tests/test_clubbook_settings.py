"""The club's settings: what patchstats.toml may say, and what is said of what it may not."""

from __future__ import annotations

import datetime as dt

import hypothesis
import pytest
from hypothesis import given
from hypothesis import strategies as st

from patchstats.clubbook import ClubSettings, create_club, read_settings, settings, write_settings
from patchstats.remarks import ClubError
from patchstats.units import METRIC, Shown


def read(tmp_path, text):
    (tmp_path / "patchstats.toml").write_text(text, encoding="utf-8")
    return read_settings(tmp_path)


def test_the_example_in_the_documentation_is_read(tmp_path):
    lines = settings.__doc__.split("::\n", 1)[1].split("\nEvery part", 1)[0]
    read_back = read(tmp_path, "\n".join(line.removeprefix("    ") for line in lines.splitlines()))
    assert read_back == ClubSettings(
        "Two Rivers Growers", Shown("in", "lb", "F"), (4, 1), (11, 15), {2024: dt.date(2024, 10, 5)}, "day first",
        {"umfang": "circumference"})


def test_a_name_is_enough(tmp_path):
    assert read(tmp_path, '[club]\nname = "Two Rivers"\n') == ClubSettings("Two Rivers")


def test_what_is_written_is_read(tmp_path):
    said = ClubSettings('The "Big" Patch \\ Ø', METRIC, (10, 1), (4, 30),
                        {2024: dt.date(2024, 4, 6), 2025: dt.date(2025, 4, 5)}, "month first",
                        {'größe "x"': "over the top", "obs = 1": "note"})
    write_settings(tmp_path, said)
    assert read_settings(tmp_path) == said


@hypothesis.settings(deadline=None)
@given(st.text(st.characters(exclude_categories=["Cs"]), min_size=1))
def test_any_heading_survives(tmp_path_factory, word):
    folder = tmp_path_factory.mktemp("headings", numbered=True)
    if word.strip():
        write_settings(folder, ClubSettings("x", heading_words={word: "note"}))
        assert dict(read_settings(folder).heading_words) == {word: "note"}


@pytest.mark.parametrize(("text", "said"), [
    ("[clubs]\nname = 'x'", r"there is no part \[clubs\] \(did you mean 'club'\?\)"),
    ("[club]\nname = 'x'\n[shown]\nlenght = 'in'", r"\[shown\] has no key 'lenght' \(did you mean 'length'\?\)"),
    ("[club]\nname = 'x'\n[season]\nzzz = 1", r"the part \[season\] has no key 'zzz'; it may hold first_day, last_day"),
    ("[shown]\nlength = 'in'", r"the club has no name; write \[club\] and below it name"),
    ("[club]\nname = ' '", "A club needs a name of plain printable letters"),
    ("[club]\nname = 'x'\n[shown]\nmass = 'stone'", "The club's mass unit is written as 'stone'; write 'lb' or 'kg'"),
    ("[club]\nname = 'x'\n[weigh_off]\n2024 = '5 October'", "the weigh-off '2024' is '5 October'; write season = day"),
    ("[club]\nname = 'x'\n[weigh_off]\nlast = 2024-10-05", "the weigh-off 'last' is"),
    ("[club]\nname = 'x'\n[season]\nfirst_day = '31-04'", "first_day is '31-04'; write month-day, such as \"04-01\""),
    ("[club]\nname = 'x'\n[reading]\ndate_order = 'year first'", "date_order is 'year first'; write \"day first\""),
    ("[club]\nname = 'x'\n[headings]\numfang = 3", "the heading 'umfang' must be given one meaning in quotes"),
    ("name = 'x'", "there is no part \\[name\\]"),
    ("club = 'x'", r"club stands alone; write it as a part, \[club\], with its lines below"),
    ("[club\nname = 'x'", "cannot be read: .*line 1.* Mend that line"),
])
def test_faults_are_said_with_what_to_write(tmp_path, text, said):
    with pytest.raises(ClubError, match=said):
        read(tmp_path, text)


def test_a_season_may_span_new_year():
    north, south = ClubSettings("x"), ClubSettings("x", first_day=(10, 1), last_day=(4, 30))
    assert [north.season_of(dt.date(2024, 8, 1)), north.season_of(dt.date(2024, 12, 24))] == [2024, None]
    assert [south.season_of(dt.date(2024, 11, 1)), south.season_of(dt.date(2025, 3, 1)),
            south.season_of(dt.date(2025, 6, 1))] == [2025, 2025, None]


def test_a_club_needs_a_name(tmp_path):
    with pytest.raises(ClubError, match="A club needs a name of plain printable letters."):
        create_club(tmp_path / "club", name=" \n ")
    assert not (tmp_path / "club").exists()
