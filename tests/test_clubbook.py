"""The club book: taking in, the same file twice, opening. Readers of real logs are tested elsewhere."""

from __future__ import annotations

import hashlib
import pickle

import pandas as pd
import pytest
from plain_reader import plain_log, read_plain

from patchstats import tables
from patchstats.clubbook import HandedIn, create_club, open_club, read_settings, receipt, take_in
from patchstats.remarks import ClubError, IntakeError


@pytest.fixture
def club(tmp_path):
    return create_club(tmp_path / "club", name="Two Rivers Growers")


def take(club, *files, **more):
    return take_in(club, [HandedIn(name, data) for name, data in files], reader=read_plain, **more)


def snapshot(folder):
    return {p.relative_to(folder): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_a_new_club_is_empty_and_conforms(club):
    opened = open_club(club)
    assert opened.name == "Two Rivers Growers"
    assert list(opened.tables) == list(tables.STORED)
    for name, frame in opened.tables.items():
        pd.testing.assert_frame_equal(frame, tables.empty(name), check_index_type=False)
    assert opened.remarks.empty and opened.receipts.empty


def test_a_club_is_not_made_twice(club):
    before = snapshot(club)
    with pytest.raises(ClubError, match="There is a club in .* already; open it, or choose another folder"):
        create_club(club, name="Other")
    assert snapshot(club) == before


def test_originals_are_kept_byte_for_byte_under_their_sha256(club):
    data = plain_log() + b"\r\n\x00\xff"[:2]
    (taken,) = take(club, ("ida.csv", data))
    assert taken.sha256 == hashlib.sha256(data).hexdigest()
    assert (club / "originals" / taken.sha256).read_bytes() == data


def test_sha256_of_the_standard():
    # FIPS 180-4 examples (NIST, "SHA256.pdf" example values): the one-block message "abc".
    from patchstats.clubbook.files import sha256_of

    assert sha256_of(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_what_was_read_is_what_opens(club):
    data = plain_log(days=9)
    take(club, ("ida.csv", data))
    read = read_plain(data, "ida.csv", {})
    opened = open_club(club)
    for name, frame in read.tables.items():
        pd.testing.assert_frame_equal(opened.tables[name], frame, check_index_type=False)


def test_the_receipt_adds_up_and_is_the_one_in_the_book(club):
    data = plain_log() + b"Ida Field,2024,A,2024-08-09,about 200,\n"
    (taken,) = take(club, ("ida.csv", data))
    assert (taken.status, taken.number) == ("taken in", 1)
    assert (taken.rows_read, taken.rows_kept, taken.rows_listed) == (6, 5, 1)
    assert taken.kept == {"growers": 1, "patches": 1, "fruits": 1, "readings": 5}
    assert taken.remarks[0].place == "ida.csv, line 7, column over_the_top_cm"
    assert receipt(club, 1) == taken


def test_the_same_file_twice_changes_nothing_under_any_name(club):
    (first,) = take(club, ("ida.csv", plain_log()))
    before = open_club(club)
    (again,) = take(club, ("ida.csv", plain_log()))
    (other,) = take(club, ("a copy.csv", plain_log()))
    assert again.status == other.status == "already taken in"
    assert again.number == other.number == first.number
    assert "It came in under the name ida.csv." in repr(other)
    after = open_club(club)
    for name in tables.STORED:
        pd.testing.assert_frame_equal(before.tables[name], after.tables[name])
    pd.testing.assert_frame_equal(before.receipts, after.receipts)
    assert len(list((club / "originals").iterdir())) == 1


def test_a_file_changed_by_one_byte_is_another_file_and_is_asked_about(club):
    data = plain_log()
    changed = data.replace(b"112.0", b"113.0")
    assert len(data) == len(changed)
    _, second = take(club, ("ida.csv", data), ("ida.csv", changed))
    assert second.number == 2
    assert [r.code for r in second.remarks] == ["handed-in-before", "logs-repeat", "tapings-disagree"]
    assert second.remarks[0].message.startswith("5 of the 5 tapings in this file are of days that stand already in ida")
    opened = open_club(club)
    assert len(opened.readings) == 6  # the four alike once, the changed one in both its readings
    (asked,) = opened.remarks.query("code == 'tapings-disagree'").itertuples()
    assert asked.message == ("Over the top of Ida Field/2024/A on 2024-08-02 is 113 cm here, but 112 cm in ida.csv, "
                             "line 3; both were kept.")


def test_two_files_of_one_name_are_told_apart(club):
    take(club, ("log.csv", plain_log("Ida Field")), ("log.csv", plain_log("Ole Berg")))
    opened = open_club(club)
    assert sorted(set(opened.readings["file"])) == ["log.csv", "log.csv (receipt 2)"]


def test_identities_are_merged_and_disagreements_asked(club):
    take(club, ("1.csv", plain_log(days=2)), ("2.csv", plain_log(days=3, start=50.0, month=7, seed="1204 Berg 2019")),
         ("3.csv", plain_log(days=1, start=80.0, month=6, seed="1310 Berg 2020")))
    opened = open_club(club)
    (fruit,) = opened.fruits.itertuples()
    assert fruit.seed == "1204 Berg 2019"  # the first that is not empty
    (asked,) = opened.remarks.query("code == 'logs-disagree'").itertuples()
    assert (asked.file, asked.line, asked.column, asked.receipt) == ("3.csv", 2, "seed", 3)
    assert asked.message == ("Seed of Ida Field/2024/A is 1310 Berg 2020 here, but 1204 Berg 2019 in 2.csv, line 2; "
                             "the first was kept.")


def test_a_preview_writes_nothing(club):
    take(club, ("ida.csv", plain_log()))
    before = snapshot(club)
    seen, known = take(club, ("ole.csv", plain_log("Ole Berg")), ("ida.csv", plain_log()), dry_run=True)
    assert (seen.status, seen.number, seen.rows_kept) == ("preview", 0, 5)
    assert known.status == "already taken in"
    assert snapshot(club) == before


def test_a_refused_file_gets_its_reason_and_the_others_go_on(club):
    refused, taken = take(club, ("a.jpg", b"PICTURE"), ("ida.csv", plain_log()))
    assert (refused.status, refused.number) == ("refused", 0)
    assert "This file was not taken in. This is a picture; hand in the log itself." in repr(refused)
    assert taken.status == "taken in"


def test_folders_are_taken_in_by_name_with_progress(club, tmp_path):
    logs = tmp_path / "logs"
    (logs / "ole").mkdir(parents=True)
    (logs / "ole" / "log.csv").write_bytes(plain_log("Ole Berg"))
    (logs / "ida.csv").write_bytes(plain_log())
    (logs / ".hidden").write_bytes(b"PICTURE")
    steps = []
    receipts = take_in(club, logs, reader=read_plain, progress=lambda done, total, r: steps.append((done, total)))
    assert [r.name for r in receipts] == ["ida.csv", "ole/log.csv"]
    assert steps == [(1, 2), (2, 2)]


def test_nothing_to_take_in_is_said(club, tmp_path):
    (tmp_path / "empty").mkdir()
    with pytest.raises(IntakeError, match="The folder .*empty holds no files to take in."):
        take_in(club, tmp_path / "empty", reader=read_plain)
    with pytest.raises(IntakeError, match="There is no file or folder .*nowhere."):
        take_in(club, [tmp_path / "nowhere"], reader=read_plain)
    with pytest.raises(IntakeError, match="No files were given to take in."):
        take_in(club, [], reader=read_plain)


def test_a_name_is_never_a_path(club):
    (taken,) = take(club, ("..\\..\\/etc/../ida\n\x1b.csv", plain_log()))
    assert taken.name == "ida  .csv"
    (nameless,) = take(club, ("", plain_log("Ole Berg")))
    assert nameless.name == "a file without a name"


def test_answers_read_the_same_bytes_again(club):
    take(club, ("ida.csv", plain_log()))
    (answered,) = take(club, ("ida.csv", plain_log()), answers={"date_order": "day first"})
    assert (answered.number, answered.status) == (2, "taken in")
    assert answered.understood["date order"] == "day first"
    assert (receipt(club, 1).status, receipt(club, 1).replaced_by) == ("taken back", 2)
    (again,) = take(club, ("ida.csv", plain_log()))  # a later run without answers leaves the answered reading alone
    assert (again.number, again.status) == (2, "already taken in")
    assert len(open_club(club).readings) == 5


def test_a_folder_that_is_no_club_is_said(tmp_path):
    with pytest.raises(ClubError, match="There is no folder .*gone"):
        open_club(tmp_path / "gone")
    with pytest.raises(ClubError, match="is no club folder: it holds no patchstats.toml"):
        take_in(tmp_path, tmp_path)


def test_settings_without_a_book_make_one(tmp_path):
    (tmp_path / "patchstats.toml").write_text('[club]\nname = "Two Rivers"\n')
    with pytest.raises(ClubError, match="has no book yet; take in a member's log first"):
        open_club(tmp_path)
    take(tmp_path, ("ida.csv", plain_log()))
    assert len(open_club(tmp_path).readings) == 5


def test_a_club_shows_itself_without_addresses(club):
    take(club, ("ida.csv", plain_log()))
    shown = repr(open_club(club))
    assert shown.startswith("**Two Rivers Growers**: 1 logs taken in, seasons 2024 to 2024")
    assert "0x" not in shown
    assert read_settings(club).name == "Two Rivers Growers"


def test_a_club_and_a_receipt_travel_to_other_processes(club):
    (taken,) = take(club, ("ida.csv", plain_log()))
    opened = open_club(club)
    back = pickle.loads(pickle.dumps(opened))
    assert back.settings == opened.settings
    pd.testing.assert_frame_equal(back.readings, opened.readings)
    assert pickle.loads(pickle.dumps(taken)) == taken


WEIGHED = b"Weigh-off 5 October 2024\nGrower,Fruit,Weight (lb)\nNan Thistlewick,1,1012.5\n"
OTHERWISE = b"Weigh-off 5 October 2024\nStatus,Grower,Fruit,Weight (lb)\nDamaged,Nan Thistlewick,1,900\n"


@pytest.mark.parametrize(("files", "pounds", "status"), [
    ((WEIGHED, OTHERWISE), 1012.5, None), ((OTHERWISE, WEIGHED), 900.0, "damaged"),
    ((WEIGHED, OTHERWISE, OTHERWISE.replace(b"900", b"1012.5").replace(b"Damaged", b"Exhibition")),
     1012.5, "exhibition")])
def test_a_weighing_is_wholly_of_one_file_where_two_disagree(club, files, pounds, status):
    take_in(club, [HandedIn(f"w{place}.csv", data) for place, data in enumerate(files)])
    opened = open_club(club)
    (weighing,) = opened.weighings.to_dict("records")
    assert weighing["scale_kg"] == pytest.approx(pounds * 0.45359237)
    assert weighing["status"] == status
    (asked,) = opened.remarks.query("code == 'weighings-disagree'").to_dict("records")
    assert (asked["severity"], asked["receipt"], asked["file"]) == ("asked", 2, "w1.csv")
    assert "in w0.csv, line 3; that line was kept, and nothing of this one" in asked["message"]
    assert ("(status damaged)" in asked["message"]) == (files[1] == OTHERWISE)


def test_weighings_that_agree_complete_one_another(club):
    take_in(club, [HandedIn("wa.csv", WEIGHED), HandedIn("wb.csv", OTHERWISE.replace(b"900", b"1012.5"))])
    (weighing,) = open_club(club).weighings.to_dict("records")
    assert weighing["status"] == "damaged"
    assert open_club(club).remarks.query("code == 'weighings-disagree'").empty


def test_two_weights_of_one_fruit_in_one_list_are_asked_about(club):
    take_in(club, HandedIn("wa.csv", WEIGHED + b"Nan Thistlewick,1,900\n"))
    opened = open_club(club)
    assert opened.weighings["scale_kg"].tolist() == pytest.approx([1012.5 * 0.45359237])
    (asked,) = opened.remarks.query("code == 'weighings-disagree'").to_dict("records")
    assert asked["line"] == 4 and "in wa.csv, line 3" in asked["message"]
