"""Concepts: what a column or a fact of a log can mean, how its cells are read, and where it goes in the tables."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Concept:
    """``kind`` says how a cell is read; ``title`` is what remarks call it; ``example`` shows how to write it."""

    kind: str
    title: str
    example: str = ""


# kinds: date, weekday, day, time, length (of a fruit), vine, mass, temperature, area, rain, depth, count, hours,
# evenness, angle, text, name, yes_no, choice, three, ignored
CONCEPTS: dict[str, Concept] = {
    "date": Concept("date", "date", "2024-07-12"),
    "weekday": Concept("weekday", "weekday"),
    "day": Concept("day", "days after pollination", "14"),
    "time_of_day": Concept("time", "time of day", "07:30 or morning"),
    "circumference": Concept("length", "circumference", "120.5"),
    "side_to_side": Concept("length", "side to side", "77.5"),
    "stem_to_blossom": Concept("length", "stem to blossom", "76"),
    "over_the_top": Concept("length", "over-the-top total", "273.5"),
    "three": Concept("three", "three measures", "120-77-76"),
    "written": Concept("mass", "weight by chart", "470 lb"),
    "scale": Concept("mass", "scale weight", "1204.5 lb"),
    "grower": Concept("name", "grower"),
    "season": Concept("season", "season", "2024"),
    "patch": Concept("name", "patch"),
    "plant": Concept("name", "plant"),
    "fruit": Concept("name", "fruit"),
    "kind": Concept("choice", "kind of fruit", "pumpkin"),
    "seed": Concept("text", "seed"),
    "cross": Concept("text", "cross"),
    "pollen": Concept("text", "pollen parent"),
    "seed_parent": Concept("text", "seed parent"),
    "pollen_parent": Concept("text", "pollen parent"),
    "stock": Concept("count", "seeds in the box", "12"),
    "set_date": Concept("date", "pollination date", "2024-07-04"),
    "sown_date": Concept("date", "day sown", "2024-04-28"),
    "planted_date": Concept("date", "day planted out", "2024-05-18"),
    "secondaries": Concept("count", "secondary vines", "18"),
    "secondaries_at_set": Concept("count", "secondary vines at set", "18"),
    "main_vine": Concept("vine", "main vine", "12 ft"),
    "covered": Concept("area", "ground covered", "450 sq ft"),
    "distance_out": Concept("vine", "distance out", "11 ft"),
    "lobes": Concept("count", "stigma lobes", "4"),
    "lobe_evenness": Concept("evenness", "evenness of the lobes", "0.8"),
    "fruit_evenness": Concept("evenness", "evenness of the fruit", "0.8"),
    "end_date": Concept("date", "day it left the vine", "2024-10-01"),
    "end_reason": Concept("choice", "why it ended", "stem split"),
    "soil": Concept("temperature", "soil temperature", "71 F"),
    "temperature": Concept("temperature", "temperature", "71 F"),
    "depth": Concept("depth", "depth of the probe", "4 in"),
    "air_max": Concept("temperature", "highest temperature", "86 F"),
    "air_min": Concept("temperature", "lowest temperature", "58 F"),
    "rain": Concept("rain", "rain", "12 mm"),
    "water": Concept("rain", "water given", "10 mm"),
    "cover": Concept("choice", "cover", "bag"),
    "males": Concept("count", "male flowers", "3"),
    "covered_hours": Concept("hours", "hours covered", "24"),
    "set": Concept("yes_no", "whether it set", "yes"),
    "flowers": Concept("ignored", "number of the flower"),
    "status": Concept("choice", "status", "official"),
    "site": Concept("text", "weigh-off"),
    "latitude": Concept("angle", "latitude", "45.2"),
    "area": Concept("area", "area of the patch", "900 sq ft"),
    "soil_heated": Concept("yes_no", "soil heated", "yes"),
    "doubtful": Concept("yes_no", "whether the reading is doubtful", "yes"),
    "note": Concept("text", "note"),
    "units": Concept("units", "units", "inches"),
    "table_year": Concept("ignored", "chart used"),
    "derived": Concept("ignored", "what can be computed"),
    "rank": Concept("ignored", "place or number"),
}

MEASURES = ("circumference", "side_to_side", "stem_to_blossom", "over_the_top", "three", "written")
TAPE = ("circumference", "side_to_side", "stem_to_blossom", "over_the_top")
NAMES = ("grower", "season", "patch", "plant", "fruit")
# Facts that may stand in a block above a table. A date or a single reading there belongs to the table's own columns.
FACTS = (
    *NAMES,
    "kind",
    "seed",
    "cross",
    "pollen",
    "seed_parent",
    "pollen_parent",
    "set_date",
    "sown_date",
    "planted_date",
    "secondaries",
    "secondaries_at_set",
    "main_vine",
    "distance_out",
    "lobes",
    "lobe_evenness",
    "fruit_evenness",
    "end_date",
    "end_reason",
    "depth",
    "latitude",
    "area",
    "soil_heated",
    "note",
    "units",
    "date",
    "site",
    "table_year",
    "scale",
    "status",
    "time_of_day",
    "cover",
    "males",
    "covered_hours",
)

# Where each concept goes: table -> {concept: column}. The first concept that a row fills brings the row there.
TARGETS: dict[str, dict[str, str]] = {
    "readings": {"circumference": "circumference_cm", "side_to_side": "side_to_side_cm",
                 "stem_to_blossom": "stem_to_blossom_cm", "over_the_top": "over_the_top_cm", "written": "written_kg",
                 "time_of_day": "time_of_day", "doubtful": "doubtful", "note": "note"},
    "sizes": {"secondaries": "secondaries", "main_vine": "main_vine_cm", "covered": "covered_m2", "note": "note"},
    "soil": {"soil": "soil_c", "depth": "depth_cm", "time_of_day": "time_of_day"},
    "weather": {"air_max": "air_max_c", "air_min": "air_min_c", "rain": "rain_mm", "water": "water_mm"},
    "flowers": {"cover": "cover", "males": "males", "covered_hours": "covered_hours", "lobes": "lobes", "set": "set",
                "note": "note"},
    "weighings": {"scale": "scale_kg", "over_the_top": "over_the_top_cm", "site": "site", "status": "status",
                  "note": "note"},
    "seeds": {"seed_parent": "seed_parent", "pollen_parent": "pollen_parent", "stock": "stock", "note": "note"},
    "patches": {"latitude": "latitude_deg", "area": "area_m2", "soil_heated": "soil_heated", "note": "note"},
    "plants": {"seed": "seed", "sown_date": "sown_date", "planted_date": "planted_date", "note": "note"},
    "fruits": {"kind": "kind", "seed": "seed", "pollen": "pollen", "set_date": "set_date",
               "secondaries_at_set": "secondaries_at_set", "main_vine": "main_vine_cm",
               "distance_out": "distance_out_cm", "lobes": "lobes", "lobe_evenness": "lobe_evenness",
               "fruit_evenness": "fruit_evenness", "end_date": "end_date", "end_reason": "end_reason", "note": "note"},
    "growers": {"note": "note"},
}
# What makes a row belong to a table: a note or a depth alone does not.
OWN: dict[str, tuple[str, ...]] = {
    "readings": TAPE + ("written",), "sizes": ("secondaries", "main_vine", "covered"), "soil": ("soil",),
    "weather": ("air_max", "air_min", "rain", "water"), "flowers": ("cover", "males", "covered_hours", "set", "lobes"),
    "weighings": ("scale", "status"),
}

CHOICES: dict[str, dict[str, tuple[str, ...]]] = {
    "kind": {
        "pumpkin": ("pumpkin", "p", "giant pumpkin", "atlantic giant", "ag", "kurbis", "citrouille", "pompoen"),
        "squash": ("squash", "s", "green squash", "giant squash"),
        "field pumpkin": ("field pumpkin", "f", "field", "fp"),
        "watermelon": ("watermelon", "w", "melon", "wm", "giant watermelon"),
        "long gourd": ("long gourd", "l", "gourd", "lg"),
        "tomato": ("tomato", "t", "giant tomato"),
    },
    "end_reason": {
        "weighed": ("weighed", "weigh off", "weigh-off", "weighed off", "to the weigh off", "scale", "went to scale",
                    "went to the weigh off"),
        "aborted": ("aborted", "abort", "abortion", "did not set", "dropped", "yellowed"),
        "culled": ("culled", "cull", "removed", "taken off", "cut off"),
        "stem split": ("stem split", "split stem", "stem crack", "stem", "stem splitting"),
        "blossom-end split": ("blossom-end split", "blossom end split", "blossom split", "blew at the blossom end",
                              "blossom end", "bes"),
        "sag-line split": ("sag-line split", "sag line split", "sag split", "sag line", "sag"),
        "rot": ("rot", "rotted", "rotten", "foam", "foaming", "foaming stump", "soft spot"),
        "vine break": ("vine break", "vine broke", "main vine broke", "broken vine", "main vine break"),
        "animal": ("animal", "deer", "mice", "rodent", "rodents", "groundhog", "raccoon", "woodchuck"),
        "hail": ("hail", "hailed", "hail damage"),
        "other loss": ("other loss", "lost", "other", "vandals", "storm"),
        "not weighed": ("not weighed", "kept home", "stayed home", "unweighed", "display"),
    },
    "cover": {
        "none": ("none", "no", "open", "nothing", "uncovered", "no cover"),
        "bag": ("bag", "bagged", "paper bag", "organza", "organza bag", "plastic bag", "sandwich bag", "baggie", "b"),
        "cup": ("cup", "plastic cup", "foam cup"),
        "cloth": ("cloth", "row cover", "fleece", "net", "netting", "row cover cloth", "fabric"),
    },
    "status": {
        "official": ("official", "off", "ok", "sound", "o", "valid", "pass", "passed"),
        "exhibition": ("exhibition", "exh", "exhibit", "ex", "exhibition only", "e"),
        "damaged": ("damaged", "dmg", "dam", "damage", "d"),
    },
}
YES = (
    "yes",
    "y",
    "true",
    "1",
    "x",
    "took",
    "set",
    "ja",
    "j",
    "oui",
    "si",
    "held",
    "on",
    "heated",
    "t",
    "✓",
    "✔",
    "stuck",
    "took well",
    "+",
)
NO = ("no", "n", "false", "0", "did not set", "nein", "non", "nee", "aborted", "abort", "failed", "off", "f", "dropped",
      "unheated", "not set", "lost", "✗", "✘", "didn't take", "none", "nej", "did not take")
