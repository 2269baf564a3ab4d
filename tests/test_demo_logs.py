"""The invented club's files: the same bytes every time, in many hands, with every blemish where the list says."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from patchstats import demo
from patchstats.clubbook.settings import read_settings
from patchstats.demo.blemishes import entries
from patchstats.demo.dialects import DATE_FORMS, Dialect, Page, feet_inches, fraction, write_date
from patchstats.demo.habits import HANDS
from patchstats.demo.hands import WRITE
from patchstats.demo.logs import DIALECTS
from patchstats.intake import read_bytes
from patchstats.units import read_quantity

ROOT = Path(__file__).parents[1]
COMMITTED = ROOT / "data" / "demo"
MEASURES = ["circumference_cm", "side_to_side_cm", "stem_to_blossom_cm", "over_the_top_cm"]


@pytest.fixture(scope="module")
def club() -> demo.DemoClub:
    return demo.simulate()


@pytest.fixture(scope="module")
def written(club) -> demo.Written:
    return demo.compose(club)


def digest(files: dict[str, bytes]) -> str:
    whole = hashlib.sha256()
    for name in sorted(files):
        whole.update(name.encode() + b"\0" + files[name] + b"\0")
    return whole.hexdigest()


def test_the_committed_files_are_what_is_written(club, written):
    there = {p.name: p.read_bytes() for p in (COMMITTED / "logs").iterdir()}
    assert sorted(there) == sorted(written.files)
    assert [name for name in there if there[name] != written.files[name]] == []
    assert (COMMITTED / "patchstats.toml").read_bytes() == demo.settings_text(club).encode()


def test_another_process_with_another_hash_seed_and_clock_writes_the_same_bytes(written):
    script = ("import hashlib; from patchstats import demo; f = demo.compose(demo.simulate()).files; "
              "w = hashlib.sha256(); [w.update(n.encode() + b'\\0' + f[n] + b'\\0') for n in sorted(f)]; "
              "print(w.hexdigest())")
    around = {**os.environ, "PYTHONHASHSEED": "12345", "TZ": "Pacific/Auckland", "PYTHONPATH": str(ROOT)}
    other = subprocess.run([sys.executable, "-c", script], env=around, capture_output=True, text=True, check=True)
    assert other.stdout.strip() == digest(written.files)


def test_write_club_leaves_a_club_folder(tmp_path, club):
    paths = demo.write_club(tmp_path / "club")
    assert all(p.is_file() for p in paths)
    settings = read_settings(tmp_path / "club")
    assert settings.name == club.name
    assert dict(settings.weigh_off) == club.weigh_off


def test_there_are_many_hands_in_use_and_a_few_megabytes_at_most(club, written):
    used = {habit.hand.name for habit in club.habits.values()}
    assert used == set(WRITE) == set(DIALECTS) == {hand.name for hand in HANDS}
    assert len(used) >= 10
    assert sum(map(len, written.files.values())) < 3_000_000
    assert all(name.isascii() for name in written.files)


def test_files_come_in_several_encodings_delimiters_and_line_ends(written):
    files = written.files.values()
    assert any(data.startswith(b"\xff\xfe") for data in files)
    assert any(data.startswith(b"\xef\xbb\xbf") for data in files)
    assert any(b"Z\xfcchter" in data for data in files)  # Windows-1252
    assert any("Pollinisé" in data.decode("utf-8", "ignore") for data in files)
    assert any(b"\r\n" in data for data in files) and any(b"\r\n" not in data for data in files)
    for mark in (b";", b"\t", b"|"):
        assert any(data.count(mark) > 50 for data in files)


def test_every_planted_blemish_stands_where_the_list_says(club, written):
    planted = written.planted
    assert {"slip", "doubled", "second taping", "doubtful"} <= set(planted["kind"])
    hand_of = {member: habit.hand.name for member, habit in club.habits.items()}
    looked_at = 0
    for row in planted[planted["written"] != ""].itertuples():
        dialect = DIALECTS[hand_of[row.fruit.split("/")[0]]]
        line = written.files[row.file].decode(dialect.encoding).splitlines()[row.line - 1]
        cells = [c for c in row.written.split(dialect.delimiter) if c and '"' not in c]
        assert all(cell.strip() in line for cell in cells), (row, line)
        looked_at += 1
    assert looked_at > 100


def test_a_slip_is_far_from_the_truth_and_a_copy_is_exact():
    rng = np.random.default_rng(4)
    days = [date(2021, 7, d) for d in range(1, 31)] * 60
    made = entries(rng, days, [(84.5, 55.0, 53.5, 193.0)] * len(days), step=0.5)
    kinds = pd.Series([e.kind for e in made]).value_counts()
    assert {"clean", "slip", "doubled", "second taping", "doubtful"} <= set(kinds.index)
    for before, entry in zip(made, made[1:], strict=False):
        if entry.kind == "slip":
            assert abs(entry.measures[entry.slipped] / entry.true - 1) >= 0.15
        if entry.kind == "doubled":
            assert (entry.day, entry.measures) == (before.day, before.measures)


def test_one_season_in_every_hand_is_read_back_as_the_clean_tables_hold_it(club, written):
    """Each hand's files of 2021 through the reader: tapings as in the clean tables, but for planted blemishes."""
    season, seen, wrong = 2021, set(), []
    listed = written.planted.assign(date=pd.to_datetime(written.planted["date"]))
    blemished = set(zip(listed["fruit"], listed["date"], strict=True))
    for member, habit in club.habits.items():
        clean = club.tables["readings"]
        clean = clean[clean["fruit"].str.startswith(f"{member}/{season}/")]
        if habit.hand.name in seen or clean.empty:
            continue
        seen.add(habit.hand.name)
        stem = member.split(" ", 1)[1].lower().replace("-", "")
        own = [n for n in written.files if stem in n and str(season) in n]
        read = [read_bytes(written.files[n], n).tables.get("readings") for n in own]
        got = pd.concat([r for r in read if r is not None])
        both = clean.merge(got, on=["fruit", "date"], how="left", suffixes=("", "_read"))
        same = np.isclose(both[MEASURES], both[[f"{m}_read" for m in MEASURES]], atol=0.01, equal_nan=True).all(axis=1)
        wrong += [(habit.hand.name, f, d) for f, d, s in zip(both["fruit"], both["date"], same, strict=True)
                  if not s and (f, d) not in blemished]
    assert seen == set(WRITE)
    assert wrong == []


@pytest.mark.parametrize("form", DATE_FORMS)
def test_every_way_of_writing_a_date_names_the_day(form):
    assert "4" in write_date(date(2021, 7, 4), form)
    assert write_date(date(2021, 7, 4), form) != write_date(date(2021, 7, 5), form)


@pytest.mark.parametrize("inches", [0.5, 11.5, 12.0, 22.5, 84.25, 86.5, 120.0, 273.75])
def test_fractions_and_feet_are_read_back(inches):
    assert read_quantity(fraction(inches)).value == inches
    assert read_quantity(feet_inches(inches)).value == inches


def test_numbers_have_no_idle_zeros_and_the_right_mark():
    assert Dialect().number(84.50) == "84.5"
    assert Dialect(decimal=",").number(84.25) == "84,25"
    assert Dialect().number(120.0) == "120"
    assert Dialect().number(-0.001) == "0"


def test_a_cell_with_the_delimiter_is_quoted_and_lines_end():
    page = Page("x.csv", Dialect(newline="\r\n"))
    assert page.add("July 4, 2021", 84.5, None) == 1
    assert page.bytes() == b'"July 4, 2021",84.5,\r\n'
