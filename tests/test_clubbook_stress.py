"""The club book under stress: crowds, kills, full disks, folders that may not be written, damaged books."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from plain_reader import plain_log, read_plain

from patchstats.clubbook import HandedIn, backup, create_club, open_club, take_in, verify
from patchstats.clubbook import store as book
from patchstats.remarks import ClubError

HERE = Path(__file__).resolve().parent
LONG = [HandedIn(f"{n}.csv", plain_log(f"Grower {n}", days=100)) for n in range(12)]


def run(*words, **more):
    return subprocess.run([sys.executable, *map(str, words)], capture_output=True, text=True, check=False,
                          env={**os.environ, "PYTHONPATH": os.pathsep.join([str(HERE), str(HERE.parent)])}, **more)


@pytest.fixture
def club(tmp_path):
    folder = create_club(tmp_path / "club", name="Two Rivers Growers")
    take_in(folder, [HandedIn("ida.csv", plain_log())], reader=read_plain)
    return folder


def snapshot(folder):
    return {p.relative_to(folder): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_eight_processes_of_fifty_files():
    done = run(HERE / "benchmarks" / "crowd_book.py", "--processes", 8, "--files", 50)
    assert done.returncode == 0, done.stdout + done.stderr


def test_kills_at_random_moments():
    done = run(HERE / "benchmarks" / "kill_book.py", "--kills", 15)
    assert done.returncode == 0, done.stdout + done.stderr


FULL_DISK = """
import resource, signal, sys
from test_clubbook_stress import LONG, read_plain, take_in
from patchstats.remarks import ClubError
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]), resource.RLIM_INFINITY))
try:
    take_in(sys.argv[1], LONG, reader=read_plain)
except ClubError as error:
    print(error)
"""


@pytest.mark.skipif(os.name == "nt", reason="limits of the operating system that Windows has not")
@pytest.mark.parametrize("limit", [3_000, 60_000, 200_000])
def test_a_disk_that_fills_keeps_whole_receipts_only(club, limit):
    # RLIMIT_FSIZE makes each write beyond the limit fail as on a full disk: 3,000 stops the originals, the others the
    # book's log.
    before = len(open_club(club).receipts)
    done = run("-c", FULL_DISK, club, limit)
    assert done.stderr == ""
    assert "was not done" in done.stdout and "The book is as it was before." in done.stdout
    checked = verify(club, reader=read_plain)
    assert checked.ok, checked
    assert before <= checked.receipts < before + len(LONG)
    assert not list(club.glob("**/.*.part"))
    take_in(club, LONG, reader=read_plain)  # with room again, a re-run completes it
    assert len(open_club(club).receipts) == before + len(LONG)
    assert verify(club, reader=read_plain).ok


def test_a_full_book_says_so(club, monkeypatch):
    # SQLite's own "database or disk is full": no page may be added (https://www.sqlite.org/pragma.html).
    connect = book._connect

    def small(uri):
        connection = connect(uri)
        connection.execute("PRAGMA max_page_count = 1")
        return connection

    monkeypatch.setattr(book, "_connect", small)
    with pytest.raises(ClubError, match=r"The disk of .*club is full, so taking in 0.csv was not done; free some room"):
        take_in(club, LONG, reader=read_plain)
    monkeypatch.undo()
    assert verify(club, reader=read_plain).receipts == 1


READ_ONLY = """
import os, sys
from test_clubbook_stress import LONG, read_plain
from patchstats.clubbook import backup, export, open_club, take_back, take_in, verify
from patchstats.remarks import ClubError
club, warm = sys.argv[1:]
open_club(warm), verify(warm, reader=read_plain)  # imports what is imported late
if os.getuid() == 0:  # whoever runs the tests as root may write anywhere, so become nobody
    os.setgid(65534); os.setuid(65534)
print(len(open_club(club).readings), verify(club, reader=read_plain).ok)
for what in (lambda: take_in(club, LONG, reader=read_plain), lambda: take_back(club, 1),
             lambda: export(club, club + "/out"), lambda: backup(club, club + "/copy")):
    try:
        what()
    except ClubError as error:
        print(error)
(seen,) = take_in(club, LONG[:1], reader=read_plain, dry_run=True)
print(seen.status)
"""


@pytest.mark.skipif(os.name == "nt", reason="modes of the file system that Windows has not")
def test_a_folder_that_may_not_be_written_is_read_and_said(club):
    with tempfile.TemporaryDirectory() as place:  # pytest's own temporary folders are closed to nobody
        os.chmod(place, 0o755)
        warm = shutil.copytree(club, Path(place) / "warm")
        club = shutil.copytree(club, Path(place) / "club")
        before = snapshot(club)
        places = [club, *club.rglob("*")]
        for path in places:
            path.chmod(0o555 if path.is_dir() else 0o444)
        try:
            done = run("-c", READ_ONLY, club, warm)
        finally:
            for path in places:
                path.chmod(0o755 if path.is_dir() else 0o644)
        after = snapshot(club)
    assert done.stderr == ""
    read, took, back, out, copy, seen = done.stdout.splitlines()
    assert (read, seen) == ("5 True", "preview")
    assert took.startswith(f"The folder {club} may not be written, so taking in")
    assert back.startswith(f"The folder {club} may not be written, so taking back was not done; make the folder")
    assert "so the export was not done; make the folder writable, or copy it to a place that is." in out
    assert "so the backup was not done; make the folder writable, or copy it to a place that is." in copy
    assert after == before


DAMAGES = {
    "not a book": lambda data: b"grower,date\nIda,2024-08-01\n" * 50,
    "cut short": lambda data: data[: len(data) // 2],
    "a page of noise": lambda data: data[:8192] + bytes(range(256)) * 200 + data[8192 + 51200:],
    "heading of noise": lambda data: b"\xff" * 100 + data[100:],
    "another program's": None,
    "empty": lambda data: b"",
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_book_is_said_and_left_alone(club, damage, tmp_path):
    take_in(club, LONG, reader=read_plain)
    safe = backup(club, tmp_path / "safe")
    path = club / "book.sqlite"
    if DAMAGES[damage] is None:
        path.unlink()
        with sqlite3.connect(path) as other:
            other.execute("CREATE TABLE bills (lb REAL)")
        other.close()
    else:
        path.write_bytes(DAMAGES[damage](path.read_bytes()))
    before = snapshot(club)
    with pytest.raises(ClubError, match="is damaged|is not a club book") as said:
        open_club(club)
    assert "from the newest backup" in str(said.value) or "from a backup" in str(said.value)
    with pytest.raises(ClubError, match="is damaged|is not a club book"):
        checked = verify(club, reader=read_plain)
        raise ClubError(" ".join(checked.faults))  # where the book opens at all, verify lists the damage
    assert {name: data for name, data in snapshot(club).items() if not str(name).startswith("book.sqlite-")} == before
    shutil.copy(safe / "book.sqlite", path)  # what the sentence says to do
    assert verify(club, reader=read_plain).ok


def test_a_busy_book_is_said(club, monkeypatch):
    monkeypatch.setattr(book, "BUSY_SECONDS", 0.1)
    other = sqlite3.connect(club / "book.sqlite", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    try:
        with pytest.raises(ClubError, match="Another program has kept the club book in .* to itself"):
            take_in(club, LONG, reader=read_plain)
        assert len(open_club(club).readings) == 5  # reading goes on meanwhile
    finally:
        other.execute("ROLLBACK")
        other.close()
    take_in(club, LONG[:1], reader=read_plain)


def test_a_reader_that_fails_leaves_nothing_of_its_file(club):
    def failing(data, name, told):
        if name == "2.csv":
            raise MemoryError
        return read_plain(data, name, told)

    with pytest.raises(MemoryError):
        take_in(club, LONG, reader=failing)
    assert open_club(club).receipts["name"].tolist() == ["ida.csv", "0.csv", "1.csv"]
    assert verify(club, reader=read_plain).ok


def test_opening_sees_one_moment(club):
    """A reader that started before a taking-in does not see it; one that starts after does."""
    with book.reading(club) as early:
        early.execute("SELECT count(*) FROM receipts").fetchone()
        take_in(club, LONG[:3], reader=read_plain)
        assert early.execute("SELECT count(*) FROM receipts").fetchone() == (1,)
    assert len(open_club(club).receipts) == 4
