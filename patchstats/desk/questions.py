"""Questions: what only the member can say, drawn from the remarks of a reading; and their answers, checked.

An answer goes to the reader of logs as a setting (``date_order``, ``length``, ``season``, ``grower``, ``fruit``,
``heading_words``). A remark that no setting can settle stays a remark, with its advice.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from patchstats.desk.security import tidy_name
from patchstats.remarks import PatchstatsError, Remark

_HEADING = "heading:"
_MOST_HEADINGS = 8


@dataclass(frozen=True)
class Question:
    """One question. ``key`` names it in the form and, but for headings, the reader's setting; ``choices`` are
    (value, words), and none means that it is answered by typing; ``kind`` is choice, text or year; ``meaning`` is what
    yes says of a heading."""

    key: str
    kind: str
    title: str
    why: str
    choices: tuple[tuple[str, str], ...] = ()
    suggestions: tuple[str, ...] = ()
    needed: bool = True
    meaning: str = ""


def asked(remarks: Iterable[Remark], *, member: str = "", growers: Iterable[str] = ()) -> tuple[Question, ...]:
    """The questions that these remarks raise, each once. ``member`` and ``growers`` are suggested as names."""
    known = tuple(dict.fromkeys(filter(None, (member, *growers))))
    made: dict[str, Question] = {}
    for remark in remarks:
        make = _MAKERS.get(remark.code)
        question = make(remark, known) if make else None
        if question is not None:
            made.setdefault(question.key, question)
    headings = [key for key in made if key.startswith(_HEADING)]
    for key in headings[_MOST_HEADINGS:]:
        del made[key]
    return tuple(sorted(made.values(), key=lambda q: not q.needed))


def together(before: Iterable[Question], now: Iterable[Question]) -> tuple[Question, ...]:
    """Questions asked before, though answered by now, and new ones: an answer can be changed until it is kept."""
    made = {question.key: question for question in before}
    for question in now:
        made[question.key] = question
    return tuple(sorted(made.values(), key=lambda q: not q.needed))


def told_of(form: Callable[[str], str], questions: Iterable[Question]) -> dict[str, str]:
    """What a filled-in form says to these questions, spaces tidied; questions left alone are left out.

    ``form`` gives a field's text ("" when it was left alone).
    """
    told = {question.key: " ".join(form(question.key).split()) for question in questions}
    return {key: words for key, words in told.items() if words}


def settings_of(told: Mapping[str, str], questions: Iterable[Question],
                heading_words: Mapping[str, str] | None = None) -> dict[str, object]:
    """Answers as settings of the reader. ``heading_words`` are the club's own, which answered headings join.

    Raises :class:`PatchstatsError`, which names the question, when an answer cannot be right.
    """
    settings: dict[str, object] = {}
    words: dict[str, str] = {}
    for question in questions:
        answer = told.get(question.key, "")
        if not answer:
            continue
        if question.choices and answer not in dict(question.choices):
            raise PatchstatsError(f"{question.title} Choose one of the answers that are offered.")
        if question.key.startswith(_HEADING):
            if answer == "yes":
                words[question.key.removeprefix(_HEADING)] = question.meaning
        elif question.choices:
            settings[question.key] = answer
        elif question.kind == "year":
            if not re.fullmatch(r"(19[5-9]|20[0-9])[0-9]", answer):
                raise PatchstatsError(f"{question.title} Write the year with four digits, such as 2024.")
            settings[question.key] = int(answer)
        else:
            try:
                settings[question.key] = tidy_name(answer)
            except PatchstatsError as error:
                raise PatchstatsError(f"{question.title} {error}") from None
    if words:
        settings["heading_words"] = {**(heading_words or {}), **words}
    return settings


def _date_order(remark: Remark, known) -> Question:
    facts = dict(remark.facts)
    number = re.match(r"\D*(\d+)", remark.read)
    first, second = facts.get("first", ""), facts.get("second", "")
    if number and second.split(" ")[0] == str(int(number[1])):
        first, second = second, first  # first: the one whose day is the first number
    return Question("date_order", "choice", "Day first or month first?",
                    f"{remark.read} may be either, and {_count(facts, 'date waits', 'dates wait')} for your answer.",
                    (("day first", f"Day first: {remark.read} is {first}"),
                     ("month first", f"Month first: {remark.read} is {second}")))


def _length(remark: Remark, known) -> Question | None:
    facts = dict(remark.facts)
    if {facts.get("first"), facts.get("second")} != {"in", "cm"}:
        return None
    return Question("length", "choice", "Inches or centimetres?",
                    "Your tapes name no unit, and the numbers could be either. "
                    "A wrong guess would make the fruit more than twice or less than half its size.",
                    (("in", "Inches"), ("cm", "Centimetres")))


def _grower(remark: Remark, known: tuple[str, ...]) -> Question:
    return Question("grower", "text", "Whose log is this?",
                    "The log does not say who grew the fruit. Write the name as the club knows it.",
                    suggestions=known)


def _grower_named(remark: Remark, known: tuple[str, ...]) -> Question:
    return Question("grower", "text", f"Is this the log of {remark.read}?",
                    "The name was taken from the file's name. Leave this empty if it is right.",
                    suggestions=known, needed=False)


def _season(remark: Remark, known) -> Question:
    return Question("season", "year", "Which season?",
                    "Nothing in the log or its name says the year. Write the year of the weigh-off.")


def _fruit(remark: Remark, known) -> Question:
    return Question("fruit", "text", "Which fruit?",
                    "The log does not name its fruit. Leave this empty if it is your only one this season; if not, "
                    "write the letter, number or name that you gave it.", needed=False)


def _heading(remark: Remark, known) -> Question:
    facts = dict(remark.facts)
    meant = facts["suggestion"]
    return Question(f"{_HEADING}{remark.read}", "choice", f"Does the heading “{remark.read}” mean “{meant}”?",
                    f"It is one slip away from a known heading. The cells below it ({facts.get('sample', '')}) are "
                    "left out unless you say yes.",
                    (("yes", f"Yes, {meant}"), ("no", "No, leave it out")), meaning=meant)


def _count(facts: Mapping[str, str], one: str, more: str) -> str:
    count = facts.get("count", "1")
    return f"{count} {one if count == '1' else more}"


_MAKERS: dict[str, Callable[[Remark, tuple[str, ...]], Question | None]] = {
    "date-asked": _date_order, "date-order-mixed": _date_order, "unit-asked": _length, "grower-missing": _grower,
    "grower-from-name": _grower_named, "season-missing": _season, "date-year-missing": _season,
    "fruit-unnamed": _fruit, "heading-near-miss": _heading}
