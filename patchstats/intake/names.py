"""Names: what a file's own name says, and names within a file that look alike. Nothing is ever merged."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import PurePath

import numpy as np

from patchstats.intake.headings import plain
from patchstats.remark_kinds import kind
from patchstats.remarks import Remark, remark

_ALIKE = 0.9  # ratio of letters in common, in order: one slip in a name of five letters or more
_MOST_COMPARED = 5_000

NOT_NAMES = {
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
    tokens = [t for t in stem.split() if plain(t) not in NOT_NAMES]
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
            for a, b in pairs(labels):
                prefix = f"{head}/" if head else ""
                made.append(remark(kind("names-alike"), name, read=b, first=prefix + a, second=prefix + b))
    return made


def pairs(labels: Sequence[str]) -> list[tuple[str, str]]:
    """Pairs of different labels that a reader might take for one: same letters, the same words in another order, or
    one slip in a longer name. Labels with digits are compared by their letters alone: fruit 11 is not fruit 12."""
    found: list[tuple[str, str]] = []
    seen: dict[str, str] = {}
    for label in labels:
        same = " ".join(sorted(plain(label).split()))
        if same in seen and seen[same] != label:
            found.append((seen[same], label))
        seen.setdefault(same, label)
    long = [x for x in dict.fromkeys(seen.values()) if len(x) >= 5 and not any(ch.isdigit() for ch in x)]
    if not 2 <= len(long) <= _MOST_COMPARED:
        return found
    near = _near(long)
    if sum(map(len, near)) > 10 * _MOST_COMPARED:  # labels that are alike by their nature
        return found
    for a, others in zip(long, near, strict=True):
        found += [(a, long[b]) for b in others if _ratio(long[b], a) >= _ALIKE]
    return found


def _ratio(one: str, other: str) -> float:
    return difflib.SequenceMatcher(None, one, other).ratio()


def _near(labels: Sequence[str]) -> list[list[int]]:
    """For each label the later ones whose letters alone, whatever their order, allow a ratio of ``_ALIKE``.

    The ratio is 2 M / T, M letters in common of T in both; the letters that are not in common are T - 2 M.
    """
    letters = {ch: at for at, ch in enumerate(sorted(set("".join(labels))))}
    counts = np.zeros((len(labels), len(letters)), dtype=np.int16)
    for at, label in enumerate(labels):
        for ch in label:
            counts[at, letters[ch]] += 1
    lengths = counts.sum(axis=1, dtype=np.int64)
    out = []
    for at in range(len(labels)):
        most = (1 - _ALIKE) * (lengths + lengths[at]) + 1e-9
        near = at + 1 + np.flatnonzero(np.abs(lengths - lengths[at])[at + 1:] <= most[at + 1:])
        apart = np.abs(counts[near] - counts[at]).sum(axis=1)
        out.append(near[apart <= most[near]].tolist())
    return out
