"""From bytes to text or sheets; what is refused before it is read."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pytest
import xlsxwriter

from patchstats import intake
from patchstats.intake import bytes as opening
from patchstats.remarks import IntakeError

SPECIMENS = Path(__file__).parent / "specimens"


@pytest.mark.parametrize("codec", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32"])
def test_every_unicode_form_gives_the_same_text(codec):
    text = "Grower,Zoë\nSeason,2024\nDate,Circ\n2024-07-20,44½\n"
    got, _ = opening.decode(text.encode(codec))
    assert got == text


def test_old_windows_text_loses_no_byte():
    # Windows-1252 leaves five bytes without a meaning (Microsoft's table): they stand as Latin-1.
    got, label = opening.decode(bytes(range(0x80, 0x100)))
    assert label == "Windows-1252"
    assert len(got) == 128
    assert got[0] == "€" and got[0x81 - 0x80] == "\x81"


def test_too_large_is_refused_before_it_is_read(monkeypatch):
    monkeypatch.setattr(opening, "LARGEST_BYTES", 1000)
    result = intake.read_bytes(b"date,circ\n" * 200, "big.csv")
    assert [r.code for r in result.remarks] == ["file-too-large"]
    assert result.remarks[0].message == "This file is 2,000 bytes large; files over 1,000 bytes are not opened."


def test_too_large_on_the_disk_is_not_even_loaded(tmp_path, monkeypatch):
    monkeypatch.setattr("patchstats.intake.read.LARGEST_BYTES", 1000)
    path = tmp_path / "big.csv"
    path.write_bytes(b"x" * 2000)
    with pytest.raises(IntakeError, match="big.csv is 2,000 bytes large"):
        intake.read_file(path)


def test_a_packed_file_that_swells_is_refused(monkeypatch):
    monkeypatch.setattr(opening, "LARGEST_UNPACKED_BYTES", 1_000_000)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as made:
        made.writestr("xl/worksheets/sheet1.xml", b"\x00" * 5_000_000)
    assert len(packed.getvalue()) < 10_000
    result = intake.read_bytes(packed.getvalue(), "swells.xlsx")
    assert [r.code for r in result.remarks] == ["zip-swells"]


def test_a_name_ending_says_nothing(tmp_path):
    """A file is judged by its content: a text log called .xlsx is read as text."""
    result = intake.read_bytes(b"Grower,Ida\nSeason,2024\nFruit,A\n\nDate,Circ (in)\n2024-07-20,44\n", "log.xlsx")
    assert len(result.tables["readings"]) == 1


def test_words_that_begin_like_a_picture_are_words():
    result = intake.read_bytes(b"BMX,Grower,Fruit\nDate,Circ\n", "log.csv")
    assert all(r.code != "not-a-log" for r in result.remarks)


def test_a_stray_cell_at_the_far_corner_is_refused_before_the_sheet_is_spread_out():
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True}) as book:
        sheet = book.add_worksheet()
        sheet.write(0, 0, "Date")
        sheet.write(1_048_575, 16_383, 1)
    (said,) = intake.read_bytes(out.getvalue(), "far.xlsx").remarks
    assert said.message == ("A sheet of this file spans 17,179,869,184 cells; sheets over 4,000,000 are not opened.")


def test_a_cell_repeated_without_end_is_refused():
    whole = (SPECIMENS / "open_document_sheet.ods").read_bytes()
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(whole)) as packed, zipfile.ZipFile(out, "w") as made:
        for name in packed.namelist():
            made.writestr(name, packed.read(name).replace(
                b'office:value="44"', b'office:value="44" table:number-columns-repeated="2000000000"'))
    assert [r.code for r in intake.read_bytes(out.getvalue(), "log.ods").remarks] == ["sheet-spread"]


# Damage in an .xls that would lead its reader in a circle or make it take all memory: place in the file, bytes there.
@pytest.mark.parametrize(("at", "there"), [
    (48, b"\xff\xff\xff\x7f"),  # the folder's first sector, far beyond the file
    (44, b"\xff\xff\xff\x7f"),  # how many sectors its table has
    (76, b"\xf0\xff\xff\x00"),  # where its table is
    (2568, b"\x25"),  # the first row of a sheet behind its last
    (100, b""), (2000, b"")])  # cut short
def test_a_damaged_old_workbook_is_refused(at, there):
    whole = (SPECIMENS / "workbook_of_1997.xls").read_bytes()
    data = whole[:at] + (there + whole[at + len(there):] if there else b"")
    assert [r.code for r in intake.read_bytes(data, "log.xls").remarks] == ["file-damaged"]


def test_an_old_workbook_whose_sectors_run_in_a_circle_is_refused():
    whole = bytearray((SPECIMENS / "workbook_of_1997.xls").read_bytes())
    table = (int.from_bytes(whole[76:80], "little") + 1) * 512
    whole[table + 4:table + 8] = (0).to_bytes(4, "little")  # the second sector of the workbook leads back to the first
    assert [r.code for r in intake.read_bytes(bytes(whole), "log.xls").remarks] == ["file-damaged"]
