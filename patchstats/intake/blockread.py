"""Blockread: a block's cells as names, days and values, each row's grower, season and keys."""

from __future__ import annotations

import datetime as dt

import numpy as np

from patchstats.intake import cells, values
from patchstats.intake.blocks import Block, Column
from patchstats.intake.concepts import CONCEPTS, NAMES
from patchstats.intake.dates import year_of
from patchstats.intake.harvest import Harvest, beyond
from patchstats.intake.meaning import kinds_of, settle_meanings
from patchstats.intake.page import Page
from patchstats.intake.settings import Settings
from patchstats.intake.values import Told
from patchstats.tables import DICTIONARY


class BlockReader:
    """One block, read: its names, its days, its values, row by row."""

    def __init__(self, page: Page, block: Block, told: Told, settings: Settings, harvest: Harvest, grower: str | None):
        settle_meanings(block, told.around)
        self.page, self.block, self.told, self.settings, self.harvest = page, block, told, settings, harvest
        self.size = len(block.rows)
        self.lone = len(set(block.rows)) == len(block.rows)  # a row for each line, not one for each day of a line
        self.default_grower = grower
        self.texts = {id(c): values.texts_of(page, c) for c in block.columns}
        self.names: dict[str, list] = {}
        self.days: list[dt.date | None] = [None] * self.size
        self.day_numbers: list[int | None] = [None] * self.size
        self.numeric: dict[str, np.ndarray] = {}
        self.words: dict[str, list] = {}
        self.home: dict[str, Column] = {}  # concept -> the column that it was read from
        self.doubtful = np.zeros(self.size, dtype=bool)
        self.spoken_rows: set[int] = set()
        self.refused_values: dict[int, bool] = {}
        self.derived_set: dt.date | None = None  # a pollination date worked out from day numbers
        self._facts: dict[str, object] = {}
        self.left_out: list[tuple[str, int, str]] = []  # columns that can be computed: heading, cells, a sample

    def read(self) -> None:
        self._read_names()
        for column in self.block.columns:
            concept, kind = column.concept, CONCEPTS[column.concept].kind
            texts = self.texts[id(column)]
            if concept in NAMES or concept in ("date", "day"):
                continue
            if kind == "ignored" or concept == "written" and kinds_of(self.block) == ("weighings",):
                self._leave_out(column)
            elif kind == "date":
                self.words[concept], parsed = values.days(self.told, self.page, column, texts, self.names["season"])
                self._complain_dates(column, texts, self.words[concept], parsed)
                self.home[concept] = column
            elif concept == "three":
                split, doubt = values.three(self.told, self.page, column, texts)
                for measure, array in split.items():
                    if measure in self.numeric:
                        array = np.where(np.isnan(self.numeric[measure]), array, self.numeric[measure])
                    self.numeric[measure] = array
                    self.home.setdefault(measure, column)
                self.doubtful |= doubt
            elif kind in (*values.SCALED, "hours", "angle"):
                array, doubt = values.numbers(self.told, self.page, column, texts)
                if concept in self.numeric:  # a total both in a cell of three and in a column of its own
                    array = np.where(np.isnan(array), self.numeric[concept], array)
                self.numeric[concept] = array
                self.home[concept] = column
                self.doubtful |= doubt
            elif concept == "note" and "note" in self.words:
                self.words["note"] = ["; ".join(t for t in pair if t) or None
                                      for pair in zip(self.words["note"], texts, strict=True)]
            else:
                self.words[concept] = values.words(self.told, self.page, column, texts)
                self.home[concept] = column
        if self.left_out:
            names = [name for name, _, _ in self.left_out]
            self.page.say("column-derived", None, None, read=", ".join(names), columns=", ".join(names),
                          count=sum(n for _, n, _ in self.left_out), sample=", ".join(s for _, _, s in self.left_out))
        self._read_days()

    def _read_names(self) -> None:
        filled = [any(self.texts[id(c)][row] is not None for c in self.block.columns if c.concept not in NAMES)
                  for row in range(self.size)]
        for concept in NAMES:
            column = self.block.column(concept)
            fact = self.block.facts.get(concept)
            if column is None:
                self.names[concept] = [fact.text if fact else None] * self.size
                continue
            texts = self.texts[id(column)]
            if concept != "fruit" or not {"males", "set", "scale"} & self.block.concepts:
                texts = values.carried_down(self.page, column, texts, filled)
            self.names[concept] = [t if t is not None else (fact.text if fact else None) for t in texts]
            self.home[concept] = column
        seasons: list[int | None] = []
        memory: dict[str, int | None] = {}
        column = self.block.column("season")
        for row, text in enumerate(self.names["season"]):
            if text is None:
                seasons.append(self.told.calendar.season)
                continue
            if text not in memory:
                memory[text] = values.word(self.told, "season", text)
                if memory[text] is None and column is not None:
                    values.not_read(self.page, column.records[row], column.positions[row], "season")
            seasons.append(memory[text] or self.told.calendar.season)
        self.names["season"] = seasons

    def _leave_out(self, column: Column) -> None:
        places = [(r, p) for r, p in column.places() if not cells.is_nothing(self.page.text(r, p))]
        self.page.spoken(places)
        if places:
            self.left_out.append((column.heading, len(places), self.page.text(*places[0])[:20]))

    def _complain_dates(self, column: Column, texts, days, parsed) -> None:
        for row, text in enumerate(texts):
            if text is not None and days[row] is None and parsed[row] is None:
                values.not_read(self.page, column.records[row], column.positions[row], column.concept)

    def _read_days(self) -> None:
        """The day of each row: its date, or its day number counted from the pollination date."""
        page, seasons = self.page, self.names["season"]
        numbers = self.block.column("day")
        column = self.block.column("date")
        if column is not None:
            texts = self.texts[id(column)]
            self.days, parsed = values.days(self.told, page, column, texts, seasons)
            if all(p is None for p, t in zip(parsed, texts, strict=True) if t) and any(
                    t and values.word(self.told, "day", t) is not None for t in texts) and numbers is None:
                numbers = column  # plain numbers under "date": day numbers
            else:
                for row, (text, found) in enumerate(zip(texts, parsed, strict=True)):
                    if text is not None and found is None:
                        self._refuse(row, "date-not-read", column)
                    elif found is not None and found.number is not None:
                        self.day_numbers[row] = found.number
                    elif found is not None and found.time and "time_of_day" not in self.words:
                        self.words.setdefault("time_from_date", [None] * self.size)[row] = found.time
            self.home["date"] = column
        if numbers is not None:
            texts = self.texts[id(numbers)]
            dated = sum(t is not None and (p := self.told.calendar.parse(t)) is not None and p.number is None
                        for t in texts)
            if numbers is not column and column is None and dated > 0.5 * sum(t is not None for t in texts):
                self.days, parsed = values.days(self.told, page, numbers, texts, seasons)
                self._complain_dates(numbers, texts, self.days, parsed)
            else:
                for row, text in enumerate(texts):
                    if text is not None:
                        self.day_numbers[row] = values.word(self.told, "day", text)
                        if self.day_numbers[row] is None and numbers is column:
                            self._refuse(row, "date-not-read", numbers)
                        elif self.day_numbers[row] is None:
                            values.not_read(page, numbers.records[row], numbers.positions[row], "day")
            self.home.setdefault("date", numbers)
            self.home["day"] = numbers
        if any(n is not None for n in self.day_numbers):
            self._place_day_numbers()
        fact = self.block.facts.get("date")
        if fact and column is None and numbers is None:
            self.days = [self._fact("date")] * self.size  # type: ignore[list-item]

    def _set_dates(self) -> list[dt.date | None]:
        if "set_date" in self.words:
            return self._of_its_fruit(self.words["set_date"])
        fact = self.block.facts.get("set_date")
        day = values.fact_value(self.told, self.page, fact, self.told.calendar.season) if fact else None
        return [day] * self.size

    def _of_its_fruit(self, days: list[dt.date | None]) -> list[dt.date | None]:
        """A pollination date written once, for every line of the same fruit; none where a fruit has two of them."""
        fruits = list(zip(*(self.names[concept] for concept in NAMES), strict=True))
        dates: dict[tuple, set[dt.date]] = {}
        for fruit, day in zip(fruits, days, strict=True):
            if day is not None:
                dates.setdefault(fruit, set()).add(day)
        once = {fruit: next(iter(found)) for fruit, found in dates.items() if len(found) == 1}
        return [day or once.get(fruit) for fruit, day in zip(fruits, days, strict=True)]

    def _place_day_numbers(self) -> None:
        sets, column = self._set_dates(), self.home.get("day", self.home.get("date"))
        waiting = []
        derived: dict[dt.date, int] = {}
        for row, number in enumerate(self.day_numbers):
            if number is None:
                continue
            start = sets[row]
            if self.days[row] is None:
                if start is None:
                    waiting.append(row)
                else:
                    self.days[row] = start + dt.timedelta(days=number)
            elif start is None:
                first: dt.date = self.days[row] - dt.timedelta(days=number)  # type: ignore[operator,assignment]
                derived[first] = derived.get(first, 0) + 1
            elif self.days[row] != start + dt.timedelta(days=number) and column:
                self.page.say("day-disagrees", column.records[row], column.positions[row], number=number,
                              expected=(start + dt.timedelta(days=number)).isoformat(), date=str(self.days[row]))
        if waiting and column:
            places = [(column.records[r], column.positions[r]) for r in waiting]
            self.page.say(
                "day-without-set-date",
                *places[0],
                also=[(self.block.rows[r], p) for r in waiting for p in self.page.full(self.block.rows[r])],
                count=len(waiting),
                number=self.day_numbers[waiting[0]],
            )
            self.spoken_rows |= set(waiting)
        self.derived_set = max(derived, key=lambda d: derived[d]) if derived and max(
            derived.values()) >= 0.8 * sum(derived.values()) and len(set(self.names["fruit"])) == 1 else None

    def _refuse(self, row: int, code: str, column: Column, **facts) -> None:
        if self.lone:
            self.page.give_up(self.block.rows[row])
        self.page.say(code, column.records[row], column.positions[row], **facts)
        self.page.spoken((self.block.rows[row], p) for p in self.page.full(self.block.rows[row]))
        self.spoken_rows.add(row)

    def value(self, concept: str, row: int):
        """A row's value of a concept, None when there is none."""
        if concept in self.numeric:
            value = self.numeric[concept][row]
            return None if np.isnan(value) else float(value)
        if concept in self.words:
            return self.words[concept][row]
        return None

    def place(self, concept: str, row: int) -> tuple[int, int]:
        column = self.home.get(concept)
        return (column.records[row], column.positions[row]) if column else (-1, -1)

    def _grower(self, row: int) -> str | None:
        name = self.names["grower"][row]
        for concept in ("fruit", "plant", "patch"):
            if not name and "/" in str(self.names[concept][row] or ""):
                name = self.names[concept][row].split("/")[0]
        name = name or self.settings.grower or self.default_grower
        return self._without_stroke(name) if name else None

    def _without_stroke(self, name: str) -> str:
        """A name as a part of a key, which cannot hold a stroke."""
        if "/" not in name:
            return name
        kept = name.replace("/", "-")
        if ("stroke", name) not in self.told.asked:
            self.told.asked.add(("stroke", name))
            self.page.say("name-slash", None, None, read=name, before=name, after=kept)
        return kept

    def _key(self, concept: str, row: int, grower: str, season: int | None) -> str | None:
        """The full key of a row's patch, plant or fruit, or None when it names none."""
        label = self.names[concept][row] or getattr(self.settings, concept, None)
        if not label:
            return None
        parts = label.split("/")
        if concept == "patch":
            return label if len(parts) == 2 and parts[0] == grower else f"{grower}/{self._without_stroke(label)}"
        if len(parts) == 3 and len(parts[1]) == 4 and year_of(parts[1]):
            return label
        return None if season is None else f"{grower}/{season}/{self._without_stroke(label)}"

    def _season(self, row: int, day: dt.date | None) -> int | None:
        season = self.names["season"][row]
        parts = str(self.names["fruit"][row] or self.names["plant"][row] or "").split("/")
        if len(parts) == 3 and len(parts[1]) == 4 and (year := year_of(parts[1])):
            return year
        if season is None and day is not None:  # a file of several seasons that names none: each line's own year
            return day.year
        return season

    def _fact(self, concept: str):
        fact = self.block.facts.get(concept)
        if fact is None:
            return None
        self.harvest.used_facts.add(id(fact))
        if concept not in self._facts:
            self._facts[concept] = values.fact_value(self.told, self.page, fact, self.told.calendar.season)
        return self._facts[concept]

    def _gated(self, table: str, name: str, concept: str, row: int):
        """A value inside the plausible range of its column; outside, it is left out and spoken of."""
        value = self.value(concept, row)
        if value is None:
            return None
        spec = DICTIONARY[table][name]
        if isinstance(value, (int, float)) and not isinstance(value, bool) and spec.low is not None and not (
                spec.low <= value <= spec.high):  # type: ignore[operator]
            place = self.place(concept, row)
            if place[0] >= 0 and place[1] >= 0:
                self.refused_values[row] = True
                self.page.unuse(*place)
                home = self.home[concept]
                unit = values.unit_of_text(self.told, self.texts[id(home)][row], home.read_in)
                self.page.say("value-out-of-range", *place, quantity=CONCEPTS[concept].title,
                              **beyond(spec, value, unit))
            return None
        return value

    def _gate_fact(self, table: str, column: str, concept: str):
        value = self._fact(concept)
        spec = DICTIONARY[table][column]
        if isinstance(value, (int, float)) and not isinstance(value, bool) and spec.low is not None and not (
                spec.low <= value <= spec.high):  # type: ignore[operator]
            fact = self.block.facts[concept]
            self.page.unuse(fact.record, fact.position)
            if (id(fact), "range") not in self.told.asked:
                self.told.asked.add((id(fact), "range"))
                self.page.say("value-out-of-range", fact.record, fact.position, read=fact.text,
                              quantity=CONCEPTS[concept].title,
                              **beyond(spec, value, values.unit_of_text(self.told, fact.text, fact.unit)))
            return None
        return value
