"""Span: how large a rectangle the cells of a packed workbook span, before it is unpacked into one.

A stray cell at the far corner of a sheet, or one that says it is repeated a thousand million times, would fill the
computer's memory. Only cells that hold something count, as they do for the reader of the workbook.
"""

from __future__ import annotations

import re
import zipfile
from xml.etree import ElementTree

MOST_CELLS = 4_000_000  # a season's log has a few thousand
_CELL = re.compile(rb'<(?:\w+:)?c\s(?:[^>]*?\s)?r="([A-Za-z]{1,3})(\d{1,9})"[^>]*?(/?)>')
_TABLE = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"


def cells_spanned(packed: zipfile.ZipFile) -> int:
    """Cells in the largest rectangle that the cells of one sheet span (.xlsx and .ods)."""
    names = packed.namelist()
    spans = [_span_of_xlsx(packed.read(n)) for n in names if n.startswith("xl/worksheets/") and n.endswith(".xml")]
    if "content.xml" in names and not spans:
        spans = [_span_of_ods(table) for table in ElementTree.fromstring(packed.read("content.xml")).iter(
            f"{_TABLE}table")]
    return max(spans, default=0)


def column_number(letters: str) -> int:
    """The place of a column from 0.

    >>> column_number("A"), column_number("AB")
    (0, 27)
    """
    number = 0
    for letter in letters.upper():
        number = number * 26 + ord(letter) - 64
    return number - 1


def _span_of_xlsx(sheet: bytes) -> int:
    places = {(m[1], m[2]) for m in _CELL.finditer(sheet) if not m[3]}
    columns = [column_number(letters.decode()) for letters in {letters for letters, _ in places}]
    rows = [int(digits) for digits in {digits for _, digits in places}]
    return (max(columns) - min(columns) + 1) * (max(rows) - min(rows) + 1) if places else 0


def _span_of_ods(table: ElementTree.Element) -> int:
    row = width = height = 0
    for line in table.iter(f"{_TABLE}table-row"):
        times, column, filled = int(line.get(f"{_TABLE}number-rows-repeated", "1")), 0, False
        for cell in line:
            column += int(cell.get(f"{_TABLE}number-columns-repeated", "1"))
            if len(cell) or any(key.endswith("value") for key in cell.attrib):
                filled, width = True, max(width, column)
        row += times
        height = row if filled else height
    return width * height
