"""The club book: taking back, correcting, history, verifying, backing up."""

from __future__ import annotations

import pandas as pd
import pytest
from plain_reader import plain_log, read_plain

from patchstats import tables
from patchstats.clubbook import (
    HandedIn,
    backup,
    create_club,
    history,
    open_club,
    original,
    read_again,
    receipt,
    take_back,
    take_in,
    verify,
)
from patchstats.remarks import ClubError, PatchstatsError


@pytest.fixture
def club(tmp_path):
    folder = create_club(tmp_path / "club", name="Two Rivers Growers")
    take(folder, ("ida.csv", plain_log()), ("ole.csv", plain_log("Ole Berg")))
    return folder


def take(club, *files, **more):
    return take_in(club, [HandedIn(name, data) for name, data in files], reader=read_plain, **more)


def assert_same_tables(one, other):
    for name in tables.STORED:
        pd.testing.assert_frame_equal(one.tables[name], other.tables[name])


def test_taking_back_leaves_the_tables_as_before(club):
    before = open_club(club)
    (taken,) = take(club, ("more.csv", plain_log("Una Reed", seed="900 Reed 2018")))
    assert len(open_club(club).growers) == 3
    back = take_back(club, taken, why="not her patch")
    assert (back.status, back.reason, back.rows_kept) == ("taken back", "not her patch", 5)
    assert_same_tables(before, open_club(club))


def test_nothing_is_deleted_by_taking_back(club):
    rows = len(history(club, fruit="Ida Field/2024/A"))
    take_back(club, 1)
    assert len(history(club, fruit="Ida Field/2024/A")) == rows == 5
    assert original(club, 1) == plain_log()
    assert receipt(club, 1).kept["readings"] == 5
    assert verify(club, reader=read_plain).ok


def test_taking_back_twice_and_what_is_not_there_is_said(club):
    take_back(club, 1)
    with pytest.raises(ClubError, match=r"Receipt 1 was taken back already, on \d{4}-\d\d-\d\d\."):
        take_back(club, 1)
    with pytest.raises(ClubError, match=r"There is no receipt 77\."):
        take_back(club, 77)
    with pytest.raises(ClubError, match="This file was not kept, so there is nothing of it in the book"):
        take_back(club, 0)


def test_a_file_taken_back_can_come_in_again(club):
    before = open_club(club)
    take_back(club, 1)
    (again,) = take(club, ("ida.csv", plain_log()))
    assert (again.number, again.status) == (3, "taken in")
    assert_same_tables(before, open_club(club))


def test_a_corrected_file_takes_the_place_of_a_receipt(club):
    (corrected,) = take(club, ("ida.csv", plain_log(start=50.0)), replaces=1)
    old = receipt(club, 1)
    assert (old.status, old.replaced_by, old.reason) == ("taken back", corrected.number,
                                                         "a corrected file takes its place")
    readings = open_club(club).readings
    assert readings.loc[readings["fruit"] == "Ida Field/2024/A", "over_the_top_cm"].tolist() == [56, 62, 68, 74, 80]
    with pytest.raises(ClubError, match="Receipt 1 was taken back already"):
        take(club, ("ida.csv", plain_log(start=60.0)), replaces=1)
    assert len(open_club(club).receipts) == 3  # the failed one left nothing


def test_history_leads_back_to_the_line(club):
    take(club, ("ida.csv", plain_log(start=50.0)), replaces=1)
    told = history(club, fruit="Ida Field/2024/A", date="2024-08-03")
    assert told["receipt"].tolist() == [1, 3]
    assert told["as_written"].tolist() == ["Ida Field,2024,A,2024-08-03,118.0,", "Ida Field,2024,A,2024-08-03,68.0,"]
    assert told["line"].tolist() == [4, 4]
    assert told["replaced_by"].fillna(0).tolist() == [3, 0]
    assert told["taken_back"].notna().tolist() == [True, False]


def test_history_asks_for_a_row(club):
    with pytest.raises(PatchstatsError, match="Name a row of readings by fruit or date; nothing was given"):
        history(club)
    with pytest.raises(PatchstatsError, match="Name a row of readings by fruit or date; grower was given"):
        history(club, grower="Ida Field")
    with pytest.raises(PatchstatsError, match="There is no stored table 'gains'"):
        history(club, table="gains", fruit="x")


def test_verify_says_what_it_looked_at(club):
    checked = verify(club, reader=read_plain)
    assert checked.ok and (checked.receipts, checked.originals, checked.rows) == (2, 2, 16)
    assert repr(checked) == "Verified 2 receipts, 2 originals and 16 rows: all is as it was taken in."


def test_verify_finds_a_changed_a_lost_and_a_loose_original(club):
    first, second = receipt(club, 1), receipt(club, 2)
    (club / "originals" / "feed").write_bytes(b"half a taking-in")
    assert verify(club, reader=read_plain).ok
    assert "1 files in originals belong to no receipt" in verify(club, reader=read_plain).notes[0]
    (club / "originals" / first.sha256).write_bytes(plain_log(start=1.0))
    (club / "originals" / second.sha256).unlink()
    changed, gone = verify(club, reader=read_plain).faults
    assert "was changed after it was handed in; copy it back from a backup." in changed
    assert "is gone; copy it back from a backup." in gone
    with pytest.raises(ClubError, match="was changed after it was handed in"):
        original(club, 1)


def test_verify_finds_a_changed_cell(club):
    import sqlite3

    book = sqlite3.connect(club / "book.sqlite")
    book.execute("UPDATE readings SET over_the_top_cm = 113 WHERE receipt = 2 AND line = 4")
    book.commit()
    book.close()
    (fault,) = verify(club, reader=read_plain).faults
    assert fault.startswith("Receipt 2 (ole.csv): reading the original again gives other rows in readings.")


def test_reading_again_follows_the_settings_and_keeps_the_answers(club):
    def stricter(data, name, told):
        read = read_plain(data, name, told)
        read.tables["readings"]["note"] = told.get("date_order") or "not told"
        return read

    assert [r.name for r in read_again(club, reader=stricter)] == ["ida.csv", "ole.csv"]
    assert set(open_club(club).readings["note"]) == {"not told"}
    assert verify(club, reader=stricter).faults[0].startswith("Receipt 1 (ida.csv)")  # as it was read at its time
    take(club, ("ida.csv", plain_log()), answers={"date_order": "day first"})
    assert [r.number for r in read_again(club, reader=stricter)] == [6]
    assert set(open_club(club).readings["note"]) == {"not told", "day first"}
    assert read_again(club, reader=stricter) == []


def test_a_backup_is_a_club(club, tmp_path):
    take_back(club, 2)
    copy = backup(club, tmp_path / "safe" / "copy")
    assert_same_tables(open_club(club), open_club(copy))
    pd.testing.assert_frame_equal(open_club(club).receipts, open_club(copy).receipts)
    assert verify(copy, reader=read_plain) == verify(club, reader=read_plain)
    assert not list(copy.glob("desk-*"))  # a club without a desk has nothing of it
    take(copy, ("una.csv", plain_log("Una Reed")))
    assert len(open_club(copy).growers) == 2
    with pytest.raises(ClubError, match="copy is there already; name a new folder for the backup"):
        backup(club, copy)


def test_a_failed_backup_leaves_nothing(club, tmp_path):
    (club / "originals" / receipt(club, 1).sha256).unlink()
    with pytest.raises(ClubError, match="so the backup was not done"):
        backup(club, tmp_path / "copy")
    assert not (tmp_path / "copy").exists()


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_history_shows_the_line_whatever_the_encoding(tmp_path, encoding):
    log = "Grower;Zoë Field\r\nSeason;2024\rFruit;A\n\nDate;Circ (in);Note\r\n2024-07-20;40;½ é\r\n2024-07-21;41;\r\n"
    folder = create_club(tmp_path / "club", name="Two Rivers")
    take_in(folder, HandedIn("zoë.csv", log.encode(encoding)))
    told = history(folder, fruit="Zoë Field/2024/A", date="2024-07-20")
    assert (told["line"].item(), told["as_written"].item()) == (6, "2024-07-20;40;½ é")


def test_history_shows_the_row_of_a_workbook(tmp_path):
    import io

    import xlsxwriter

    made = io.BytesIO()
    workbook = xlsxwriter.Workbook(made)
    sheet = workbook.add_worksheet()
    for row, cells in enumerate([["Grower", "Ida Field"], ["Season", 2024], ["Fruit", "A"], ["Date", "Circ (in)"],
                                 ["2024-07-20", 40]]):
        sheet.write_row(row, 0, cells)
    workbook.close()
    folder = create_club(tmp_path / "club", name="Two Rivers")
    take_in(folder, HandedIn("ida.xlsx", made.getvalue()))
    told = history(folder, fruit="Ida Field/2024/A")
    assert (told["line"].item(), told["as_written"].item()) == (5, "2024-07-20 | 40")
