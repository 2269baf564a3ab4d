"""Titles: the lines that belong to no table: what they are, and whom the first of them names."""

from __future__ import annotations

import re

from patchstats.intake.blocks import Fact
from patchstats.intake.dates import MONTHS, WEEKDAYS, parse
from patchstats.intake.headings import plain
from patchstats.intake.names import NOT_NAMES, grower_of_file
from patchstats.intake.page import SPOKEN, USED, Page
from patchstats.intake.records import SPACE

SUMMARY = {
    "total", "totals", "sum", "sums", "average", "averages", "avg", "mean", "max", "min", "maximum", "minimum",
    "summe", "gesamt", "durchschnitt", "mittel", "mittelwert", "count", "total gain", "grand total", "subtotal",
    "season total", "moyenne", "median", "gain", "overall", "totaal", "gemiddelde", "final total", "std", "stdev",
    "best", "gesamtsumme", "somme", "range", "biggest", "ave",
}
_YEARS = re.compile(r"(?<!\d)(?:19[5-9]\d|20\d\d)(?:\s*[/-]\s*\d{2,4})?(?!\d)")
_LABEL = re.compile(r"(?:pumpkin|fruit|plant)(?:\s*#\s*|\s+no\.?\s+|\s+)(\w{1,12})", re.IGNORECASE)
_PLACES = {"fair", "show", "county", "valley", "garden", "gardens", "farm", "society", "growers", "grower", "festival",
           "contest", "station", "summer", "diary", "backyard", "giants", "great", "green", "happy", "big"}
_OF_LOGS = {"at", "in", "inch", "inches", "cm", "deg", "temp", "for", "and", "depth", "deep", "am", "pm", "pumpkin"}


def kind_of_line(page: Page, record: int, above: bool) -> str:
    """The remark that a line outside every table deserves; ``above``: it stands above the first row."""
    if plain(page.text(record, page.full(record)[0])) in SUMMARY:
        return "summary-row"
    if not above:
        return "comment-line"
    return "title-figures" if has_figures(page.words(record)) else "title-line"


def has_figures(text: str) -> bool:
    """Whether a line holds numbers that are no date, no year and no label.

    >>> has_figures("Weigh-off, 5 October 2024"), has_figures("Low Fair 2024-10-05"), has_figures("day 12 250")
    (False, False, True)
    """
    tokens, at = text.replace("|", " ").split(), 0
    if not any(ch.isdigit() for ch in text):
        return False
    while at < len(tokens):
        dated = next((size for size in (4, 3, 2, 1) if at + size <= len(tokens) and _dated(tokens[at:at + size])), 0)
        if not dated and re.search(r"(?<![#\w])\d", _YEARS.sub(" ", tokens[at])):
            return True
        at += dated or 1
    return False


def _dated(tokens: list[str]) -> bool:
    found = parse(" ".join(tokens).strip(",;.()[]"), serials=False)
    return found is not None and found.month is not None and any(not t.strip(",.").isdigit() for t in tokens)


def names_in(title: str) -> dict[str, str]:
    """The grower, and perhaps the fruit, that a title names beside nothing but a season and a log's usual words.

    >>> names_in("Nan Thistlewick - Pumpkin #1 - 2024")
    {'grower': 'Nan Thistlewick', 'fruit': '1'}
    >>> names_in("Low Fair 2024"), names_in("Ida Field")
    ({}, {})
    """
    told: dict[str, str] = {}
    more = bool(_YEARS.search(title))
    for part in re.split(r"\s+[-–—|]\s+|\s*[,;|]\s*", title.strip("#*= ")):
        bare = _YEARS.sub(" ", part).strip(" .:")
        words = {plain(word) for word in bare.split()}
        label = _LABEL.fullmatch(bare)
        if label and "fruit" not in told and plain(label[1]) not in NOT_NAMES:
            told["fruit"] = label[1]
        elif all(w.isdigit() or w in NOT_NAMES | _OF_LOGS for w in words - {""}):
            more = more or bool(bare)
        elif "grower" not in told and not words & (NOT_NAMES | _PLACES | set(MONTHS) | set(WEEKDAYS)) and not re.search(
                r"[\d/.:]", bare) and grower_of_file(bare):
            told["grower"] = bare
        else:
            return {}
    return told if "grower" in told and (more or "fruit" in told) else {}


def take_names(page: Page, blocks: list, titles: list[str]) -> None:
    """The names that the first line gives to the blocks below it, which name no grower; said in a remark."""
    record = next((r for r in range(len(page.cells)) if not page.blank(r)), None)
    if record is None or not blocks or page.words(record) not in titles:
        return
    words = page.words(record)
    told = names_in(words.replace(" | ", " ") if page.delimiter == SPACE else words)
    if any({"fruit", "plant"} & (block.concepts | set(block.facts)) for block in blocks):
        told.pop("fruit", None)
    if not told:
        return
    for block in blocks:
        for concept, name in told.items():
            block.facts[concept] = Fact(concept, name, record, page.full(record)[0])
    page.fate[record][page.fate[record] == SPOKEN] = USED
    page.remarks[:] = [r for r in page.remarks if r.line != page.lines[record] or not r.code.startswith("title-")]
    page.say("names-from-title", record, mark=False, names=" and ".join(f"{c} {name}" for c, name in told.items()))
