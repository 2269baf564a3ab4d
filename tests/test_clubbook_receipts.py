"""Receipts: one set of words, spelled as text, Markdown and HTML."""

from __future__ import annotations

import html.parser

import hypothesis
import pytest
from hypothesis import given
from hypothesis import strategies as st

from patchstats.clubbook import Receipt, as_html, as_text
from patchstats.clubbook.receipts import settled
from patchstats.remark_kinds import KINDS
from patchstats.remarks import SEVERITIES, Kind, remark

NO_DATE = Kind("no-date", "refused", "No date", "A reading needs its day.", "{read} is no day.", "Write 2024-07-04.")
ODD = Kind("odd", "noted", "Odd", "", "{read} is odd.", "Nothing to do.")
REPAIRED = Kind("ditto", "repaired", "Same as above", "", "A ditto mark.", "Check it.")
ASKED = Kind("asked", "asked", "Which?", "", "{read}: this or that?", "Say which.")


def receipt(*remarks, **more):
    facts = {"number": 12, "name": "ida.csv", "sha256": "0" * 64, "size_bytes": 9, "status": "taken in",
             "rows_read": 60, "rows_kept": 57, "rows_listed": 3, "kept": {"growers": 1, "fruits": 2, "readings": 57},
             "understood": {"encoding": "UTF-8"}, "remarks": remarks}
    return Receipt(**{**facts, **more})


def test_the_text_of_a_receipt():
    made = receipt(remark(ODD, "ida.csv", 9, "SS", "200"), remark(NO_DATE, "ida.csv", 7, "Date", "31/31"),
                   remark(NO_DATE, "ida.csv", 5, "Date", "tue"),
                   remark(REPAIRED, "ida.csv", 8, "SS", '"', before='"', after="84"))
    assert as_text(made) == """\
Receipt 12: ida.csv
===================
Lines read: 60; kept: 57; listed below: 3.
Kept: 1 grower, 2 fruits, 57 tapings.

How we read it
--------------
  - encoding: UTF-8

Not used: please write these again
----------------------------------
No date (2 times).
A reading needs its day.
  - line 5, column Date: tue is no day.
  - line 7, column Date: 31/31 is no day.
Write 2024-07-04.

Repaired for you: please check
------------------------------
Same as above.
  - line 8, column SS: A ditto mark. Before: "; after: 84. Check it.

Kept as written, worth a look
-----------------------------
Odd.
  - line 9, column SS: 200 is odd. Nothing to do.
"""
    assert repr(made) == as_text(made)


def test_worst_comes_first():
    made = as_text(receipt(remark(ODD, "f", 1), remark(ASKED, "f", 2), remark(NO_DATE, "f", 3)))
    assert made.index("Not used") < made.index("We need to ask") < made.index("Kept as written")


def test_many_lines_are_summed_up():
    text = as_text(receipt(*(remark(NO_DATE, "f", line, read="x") for line in [*range(2, 30), 44])))
    assert "and 17 more, on lines 14 to 29, 44\n" in text


def test_a_clean_log_is_thanked():
    assert "Everything was understood. Thank you." in as_text(receipt())
    assert "Thank you" not in as_text(receipt(remark(ODD, "f", 1)))


def test_every_kind_of_remark_can_be_shown_and_kept():
    import string

    for kind in KINDS.values():
        named = {field for text in (kind.message, kind.advice) for _, field, _, _ in string.Formatter().parse(text)
                 if field}
        made = remark(kind, "f.csv", 3, "SS", **dict.fromkeys(named - {"file", "line", "column", "read"}, "{odd}"))
        kept = settled(made)
        assert (kept.message, kept.advice, kept.severity) == (made.message, made.advice, made.severity)
        assert kind.title in as_text(receipt(made))


class Strict(html.parser.HTMLParser):
    """Collects the tags of a piece of HTML and its text."""

    def __init__(self):
        super().__init__()
        self.tags, self.attributes, self.text = [], [], []

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.attributes += attributes

    def handle_data(self, data):
        self.text.append(data)


HOSTILE = '<script>alert(1)</script><img src=x onerror="a()">&amp;\x00\n![x](javascript:a) `{read}` {0.__class__}'


@hypothesis.settings(deadline=None)
@given(st.one_of(st.just(HOSTILE), st.text()), st.sampled_from(SEVERITIES))
def test_nothing_from_a_file_becomes_markup(text, severity):
    kind = Kind("odd", severity, "Odd", "", "{read} is odd.", "Nothing to do.")
    made = receipt(remark(kind, text, 9, text, text, before=text, after=text), name=text or "x",
                   understood={"grower": text})
    seen = Strict()
    seen.feed(as_html(made))
    assert set(seen.tags) <= {"article", "h2", "h3", "ul", "li", "p"}
    assert seen.attributes == [("class", "receipt")]
    for line in made._markdown().splitlines():
        assert "<" not in line.replace("\\<", "") and "![" not in line
        assert line == "" or line.startswith(("### ", "#### ", "- ")) or not line.startswith(("#", ">"))


def test_text_markdown_and_html_say_the_same_words():
    made = receipt(remark(NO_DATE, "ida.csv", 7, "Date", "31/31"))
    seen = Strict()
    seen.feed(as_html(made))
    words = " ".join(" ".join(seen.text).split())
    text = " ".join(word for word in as_text(made).split() if word.strip("=-"))
    assert words == text
    assert " ".join(made._markdown().replace("#", "").replace("- ", "").split()) == text


def test_a_chart_can_stand_at_the_end():
    assert as_html(receipt(), chart="<svg></svg>").endswith("<svg></svg></article>\n")


@pytest.mark.parametrize(("more", "words"), [
    ({"status": "refused", "number": 0, "reason": "It is a picture."}, "This file was not taken in. It is a picture."),
    ({"status": "already taken in"}, "This file is in the club book already, as receipt 12; nothing was changed."),
    ({"status": "taken back", "reason": "not hers", "replaced_by": 13},
     "Taken back: nothing of this file counts any more. Receipt 13 takes its place. Why: not hers"),
    ({"status": "preview", "number": 0}, "Lines read: 60; would be kept: 57; listed below: 3."),
    ({"kept": {}}, "Nothing of it could be kept."),
])
def test_every_status_is_said(more, words):
    assert words in as_text(receipt(**more))


def test_a_status_must_be_known():
    with pytest.raises(ValueError, match="status 'lost' is not one of"):
        receipt(status="lost")


def test_a_place_in_a_workbook_names_its_sheet():
    made = receipt(*(remark(ODD, f"ida.xlsx, sheet {sheet}", line, "SS", "200") for sheet in ("Big Bertha", "Fry")
                     for line in range(2, 11)), remark(NO_DATE, "ida.xlsx, sheet Fry", 0, "", "x"), name="ida.xlsx")
    text = as_text(made)
    assert "  - sheet Big Bertha, line 2, column SS: 200 is odd.\n" in text
    assert "  - sheet Fry, line 4, column SS: 200 is odd.\n" in text
    assert "  - and 6 more, on lines 5 to 10 of sheet Fry\n" in text
    assert "  - sheet Fry: x is no day. Write 2024-07-04.\n" in text


def test_a_title_that_asks_has_one_mark_at_its_end():
    assert "\nWhich?\n" in as_text(receipt(remark(ASKED, "ida.csv", 3)))
    assert "\nWhich? (2 times).\n" in as_text(receipt(remark(ASKED, "ida.csv", 3), remark(ASKED, "ida.csv", 4)))


@pytest.mark.parametrize(("what", "first", "second"), [("The column Weight", "pounds", "kilograms"),
                                                       ("The tape", "inches", "centimetres")])
def test_a_unit_is_asked_for_by_its_own_name(what, first, second):
    asked = remark(KINDS["unit-asked"], "ida.csv", 2, "x", "500", what=what, first="a", second="b", first_means=first,
                   second_means=second, count=2)
    text = as_text(receipt(asked))
    assert "Which unit?" in text and f"{what} may be in {first} or in {second}; 2 cells wait." in text
    assert text.lower().count("inches") == (first == "inches")
