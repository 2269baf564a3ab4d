"""Emit: from a block's values to rows of the club's tables, every row under its grower, patch, plant and fruit."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field, replace

import numpy as np

from patchstats.intake import cells, values
from patchstats.intake.blocks import Block, Column, Fact
from patchstats.intake.concepts import CONCEPTS, MEASURES, NAMES, OWN, TAPE, TARGETS
from patchstats.intake.dates import year_of
from patchstats.intake.page import OPEN, SPOKEN, Page
from patchstats.intake.settings import Settings
from patchstats.intake.values import Told
from patchstats.tables import DICTIONARY

_DAILY = ("readings", "sizes", "soil", "weather")
# Facts that belong to the fruit, the plant, the patch.
_FRUIT_FACTS = TARGETS["fruits"]
_IGNORED = ("derived", "rank", "table_year")


@dataclass
class Cell:
    """Where a value was read: a page, a record and a position on it (position -1: not written there)."""

    page: Page
    record: int
    position: int


@dataclass
class Row:
    """One row of a stored table: its values, and where each was read."""

    values: dict[str, object]
    page: Page
    record: int
    cells: dict[str, tuple[int, int]] = field(default_factory=dict)


@dataclass
class Harvest:
    """The rows of a whole file by table, and what was asked of its names."""

    rows: dict[str, list[Row]] = field(default_factory=dict)
    named: dict[str, dict[object, Row]] = field(default_factory=dict)  # identity tables: key -> row
    unnamed: dict[str, list[tuple[Page, int]]] = field(default_factory=dict)
    fruit_unnamed: str = ""
    used_facts: set[int] = field(default_factory=set)
    gave: set[tuple[int, int]] = field(default_factory=set)  # (page, record) that some row came from
    idle: list[tuple[Page, int, str, list[tuple[int, int]]]] = field(default_factory=list)

    def add(self, table: str, row: Row) -> None:
        self.rows.setdefault(table, []).append(row)

    def speak_of_idle(self) -> None:
        """Lines from which no row came, once all blocks that share them are read."""
        seen = set()
        for page, record, code, places in self.idle:
            if (id(page), record) in self.gave:  # another fruit's or another day's part of the line was kept
                for place in places:
                    if min(place) >= 0 and page.fate[place] == OPEN:
                        page.say(code, *place)
            elif (page.fate[record] == SPOKEN).any():  # what stopped the line was spoken of, and with it the line
                page.give_up(record)
                page.spoken((record, p) for p in page.full(record))
            elif (id(page), record) not in seen:
                seen.add((id(page), record))
                page.give_up(record)
                page.say(code, record)

    def know(self, table: str, key: str, page: Page, record: int, told: dict[str, object],
             where: dict[str, tuple[int, int]] | None = None) -> None:
        """A row of an identity table; the first word on each of its columns stands, a second one is asked about."""
        known = self.named.setdefault(table, {}).get(key)
        if known is None:
            known = self.named[table][key] = Row({DICTIONARY[table].key[0]: key}, page, record)
        for column, value in told.items():
            if value is None or value is np.nan:
                continue
            before = known.values.get(column)
            place = (where or {}).get(column)
            if before is None:
                known.values[column] = value
            elif before != value and place and place[1] >= 0 and not _close(before, value):
                page.unuse(*place)
                page.say("fact-disagrees", *place, what=f"{column} of {key}", first=_shown(before))


def _close(a: object, b: object) -> bool:
    return isinstance(a, float) and isinstance(b, float) and abs(a - b) <= 1e-6 * max(abs(a), 1.0)


def _plain(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 100 else f"{value:.3g}"


def _shown(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def kinds_of(block: Block) -> tuple[str, ...]:
    """The tables that a block's rows go to, by what its columns hold; several for a log of everything."""
    has = block.concepts | ({"circumference"} if "three" in block.concepts else set())
    dated = bool(has & {"date", "day"})
    measured = bool(has & set(MEASURES))
    if "scale" in has and not has & {"circumference", "side_to_side", "stem_to_blossom", "three"}:
        return ("weighings",)
    if has & {"males", "covered_hours", "set"} and (dated or "set_date" in has):
        return ("flowers",)
    if _is_seed_list(has):
        return ("seeds",)
    if dated:
        found = [t for t in _DAILY if has & set(OWN[t])]
        if "scale" in has:
            found.append("weighings")
        return tuple(found)
    return ()


def _is_seed_list(has: set[str]) -> bool:
    return "seed" in has and bool(has & {"seed_parent", "pollen_parent", "stock"}) and not has & {
        "date", "day", "fruit", "plant", "set_date", *MEASURES}


def settle_meanings(block: Block) -> None:
    """Words with two meanings, settled by what stands beside and below them.

    ``Set`` above yes and no says whether the fruit set; above dates, when. Outside a list of seeds, the parents of
    a cross are the seed planted and the pollen used.
    """
    for column in block.columns:
        if column.concept == "set_date":
            told = [t for t in map(cells.clean, column.texts) if not cells.is_nothing(t)]
            if told and sum(cells.read_yes(t) is not None for t in told) > 0.6 * len(told):
                column.concept = "set"
    if _is_seed_list(block.concepts):
        return
    for told, meant in (("pollen_parent", "pollen"), ("seed_parent", "seed")):
        if told in block.facts and meant not in block.facts:
            block.facts[meant] = replace(block.facts.pop(told), concept=meant)
        for column in block.columns:
            if column.concept == told and meant not in block.concepts:
                column.concept = meant


class BlockReader:
    """Reads one block: its names, its days, its values; then gives out its rows."""

    def __init__(self, page: Page, block: Block, told: Told, settings: Settings, harvest: Harvest, grower: str | None):
        settle_meanings(block)
        self.page, self.block, self.told, self.settings, self.harvest = page, block, told, settings, harvest
        self.size = len(block.rows)
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
        self.left_out: list[tuple[str, int, str]] = []  # columns that can be computed: heading, cells, a sample

    # --- reading ------------------------------------------------------------------------------------------------
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
                        if self.day_numbers[row] is None and numbers is not column:
                            values.not_read(page, numbers.records[row], numbers.positions[row], "day")
            self.home.setdefault("date", numbers)
            self.home["day"] = numbers
        if any(n is not None for n in self.day_numbers):
            self._place_day_numbers()
        fact = self.block.facts.get("date")
        if fact and column is None and numbers is None:
            day = values.fact_value(self.told, page, fact, self.told.calendar.season)
            self.days = [day] * self.size

    def _set_dates(self) -> list[dt.date | None]:
        if "set_date" in self.words:
            return self.words["set_date"]
        fact = self.block.facts.get("set_date")
        day = values.fact_value(self.told, self.page, fact, self.told.calendar.season) if fact else None
        return [day] * self.size

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
                first = self.days[row] - dt.timedelta(days=number)  # type: ignore[operator]
                derived[first] = derived.get(first, 0) + 1
            elif self.days[row] != start + dt.timedelta(days=number) and column:
                self.page.say("day-disagrees", column.records[row], column.positions[row],
                              expected=(start + dt.timedelta(days=number)).isoformat(), date=str(self.days[row]))
        if waiting and column:
            places = [(column.records[r], column.positions[r]) for r in waiting]
            self.page.say("day-without-set-date", *places[0], also=[
                (self.block.rows[r], p) for r in waiting for p in self.page.full(self.block.rows[r])], count=len(waiting))
            self.spoken_rows |= set(waiting)
        self.derived_set = max(derived, key=lambda d: derived[d]) if derived and max(
            derived.values()) >= 0.8 * sum(derived.values()) and len(set(self.names["fruit"])) == 1 else None

    derived_set: dt.date | None = None

    # --- giving out -----------------------------------------------------------------------------------------------
    def give(self) -> None:
        tables = kinds_of(self.block)
        for row in range(self.size):
            self._give_row(row, tables)
        if self.block.facts and not any((id(self.page), record) in self.harvest.gave for record in self.block.rows):
            self._give_facts_only()  # no row could be kept, or there is none: the fruit or plant is known all the same

    def _give_row(self, row: int, tables: tuple[str, ...]) -> None:
        page, record = self.page, self.block.rows[row]
        grower = self._grower(row)
        gave = False
        if "seeds" in tables:
            gave = self._give_seed(row)
        elif grower is None:
            self.harvest.unnamed.setdefault("grower", []).append((page, record))
            return
        elif tables:
            day = self.days[row] or (self.words["set_date"][row] if tables == ("flowers",) and "set_date" in self.words
                                     else None)
            wanted = [t for t in tables if self._holds(t, row)]
            if wanted and day is None:
                if row not in self.spoken_rows and not self._said_of_date(row):
                    page.give_up(record)
                    page.say("line-without-date", record)
                return
            if day is not None and self._outside_season(row, day):
                return
            for table in wanted:
                gave |= self._give_to(table, row, grower, day)
        gave |= grower is not None and "seeds" not in tables and self._identify(row, grower, tables, gave)
        if gave:
            self._use_names(row)
        elif row not in self.spoken_rows:
            if self.refused_values.get(row):  # its values were spoken of, and with them the line
                self.page.spoken((record, p) for p in self.page.full(record))
                return
            code = "line-without-reading" if self._only_words(row) else "line-not-understood"
            places = [(c.records[row], c.positions[row]) for c in self.block.columns if c.records[row] >= 0]
            self.harvest.idle.append((page, record, code, places))
        if gave:
            self.harvest.gave.add((id(page), record))
        self._complain_words(row, gave)

    def _outside_season(self, row: int, day: dt.date) -> bool:
        """Whether a day is in another year than its season, which can only be a slip; the line is spoken of then."""
        season = self._season(row, day)
        if season is None or day.year == season or day.year == season - 1 and day.month >= 9:
            return False
        column = self.home.get("date") or self.home.get("set_date")
        if column is not None:
            self._refuse(row, "date-outside-season", column, season=season)
        return column is not None

    def _said_of_date(self, row: int) -> bool:
        column = self.home.get("date")
        if column is None or not column.texts[row].strip():
            return False
        record, position = column.records[row], column.positions[row]
        self.page.spoken((self.block.rows[row], p) for p in self.page.full(self.block.rows[row]))
        return record >= 0 and position >= 0

    def _refuse(self, row: int, code: str, column: Column, **facts) -> None:
        if self.block.rows.count(self.block.rows[row]) == 1:
            self.page.give_up(self.block.rows[row])
        self.page.say(code, column.records[row], column.positions[row], **facts)
        self.page.spoken((self.block.rows[row], p) for p in self.page.full(self.block.rows[row]))
        self.spoken_rows.add(row)

    def _holds(self, table: str, row: int) -> bool:
        return any(self.value(concept, row) is not None for concept in OWN[table] if concept in self.block.concepts
                   or concept in self.numeric)

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

    def _give_to(self, table: str, row: int, grower: str, day: dt.date) -> bool:
        page, record = self.page, self.block.rows[row]
        season = self._season(row, day)
        out: dict[str, object] = {}
        where: dict[str, tuple[int, int]] = {}
        if table in ("soil", "weather"):
            key = self._key("patch", row, grower, season) or f"{grower}/home"
            self.harvest.know("growers", grower, page, record, {})
            self.harvest.know("patches", key, page, record, {"grower": key.split("/")[0]})
            out["patch"] = key
        elif table in ("sizes", "flowers"):
            plant = self._key("plant", row, grower, season)
            fruit = self._key("fruit", row, grower, season)
            plant = plant or fruit or self._unnamed(row, grower, season)
            self._know_plant(row, grower, season, plant)
            out["plant"] = plant
            if table == "flowers" and fruit:
                out["fruit"] = fruit
        else:
            fruit = self._key("fruit", row, grower, season) or self._unnamed(row, grower, season)
            out["fruit"] = fruit
        if season is None:
            self.harvest.unnamed.setdefault("season", []).append((page, record))
            return False
        out["date"] = day
        for concept, name in TARGETS[table].items():
            value = self._gated(table, name, concept, row)
            if value is not None:
                out[name] = value
                where[name] = self.place(concept, row)
                page.use(*where[name])
        if table == "readings":
            out["doubtful"] = bool(self.doubtful[row])
        self._fill(table, out, row)
        if not any(out.get(name) is not None for name in (TARGETS[table][c] for c in OWN[table])):
            return False
        self.harvest.add(table, Row(out, page, record, where))
        return True

    def _fill(self, table: str, out: dict[str, object], row: int) -> None:
        """What a line leaves out and a fact, or the other cells of the line, say."""
        facts = self.block.facts
        if table in ("soil", "readings") and "time_of_day" not in out and "time_from_date" in self.words:
            out["time_of_day"] = self.words["time_from_date"][row]
        if table == "soil":
            column = self.home.get("soil")
            if column is not None and column.time_of_day and not out.get("time_of_day"):
                out["time_of_day"] = column.time_of_day
            if "depth_cm" not in out:
                if column is not None and column.depth:
                    number = cells.read_number(column.depth, ".")
                    if isinstance(number, cells.Number) and number.unit:
                        out["depth_cm"] = cells.in_metric(number.value, number.unit)
                elif "depth" in facts:
                    out["depth_cm"] = self._fact("depth")
        if table == "weighings":
            for concept, name in (("site", "site"), ("status", "status")):
                if name not in out and concept in facts:
                    out[name] = self._fact(concept)
        if table == "readings" and "over_the_top_cm" not in out and "total_blanked" not in out:
            three = [out.get(f"{c}_cm") for c in TAPE[:3]]
            if all(v is not None for v in three):
                out["over_the_top_cm"] = float(sum(three))  # type: ignore[arg-type]

    def _fact(self, concept: str):
        fact = self.block.facts.get(concept)
        if fact is None:
            return None
        self.harvest.used_facts.add(id(fact))
        if not hasattr(self, "_facts"):
            self._facts: dict[str, object] = {}
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
                self.page.say("value-out-of-range", *place, value=_plain(value), unit=spec.unit or "",
                              quantity=CONCEPTS[concept].title, low=f"{spec.low:g}", high=f"{spec.high:g}")
            return None
        return value

    def _unnamed(self, row: int, grower: str, season: int | None) -> str:
        label = self._without_stroke(self.names["plant"][row] or "1")
        key = f"{grower}/{season}/{label}"
        self.harvest.fruit_unnamed = self.harvest.fruit_unnamed or key
        return key

    def _know_plant(self, row: int, grower: str, season: int | None, plant: str, extra: dict | None = None) -> None:
        page, record = self.page, self.block.rows[row] if self.block.rows else 0
        patch = self._key("patch", row, grower, season) if self.size else None
        self.harvest.know("growers", grower, page, record, {})
        if patch:
            self.harvest.know("patches", patch, page, record, {"grower": patch.split("/")[0]})
        self.harvest.know("plants", plant, page, record,
                          {"grower": plant.split("/")[0], "season": season, "patch": patch, **(extra or {})})

    def _identify(self, row: int, grower: str, tables: tuple[str, ...], gave: bool) -> bool:
        """Rows of the identity tables that a line, and the facts above it, speak of."""
        page, record = self.page, self.block.rows[row]
        if tables and not gave:
            return False
        self.harvest.know("growers", grower, page, record, {})
        day = self.days[row]
        season = self._season(row, day or self.value("set_date", row) or self.value("sown_date", row)
                              or self.value("planted_date", row))
        about: dict[str, dict[str, object]] = {"patches": {}, "plants": {}, "fruits": {}, "growers": {}}
        where: dict[str, dict[str, tuple[int, int]]] = {name: {} for name in about}
        only_names = not (set(tables) & {"readings", "weighings"})
        for name in about:
            for concept, column in TARGETS[name].items():
                if tables and concept in ("note", "main_vine", "secondaries", "lobes") and concept in self.block.concepts:
                    continue
                value = self._gated(name, column, concept, row)
                if value is not None:
                    about[name][column], where[name][column] = value, self.place(concept, row)
        self._cross(row, about["fruits"], where["fruits"])
        patch = self._key("patch", row, grower, season)
        plant, fruit = self._key("plant", row, grower, season), self._key("fruit", row, grower, season)
        gave_any = False
        fruity = bool(set(about["fruits"]) - {"note", "seed", "main_vine_cm"}) or not only_names
        if not tables and "secondaries" in self.block.concepts and fruity:
            about["fruits"]["secondaries_at_set"] = self._gated("fruits", "secondaries_at_set", "secondaries", row)
            where["fruits"]["secondaries_at_set"] = self.place("secondaries", row)
        if set(tables) & {"flowers", "sizes", "soil", "weather"} and only_names:
            fruit, fruity = (fruit if "sizes" in tables and fruit and not plant else None), False
        if fruity and fruit is None and season is not None:
            fruit = self._unnamed(row, grower, season)
        if season is None and (plant or fruit or fruity or self.names["plant"][row] or self.names["fruit"][row]):
            self.harvest.unnamed.setdefault("season", []).append((page, record))
            return False
        if fruit and (fruity or not tables):
            self._know_fruit(row, grower, season, fruit, plant, patch, about, where)
            gave_any = True
        elif plant or fruit:
            self._know_plant(row, grower, season, plant or fruit, about["plants"])  # type: ignore[arg-type]
            self._used(where["plants"])
            gave_any = True
        if patch:
            told = {k: v for k, v in about["patches"].items() if k != "note" or not (plant or fruit)}
            self.harvest.know("patches", patch, page, record, {"grower": patch.split("/")[0], **told}, where["patches"])
            self._used({k: v for k, v in where["patches"].items() if k in told})
            gave_any = True
        if not (patch or plant or fruit):
            self.harvest.know("growers", grower, page, record, about["growers"], where["growers"])
            self._used(where["growers"])
            if set(about["patches"]) - {"note"}:
                self.harvest.know("patches", f"{grower}/home", page, record,
                                  {"grower": grower, **about["patches"]}, where["patches"])
                self._used(where["patches"])
            gave_any = True
        return gave_any

    def _know_fruit(self, row, grower, season, fruit, plant, patch, about, where) -> None:
        page, record = self.page, self.block.rows[row] if self.block.rows else 0
        told = dict(about["fruits"])
        for concept, column in _FRUIT_FACTS.items():
            if column not in told and concept in self.block.facts and concept != "note":
                told[column] = self._gate_fact("fruits", column, concept)
        if "secondaries_at_set" not in told and "secondaries" in self.block.facts:
            told["secondaries_at_set"] = self._gate_fact("fruits", "secondaries_at_set", "secondaries")
        if "cross" in self.block.facts or "cross" in self.block.concepts:
            self._cross(row, told, where["fruits"])
        if "note" in self.block.facts:
            told["note"] = self._fact("note")
        if self.derived_set and not told.get("set_date"):
            told["set_date"] = self.derived_set
            if fruit not in self.harvest.named.get("fruits", {}):
                self.page.say("set-date-from-days", None, None, before="", after=self.derived_set.isoformat(), fruit=fruit)
        seed = told.get("seed")
        self.harvest.know("growers", grower, page, record, {})
        plant_told = {k: v for k, v in about["plants"].items() if k != "note"}
        for concept in ("sown_date", "planted_date"):
            if concept in self.block.facts and concept not in plant_told:
                plant_told[concept] = self._gate_fact("plants", concept, concept)
        for concept in ("area", "latitude", "soil_heated"):
            if concept in self.block.facts:
                self.harvest.know("patches", patch or f"{grower}/home", page, record, {
                    "grower": grower, TARGETS["patches"][concept]: self._gate_fact(
                        "patches", TARGETS["patches"][concept], concept)})
        if plant or any(v is not None for k, v in plant_told.items() if k != "seed"):
            self._know_plant(row, grower, season, plant or fruit, {"seed": seed, **plant_told})
        self.harvest.know("fruits", fruit, page, record, {
            "plant": plant, "patch": patch, "grower": fruit.split("/")[0], "season": int(fruit.split("/")[1]), **told},
            where["fruits"])
        self._used(where["fruits"])
        self._used({k: v for k, v in where["plants"].items() if k != "note"})

    def _used(self, where: dict[str, tuple[int, int]]) -> None:
        for record, position in where.values():
            if record >= 0 and position >= 0:
                self.page.use(record, position)

    def _gate_fact(self, table: str, column: str, concept: str):
        value = self._fact(concept)
        spec = DICTIONARY[table][column]
        if isinstance(value, (int, float)) and not isinstance(value, bool) and spec.low is not None and not (
                spec.low <= value <= spec.high):  # type: ignore[operator]
            fact = self.block.facts[concept]
            self.page.unuse(fact.record, fact.position)
            if (id(fact), "range") not in self.told.asked:
                self.told.asked.add((id(fact), "range"))
                self.page.say("value-out-of-range", fact.record, fact.position, read=fact.text, value=_plain(value),
                              unit=spec.unit or "", quantity=CONCEPTS[concept].title, low=f"{spec.low:g}",
                              high=f"{spec.high:g}")
            return None
        return value

    def _cross(self, row: int, told: dict[str, object], where: dict[str, tuple[int, int]]) -> None:
        """A cross written ``seed parent x pollen parent``: the second half is the pollen parent."""
        text = self.value("cross", row) if "cross" in self.words else None
        place = self.place("cross", row)
        if text is None and "cross" in self.block.facts:
            text, place = self._fact("cross"), (-1, -1)
        if not text:
            return
        seed, _, pollen = str(text).partition(" x ") if " x " in str(text) else str(text).partition(" X ")
        told.setdefault("pollen", pollen.strip() or seed.strip())
        if pollen:
            told.setdefault("seed", seed.strip())
        where["pollen"] = place

    def _give_seed(self, row: int) -> bool:
        page, record = self.page, self.block.rows[row]
        name = self.value("seed", row)
        if name is None:
            page.say("line-without-name", record, what="seed")
            self.spoken_rows.add(row)
            return False
        told, where = {}, {"seed": self.place("seed", row)}
        for concept, column in TARGETS["seeds"].items():
            value = self._gated("seeds", column, concept, row)
            if value is not None:
                told[column], where[column] = value, self.place(concept, row)
        self._used(where)
        self.harvest.know("seeds", name, page, record, told, where)
        return True

    def _use_names(self, row: int) -> None:
        for concept in (*NAMES, "date", "day", "weekday"):
            if concept in self.home:
                record, position = self.place(concept, row)
                if record >= 0 and position >= 0:
                    self.page.use(record, position)
        if "time_of_day" in self.words and self.value("time_of_day", row) is not None and not isinstance(
                self.words.get("time_of_day"), type(None)):
            pass

    def _only_words(self, row: int) -> bool:
        """Whether a line holds a day and words where its readings would be: nothing was measured."""
        return self.days[row] is not None or self.day_numbers[row] is not None or "note" in self.words and bool(
            self.words["note"][row])

    def _complain_words(self, row: int, gave: bool) -> None:
        """Cells of a kept line that could not be read as their column asks."""
        if not gave:
            return
        for column in self.block.columns:
            text = self.texts[id(column)][row]
            record, position = column.records[row], column.positions[row]
            if text is None or record < 0 or position < 0 or self.page.fate[record, position] != OPEN:
                continue
            if column.concept == "note":
                self.page.say("comment-line", record, position)
            else:
                values.not_read(self.page, record, position, column.concept)

    def give_labelled(self) -> None:
        """Facts of a fruit that the log names but never tapes: ``Fruit C pollinated, 4 Jul``."""
        for fact in self.block.facts.values():
            season, column = self.told.calendar.season, TARGETS["fruits"].get(fact.concept)
            grower = self.names["grower"][0] if self.size else None
            if not fact.label or id(fact) in self.harvest.used_facts or not (grower and season and column):
                continue
            key = f"{grower}/{season}/{fact.label}"
            if not any(key in rows for rows in (self.harvest.named.get("fruits", {}),)):
                self.harvest.used_facts.add(id(fact))
                value = values.fact_value(self.told, self.page, fact, season)
                self.harvest.know("fruits", key, self.page, fact.record, {
                    "grower": grower, "season": season, column: value})

    def _give_facts_only(self) -> None:
        """A page of facts alone: a plant's or a fruit's card."""
        self.size = 1
        self.block.rows = [next(iter(self.block.facts.values())).record]
        self.block.columns, self.numeric, self.words, self.home = [], {}, {}, {}
        for concept in NAMES:
            fact = self.block.facts.get(concept)
            self.names[concept] = [fact.text if fact else None]
        self.names["season"] = [self.told.calendar.season]
        self.days, self.day_numbers = [None], [None]
        self.doubtful = np.zeros(1, dtype=bool)
        grower = self._grower(0)
        if grower is None:
            self.harvest.unnamed.setdefault("grower", []).append((self.page, self.block.rows[0]))
            return
        fruity = set(self.block.facts) & {"fruit", "set_date", "pollen", "cross", "lobes", "end_date", "end_reason",
                                          "secondaries", "secondaries_at_set"}
        season = self._season(0, self._fact("set_date") or self._fact("sown_date"))  # type: ignore[arg-type]
        self.harvest.know("growers", grower, self.page, self.block.rows[0], {})
        if season is None and (fruity or "plant" in self.block.facts):
            self.harvest.unnamed.setdefault("season", []).append((self.page, self.block.rows[0]))
            return
        empty = {name: {} for name in ("patches", "plants", "fruits", "growers")}
        where = {name: {} for name in empty}
        plant, patch = self._key("plant", 0, grower, season), self._key("patch", 0, grower, season)
        if fruity:
            fruit = self._key("fruit", 0, grower, season) or self._unnamed(0, grower, season)
            self._know_fruit(0, grower, season, fruit, plant, patch, empty, where)
        elif plant:
            told = {TARGETS["plants"][c]: self._gate_fact("plants", TARGETS["plants"][c], c)
                    for c in ("seed", "sown_date", "planted_date") if c in self.block.facts}
            self._know_plant(0, grower, season, plant, told)
        if patch or set(self.block.facts) & {"area", "latitude", "soil_heated"}:
            told = {TARGETS["patches"][c]: self._gate_fact("patches", TARGETS["patches"][c], c)
                    for c in ("area", "latitude", "soil_heated") if c in self.block.facts}
            self.harvest.know("patches", patch or f"{grower}/home", self.page, self.block.rows[0],
                              {"grower": grower, **told})


def give_fact_uses(block: Block, page: Page, used: set[int]) -> list[Fact]:
    """Facts of a block that no table took up: they are spoken of by the caller."""
    return [fact for concept, fact in block.facts.items()
            if id(fact) not in used and concept not in (*NAMES, "units") and fact.position >= 0]
