"""Emit: from a block's values to rows of the club's tables, every row under its grower, patch, plant and fruit."""

from __future__ import annotations

import datetime as dt

from patchstats.intake import cells, values
from patchstats.intake.blocks import Column
from patchstats.intake.concepts import NAMES, OWN, TAPE, TARGETS
from patchstats.intake.harvest import Row, beyond
from patchstats.intake.identity import Identities
from patchstats.intake.meaning import kinds_of
from patchstats.intake.page import OPEN
from patchstats.tables import DICTIONARY

_LARGEST_TOTAL_CM = DICTIONARY["readings"]["over_the_top_cm"].high


class Emitter(Identities):
    """Gives out a block's rows; what cannot be given is spoken of."""

    def give(self) -> None:
        tables = kinds_of(self.block)
        for row in range(self.size):
            self._give_row(row, tables)
        written = not self.size or any(fact.position >= 0 for fact in self.block.facts.values())
        if self.block.facts and written and not any(
                (id(self.page), record) in self.harvest.gave for record in self.block.rows):
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
            if day is not None:
                if self._outside_season(row, day):
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
        if column is None or self.block.column(column.concept) is None or self.texts[id(column)][row] is None:
            return False
        record, position = column.records[row], column.positions[row]
        self.page.spoken((self.block.rows[row], p) for p in self.page.full(self.block.rows[row]))
        return record >= 0 and position >= 0

    def _holds(self, table: str, row: int) -> bool:
        return any(self.value(concept, row) is not None for concept in OWN[table] if concept in self.block.concepts
                   or concept in self.numeric)

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
            out["doubtful"] = bool(self.doubtful[row]) or bool(out.get("doubtful"))
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
                    out["depth_cm"] = self._depth_in_heading(column)
                elif "depth" in facts:
                    out["depth_cm"] = self._gate_fact("soil", "depth_cm", "depth")
        if table == "weighings":
            for concept, name in (("site", "site"), ("status", "status")):
                if name not in out and concept in facts:
                    out[name] = self._fact(concept)
        if table == "readings" and "over_the_top_cm" not in out and "total_blanked" not in out:
            three = [out.get(f"{c}_cm") for c in TAPE[:3]]
            if all(v is not None for v in three) and sum(three) <= _LARGEST_TOTAL_CM:  # type: ignore
                out["over_the_top_cm"] = float(sum(three))  # type: ignore[arg-type]

    def _depth_in_heading(self, column: Column) -> float | None:
        """The probe's depth that a heading names; one that no probe has is spoken of, once."""
        number, spec = cells.read_number(column.depth, "."), DICTIONARY["soil"]["depth_cm"]
        depth = cells.in_metric(number.value, number.unit) if isinstance(number, cells.Number) and number.unit else None
        if depth is None or spec.low <= depth <= spec.high:  # type: ignore[operator]
            return depth
        if ("depth", column.heading) not in self.told.asked:
            self.told.asked.add(("depth", column.heading))
            self.page.say("value-out-of-range", None, None, column=column.heading, read=column.depth,
                          quantity="depth of the probe", **beyond(spec, depth))
        return None

    def _use_names(self, row: int) -> None:
        for concept in (*NAMES, "date", "day", "weekday"):
            if concept in self.home:
                record, position = self.place(concept, row)
                if record >= 0 and position >= 0:
                    self.page.use(record, position)

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
