"""Names: what a file's own name says, and names within a file that look alike. Nothing is ever merged."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping
from pathlib import PurePath

from patchstats.intake.headings import plain
from patchstats.remark_kinds import kind
from patchstats.remarks import Remark, remark

_NOT_NAMES = {
    "log",
    "logs",
    "tape",
    "tapes",
    "pumpkin",
    "pumpkins",
    "fruit",
    "soil",
    "weather",
    "flowers",
    "plants",
    "plant",
    "sizes",
    "list",
    "season",
    "growth",
    "measurements",
    "readings",
    "data",
    "book",
    "the",
    "my",
    "of",
    "all",
    "club",
    "results",
    "weigh",
    "off",
    "weighoff",
    "patch",
    "sheet",
    "copy",
    "final",
    "new",
    "csv",
    "txt",
    "kurbis",
    "kuerbis",
    "citrouille",
    "logger",
    "seeds",
    "seed",
    "temps",
    "temperatures",
    "taping",
    "tapings",
    "giant",
    "notes",
    "export",
    "untitled",
    "book1",
    "file",
    "test",
    "record",
    "records",
    "size",
    "daily",
    "gpc",
    "members",
}


def grower_of_file(name: str) -> str | None:
    """A first and a last name in a file's name (``Marta Quellhurst 2024.csv``), or None: one word is too little."""
    stem = re.sub(r"[_\-.]+", " ", PurePath(name).stem)
    tokens = [t for t in stem.split() if plain(t) not in _NOT_NAMES]
    words = [t for t in tokens if re.fullmatch(r"[^\W\d_]{2,}(?:['’][^\W\d_]+)?", t)]
    rest = [t for t in tokens if t not in words and not re.fullmatch(r"\d+|[A-Za-z]", t)]
    if len(words) in (2, 3) and not rest and all(w[0].isupper() and not w.isupper() for w in words):
        return " ".join(words)
    return None


def season_of_file(name: str) -> int | None:
    """The one year in a file's name, or None."""
    years = set(re.findall(r"(?<!\d)(20\d\d|19[5-9]\d)(?!\d)", name))
    return int(years.pop()) if len(years) == 1 else None


def alike(named: Mapping[str, Iterable[object]], name: str) -> list[Remark]:
    """Remarks on growers, patches, plants and fruits of one file whose names differ by a slip."""
    made = []
    for table in ("growers", "patches", "plants", "fruits"):
        groups: dict[str, list[str]] = {}
        for key in named.get(table, ()):
            head, _, last = str(key).rpartition("/")
            groups.setdefault(head, []).append(last)
        for head, labels in groups.items():
            for a, b in _pairs(labels):
                prefix = f"{head}/" if head else ""
                made.append(remark(kind("names-alike"), name, read=b, first=prefix + a, second=prefix + b))
    return made


def _pairs(labels: list[str]) -> list[tuple[str, str]]:
    """Pairs of different labels that a reader might take for one: same letters, or one slip in a longer name."""
    found: list[tuple[str, str]] = []
    seen: dict[str, str] = {}
    for label in labels:
        if plain(label) in seen and seen[plain(label)] != label:
            found.append((seen[plain(label)], label))
        seen.setdefault(plain(label), label)
    long = [x for x in dict.fromkeys(seen.values()) if len(x) >= 5 and not any(ch.isdigit() for ch in x)]
    if len(long) > 300:
        return found
    for i, a in enumerate(long):
        for b in difflib.get_close_matches(a, long[i + 1:], n=2, cutoff=0.9):
            found.append((a, b))
    return found
