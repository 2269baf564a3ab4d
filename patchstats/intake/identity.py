"""Identity: what a block says of growers, patches, plants, fruits and seeds."""

from __future__ import annotations

import numpy as np

from patchstats.intake import values
from patchstats.intake.blockread import BlockReader
from patchstats.intake.blocks import Block, Fact
from patchstats.intake.concepts import NAMES, TARGETS
from patchstats.intake.harvest import Row
from patchstats.intake.meaning import kinds_of
from patchstats.intake.page import Page


class Identities(BlockReader):
    """A block's rows and facts as rows of the tables that name things."""

    def _unnamed(self, row: int, grower: str, season: int | None) -> str:
        """The key of a fruit that nothing names: the grower's 1, and where a list weighs several on one day, 2, 3."""
        label = self._without_stroke(self.names["plant"][row] or "1")
        if kinds_of(self.block) == ("weighings",) and self.value("scale", row) is not None and label == "1":
            weighed = self.harvest.weighed.setdefault((grower, self.days[row]), [])
            place = (id(self.page), self.block.rows[row])
            if place not in weighed:
                weighed.append(place)
            label = str(weighed.index(place) + 1)
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
                if (
                    tables
                    and concept in ("note", "main_vine", "secondaries", "lobes")
                    and concept in self.block.concepts
                ):
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
        for concept, column in TARGETS["fruits"].items():
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
                self.page.say(
                    "set-date-from-days", None, None, before="", after=self.derived_set.isoformat(), fruit=fruit
                )
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
        self._give_weighing_facts(page, record, fruit)
        self.harvest.know("fruits", fruit, page, record, {
            "plant": plant, "patch": patch, "grower": fruit.split("/")[0], "season": int(fruit.split("/")[1]), **told},
            where["fruits"])
        self._used(where["fruits"])
        self._used({k: v for k, v in where["plants"].items() if k != "note"})

    def _give_weighing_facts(self, page: Page, record: int, fruit: str) -> None:
        """A scale weight on top of or below a fruit's log, with the day of the weigh-off or of the end."""
        own = {"date", "day"} & self.block.concepts or not self.block.columns  # the fact is not the rows' day
        day = self._fact("date") if "date" in self.block.facts and own else None
        day = day or self._fact("end_date")
        if "scale" not in self.block.facts or day is None or any(
                row.values["fruit"] == fruit for row in self.harvest.rows.get("weighings", [])):
            return
        weight = self._gate_fact("weighings", "scale_kg", "scale")
        if weight is not None:
            told = {"site": self._fact("site"), "status": self._fact("status")}
            self.harvest.add("weighings", Row({"fruit": fruit, "date": day, "scale_kg": weight, **told}, page, record))

    def _used(self, where: dict[str, tuple[int, int]]) -> None:
        for record, position in where.values():
            if record >= 0 and position >= 0:
                self.page.use(record, position)

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
        if {"date", "end_date"} & set(self.block.facts):
            fruity |= set(self.block.facts) & {"scale"}
        season = self._season(0, self._fact("set_date") or self._fact("sown_date"))  # type: ignore[arg-type]
        self.harvest.know("growers", grower, self.page, self.block.rows[0], {})
        if season is None and (fruity or "plant" in self.block.facts):
            self.harvest.unnamed.setdefault("season", []).append((self.page, self.block.rows[0]))
            return
        tables = ("patches", "plants", "fruits", "growers")
        empty: dict[str, dict[str, object]] = {name: {} for name in tables}
        where: dict[str, dict[str, tuple[int, int]]] = {name: {} for name in tables}
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
