"""Formulas: the cells of a workbook whose formula gave an error or was never computed, which calamine shows as empty.

Formats: Office Open XML (ECMA-376), OpenDocument 1.2 (OASIS), and for .xls the published [MS-CFB] and [MS-XLS]:
sectors, then records of a code, a length and a body. Only what is needed is read, and damage is left to the caller.
"""

from __future__ import annotations

import io
import re
import struct
import zipfile
from collections.abc import Iterator
from xml.etree import ElementTree

from patchstats.intake.compound import workbook_stream
from patchstats.intake.span import column_number

Sheets = list[tuple[str, list[list[str]]]]

_MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_LINKS = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}"
_OFFICE = "{urn:oasis:names:tc:opendocument:xmlns:office:1.0}"
_TABLE = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"
_BOF, _EOF, _SHEET, _FORMULA, _ERROR = 0x809, 0x0A, 0x85, 0x06, 0x205
_ERRORS = {0x00: "#NULL!", 0x07: "#DIV/0!", 0x0F: "#VALUE!", 0x17: "#REF!", 0x1D: "#NAME?", 0x24: "#NUM!", 0x2A: "#N/A"}


def put_uncomputed(data: bytes, sheets: Sheets) -> None:
    """Puts the error, or the formula without a value, into the cells of ``sheets`` that are empty for its sake.

    A formula whose value is an empty text is an empty cell, as its writer meant it. Raises what damage may raise.
    """
    grids = dict(sheets)
    for sheet, row, column, text in _found_in(data):
        if sheet in grids:
            _put(grids[sheet], row, column, text)


def _found_in(data: bytes) -> Iterator[tuple[str, int, int, str]]:
    """Sheet, row, column (from 0) and text of each such cell."""
    if data[:2] != b"PK":
        yield from _in_xls(data)
        return
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        names = packed.namelist()
        if "xl/workbook.xml" in names:
            yield from _in_xlsx(packed)
        elif "content.xml" in names:
            yield from _in_ods(ElementTree.fromstring(packed.read("content.xml")))


def _in_xlsx(packed: zipfile.ZipFile) -> Iterator[tuple[str, int, int, str]]:
    parts = {link.get("Id"): link.get("Target", "").lstrip("/").removeprefix("xl/")
             for link in ElementTree.fromstring(packed.read("xl/_rels/workbook.xml.rels"))}
    for sheet in ElementTree.fromstring(packed.read("xl/workbook.xml")).iter(f"{_MAIN}sheet"):
        part = f"xl/{parts.get(sheet.get(f'{_LINKS}id'))}"
        if part not in packed.namelist():
            continue
        for cell in ElementTree.fromstring(packed.read(part)).iter(f"{_MAIN}c"):
            formula, value = cell.find(f"{_MAIN}f"), cell.find(f"{_MAIN}v")
            at = re.fullmatch(r"([A-Z]{1,3})(\d{1,7})", cell.get("r", ""))
            told = value.text if value is not None else None
            empty_text = cell.get("t") == "str" and value is not None
            if at and (cell.get("t") == "e" or formula is not None and not told and not empty_text):
                yield (sheet.get("name", ""), int(at[2]) - 1, column_number(at[1]),
                       told or f"={(formula.text if formula is not None else '') or ''}")


def _in_ods(content: ElementTree.Element) -> Iterator[tuple[str, int, int, str]]:
    for sheet in content.iter(f"{_TABLE}table"):
        row = 0
        for line in sheet.iter(f"{_TABLE}table-row"):
            column = 0
            for cell in line:
                formula, typed = cell.get(f"{_TABLE}formula"), cell.get(f"{_OFFICE}value-type")
                if formula and not typed and not "".join(cell.itertext()).strip():
                    written = re.sub(r"\[\.([^\]]*)\]", r"\1", formula.partition(":")[2] or formula)
                    yield sheet.get(f"{_TABLE}name", ""), row, column, written
                column += int(cell.get(f"{_TABLE}number-columns-repeated", "1"))
            row += int(line.get(f"{_TABLE}number-rows-repeated", "1"))


def _in_xls(data: bytes) -> Iterator[tuple[str, int, int, str]]:
    stream = workbook_stream(data) or b""
    for code, body, _ in list(_records(stream, 0)):
        if code != _SHEET or len(body) < 8:
            continue
        start, size = struct.unpack_from("<I", body)[0], body[6]
        if body[7] & 1:
            name = body[8:8 + 2 * size].decode("utf-16-le", "replace")
        else:
            name = body[8:8 + size].decode("latin-1")
        for kind, cell, depth in _records(stream, start):
            if depth > 1 or len(cell) < 8:  # a chart within the sheet
                continue
            row, column = struct.unpack_from("<HH", cell)
            if kind == _ERROR and cell[7]:
                yield name, row, column, _ERRORS.get(cell[6], "#ERR")
            elif kind == _FORMULA and cell[6] == 2 and cell[12:14] == b"\xff\xff":
                yield name, row, column, _ERRORS.get(cell[8], "#ERR")


def _records(stream: bytes, at: int) -> Iterator[tuple[int, bytes, int]]:
    """Code, body and depth of each record of the part that begins at ``at``, up to its end."""
    depth = 0
    while at + 4 <= len(stream):
        code, size = struct.unpack_from("<HH", stream, at)
        depth += (code == _BOF) - (code == _EOF)
        yield code, stream[at + 4:at + 4 + size], depth
        if depth <= 0:
            return
        at += 4 + size


def _put(grid: list[list[str]], row: int, column: int, text: str) -> None:
    if row >= len(grid) + 1000 or column >= 1000:
        return
    while len(grid) <= row:
        grid.append([])
    grid[row] += [""] * (column + 1 - len(grid[row]))
    grid[row][column] = grid[row][column] or text
