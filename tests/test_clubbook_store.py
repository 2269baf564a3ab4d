"""The store: the book's marks, its upgrades, and what it does with cells that are hard to keep."""

from __future__ import annotations

import contextlib
import dataclasses
import math
import sqlite3

import hypothesis
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plain_reader import PlainIntake, plain_log, read_plain

from patchstats import tables
from patchstats.clubbook import HandedIn, create_club, open_club, store, take_in, verify
from patchstats.remarks import ClubError


@pytest.fixture
def club(tmp_path):
    folder = create_club(tmp_path / "club", name="Two Rivers")
    take_in(folder, HandedIn("ida.csv", plain_log()), reader=read_plain)
    return folder


@contextlib.contextmanager
def plain_sqlite(club):
    with contextlib.closing(sqlite3.connect(club / "book.sqlite", isolation_level=None)) as book:
        yield book


def test_the_book_says_what_it_is(club):
    # SQLite's file format, 1.3: application id at byte 68, user version at byte 60, "SQLite format 3" at byte 0; the
    # write-ahead log is told by 2 at bytes 18 and 19 (https://www.sqlite.org/fileformat.html).
    head = (club / "book.sqlite").read_bytes()[:100]
    assert head.startswith(b"SQLite format 3\x00")
    assert (head[18], head[19]) == (2, 2)
    assert int.from_bytes(head[60:64], "big") == store.SCHEMA_VERSION
    assert head[68:72] == b"PATC"


def test_a_newer_book_is_left_alone(club):
    with plain_sqlite(club) as book:
        book.execute("PRAGMA user_version = 99")
    for what in (open_club, lambda c: take_in(c, HandedIn("o.csv", plain_log("Ole")), reader=read_plain)):
        with pytest.raises(ClubError, match=r"was written by a newer patchstats \(its book has version 99, this one"):
            what(club)


def test_an_older_book_is_read_as_it_is_and_upgraded_on_writing(club, monkeypatch):
    with plain_sqlite(club) as book:  # a book made before the dictionary had these columns
        book.execute("ALTER TABLE readings DROP COLUMN doubtful")
        book.execute("ALTER TABLE fruits DROP COLUMN pollen")
    before = open_club(club)
    assert before.readings["doubtful"].isna().all() and before.fruits["pollen"].isna().all()
    assert verify(club, reader=read_plain).ok
    steps = []
    monkeypatch.setattr(store, "SCHEMA_VERSION", 3)
    monkeypatch.setattr(store, "UPGRADES", {1: lambda c: steps.append(1), 2: lambda c: steps.append(2)})
    assert len(open_club(club).readings) == 5  # reading alone changes nothing
    assert steps == []
    take_in(club, HandedIn("ole.csv", plain_log("Ole Berg")), reader=read_plain)
    assert steps == [1, 2]
    with plain_sqlite(club) as book:
        assert book.execute("PRAGMA user_version").fetchone() == (3,)
        assert "doubtful" in {row[1] for row in book.execute("PRAGMA table_info(readings)")}
    assert len(open_club(club).readings) == 10 and verify(club, reader=read_plain).ok


def test_a_failed_upgrade_leaves_the_book_as_it_was(club, monkeypatch):
    def fails(connection):
        connection.execute("CREATE TABLE half_done (x)")
        raise sqlite3.OperationalError("no")

    monkeypatch.setattr(store, "SCHEMA_VERSION", 2)
    monkeypatch.setattr(store, "UPGRADES", {1: fails})
    with pytest.raises(ClubError, match="could not be used"):
        take_in(club, HandedIn("ole.csv", plain_log("Ole Berg")), reader=read_plain)
    with plain_sqlite(club) as book:
        assert book.execute("PRAGMA user_version").fetchone() == (1,)
        assert not book.execute("SELECT 1 FROM sqlite_master WHERE name = 'half_done'").fetchall()


def test_the_same_bytes_cannot_stand_twice_by_the_books_own_rule(club):
    with plain_sqlite(club) as book, pytest.raises(sqlite3.IntegrityError, match="UNIQUE"):
        book.execute("INSERT INTO receipts (sha256, name, size_bytes, taken_in, reader, answers, told, understood,"
                     " rows_read, rows_kept, rows_listed) SELECT sha256, name, size_bytes, taken_in, reader, answers,"
                     " told, understood, 0, 0, 0 FROM receipts")


NUMBERS = st.one_of(st.none(), st.floats(allow_nan=False, allow_infinity=False))
TEXTS = st.one_of(st.none(), st.text(), st.sampled_from(["", "\x00", "\ud800 half", "2024-07-04", "1e5", "NULL", "🎃"]))
DAYS = st.one_of(st.none(), st.dates(min_value=pd.Timestamp("1950-01-01").date(),
                                     max_value=pd.Timestamp("2100-12-31").date()))


@hypothesis.settings(deadline=None, max_examples=30)
@given(st.lists(st.tuples(TEXTS, NUMBERS, DAYS, st.one_of(st.none(), st.integers(0, 120)),
                          st.one_of(st.none(), st.booleans())), max_size=8))
def test_every_cell_comes_back_as_it_went_in(tmp_path_factory, rows):
    def reader(data, name, told):
        texts, numbers, days, counts, flags = zip(*rows, strict=True) if rows else ((),) * 5
        fruits = tables.conform("fruits", pd.DataFrame({
            "fruit": [f"Ida/2024/{n}" for n in range(len(rows))], "note": pd.Series(texts, dtype=object),
            "main_vine_cm": pd.Series(numbers, dtype="float64"), "set_date": pd.Series(days, dtype=object),
            "lobes": pd.Series(counts, dtype="Int64"), "line": range(len(rows))}))
        patches = tables.conform("patches", pd.DataFrame({
            "patch": [f"Ida/{n}" for n in range(len(rows))], "soil_heated": pd.Series(flags, dtype="boolean")}))
        return PlainIntake({"fruits": fruits, "patches": patches}, (), len(rows), len(rows), 0)

    folder = create_club(tmp_path_factory.mktemp("cells") / "club", name="x")
    take_in(folder, HandedIn("a", b"a"), reader=reader)
    opened = open_club(folder)
    fruits = opened.fruits.sort_values("line")
    for (text, number, day, count, _), row in zip(rows, fruits.itertuples(), strict=True):
        kept = None if not text else text.encode("utf-8", "replace").decode()  # an empty text is an empty cell
        assert (None if row.note is None else row.note) == kept
        assert math.isnan(row.main_vine_cm) if number is None else row.main_vine_cm == number
        assert pd.isna(row.set_date) if day is None else row.set_date.date() == day
        assert pd.isna(row.lobes) if count is None else row.lobes == count
    flags = dict(zip(opened.patches["patch"], opened.patches["soil_heated"], strict=True))
    for n, (*_, flag) in enumerate(rows):
        assert pd.isna(flags[f"Ida/{n}"]) if flag is None else bool(flags[f"Ida/{n}"]) == flag
    assert verify(folder, reader=reader).ok


def test_the_clubs_tables_are_attributes_and_cannot_be_replaced(club):
    opened = open_club(club)
    with pytest.raises(dataclasses.FrozenInstanceError):
        opened.readings = None
    assert opened.tables["readings"] is opened.readings
