"""What the sheets of one workbook tell of each other."""

from __future__ import annotations

import io

import pytest
import xlsxwriter

from patchstats import intake
from patchstats.clubbook import HandedIn, corrected, create_club, history, take_in

ABOUT = [["Grower", "Ida Field"], ["Season", 2024], []]


def workbook(**sheets) -> bytes:
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True})
    for name, rows in sheets.items():
        sheet = book.add_worksheet(name.replace("_", " "))
        for row, cells in enumerate(rows):
            sheet.write_row(row, 0, cells)
    book.close()
    return out.getvalue()


def taped(*inches, about=()):
    return [*about, ["Date", "Circ (in)"], *([f"2024-07-{20 + 5 * n}", value] for n, value in enumerate(inches))]


def read(name="log.xlsx", answers=None, **sheets):
    return intake.read_bytes(workbook(**sheets), name, settings=intake.Settings(**(answers or {})))


def fruits(result):
    return result.tables["readings"]["fruit"].tolist() if "readings" in result.tables else []


@pytest.mark.parametrize("sheets", [
    {"Big_Bertha": taped(44, about=ABOUT), "Small_Fry": taped(40, about=ABOUT)},
    {"Big_Bertha": taped(44, about=ABOUT), "Small_Fry": taped(40)},
    {"About": ABOUT, "Big_Bertha": taped(44), "Small_Fry": taped(40)}])
def test_sheets_without_a_fruits_name_are_a_fruit_each(sheets):
    result = read(**sheets)
    assert fruits(result) == ["Ida Field/2024/Big Bertha", "Ida Field/2024/Small Fry"]
    said = [r.read for r in result.remarks if r.code == "fruit-from-sheet"]
    assert said == ["Big Bertha", "Small Fry"]


def test_a_tab_that_another_sheet_names_as_a_fruit_is_that_fruit():
    listed = [["Grower", "Fruit", "Season", "Pollinated"], ["Ida Field", "A", 2024, "2024-07-04"]]
    assert fruits(read(Fruits=listed, A=taped(44))) == ["Ida Field/2024/A"]


def test_what_a_sheet_says_itself_stands():
    named = taped(44, about=[*ABOUT[:2], ["Fruit", "Bertha"], []])
    result = read(A=named, B=taped(40, about=[["Grower", "Jo Harrow"], ["Fruit", "9"], []]))
    assert fruits(result) == ["Ida Field/2024/Bertha", "Jo Harrow/2024/9"]
    assert not any(r.code.endswith("-from-sheet") for r in result.remarks)


def test_two_growers_in_a_workbook_leave_a_third_sheet_asked_about():
    result = read(A=taped(44, about=ABOUT), B=taped(40, about=[["Grower", "Jo Harrow"], []]), C=taped(50))
    assert [r.code for r in result.remarks if r.severity == "asked"] == ["grower-missing"]


def test_a_workbook_of_nobody_is_asked_about_and_the_answer_counts_for_every_sheet():
    sheets = {"Ida_Field": taped(44), "Jo_Harrow": taped(40)}
    assert [r.code for r in read(**sheets).remarks] == ["grower-missing"]
    assert fruits(read(answers={"grower": "Marta Quell"}, **sheets)) == [
        "Marta Quell/2024/Ida Field", "Marta Quell/2024/Jo Harrow"]


def test_tabs_that_are_years_say_the_season():
    days = [["Date", "Circ (in)"], ["Jul 20", 44]]
    result = read(**{"2023": [["Grower", "Ida Field"], *days], "2024": days})
    assert fruits(result) == ["Ida Field/2023/1", "Ida Field/2024/1"]
    assert result.tables["readings"]["date"].dt.year.tolist() == [2023, 2024]


def test_every_row_of_a_workbook_leads_back_to_its_sheet_and_line(tmp_path):
    club = create_club(tmp_path / "club", name="Two Rivers Growers")
    data = workbook(Big_Bertha=taped(44, 60, about=ABOUT), Small_Fry=taped(40, "much"))
    (receipt,) = take_in(club, HandedIn("log.xlsx", data))
    (row,) = history(club, fruit="Ida Field/2024/Small Fry", date="2024-07-20").to_dict("records")
    assert (row["file"], row["line"], row["as_written"]) == ("log.xlsx, sheet Small Fry", 2, "2024-07-20 | 40")
    assert "sheet Small Fry, line 3: Nothing was measured on this line: 2024-07-25 | much." in str(receipt)
    again = intake.read_bytes(corrected(club, receipt), "corrected.xlsx")
    assert again.tables["readings"]["circumference_cm"].tolist() == [111.76, 152.4, 101.6]
