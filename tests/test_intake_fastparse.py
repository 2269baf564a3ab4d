"""The rows of a large table straight from its bytes, against Python's own split and float, and pandas' reader."""

from __future__ import annotations

import io

import numpy as np
import pandas as pd
import pytest

from patchstats.intake.fastparse import Cells


def _lines(count: int, seed: int = 0) -> list[list[str]]:
    rng = np.random.default_rng(seed)
    names = ["", "A", "F1", "Member 7", "Member 07 Fi", "Member 07 Field", "Member 08 Field", "x" * 63]
    return [[names[rng.integers(len(names))], f"{rng.uniform(0, 500):.{rng.integers(0, 12)}f}",
             str(rng.integers(0, 10**rng.integers(1, 15))) if rng.random() < 0.9 else ""] for _ in range(count)]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("closed", [True, False])
def test_every_cell_is_what_splitting_the_lines_gives(delimiter, end, closed):
    lines = _lines(70_000 if end == "\n" and closed else 300)  # more lines than are read at once
    text = end.join(delimiter.join(line) for line in lines) + end * closed
    cells = Cells(text.encode(), delimiter, 3)
    if end == "\r\n" and not closed:  # the last line ends otherwise than the rest
        assert not cells.plain
        return
    assert cells.plain and cells.lines == len(lines)
    names = cells.names(0)
    assert [None if code < 0 else names.categories[code] for code in names.codes] == [
        line[0] or None for line in lines]
    assert list(names.categories) == list(dict.fromkeys(line[0] for line in lines if line[0]))
    for column in (1, 2):
        written = np.array([float(line[column] or "nan") for line in lines])  # Python's float rounds correctly
        np.testing.assert_array_equal(cells.numbers(column), written)
    frame = pd.read_csv(io.StringIO(text), sep=delimiter, header=None, float_precision="round_trip")
    np.testing.assert_array_equal(cells.numbers(1), frame[1].to_numpy(dtype=float))


def test_spaces_around_a_cell_are_no_part_of_it():
    cells = Cells(b" A , 84.5\nA,  7 \n  ,\n   , 1\n", ",", 2)
    assert list(cells.names(0).codes) == [0, 0, -1, -1] and list(cells.names(0).categories) == ["A"]
    np.testing.assert_array_equal(cells.numbers(1), [84.5, 7, np.nan, 1])


@pytest.mark.parametrize("text", ["a,b\nc\n", "a,b\nc,d,e\n", "a,b,c\nd\n", "a,b\n\nc,d\n", "a,b\nc\x00,d\n",
                                  "a,b\nc\t,d\n", "a,b\r\nc,d\n", "", "a,b\n,"  "\n\n"])
def test_a_table_with_a_line_unlike_the_others_or_a_control_character_is_not_plain(text):
    assert not Cells(text.encode(), ",", 2).plain


@pytest.mark.parametrize("cell", ["nan", "inf", "1e2", "+45", "-45", "45.", ".5", "0x1f", "1_0", "~45", "4 5", "45\"",
                                  "1.2.3", ".", "1" * 16, "0." + "1" * 16])
def test_what_is_no_bare_decimal_number_is_left_to_the_ordinary_reader(cell):
    assert Cells(f"a,84\nb,{cell}\n".encode(), ",", 2).numbers(1) is None


def test_a_cell_too_long_to_be_a_name_is_left_to_the_ordinary_reader():
    assert Cells(f"{'x' * 64},1\n".encode(), ",", 2).names(0) is not None
    assert Cells(f"{'x' * 65},1\n".encode(), ",", 2).names(0) is None
