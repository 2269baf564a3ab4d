"""Splitting text into records: RFC 4180 section 2 and the W3C CSV on the Web dialect, where they speak, and beyond."""

from __future__ import annotations

import pytest

from patchstats.intake.records import settle_delimiter, split_text


def cells(text: str, delimiter: str | None = ",") -> list[list[str]]:
    return split_text(text, delimiter).cells


# RFC 4180 (Shafranovich 2005), section 2, its own examples by number.
RFC_4180 = {
    "1: records on lines, CRLF": ("aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    "2: the last line end is optional": ("aaa,bbb,ccc\r\nzzz,yyy,xxx", [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    "5: cells may be quoted": ('"aaa","bbb","ccc"\r\nzzz,yyy,xxx', [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    "6: line ends inside quotes": (
        '"aaa","b\r\nbb","ccc"\r\nzzz,yyy,xxx',
        [["aaa", "b\nbb", "ccc"], ["zzz", "yyy", "xxx"]],
    ),
    "7: a doubled quote is one": ('"aaa","b""bb","ccc"', [["aaa", 'b"bb', "ccc"]]),
    "4: spaces are part of a cell": ("aaa, bbb ,ccc", [["aaa", " bbb ", "ccc"]]),
    "6: delimiters inside quotes": ('"a,a",b', [["a,a", "b"]]),
    "empty cells": ("a,,c\r\n,,\r\n", [["a", "", "c"], ["", "", ""]]),
}


@pytest.mark.parametrize("rule", RFC_4180)
def test_rfc_4180(rule):
    text, expected = RFC_4180[rule]
    split = split_text(text, ",")
    assert split.cells == expected
    assert split.broken == []


def test_csv_on_the_web_default_dialect():
    """Metadata Vocabulary for Tabular Data (W3C 2015): quote ", doubleQuote true, skipBlankRows false is about rows
    that a table counts: here a blank line is no record, but it is counted as a line. trim: the *Vocabulary* says
    false, the *Model* true; this splitter keeps spaces, and the reader of a value sets them aside."""
    split = split_text('a,b\n\n"x ""y""", z \n', ",")
    assert split.cells == [["a", "b"], ['x "y"', " z "]]
    assert split.lines == [1, 3]


def test_bare_carriage_returns_and_mixtures_end_lines():
    """Outside RFC 4180: common practice, no source."""
    assert split_text("a,b\rc,d\r\ne,f\ng,h", ",").lines == [1, 2, 3, 4]


def test_a_sep_line_names_the_delimiter():
    split = split_text("sep=;\na;b,c\n")
    assert split.delimiter == ";"
    assert split.cells[1] == ["a", "b,c"]


def test_a_quote_opens_a_cell_only_at_its_start():
    assert cells('2024-07-20,84",60"\n') == [["2024-07-20", '84"', '60"']]


def test_a_quote_without_partner_is_a_character_like_any_other():
    split = split_text('a,"b\nc,d\n', ",")
    assert split.cells == [["a", '"b'], ["c", "d"]]
    assert split.broken == [(0, 'a,"b')]


def test_a_lost_quote_does_not_swallow_the_lines_below():
    text = 'a,"b,1\nc,d,2\ne,"f g",3\n'
    assert cells(text) == [["a", '"b', "1"], ["c", "d", "2"], ["e", "f g", "3"]]


def test_ditto_marks_written_as_bare_quotes():
    assert cells('Ida,2024,A\n",",B\n') == [["Ida", "2024", "A"], ['"', '"', "B"]]


def test_a_line_number_is_the_line_on_which_a_record_starts():
    assert split_text('a,"x\ny\nz"\nb,c\n', ",").lines == [1, 4]


@pytest.mark.parametrize(("lines", "expected"), [
    (["a;b;c", "1,5;2,5;3,5", "1,5;2,5;3,5"], ";"),
    (["a,b", "1,2", "3,4"], ","),
    (["a\tb", "1,2\t3", "4\t5"], "\t"),
    (["a|b", "1|2"], "|"),
    (["Grower,Ida Field", "Season,2024", "a,b,c,d", "1,2,3,4", "1,2,3,4"], ","),
    (["date  circ", "7/10/2024  45", "7/12/2024  49 1/2"], "  "),
])
def test_the_delimiter_is_settled_by_the_most_even_lines(lines, expected):
    assert settle_delimiter(lines) == expected


def test_a_fraction_is_not_cut_from_its_number():
    assert split_text("7/10/2024 45 1/2 30\n7/12/2024 49 31\n").cells[0] == ["7/10/2024", "45 1/2", "30"]


def test_semicolons_in_the_notes_of_a_log_with_commas_are_no_delimiter():
    lines = ["Grower,Ida Field", "Season,2024", "Fruit,A", "Date,Circ (in),SS (in),EE (in),Note"]
    lines += [f"2024-07-{10 + n},{40 + n},30,28,;" for n in range(12)]
    assert settle_delimiter(lines) == ","
    assert settle_delimiter(["Datum;Umfang"] + [f"2024-07-{10 + n};{40 + n},5" for n in range(12)]) == ";"
