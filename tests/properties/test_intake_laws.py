"""Laws of reading, over generated logs, mutated logs and the club's own exports (no source: laws)."""

from __future__ import annotations

import csv
import datetime as dt
import io
import random
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))

from laws import broken_law, same  # noqa: E402
from mutations import mutate  # noqa: E402

from patchstats import intake, tables  # noqa: E402
from patchstats.intake import fast  # noqa: E402
from patchstats.intake.cells import clean, is_ditto, is_nothing  # noqa: E402
from patchstats.intake.read import _read, _words, account  # noqa: E402
from patchstats.intake.settings import Settings  # noqa: E402

ROOT = Path(__file__).resolve().parents[2]
QUICK = settings(max_examples=60, deadline=None)


@st.composite
def logs(draw):
    """A season's tapings of one fruit as (date, circumference, side to side, stem to blossom) in quarter inches."""
    size = draw(st.integers(2, 12))
    start = dt.date(draw(st.integers(2015, 2024)), 7, draw(st.integers(10, 20)))
    around = draw(st.integers(80, 160))
    rows = []
    for n in range(size):
        around += draw(st.integers(2, 40))
        rows.append((start + dt.timedelta(days=3 * n), around / 4, round(0.64 * around) / 4, round(0.62 * around) / 4))
    return rows


def written(rows, *, order=(0, 1, 2, 3), delimiter=",", date="%Y-%m-%d", unit="in", decimal=".", note=None) -> bytes:
    factor = 2.54 if unit == "cm" else 1.0
    names = ["Date", f"Circ ({unit})", f"SS ({unit})", f"EE ({unit})"]
    lines = [["Grower", "Ida Field"], ["Season", str(rows[0][0].year)], ["Fruit", "A"], [names[k] for k in order]]
    for row in rows:
        cells = [row[0].strftime(date), *(repr(round(v * factor, 6)).replace(".", decimal) for v in row[1:])]
        lines.append([cells[k] for k in order])
    if note:
        lines[3].append("Note")
        for line in lines[4:]:
            line.append(note)
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator="\n").writerows(lines)
    return out.getvalue().encode("utf-8")


def tapes(result) -> np.ndarray:
    return result.tables["readings"][["circumference_cm", "side_to_side_cm", "stem_to_blossom_cm"]].to_numpy()


@QUICK
@given(logs())
def test_what_is_written_is_what_is_read(rows):
    result = intake.read_bytes(written(rows), "log.csv")
    assert result.tables["readings"]["date"].dt.date.tolist() == [row[0] for row in rows]
    np.testing.assert_allclose(tapes(result), np.array([row[1:] for row in rows]) * 2.54, rtol=1e-12)
    assert (result.rows_read, result.rows_listed) == (len(rows) + 4, 0)


@QUICK
@given(logs(), st.permutations(range(4)), st.sampled_from(",;\t|"))
def test_columns_may_stand_in_any_order_and_between_any_delimiters(rows, order, delimiter):
    plain = intake.read_bytes(written(rows), "log.csv")
    other = intake.read_bytes(written(rows, order=order, delimiter=delimiter), "log.csv")
    for table in plain.tables:
        pd.testing.assert_frame_equal(plain.tables[table], other.tables[table])


@QUICK
@given(logs(), st.sampled_from(["%d.%m.%Y", "%d %b %Y", "%B %d, %Y", "%Y/%m/%d", "%a %d %b %Y", "%Y%m%d"]))
def test_units_decimal_signs_and_date_forms_change_nothing_but_rounding(rows, date):
    # Where every number has three decimals, its comma may as well set thousands apart: then it is asked about.
    assume(any(len(repr(round(v * 2.54, 6)).partition(".")[2]) != 3 for row in rows for v in row[1:]))
    plain = intake.read_bytes(written(rows), "log.csv")
    other = intake.read_bytes(written(rows, unit="cm", delimiter=";", decimal=",", date=date), "log.csv")
    assert plain.tables["readings"]["date"].equals(other.tables["readings"]["date"])
    np.testing.assert_allclose(tapes(plain), tapes(other), atol=1e-5)


@QUICK
@given(logs(), st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=20))
def test_any_words_in_a_note_are_kept_or_spoken_of(rows, note):
    data = written(rows, note=note)
    assert broken_law(data, "log.csv") is None
    result = intake.read_bytes(data, "log.csv")
    assert len(result.tables["readings"]) == len(rows)  # whatever the words are, the tapes beside them are kept
    for kept in result.tables["readings"]["note"]:
        assert kept is None or kept == clean(note)
    if result.tables["readings"]["note"].isna().all() and not is_nothing(clean(note)):
        told = account(data, "log.csv")
        assert (told.loc[told["text"] == note.strip(), "fate"] == "remark").all() or is_ditto(clean(note))


@QUICK
@given(st.binary(max_size=600))
def test_any_bytes_are_read_without_failing(data):
    assert broken_law(data, "bytes.csv") is None


@QUICK
@given(st.text("0123456789,.;:/-\n\t \"'abcdeDateCircSEOT½~?#=", max_size=400))
def test_any_text_like_a_log_is_read_without_failing(text):
    assert broken_law(text.encode("utf-8"), "text.csv") is None


def test_two_thousand_mutations_break_no_law():
    files = [
        p
        for folder in (ROOT / "tests" / "specimens", ROOT / "data" / "demo" / "logs")
        for p in sorted(folder.glob("*"))
        if p.is_file() and p.suffix != ".toml" and p.stat().st_size < 4_000
    ]
    for number in range(2_000):
        rng = random.Random(f"suite/{number}")
        path = rng.choice(files)
        data = mutate(path.read_bytes(), rng)
        fault = broken_law(data, path.name)
        assert fault is None, f"mutation {number} of {path.name}: {fault}"


@pytest.mark.parametrize("path", sorted((ROOT / "tests" / "specimens").glob("*.*")), ids=lambda p: p.name)
def test_reading_is_deterministic_and_breaks_no_law(path):
    data = path.read_bytes()
    assert broken_law(data, path.name) is None
    assert same(intake.read_bytes(data, path.name), intake.read_bytes(data, path.name))


def _exported(frame: pd.DataFrame) -> bytes:
    shown = frame.copy()
    for column in shown:
        if str(shown[column].dtype) == "boolean":
            shown[column] = shown[column].map({True: "yes", False: "no"}).astype(object)
    return shown.to_csv(index=False, date_format="%Y-%m-%d").encode("utf-8")


def test_what_the_club_exports_reads_back_the_same():
    read = [intake.read_file(p) for p in sorted((ROOT / "tests" / "specimens").glob("*.csv"))]
    seen = set()
    for table in tables.STORED:
        parts = [r.tables[table] for r in read if table in r.tables]
        if not parts:
            continue
        seen.add(table)
        whole = pd.concat(parts, ignore_index=True)
        if table in ("plants", "fruits"):  # an export is of completed tables
            whole = tables.conform(table, whole.assign(patch=whole["grower"] + "/home", **(
                {"plant": whole["fruit"]} if table == "fruits" else {})))
        again = intake.read_bytes(_exported(whole), f"{table}.csv")
        pd.testing.assert_frame_equal(again.tables[table], whole)
        assert not again.remarks
    assert seen == set(tables.STORED)


_FAULTS = (
    lambda cells: [*cells[:4], cells[4] + "0", *cells[5:]],
    lambda cells: [*cells[:5], "", *cells[6:]],
    lambda cells: [*cells[:4], "", "", "", ""],
    lambda cells: [*cells[:7], "20"],
    lambda cells: [*cells[:3], "2031-01-01", *cells[4:]],
    lambda cells: [*cells[:4], "9", *cells[5:]],
    lambda cells: [*cells[:3], str(int(cells[3][:4]) + 1) + cells[3][4:], *cells[4:]],
    lambda cells: [cells[0], str(int(cells[1]) - 1), *cells[2:]],
    lambda cells: [*cells[:4], f" {cells[4]} ", *cells[5:]],
)


def _club_log(fruits: int, seed: int, faults: int) -> bytes:
    rng = random.Random(seed)
    lines = ["Grower,Season,Fruit,Date,Circ (in),SS (in),EE (in),OTT (in)"]
    for fruit in range(fruits):
        around = rng.uniform(18, 24)
        for day in range(80):
            date = dt.date(2010 + fruit % 9, 7, 10) + dt.timedelta(days=day)
            around += 3.0 * np.exp(-day / 30)
            three = [round(4 * around * share) / 4 for share in (1.0, 0.64, 0.63)]
            lines.append(
                f"Member {fruit % 7} Field,{date.year},F{fruit},{date},{three[0]},{three[1]},{three[2]},{sum(three)}"
            )
    for _ in range(faults):
        at = rng.randrange(1, len(lines))
        cells = lines[at].split(",")
        what = rng.randrange(len(_FAULTS) + 1)
        if what == 0:
            lines.insert(at, lines[at])
            continue
        cells = _FAULTS[what - 1](cells)
        lines[at] = ",".join(cells)
    return "\n".join(lines).encode()


@pytest.mark.parametrize("faults", [0, 1, 25])
def test_large_tables_read_all_at_once_give_what_reading_line_by_line_gives(faults):
    data = _club_log(100, seed=faults, faults=faults)
    assert len(data) > 400_000
    quick, slow = _read(data, "club.csv", None)[0], _read(data, "club.csv", None, quick=False)[0]
    assert same(quick, slow)
    assert quick.rows_read == quick.rows_kept + quick.rows_listed == slow.rows_read


@pytest.fixture
def all_at_once(monkeypatch):
    """Small tables, which are quick to read line by line as well, are read all at once too."""
    monkeypatch.setattr(fast, "WORTH_BYTES", 0)
    plain = _club_log(3, seed=7, faults=0)
    assert fast.prepare(plain, _words(()), Settings(), "club.csv") is not None


@pytest.mark.parametrize("fault", [",77", ",hello", ",", "\x00lost", "\x0b", " ", "  \t"])
@pytest.mark.parametrize("line", [1, 100, 240])
def test_no_cell_of_a_large_table_is_lost_to_a_parser_that_forgives(all_at_once, fault, line):
    lines = _club_log(3, seed=7, faults=0).decode().split("\n")
    lines[line] += fault
    data = "\n".join(lines).encode()
    quick = _read(data, "club.csv", None)[0]
    assert same(quick, _read(data, "club.csv", None, quick=False)[0])
    noted = list(quick.tables["readings"]["note"].dropna())
    assert {",77": bool(quick.remarks), ",hello": noted == ["hello"], "\x00lost": len(quick.remarks) == 2}.get(
        fault, not quick.remarks)


@pytest.mark.parametrize("take", [slice(0, 6), slice(0, 2)])
def test_a_short_line_of_a_large_table_is_spoken_of(all_at_once, take):
    lines = _club_log(3, seed=7, faults=0).decode().split("\n")
    lines[123] = ",".join(lines[123].split(",")[take])
    data = "\n".join(lines).encode()
    quick = _read(data, "club.csv", None)[0]
    assert same(quick, _read(data, "club.csv", None, quick=False)[0])
    assert {r.line for r in quick.remarks} == {124}


def test_the_last_taping_of_a_fruit_in_another_year_than_its_season_is_refused_in_a_large_table_too(all_at_once):
    lines = _club_log(3, seed=7, faults=0).decode().split("\n")
    lines[80] = lines[80].replace("2010-", "2011-")
    quick = _read("\n".join(lines).encode(), "club.csv", None)[0]
    assert [(r.code, r.line) for r in quick.remarks] == [("date-outside-season", 81)]


@pytest.mark.parametrize("grower", ["A/B Field", "A/2011", "A/", "/", "A/2011/F0"])
def test_a_growers_name_with_a_stroke_is_read_in_a_large_table_as_in_a_short_one(all_at_once, grower):
    data = _club_log(3, seed=7, faults=0).replace(b"Member 1 Field", grower.encode())
    assert grower.encode() in data
    quick = _read(data, "club.csv", None)[0]
    assert same(quick, _read(data, "club.csv", None, quick=False)[0])
    assert quick.rows_read == quick.rows_kept + quick.rows_listed
