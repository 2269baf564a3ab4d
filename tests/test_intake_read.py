"""The reader's doors: files, folders, settings as answers, what is shown."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from patchstats import intake
from patchstats.remark_kinds import KINDS
from patchstats.remarks import IntakeError, PatchstatsError

ROOT = Path(__file__).resolve().parents[1]
OPEN = b"Grower,Ida Field\nSeason,2024\nFruit,A\n\nDate,Circ\n07/08/2024,155\n11/08/2024,163\n"


def test_a_folder_is_read_in_order_of_names(tmp_path):
    for name in ("b.csv", "a.csv", ".hidden.csv"):
        (tmp_path / name).write_bytes(OPEN)
    assert [r.name for r in intake.read_folder(tmp_path)] == ["a.csv", "b.csv"]


def test_no_folder_an_empty_one_and_no_file(tmp_path):
    with pytest.raises(IntakeError, match="There is no folder"):
        intake.read_folder(tmp_path / "none")
    with pytest.raises(IntakeError, match="holds no files"):
        intake.read_folder(tmp_path)
    with pytest.raises(IntakeError, match="cannot be read"):
        intake.read_file(tmp_path / "none.csv")


def test_a_question_is_settled_by_its_answer():
    assert {"date-asked", "unit-asked"} & {r.code for r in intake.read_bytes(OPEN, "log.csv").remarks}
    told = intake.Settings(date_order="day first", length="in")
    result = intake.read_bytes(OPEN, "log.csv", settings=told)
    assert result.tables["readings"]["date"].dt.strftime("%d %b").tolist() == ["07 Aug", "11 Aug"]
    assert result.tables["readings"]["circumference_cm"].round(2).tolist() == [393.7, 414.02]


def test_who_when_and_which_can_be_answered():
    data = b"Date,Circ (in)\n20 Jul,44\n24 Jul,60\n"
    assert {"grower-missing", "date-year-missing"} & {r.code for r in intake.read_bytes(data, "log.csv").remarks}
    told = intake.Settings(grower="Ida Field", season=2024, fruit="B", patch="low field")
    result = intake.read_bytes(data, "log.csv", settings=told)
    assert result.tables["fruits"][["fruit", "patch"]].values.tolist() == [["Ida Field/2024/B", "Ida Field/low field"]]
    assert not result.remarks


@pytest.mark.parametrize("wrong", [{"date_order": "dmy"}, {"length": "feet"}, {"season": 24}, {"season": "soon"}])
def test_settings_that_make_no_sense_are_refused(wrong):
    with pytest.raises(PatchstatsError):
        intake.Settings(**wrong)


def test_what_is_shown_says_it_in_words():
    result = intake.read_file(ROOT / "tests" / "specimens" / "comment_between_rows.csv")
    assert repr(result) == result._markdown()
    assert "8 lines read, 7 kept, 1 listed" in repr(result)
    assert "comment_between_rows.csv, line 8" in repr(result)
    assert result.understood["delimiter"] == "comma"


def test_text_that_looks_like_a_table_cell_does_not_break_the_shown_table():
    shown = repr(intake.read_bytes(b"Grower,Ida | x\nhello | there\n", "a|b.csv"))
    assert "hello \\| there" in shown


def test_every_kind_of_remark_is_used_by_some_room():
    code = "".join(p.read_text("utf-8") for p in (ROOT / "patchstats").rglob("*.py") if p.name != "remark_kinds.py")
    assert [kind for kind in KINDS if f'"{kind}"' not in code] == []


def test_every_kind_teaches_and_advises_in_sentences():
    for kind in KINDS.values():
        assert kind.teaching.endswith(".") and kind.advice.endswith((".", ")."))
        assert kind.title[0].isupper() and not kind.title.endswith(".")


def test_importing_the_reader_is_quick_and_brings_no_spreadsheet_library():
    code = "import sys, patchstats.intake; print('python_calamine' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert done.stdout.strip() == "False"


def test_a_range_is_said_in_the_unit_that_was_written_and_one_unit_once():
    result = intake.read_file(ROOT / "tests" / "specimens" / "range_said_in_inches.csv")
    said = next(r.message for r in result.remarks if r.code == "value-out-of-range")
    # 5 and 700 cm, the table's range, are 1.97 and 276 inches.
    assert "would be 1,210 in; only 1.97 to 276 in can be" in said
    assert result.understood["tapes in"].startswith("inches") and "and inches" not in result.understood["tapes in"]
    cold = intake.read_bytes(b"Grower,Ida Field\nSeason,2024\ndate,soil F\n2024-07-20,70\n2024-07-25,7.8\n", "soil.csv")
    assert "would be 7.8 F; only 23 to 113 F can be" in cold.remarks[0].message  # -5 and 45 C
