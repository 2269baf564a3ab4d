"""The annual meeting's page: asks nothing of the net, reads aloud, is written whole or not at all."""

import base64
import os
import re
import struct
from html.parser import HTMLParser
from types import SimpleNamespace

import pandas as pd
import pytest

from patchstats import charts, findings
from patchstats.demo import simulate
from patchstats.meeting import Section, as_html, club_sections, write_meeting
from patchstats.remarks import REMARK_COLUMNS, OutputError, PatchstatsError
from patchstats.tables import STORED, empty
from patchstats.units import IMPERIAL

CAME_IN = pd.DataFrame({"kind": ["<b>bold</b> & co", "one day a column"], "kept": [900, 300], "listed": [0, 12]})
FOUND = findings.best_soil(21.0, low_c=19.5, high_c=22.5, doubts=("few warm soils",))
ROWS = findings.rows_taken_in(files=2, read=9, kept=8, listed=1)
SECTIONS = (Section("What came in?", "Rows & <i>lines</i>.", (ROWS,), (charts.what_came_in(CAME_IN),)),
            Section("Which soil?", "", (FOUND,), ()))


def bare_club():
    frames = {name: empty(name) for name in STORED}
    receipts = pd.DataFrame(columns=["receipt", "name", "file", "rows_read", "rows_kept", "rows_listed", "taken_back"])
    return SimpleNamespace(name="A <Club>", shown=IMPERIAL, receipts=receipts,
                           remarks=pd.DataFrame(columns=[*REMARK_COLUMNS, "receipt"]), **frames)


class Reader(HTMLParser):
    """Keeps every tag with its attributes, and the text of headings."""

    VOID = {"meta", "link", "img", "br"}

    def __init__(self, text):
        super().__init__()
        self.tags, self.open, self.headings = [], [], []
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and re.fullmatch("h[1-6]", self.open[-1]):
            self.headings.append((int(self.open[-1][1]), data))


@pytest.fixture(scope="module")
def page():
    return as_html("A <Club>: annual meeting", "Seasons 2019 to 2024", SECTIONS)


@pytest.fixture(scope="module")
def tags(page):
    return Reader(page).tags


# --- the page


def test_nothing_is_asked_of_the_net(page, tags):
    for tag, attributes in tags:
        for name in ("src", "href", "srcset", "action", "data", "poster"):
            assert attributes.get(name, "#").startswith(("#", "data:")), (tag, name)
        assert not any(name.startswith("on") for name in attributes), tag
    assert {tag for tag, _ in tags}.isdisjoint({"script", "iframe", "object", "embed", "form", "base"})
    assert "url(" not in page and "@import" not in page
    policy = next(a["content"] for tag, a in tags if a.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none';")


def test_headings_step_down_one_rank_at_a_time(page):
    # WCAG 2.2, technique H42; one heading of the first rank: common practice.
    ranks = [rank for rank, _ in Reader(page).headings]
    assert ranks[0] == 1 and ranks.count(1) == 1
    assert all(after - before <= 1 for before, after in zip(ranks, ranks[1:], strict=False))


def test_every_picture_has_its_alt_text_and_is_inside(tags):
    # WCAG 2.2, success criterion 1.1.1.
    pictures = [attributes for tag, attributes in tags if tag == "img"]
    assert [p["alt"] for p in pictures] == [chart.alt for section in SECTIONS for chart in section.charts]
    data = base64.b64decode(pictures[0]["src"].removeprefix("data:image/png;base64,"))
    assert struct.unpack(">II", data[16:24]) == (1920, 1080)


def test_links_labels_and_names_lead_somewhere(tags):
    ids = [attributes["id"] for _, attributes in tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    targets = [a["href"][1:] for tag, a in tags if tag == "a"] + [
        a["aria-labelledby"] for _, a in tags if "aria-labelledby" in a]
    assert set(targets) <= set(ids)
    assert dict(tags)["html"] == {"lang": "en"}
    assert all(a.get("scope") == "col" for tag, a in tags if tag == "th")


def luminance(color):
    full = color if len(color) == 7 else "#" + "".join(2 * digit for digit in color[1:])
    parts = [int(full[k:k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_every_colour_of_writing_passes_on_white(page):
    # WCAG 2.2, success criterion 1.4.3: 4.5:1.
    written = re.findall(r"(?<![-\w])color: (#[0-9A-Fa-f]{3,6})", page)
    assert written
    assert all(1.05 / (luminance(color) + 0.05) >= 4.5 for color in written)


def test_members_words_are_escaped(page):
    assert "<b>bold" not in page and "&lt;b&gt;bold&lt;/b&gt; &amp; co" in page
    assert "<i>lines" not in page and "A &lt;Club&gt;: annual meeting" in page


def test_findings_caveats_doubts_and_cautions_are_said(page):
    for words in (FOUND.sentence, FOUND.caveat, "Doubt: few warm soils", "Lift with people who have done it",
                  "licensed electrician", "Do not eat fruit", "Findings here are observational"):
        assert words in page


def test_tables_show_the_clubs_units():
    soil = pd.DataFrame({"soil_c": [20.0, 25.0], "estimate": [0.0, 1.0], "low": [-1.0, 0.0], "high": [1.0, None]})
    page = as_html("t", "s", (Section("Soil", "", (), (charts.soil_curve(soil),)),))
    assert '<th scope="col">soil c [°F]</th>' in page and "<td>68</td>" in page and "<td></td>" in page


# --- writing it


def test_page_charts_and_alt_texts_are_written(tmp_path):
    told = []
    done = write_meeting(bare_club(), tmp_path / "out", sections=SECTIONS, progress=told.append)
    names = sorted(str(path.relative_to(tmp_path / "out")) for path in (tmp_path / "out").rglob("*") if path.is_file())
    assert names == sorted(["index.html", *(os.path.join("charts", f"what_came_in.{kind}") for kind in
                                            ("png", "svg", "txt"))])
    assert done.page.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert (tmp_path / "out" / "charts" / "what_came_in.txt").read_text().endswith(SECTIONS[0].charts[0].alt + "\n")
    assert told == ["what_came_in"] and len(done.findings) == 2
    assert "2 findings and 1 charts" in repr(done)


def test_the_same_club_gives_the_same_bytes(tmp_path):
    for name in ("a", "b"):
        write_meeting(bare_club(), tmp_path / name, sections=SECTIONS)
    for path in (tmp_path / "a").rglob("*.*"):
        assert path.read_bytes() == (tmp_path / "b" / path.relative_to(tmp_path / "a")).read_bytes(), path.name


def test_other_files_stay(tmp_path):
    (tmp_path / "notes.txt").write_text("mine")
    write_meeting(bare_club(), tmp_path, sections=SECTIONS)
    assert (tmp_path / "notes.txt").read_text() == "mine"


def test_a_failure_half_way_leaves_the_folder_as_it_was(tmp_path):
    write_meeting(bare_club(), tmp_path / "out", sections=SECTIONS)
    before = {path: path.read_bytes() for path in (tmp_path / "out").rglob("*.*")}

    def stop(name):
        raise PatchstatsError("stopped")

    for folder in ("out", "new"):
        with pytest.raises(PatchstatsError, match="stopped"):
            write_meeting(bare_club(), tmp_path / folder, sections=SECTIONS, progress=stop)
    assert {path: path.read_bytes() for path in (tmp_path / "out").rglob("*.*")} == before
    assert not (tmp_path / "new").exists()


def test_a_folder_that_cannot_be_written_is_one_sentence(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="^The folder .*file.inner cannot be written .Not a directory.: name another"):
        write_meeting(bare_club(), tmp_path / "file" / "inner", sections=SECTIONS)


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="the administrator may write everywhere")
def test_a_read_only_folder_is_one_sentence(tmp_path):
    (tmp_path / "out").mkdir(mode=0o555)
    with pytest.raises(OutputError, match="cannot be written .Permission denied"):
        write_meeting(bare_club(), tmp_path / "out", sections=SECTIONS)


# --- what a club's logs say, and what they leave open


@pytest.fixture(scope="module")
def invented():
    made = simulate()
    club = bare_club()
    club.__dict__.update(made.tables, name=made.name)
    log = made.tables["readings"]["file"].iloc[0]
    club.receipts = pd.DataFrame({"receipt": [1], "name": log, "file": log, "rows_read": [9], "rows_kept": [8],
                                  "rows_listed": [1], "taken_back": None})
    return club


def test_every_question_of_the_invented_club_is_answered(invented):
    sections = {section.title: section for section in club_sections(invented)}
    assert not any("leave the question open" in section.words for section in sections.values())
    assert all(section.findings for section in sections.values())
    names = [chart.name for section in sections.values() for chart in section.charts]
    assert len(names) == len(set(names)) >= 9
    said = " ".join(f.sentence for section in sections.values() for f in section.findings)
    assert not re.search(r"\b(nan|inf|None|not known)\b", said)


def test_a_club_without_logs_keeps_every_question_and_says_why():
    sections = club_sections(bare_club())
    assert len({section.title for section in sections}) == len(sections) >= 4
    assert all("leave the question open" in section.words for section in sections)
