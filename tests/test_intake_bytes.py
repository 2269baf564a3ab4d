"""From bytes to text or sheets; what is refused before it is read."""

from __future__ import annotations

import io
import zipfile

import pytest

from patchstats import intake
from patchstats.intake import bytes as opening
from patchstats.remarks import IntakeError


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
