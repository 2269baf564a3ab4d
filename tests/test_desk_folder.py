"""A folder of files looked at as the upload desk looks at one."""

from __future__ import annotations

import pytest
from desk_at_work import OPEN_LOG, WHOLE_LOG, new_club

from patchstats.clubbook import HandedIn, open_club
from patchstats.desk import keep_folder, look_at_folder
from patchstats.remarks import IntakeError, PatchstatsError

ANSWERS = {"july.csv": {"heading:circumfrense": "yes", "length": "in", "date_order": "month first",
                        "grower": "Odo Field", "fruit": "B"}}


@pytest.fixture
def club(tmp_path):
    return new_club(tmp_path / "club")


@pytest.fixture
def logs(tmp_path):
    folder = tmp_path / "logs"
    folder.mkdir()
    photo = b"\x89PNG\r\n\x1a\n" + bytes(40)
    for name, data in (("july.csv", OPEN_LOG), ("marta.csv", WHOLE_LOG), ("photo.csv", photo)):
        (folder / name).write_bytes(data)
    return folder


def test_a_folder_is_looked_at_and_nothing_is_kept(club, logs):
    done = []
    seen = look_at_folder(club, logs, progress=lambda *told: done.append(told))
    assert done == [(1, 3, "july.csv"), (2, 3, "marta.csv"), (3, 3, "photo.csv")]
    assert seen.files["asked"].tolist() == [4, 0, 0]
    assert (seen.files["lines_read"] == seen.files["lines_kept"] + seen.files["lines_listed"]).all()
    assert set(seen.questions["file"]) == {"july.csv"}
    assert set(seen.questions["key"]) == {"heading:circumfrense", "length", "date_order", "grower"}
    assert seen.questions.set_index("key")["answers"].to_dict()["date_order"] == "day first, month first"
    assert repr(seen).startswith("3 files: 2 new, 1 unreadable.") and repr(seen) == seen._repr_markdown_()
    assert open_club(club).receipts.empty


def test_answers_in_rounds_then_kept_as_seen(club, logs):
    """Which fruit is asked only once the grower is known; the answer may be given beforehand."""
    seen = look_at_folder(club, str(logs), answers=ANSWERS)
    assert seen.questions.empty and seen.files["asked"].tolist() == [0, 0, 0]
    receipts = keep_folder(club, seen)
    assert [r.rows_kept for r in receipts] == seen.files["lines_kept"].tolist()
    held = open_club(club)
    assert sorted(held.fruits["fruit"]) == ["Marta Quell/2024/A", "Odo Field/2024/B"]
    again = look_at_folder(club, logs, answers=None)
    assert again.files["status"].tolist() == ["already taken in", "already taken in", "refused"]
    assert len(keep_folder(club, again)) == 3 and len(open_club(club).receipts) == len(held.receipts)


def test_names_new_to_the_club_are_listed_with_those_that_look_alike(club, logs):
    keep_folder(club, look_at_folder(club, [logs / "marta.csv"]))
    log = HandedIn("later.csv", WHOLE_LOG.replace(b"Quell", b"Quel"))
    names = look_at_folder(club, [log]).names
    assert names.iloc[0].to_dict() == {"what": "grower", "name": "Marta Quel", "alike": "Marta Quell",
                                       "file": "later.csv"}


def test_answers_that_go_nowhere_are_said(club, logs):
    with pytest.raises(PatchstatsError, match="There is no file 'june.csv' here to answer for."):
        look_at_folder(club, logs, answers={"june.csv": {}})
    with pytest.raises(PatchstatsError, match="marta.csv does not ask 'season'; it asks nothing."):
        look_at_folder(club, logs, answers={"marta.csv": {"season": "2024"}})
    with pytest.raises(PatchstatsError, match="Day first or month first. Choose one of the answers that are offered."):
        look_at_folder(club, logs, answers={"july.csv": {"date_order": "year first"}})
    with pytest.raises(IntakeError, match="There is no file or folder"):
        look_at_folder(club, logs / "nowhere")
