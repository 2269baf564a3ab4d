"""The command line: what each command leaves behind, and one clear sentence for each thing that goes wrong."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from patchstats import cli, clubbook

PICTURE = b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\x00\x00\x00\x01\x00\x00\x00\x01\x08\x02\x00\x00\x00\x90wS\xde"


@pytest.fixture
def club(tmp_path) -> Path:
    return clubbook.create_club(tmp_path / "club", name="Two Rivers Growers")


@pytest.fixture
def log(demo_root) -> Path:
    return min((demo_root / "data" / "demo" / "logs").rglob("*.csv"))


def run(capsys, *words: object) -> tuple[int, str, str]:
    code = cli.main([str(word) for word in words])
    said = capsys.readouterr()
    return code, said.out, said.err


def tree(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_take_in_counts_add_up_and_the_second_time_changes_nothing(capsys, club, log):
    code, out, err = run(capsys, "take-in", log, "--club", club, "--json")
    (receipt,) = json.loads(out)
    assert (code, err, receipt["status"]) == (0, "", "taken in")
    assert receipt["rows_read"] == receipt["rows_kept"] + receipt["rows_listed"] > 0
    before = clubbook.open_club(club).readings
    code, out, _ = run(capsys, "take-in", log, "--club", club)
    assert code == 0 and "already taken in" in out
    assert clubbook.open_club(club).readings.equals(before)


def test_dry_run_keeps_nothing(capsys, club, log):
    before = tree(club)
    code, out, _ = run(capsys, "take-in", log, "--club", club, "--dry-run")
    assert code == 0 and "preview" in out.lower()
    assert tree(club) == before


def test_the_annual_meetings_page_of_a_club_with_one_log(capsys, club, log, tmp_path):
    run(capsys, "take-in", log, "--club", club)
    code, out, err = run(capsys, "meeting", tmp_path / "wall", "--club", club)
    assert (code, err) == (0, "") and str(tmp_path / "wall" / "index.html") in out
    page = (tmp_path / "wall" / "index.html").read_text(encoding="utf-8")
    assert "Two Rivers Growers: annual meeting" in page
    assert all(path.stat().st_size for path in (tmp_path / "wall" / "charts").iterdir())


def test_folder_of_pictures(capsys, club, tmp_path):
    pictures = tmp_path / "pictures"
    pictures.mkdir()
    for name in ("a.png", "b.png"):
        (pictures / name).write_bytes(PICTURE + name.encode())
    code, _, err = run(capsys, "take-in", pictures, "--club", club)
    assert code == 2
    assert err.startswith("None of the 2 files could be read as a log, the first being: a.png: ")
    assert err.count("\n") == 1
    assert len(clubbook.open_club(club).receipts) == 0


def test_some_refused_is_said_and_the_rest_are_in(capsys, club, log, tmp_path):
    picture = tmp_path / "a.png"
    picture.write_bytes(PICTURE)
    code, _, err = run(capsys, "take-in", log, picture, "--club", club)
    assert code == 1
    assert err.startswith("1 of 2 files could not be read as a log, the first being: a.png: ")
    assert len(clubbook.open_club(club).receipts) == 1


@pytest.mark.parametrize("words, sentence", [
    (("take-in", "{tmp}/none", "--club", "{club}"), "There is no file or folder {tmp}/none.\n"),
    (("take-in", "{tmp}/empty", "--club", "{club}"), "The folder {tmp}/empty holds no files to take in.\n"),
    (("take-in", "{tmp}/empty", "--club", "{tmp}/none"), "There is no folder {tmp}/none.\n"),
    (("new-club", "{club}", "--name", "Another"),
     "There is a club in {club} already; open it, or choose another folder.\n"),
    (("dictionary", "pumpkins"), "There is no table called 'pumpkins'; the tables are growers, patches,"),
    (("demo", "--output", "{tmp}/file/output"),
     "The folder {tmp}/file/output cannot be written (Not a directory): name another one.\n"),
])
def test_one_sentence_and_nothing_written(capsys, club, tmp_path, words, sentence):
    (tmp_path / "empty").mkdir()
    (tmp_path / "file").write_text("no folder")
    before = tree(tmp_path)
    code, out, err = run(capsys, *(word.format(tmp=tmp_path, club=club) for word in words))
    assert (code, out) == (2, "")
    assert err.replace("\\", "/").startswith(sentence.format(tmp=tmp_path, club=club).replace("\\", "/"))
    assert err.count("\n") == 1
    assert tree(tmp_path) == before


def test_take_back_verify_backup_and_export(capsys, club, log, tmp_path):
    run(capsys, "take-in", log, "--club", club)
    code, out, _ = run(capsys, "verify", "--club", club)
    assert code == 0, out
    assert run(capsys, "backup", tmp_path / "copy", "--club", club)[0] == 0
    assert run(capsys, "export", tmp_path / "tables", "--club", club)[0] == 0
    assert (tmp_path / "tables" / "readings.csv").is_file()
    code, out, _ = run(capsys, "take-back", 1, "--club", club, "--why", "the wrong file")
    assert (code, out) == (0, f"Receipt 1, {log.name}, is taken back (the wrong file): nothing of it counts any more, "
                              "and the file itself stays kept.\n")
    assert len(clubbook.open_club(club).readings) == 0
    assert len(clubbook.open_club(tmp_path / "copy").receipts) == 1
    code, out, err = run(capsys, "take-back", 1, "--club", club)
    assert (code, out) == (2, "") and err.startswith("Receipt 1 was taken back already")


def test_history_shows_the_line_as_written(capsys, club, log):
    run(capsys, "take-in", log, "--club", club)
    first = clubbook.open_club(club).readings.iloc[0]
    code, out, _ = run(capsys, "history", first["fruit"], "--date", f"{first['date']:%Y-%m-%d}", "--club", club)
    assert code == 0
    assert f"receipt 1, {log.name} line {first['line']}: " in out
    code, out, _ = run(capsys, "history", "Nobody/2024/A", "--club", club)
    assert (code, out) == (0, "The book has no taping of Nobody/2024/A.\n")


@pytest.mark.parametrize("form", ["xlsx", "csv", "txt"])
def test_blank_log_is_written_once(capsys, tmp_path, form):
    path = tmp_path / f"log.{form}"
    assert run(capsys, "blank-log", path)[0] == 0
    before = path.read_bytes()
    assert len(before) > 100
    code, _, err = run(capsys, "blank-log", path)
    assert (code, err) == (2, f"{path} is there already; name a new file.\n")
    assert path.read_bytes() == before


def test_corrected_log_takes_the_place_of_the_first(capsys, club, log, tmp_path):
    run(capsys, "take-in", log, "--club", club)
    tapings = len(clubbook.open_club(club).readings)
    assert run(capsys, "corrected-log", 1, tmp_path / "again.xlsx", "--club", club)[0] == 0
    clubbook.take_in(club, tmp_path / "again.xlsx", replaces=1)
    assert len(clubbook.open_club(club).readings) == tapings


def test_verify_finds_a_changed_original(capsys, club, log):
    run(capsys, "take-in", log, "--club", club)
    (original,) = (club / "originals").iterdir()
    original.write_bytes(b"something else")
    code, out, _ = run(capsys, "verify", "--club", club)
    assert code == 2 and "was changed after it was handed in" in out


def test_an_unknown_word_is_an_error(capsys):
    with pytest.raises(SystemExit) as stopped:
        cli.main(["demo", "--outptu", "there"])
    assert stopped.value.code == 2
    assert "demo does not know --outptu" in capsys.readouterr().err


def test_new_club_then_open(capsys, tmp_path):
    code, out, _ = run(capsys, "new-club", tmp_path / "made", "--name", "Gravel Bend", "--units", "metric")
    club = clubbook.open_club(tmp_path / "made")
    assert (code, club.name, club.shown.mass) == (0, "Gravel Bend", "kg")
    assert "take-in FILES" in out


HEAD = "Grower,Season,Fruit,Date,Circ (in),SS (in),EE (in)\n"


def test_a_folder_says_what_stands_open_and_of_what_nothing_was_kept(capsys, club, tmp_path):
    logs = tmp_path / "logs"
    logs.mkdir()
    for name, text in (("a.csv", f"{HEAD}Ida Field,2024,A,2024-07-20,44,28,27\n"),
                       ("b.csv", f"{HEAD}Ida Field,2024,A,2024-07-20,45,28,27\n"),
                       ("c.csv", f"{HEAD}Ida Field,2024,A,the 20th or so,44,28,27\n")):
        (logs / name).write_text(text)
    code, out, _ = run(capsys, "take-in", logs, "--club", club)
    *lines, last = out.splitlines()
    assert code == 0 and [line.split(", ")[0] for line in lines] == [
        "1/3 a.csv: taken in", "2/3 b.csv: taken in", "3/3 c.csv: nothing of it kept"]
    assert last == ("In these files stand open: 1 question and 1 place that could not be used. "
                    f"See what is open: patchstats open-questions --club {club}")
    code, out, _ = run(capsys, "open-questions", "--club", club)
    assert code == 0
    first, asked, second, refused = out.splitlines()
    assert (first, second) == ("We need to ask (1)", "Not used: please write these again (1)")
    assert asked.startswith("  - receipt 2, b.csv, line 2: Circumference of Ida Field/2024/A on 2024-07-20 is ")
    assert refused.startswith("  - receipt 3, c.csv, line 2: the 20th or so could not be read as a date")
    code, out, _ = run(capsys, "take-in", logs, "--club", club, "--dry-run")
    assert out.splitlines()[-1].endswith("--receipts prints each receipt in full.")


def test_nothing_open_is_said(capsys, club, tmp_path):
    for name in ("a.csv", "b.csv"):
        (tmp_path / name).write_text(f"{HEAD}Ida Field,2024,{name[0]},2024-07-20,44,28,27\n")
    _, out, _ = run(capsys, "take-in", tmp_path / "a.csv", tmp_path / "b.csv", "--club", club)
    assert out.splitlines()[-1] == "Nothing in these files waits for an answer."
    assert run(capsys, "open-questions", "--club", club) == (0, "Nothing waits for an answer.\n", "")


@pytest.mark.parametrize("words", [("verify",), ("take-back", "1"), ("history", "Ida Field/2024/A"),
                                   ("corrected-log", "1", "{tmp}/again.xlsx"), ("open-questions",)])
def test_a_folder_that_is_no_club_is_said_and_left_alone(capsys, tmp_path, words):
    (tmp_path / "plain").mkdir()
    code, out, err = run(capsys, *(word.format(tmp=tmp_path) for word in words), "--club", tmp_path / "plain")
    assert (code, out) == (2, "") and err.startswith(f"{tmp_path / 'plain'} is no club folder: ")
    assert tree(tmp_path) == {}
