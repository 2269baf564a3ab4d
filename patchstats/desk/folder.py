"""A folder of files looked at as the upload desk looks at one: for the analyst, in a notebook."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from patchstats.clubbook import Club, HandedIn, Receipt, open_club, read_settings, store, take_in
from patchstats.clubbook.club import compared
from patchstats.clubbook.handed import bytes_of, gathered
from patchstats.desk.preview import Preview, look
from patchstats.desk.questions import Question, settings_of, together
from patchstats.remarks import PatchstatsError


@dataclass(frozen=True, eq=False, repr=False)
class FolderPreview:
    """How a folder of files would be taken in, while nothing is kept.

    ``files``: one row a file (file, status, lines_read, lines_kept, lines_listed, asked: how many questions stand
    open). ``questions``: one row an open question (file, key, question, why, answers: those that are offered; empty
    where one types). ``names``: one row a name that the club does not know (what, name, alike: a known name that
    looks much like it, file).
    """

    files: pd.DataFrame
    questions: pd.DataFrame
    names: pd.DataFrame
    handed: tuple[HandedIn, ...] = field(repr=False)
    answers: Mapping[str, Mapping[str, object]] = field(repr=False)

    def _markdown(self) -> str:
        count = self.files["status"].value_counts()
        parts = [f"{count[status]:,} {words}" for status, words in (
            ("preview", "new"), ("already taken in", "in the club book already"), ("refused", "unreadable"))
                 if status in count]
        said = f"{len(self.files):,} files: {', '.join(parts)}."
        new = self.files[self.files["status"] == "preview"]
        if new.empty:
            return said
        read, kept, listed = (int(new[f"lines_{what}"].sum()) for what in ("read", "kept", "listed"))
        return (f"{said} Of the new ones {read:,} lines would be read: {kept:,} kept and {listed:,} listed. Questions "
                f"that stand open: {len(self.questions):,}.")

    def _repr_markdown_(self) -> str:
        return self._markdown()

    def __repr__(self) -> str:
        return self._markdown()


def look_at_folder(club_folder: str | Path, logs: str | Path | Iterable[str | Path], *,
                   answers: Mapping[str, Mapping[str, str]] | None = None,
                   progress: Callable[[int, int, str], None] | None = None) -> FolderPreview:
    """Looks at files, or at every file of a folder, as the club book would read them; keeps nothing.

    ``answers``: file name to its answers by the key of the question, such as
    ``{"july.csv": {"date_order": "day first", "heading:circumf": "yes"}}``. ``progress`` is called with (files done,
    files in all, name). Raises :class:`PatchstatsError` when an answer goes to a file that is not there, or to a
    question that it does not raise.
    """
    club_folder = Path(club_folder)
    club = open_club(club_folder) if store.book_path(club_folder).exists() else None
    words = read_settings(club_folder).heading_words
    told = {name: dict(given) for name, given in (answers or {}).items()}
    handed, seen, settled = [], [], {}
    listed = gathered(Path(logs) if isinstance(logs, str) else logs)
    if missing := sorted(set(told) - {name for name, _ in listed}):
        raise PatchstatsError(f"There is no file {missing[0]!r} here to answer for.")
    for done, (name, source) in enumerate(listed, start=1):
        file = HandedIn(name, bytes_of(source))
        if name in told:
            preview, settled[name] = _answered(club_folder, file, told[name], words, club)
        else:
            preview = look(club_folder, file, answers={}, club=club)
        handed.append(file)
        seen.append(preview)
        if progress is not None:
            progress(done, len(listed), name)
    return FolderPreview(_files(handed, seen), _questions(handed, seen, told), _names(handed, seen), tuple(handed),
                         settled)


def keep_folder(club_folder: str | Path, seen: FolderPreview) -> list[Receipt]:
    """Takes the files in, each with its answers, and returns their receipts. Those that are in already stay as they
    are."""
    receipts = [take_in(club_folder, file, answers=dict(seen.answers.get(file.name, {})), compare=False)[0]
                for file in seen.handed]
    return compared(club_folder, receipts)  # once for all of them


def _answered(club_folder: Path, file: HandedIn, told: Mapping[str, str], words: Mapping[str, str],
              club: Club | None) -> tuple[Preview, dict[str, object]]:
    """The file read with its answers, in rounds, since an answer may raise the next question."""
    seen, settings = look(club_folder, file, answers={}, club=club), dict[str, object]()
    questions: tuple[Question, ...] = ()
    while len(more := together(questions, seen.questions)) > len(questions):
        questions = more
        settings = settings_of(told, questions, words)
        seen = look(club_folder, file, answers=settings, club=club)
    keys = [question.key for question in questions]
    if unknown := [key for key in told if key not in keys]:
        raise PatchstatsError(f"{file.name} does not ask {unknown[0]!r}; it asks {', '.join(keys) or 'nothing'}.")
    return seen, settings


def _files(handed: list[HandedIn], seen: list[Preview]) -> pd.DataFrame:
    return pd.DataFrame(
        [(file.name, s.receipt.status, s.receipt.rows_read, s.receipt.rows_kept, s.receipt.rows_listed,
          sum(q.needed for q in s.questions)) for file, s in zip(handed, seen, strict=True)],
        columns=["file", "status", "lines_read", "lines_kept", "lines_listed", "asked"])


def _questions(handed: list[HandedIn], seen: list[Preview], told: Mapping[str, Mapping]) -> pd.DataFrame:
    return pd.DataFrame(
        [(file.name, q.key, q.title, q.why, ", ".join(value for value, _ in q.choices))
         for file, s in zip(handed, seen, strict=True) for q in s.questions
         if q.needed and q.key not in told.get(file.name, {})],
        columns=["file", "key", "question", "why", "answers"])


def _names(handed: list[HandedIn], seen: list[Preview]) -> pd.DataFrame:
    rows = [(n.what, n.name, n.alike, file.name) for file, s in zip(handed, seen, strict=True) for n in s.names
            if not n.known]
    return pd.DataFrame(rows, columns=["what", "name", "alike", "file"]).drop_duplicates(["what", "name"],
                                                                                         ignore_index=True)


__all__ = ["FolderPreview", "keep_folder", "look_at_folder"]
