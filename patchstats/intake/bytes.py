"""Bytes: from what a member hands in to text or to a workbook's sheets. A file is judged by its content, not its name.

Text is UTF-8 (with or without a mark), UTF-16 or UTF-32 with a mark, UTF-16 without one when its null bytes say so,
and Windows-1252 otherwise. Workbooks (.xlsx, .xls, .ods) are read by python-calamine. Anything that would swell or
is no table is refused before it is read.
"""

from __future__ import annotations

import datetime as dt
import io
import re
import zipfile
import zlib
from dataclasses import dataclass, field
from xml.etree import ElementTree

from patchstats.intake.compound import MAGIC, is_modest, workbook_stream
from patchstats.intake.formulas import put_uncomputed
from patchstats.intake.span import MOST_CELLS, cells_spanned
from patchstats.remark_kinds import kind
from patchstats.remarks import Remark, remark

LARGEST_BYTES = 100_000_000
# What a workbook may unpack to: cells of a season's logs take far less.
LARGEST_UNPACKED_BYTES = 300_000_000

_PICTURES = (
    (b"\x89PNG", "a picture"), (b"\xff\xd8\xff", "a photograph"), (b"GIF8", "a picture"), (b"BM", "a picture"),
    (b"II*\x00", "a picture"), (b"MM\x00*", "a picture"), (b"%PDF", "a PDF document"), (b"{\\rtf", "a text document"),
    (b"\x1f\x8b", "a packed file"), (b"7z\xbc\xaf", "a packed file"), (b"Rar!", "a packed file"),
    (b"SQLite format 3", "a database"), (b"\x7fELF", "a program"), (b"MZ", "a program"), (b"ID3", "a sound"),
)
_WEB_PAGE = re.compile(r"^\s*<(!doctype|html|\?xml)", re.IGNORECASE)


@dataclass
class Opened:
    """A file opened: either ``text`` or ``sheets`` (name, rows of cells as text); ``encoding`` in words."""

    text: str | None = None
    sheets: list[tuple[str, list[list[str]]]] = field(default_factory=list)
    encoding: str = ""
    remarks: list[Remark] = field(default_factory=list)


def open_bytes(data: bytes, name: str) -> Opened:
    """The text or the sheets of a file; a file that cannot be read has neither, and a remark that says why."""
    if len(data) > LARGEST_BYTES:
        return _refuse("file-too-large", name, size=in_words(len(data)), limit=in_words(LARGEST_BYTES))
    if not data.strip(b"\x00 \t\r\n\xef\xbb\xbf\xff\xfe"):
        return _refuse("file-empty", name)
    if data[:4] == b"PK\x03\x04" or data[:8] == MAGIC:
        return _open_workbook(data, name)
    for start, what in _PICTURES:
        # Two letters may begin an honest log too; with control characters behind them they do not.
        if data.startswith(start) and (len(start) > 2 or _binary(data)):
            return _refuse("not-a-log", name, what=what)
    text, encoding = decode(data)
    made = Opened(text, encoding=encoding)
    nulls = text.count("\x00")
    if nulls:
        made.text = text = text.replace("\x00", "")
        made.remarks.append(remark(kind("nulls-removed"), name, count=nulls, before=f"{nulls} nulls", after="none"))
    controls = len(re.findall(r"[\x01-\x08\x0e-\x1f\x7f]", text))
    if controls > 0.02 * len(text) + 3:
        return _refuse("not-a-log", name, what="a program or a picture")
    if _WEB_PAGE.match(text):
        return _refuse("not-a-log", name, what="a web page")
    if encoding == "Windows-1252":
        made.remarks.append(remark(kind("encoding-old"), name, encoding=encoding))
    return made


def decode(data: bytes) -> tuple[str, str]:
    """Bytes as (text, name of the encoding). Nothing is ever dropped: every byte sequence has a reading."""
    for mark, codec, label in ((b"\xef\xbb\xbf", "utf-8", "UTF-8"), (b"\xff\xfe\x00\x00", "utf-32-le", "UTF-32"),
                               (b"\x00\x00\xfe\xff", "utf-32-be", "UTF-32"), (b"\xff\xfe", "utf-16-le", "UTF-16"),
                               (b"\xfe\xff", "utf-16-be", "UTF-16")):
        if data.startswith(mark):
            body = data[len(mark):]
            if codec == "utf-8":
                return (body.decode("utf-8"), label) if _is_utf8(body) else (_windows(body), "Windows-1252")
            return body.decode(codec, errors="replace"), label
    head = data[:4000]
    if len(head) > 3 and head.count(0) > 0.2 * len(head):
        even, odd = head[::2].count(0), head[1::2].count(0)
        if odd > 4 * even:
            return data.decode("utf-16-le", errors="replace"), "UTF-16"
        if even > 4 * odd:
            return data.decode("utf-16-be", errors="replace"), "UTF-16"
    if _is_utf8(data):
        return data.decode("utf-8"), "UTF-8"
    return _windows(data), "Windows-1252"


def _is_utf8(data: bytes) -> bool:
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _windows(data: bytes) -> str:
    """Windows-1252, its five undefined bytes read as Latin-1 so that no byte is lost."""
    try:
        return data.decode("cp1252")
    except UnicodeDecodeError:
        return "".join(bytes([b]).decode("latin-1" if b in (0x81, 0x8D, 0x8F, 0x90, 0x9D) else "cp1252") for b in data)


def _binary(data: bytes) -> bool:
    head = data[:2000]
    return sum(b < 9 or 13 < b < 32 for b in head) > 0.05 * len(head)


def in_words(size: int) -> str:
    """A size in words: ``1.2 MB``."""
    return f"{size / 1e6:,.1f} MB" if size >= 100_000 else f"{size:,} bytes"


def _refuse(code: str, name: str, **facts) -> Opened:
    return Opened(remarks=[remark(kind(code), name, **facts)])


def _open_workbook(data: bytes, name: str) -> Opened:
    if data[:2] == b"PK":
        try:
            with zipfile.ZipFile(io.BytesIO(data)) as packed:
                names = packed.namelist()
                unpacked = sum(item.file_size for item in packed.infolist())
                spanned = cells_spanned(packed) if unpacked <= LARGEST_UNPACKED_BYTES else 0
        except (zipfile.BadZipFile, ValueError, NotImplementedError, OSError, EOFError, KeyError, IndexError,
                UnicodeDecodeError, OverflowError, RuntimeError, zlib.error, ElementTree.ParseError):
            return _refuse("file-damaged", name, why="it is cut short or damaged")
        if unpacked > LARGEST_UNPACKED_BYTES:
            return _refuse("zip-swells", name, size=in_words(unpacked), limit=in_words(LARGEST_UNPACKED_BYTES))
        if spanned > MOST_CELLS:
            return _refuse("sheet-spread", name, spans=f"{spanned:,}", limit=f"{MOST_CELLS:,}")
        if "xl/workbook.bin" in names:
            return _refuse("not-a-log", name, what="a binary workbook")
        if not any(n.startswith("xl/") or n == "content.xml" for n in names):
            return _refuse("not-a-log", name, what="a packed file or a document")
    elif (stream := workbook_stream(data)) is None or not is_modest(stream):
        return _refuse("file-damaged", name, why="it is cut short or damaged")
    import python_calamine

    try:
        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
        sheets = [(str(sheet), _grid(book.get_sheet_by_name(sheet))) for sheet in book.sheet_names]
        put_uncomputed(data, sheets)
    except BaseException as error:  # calamine reports damage in classes of its own, and as panics of its Rust core
        if isinstance(error, (KeyboardInterrupt, SystemExit)):
            raise
        why = "it is locked with a password" if "assword" in str(error) else "it is cut short or damaged"
        return _refuse("file-damaged", name, why=why)
    return Opened(sheets=sheets, encoding="workbook")


def _grid(sheet) -> list[list[str]]:
    """A sheet's cells as text, from its first row and column on, so that lines count as the spreadsheet does."""
    start = sheet.start or (0, 0)
    rows = [[_cell(value) for value in row] for row in sheet.to_python(skip_empty_area=True)]
    return [[] for _ in range(start[0])] + [[""] * start[1] + row for row in rows]


def _cell(value) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return repr(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, dt.datetime):
        return value.date().isoformat() if value.time() == dt.time() else value.isoformat(" ", "minutes")
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, dt.time):
        return value.isoformat("minutes")
    if isinstance(value, dt.timedelta):
        return str(value)
    return str(value)
