"""Mutations: what hands, programs and disks do to a log. Each takes bytes and a random source and gives bytes."""

from __future__ import annotations

import random
from collections.abc import Callable

_ODD = [
    "",
    " ",
    "?",
    "~84",
    "n/a",
    '"',
    '""',
    "same",
    "1,204",
    "84 1/2",
    "7' 2\"",
    "213 cm",
    "7/8",
    "31/12/24",
    "Mon 8 Jul",
    "day 14",
    "120-77-76",
    "Total",
    "=A1+B1",
    "#REF!",
    "½",
    "\u00a0",
    "\x00",
    "1e309",
    "-5",
    "99999999999",
    "é",
    "—",
    "Fruit A",
    "Grower: X",
    "nan",
    "inf",
    "0x1F",
    "1/0",
    "Sept 31",
    "2024-02-30",
    "''",
    "“120”",
    "sep=;",
    "# note",
    "45485",
    "120x77x76",
    "12.07.",
    "84?",
    "𝟠𝟜",
    "٣",
    "circ",
    "date",
    "{read}",
    "%s",
    "<b>",
    "\u202e84",
]


def flip_byte(data: bytes, rng: random.Random) -> bytes:
    if not data:
        return data
    at = rng.randrange(len(data))
    return data[:at] + bytes([rng.randrange(256)]) + data[at + 1:]


def cut(data: bytes, rng: random.Random) -> bytes:
    return data[:rng.randrange(len(data) + 1)]


def drop_piece(data: bytes, rng: random.Random) -> bytes:
    a = rng.randrange(len(data) + 1)
    return data[:a] + data[min(len(data), a + rng.randrange(1, 40)):]


def repeat_piece(data: bytes, rng: random.Random) -> bytes:
    a = rng.randrange(len(data) + 1)
    piece = data[a:a + rng.randrange(1, 200)]
    return data[:a] + piece + data[a:]


def odd_cell(data: bytes, rng: random.Random) -> bytes:
    lines = data.split(b"\n")
    at = rng.randrange(len(lines))
    mark = rng.choice([b",", b";", b"\t", b"|"])
    cells = lines[at].split(mark)
    cells[rng.randrange(len(cells))] = rng.choice(_ODD).encode("utf-8")
    lines[at] = mark.join(cells)
    return b"\n".join(lines)


def swap_lines(data: bytes, rng: random.Random) -> bytes:
    lines = data.split(b"\n")
    a, b = rng.randrange(len(lines)), rng.randrange(len(lines))
    lines[a], lines[b] = lines[b], lines[a]
    return b"\n".join(lines)


def drop_line(data: bytes, rng: random.Random) -> bytes:
    lines = data.split(b"\n")
    del lines[rng.randrange(len(lines))]
    return b"\n".join(lines)


def odd_line(data: bytes, rng: random.Random) -> bytes:
    lines = data.split(b"\n")
    lines.insert(rng.randrange(len(lines) + 1), rng.choice([",", ";", "\t", " "]).join(
        rng.choice(_ODD) for _ in range(rng.randrange(1, 9))).encode("utf-8"))
    return b"\n".join(lines)


def other_delimiter(data: bytes, rng: random.Random) -> bytes:
    return data.replace(rng.choice([b",", b";", b"\t", b"."]), rng.choice([b",", b";", b"\t", b"|", b" ", b"."]))


def other_ends(data: bytes, rng: random.Random) -> bytes:
    return data.replace(b"\r\n", b"\n").replace(b"\n", rng.choice([b"\r\n", b"\r", b"\n\n", b"\n\r"]))


def other_encoding(data: bytes, rng: random.Random) -> bytes:
    text = data.decode("utf-8", errors="replace")
    return text.encode(
        rng.choice(["utf-16", "utf-16-le", "utf-16-be", "cp1252", "utf-8-sig", "utf-32"]), errors="replace"
    )


def loose_quote(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data) + 1)
    return data[:at] + rng.choice([b'"', b"'", b'""', "“".encode()]) + data[at:]


def swap_columns(data: bytes, rng: random.Random) -> bytes:
    mark = rng.choice([b",", b";", b"\t"])
    lines = [line.split(mark) for line in data.split(b"\n")]
    width = max(map(len, lines))
    a, b = rng.randrange(width), rng.randrange(width)
    for cells in lines:
        if a < len(cells) and b < len(cells):
            cells[a], cells[b] = cells[b], cells[a]
    return b"\n".join(mark.join(cells) for cells in lines)


MUTATIONS: tuple[Callable[[bytes, random.Random], bytes], ...] = (
    flip_byte,
    cut,
    drop_piece,
    repeat_piece,
    odd_cell,
    odd_cell,
    odd_cell,
    swap_lines,
    drop_line,
    odd_line,
    other_delimiter,
    other_ends,
    other_encoding,
    loose_quote,
    loose_quote,
    swap_columns,
)


def mutate(data: bytes, rng: random.Random) -> bytes:
    """One to four mutations in a row."""
    for _ in range(rng.randrange(1, 5)):
        data = rng.choice(MUTATIONS)(data, rng)
    return data
