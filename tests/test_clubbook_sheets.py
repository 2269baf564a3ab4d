"""Sheets to fill in: the blank log and the corrected log read cleanly by the reader of logs."""

from __future__ import annotations

import io
from pathlib import Path

import pandas as pd
import pytest
import python_calamine

from patchstats import intake, tables
from patchstats.clubbook import (
    HandedIn,
    blank_log,
    corrected,
    create_club,
    open_club,
    read_settings,
    receipt,
    take_in,
    write_settings,
)
from patchstats.clubbook.sheets import corrected_log, explained
from patchstats.remarks import PatchstatsError
from patchstats.units import IMPERIAL, METRIC

DEMO_LOGS = sorted((Path(__file__).parents[1] / "data" / "demo" / "logs").iterdir())[::45]
LOG = """Grower,Ida Field
Season,2024
Plant,east
Fruit,A
Seed,1204 Berg 2019
Pollinated,2024-07-04

Date,Circ (in),SS (in),EE (in),Note
2024-07-20,40,28.5,27,
2024-07-21,43~,29,28,"after rain, =1+1"
2024-07-22,oops,30,29.5,
the 23rd or so,47,31,30,
2024-07-24,50,33,31.5,
"""
FACTS = {"Grower": "Ida Field", "Season": "2024", "Plant": "east", "Fruit": "A", "Seed": "1204 Berg 2019",
         "Pollen": "open", "Pollinated": "2024-07-04", "Secondary vines at set": "18", "End reason": "stem split"}


def filled(shown):
    """The blank CSV as a member fills it in, in the club's units."""
    lines = blank_log("csv", shown=shown).decode("utf-8-sig").split("\r\n")
    for number, line in enumerate(lines):
        label = line.split(",")[0]
        if label in FACTS:
            lines[number] = f"{label},{FACTS[label]}"
        elif label.startswith("Main vine at set"):
            lines[number] = f"{label},{'12' if shown == IMPERIAL else '365.76'}"
    k, t, v = (1, 71.6, 15) if shown == IMPERIAL else (2.54, 22, 457.2)
    tapes = ",".join(f"{inches * k:g}" for inches in (40, 28.5, 27, 95.5))
    lines.insert(-1, f"2024-07-20,morning,{tapes},20,{v:g},{t:g},{4 * k:g},warm")
    return "\r\n".join(lines).encode()


@pytest.mark.parametrize("shown", [IMPERIAL, METRIC])
def test_a_blank_log_filled_in_is_read_whole(shown):
    read = intake.read_bytes(filled(shown), "ida.csv")
    assert {r.severity for r in read.remarks} <= {"noted"}
    (taping,) = read.tables["readings"].itertuples()
    assert (taping.circumference_cm, taping.side_to_side_cm, taping.stem_to_blossom_cm, taping.over_the_top_cm) == (
        pytest.approx((101.6, 72.39, 68.58, 242.57), rel=1e-12))
    assert (taping.fruit, taping.date, taping.time_of_day, taping.note) == (
        "Ida Field/2024/A", pd.Timestamp("2024-07-20"), "morning", "warm")
    (fruit,) = read.tables["fruits"].itertuples()
    assert (fruit.plant, fruit.seed, fruit.pollen, fruit.set_date, fruit.secondaries_at_set, fruit.end_reason) == (
        "Ida Field/2024/east", "1204 Berg 2019", "open", pd.Timestamp("2024-07-04"), 18, "stem split")
    assert fruit.main_vine_cm == pytest.approx(365.76, rel=1e-12)  # 12 ft
    (size,) = read.tables["sizes"].itertuples()
    assert (size.secondaries, size.main_vine_cm) == (20, pytest.approx(457.2, rel=1e-12))  # 15 ft
    (soil,) = read.tables["soil"].itertuples()
    assert (soil.soil_c, soil.depth_cm) == (pytest.approx(22.0, rel=1e-12), pytest.approx(10.16, rel=1e-12))


def test_the_workbook_is_the_csv_with_notes():
    book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(blank_log("xlsx")))
    rows = book.get_sheet_by_index(0).to_python()
    csv = [line.split(",") for line in blank_log("csv").decode("utf-8-sig").split("\r\n")]
    assert [[c for c in row if c] for row in rows] == [[c for c in row if c] for row in csv[:-1]]


@pytest.mark.parametrize("form", ["xlsx", "csv", "txt"])
def test_a_blank_log_is_the_same_bytes_each_time(form):
    assert blank_log(form) == blank_log(form)


def test_every_heading_is_explained_from_the_dictionary():
    text = blank_log("txt").decode()
    headings = [line for row in blank_log("csv").decode("utf-8-sig").splitlines() for line in row.split(",") if line]
    assert all(f"\n# {heading} - " in text for heading in headings)
    assert ("# Circumference (in) - Largest circumference near stem and blossom level. Plausible 2 to 276 in."
            in text)  # 5 to 700 cm by the dictionary
    assert explained("readings", "circumference_cm", METRIC).endswith("Plausible: 5 to 700 cm.")


@pytest.mark.parametrize("shown", [IMPERIAL, METRIC])
@pytest.mark.parametrize("form", ["xlsx", "csv", "txt"])
def test_a_blank_log_handed_in_unfilled_gives_nothing(form, shown):
    read = intake.read_bytes(blank_log(form, shown=shown), f"blank.{form}")
    assert not any(map(len, read.tables.values()))
    assert {r.code for r in read.remarks} <= {"title-line", "comment-line"}


@pytest.mark.parametrize("shown", [IMPERIAL, METRIC])
def test_a_text_log_filled_in_reads_as_the_csv_though_its_explanations_stay(shown):
    """And so does its example, once its sign in front is taken away."""
    in_csv = filled(shown).decode("utf-8-sig").split("\r\n")
    given = {line.split(",", 1)[0]: line.split(",", 1)[1] for line in in_csv[:14]}
    lines = blank_log("txt", shown=shown).decode().splitlines()
    lines[:14] = [f"{line} {given[line[:-1]]}" for line in lines[:14]]
    lines[16:16] = in_csv[16:17]
    example = next(line for line in lines if line.startswith("# 2024"))
    lines[17:17] = [example[2:].replace("07-20", "08-20")]
    read = intake.read_bytes("\n".join(lines).encode(), "ida.txt")
    assert {r.code for r in read.remarks} <= {"title-line", "comment-line"}
    whole = intake.read_bytes("\r\n".join([*in_csv[:17], lines[17], ""]).encode(), "ida.csv")
    tables_alike(read.tables, whole.tables)
    assert read.tables["readings"]["note"].tolist() == ["warm", "after rain"]
    assert read.tables["readings"]["circumference_cm"].tolist() == pytest.approx(
        [101.6, 152.4 if shown == IMPERIAL else 152])


def test_an_unknown_form_is_said():
    with pytest.raises(PatchstatsError, match='A blank log is made as "xlsx", "csv" or "txt", not as \'pdf\''):
        blank_log("pdf")


def tables_alike(one, other):
    for name in tables.STORED:
        if name in ("readings", "sizes", "soil", "weather", "flowers", "weighings", "fruits", "plants", "seeds"):
            a = one.get(name, tables.empty(name)).drop(columns=["file", "line"])
            b = other.get(name, tables.empty(name)).drop(columns=["file", "line"])
            pd.testing.assert_frame_equal(a.reset_index(drop=True), b.reset_index(drop=True), check_exact=False,
                                          rtol=1e-9, check_index_type=False)


@pytest.mark.parametrize("shown", [IMPERIAL, METRIC])
def test_a_corrected_log_reads_as_the_same_rows(shown):
    read = intake.read_bytes(LOG.encode(), "ida.csv")
    back = intake.read_bytes(corrected_log(dict(read.tables), read.remarks, shown=shown), "ida.xlsx")
    tables_alike(read.tables, back.tables)
    assert not [r for r in back.remarks if r.severity in ("refused", "asked", "blanked")]


@pytest.mark.parametrize("path", DEMO_LOGS, ids=lambda path: path.name)
def test_members_corrected_logs_read_as_the_same_rows(path):
    read = intake.read_bytes(path.read_bytes(), path.name)
    back = intake.read_bytes(corrected_log(dict(read.tables), read.remarks), "corrected.xlsx")
    kept = dict(read.tables)
    if "readings" in kept:  # a line that was left without any measure is coloured, to be filled in
        measures = [c for c in kept["readings"] if c.endswith(("_cm", "_kg"))]
        kept["readings"] = kept["readings"][kept["readings"][measures].notna().any(axis=1)]
    tables_alike(kept, back.tables)


def test_a_corrected_log_marks_what_to_fill_in():
    import zipfile

    read = intake.read_bytes(LOG.encode(), "ida.csv")
    made = corrected_log(dict(read.tables), read.remarks)
    notes = "".join(zipfile.ZipFile(io.BytesIO(made)).read(name).decode() for name in
                    zipfile.ZipFile(io.BytesIO(made)).namelist() if "comments" in name)
    assert "Line 11 of your file: oops" in notes
    assert "Line 12 of your file: " in notes and "the 23rd or so" in notes


def test_the_corrected_log_takes_the_place_of_its_receipt(tmp_path):
    club = create_club(tmp_path / "club", name="Two Rivers", shown=METRIC)
    (first,) = take_in(club, HandedIn("ida.csv", LOG.encode()))
    before = open_club(club)
    (second,) = take_in(club, HandedIn("ida.xlsx", corrected(club, first)), replaces=first.number)
    assert receipt(club, 1).replaced_by == second.number
    after = open_club(club)
    tables_alike(before.tables, after.tables)


def test_the_clubs_own_headings_and_answers_reach_the_reader(tmp_path):
    import dataclasses

    club = create_club(tmp_path / "club", name="Two Rivers")
    write_settings(club, dataclasses.replace(read_settings(club), heading_words={"bauch": "circumference"}))
    log = "Grower,Ida Field\nFruit,A\n\nDate,Bauch (cm)\n05/08/2024,200\n06/08/2024,203\n"
    (asked,) = take_in(club, HandedIn("ida.csv", log.encode()), dry_run=True)
    assert "date-asked" in {r.code for r in asked.remarks}
    (taken,) = take_in(club, HandedIn("ida.csv", log.encode()), answers={"date_order": "day first"})
    assert "date-asked" not in {r.code for r in taken.remarks}
    readings = open_club(club).readings
    assert readings["circumference_cm"].tolist() == [200.0, 203.0]
    assert readings["date"].dt.month.unique().tolist() == [8]


def test_a_picture_is_refused_and_an_unread_log_is_kept(tmp_path):
    club = create_club(tmp_path / "club", name="Two Rivers")
    picture, words = take_in(club, [HandedIn("a.png", b"\x89PNG\r\n\x1a\n" + bytes(9)), HandedIn("b.txt", b"hi\n")])
    assert (picture.status, picture.number) == ("refused", 0)
    assert "This file is a picture, not a table. Type the readings into the blank log" in repr(picture)
    assert (words.status, words.rows_kept) == ("taken in", 0)  # its bytes may be understood one day
    assert len(list((club / "originals").iterdir())) == 1
