"""Sheets to fill in: a blank log with every column explained, and a member's own log put right as far as it can be.

Both are made from the data dictionary, in the club's units, with headings that the reader of logs knows. A workbook
explains each column, and each line that needs the member, in a note at the cell: notes are no cells, so that the
sheet reads cleanly when it is handed in.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from patchstats import tables, units
from patchstats.clubbook.export import harmless
from patchstats.clubbook.receipts import sheet_of
from patchstats.remarks import PatchstatsError, Remark
from patchstats.units import CM_PER_FOOT, IMPERIAL, Shown


@dataclass(frozen=True)
class Field:
    """One heading of a sheet: where it comes from in the data dictionary, and what stands above the column."""

    table: str
    column: str
    heading: str


_KEYS = {"grower": "Grower", "season": "Season", "patch": "Patch", "plant": "Plant", "fruit": "Fruit"}
_HEADINGS: dict[str, dict[str, str]] = {
    "patches": {"latitude_deg": "Latitude", "area_m2": "Patch area", "soil_heated": "Soil heated", "note": "Note"},
    "plants": {"seed": "Seed", "sown_date": "Sown", "planted_date": "Planted out", "note": "Note"},
    "fruits": {"kind": "Kind", "seed": "Seed", "pollen": "Pollen", "set_date": "Pollinated",
               "secondaries_at_set": "Secondary vines at set", "main_vine_cm": "Main vine at set",
               "distance_out_cm": "Distance out", "lobes": "Stigma lobes", "lobe_evenness": "Lobe evenness",
               "fruit_evenness": "Fruit evenness", "end_date": "End date", "end_reason": "End reason", "note": "Note"},
    "readings": {"date": "Date", "time_of_day": "Time", "circumference_cm": "Circumference",
                 "side_to_side_cm": "Side to side", "stem_to_blossom_cm": "Stem to blossom",
                 "over_the_top_cm": "Over the top", "written_kg": "Weight by chart", "note": "Note"},
    "sizes": {"date": "Date", "secondaries": "Secondary vines", "main_vine_cm": "Main vine",
              "covered_m2": "Ground covered", "note": "Note"},
    "soil": {"date": "Date", "time_of_day": "Time", "soil_c": "Soil temperature", "depth_cm": "Probe depth"},
    "weather": {"date": "Date", "air_max_c": "Air high", "air_min_c": "Air low", "rain_mm": "Rain",
                "water_mm": "Water given"},
    "flowers": {"date": "Date", "cover": "Cover", "males": "Male flowers", "covered_hours": "Hours covered",
                "lobes": "Stigma lobes", "set": "Took", "note": "Note"},
    "weighings": {"date": "Date", "site": "Weigh-off", "scale_kg": "Scale weight", "over_the_top_cm": "Over the top",
                  "status": "Status", "note": "Note"},
    "seeds": {"seed": "Seed", "seed_parent": "Seed parent", "pollen_parent": "Pollen parent", "stock": "Stock",
              "note": "Note"},
}
# Whose a row is: which parts of its key stand in front of it.
_WHOSE = {"patches": ("grower", "patch"), "plants": ("grower", "season", "patch", "plant"),
          "fruits": ("grower", "season", "patch", "plant", "fruit"), "readings": ("grower", "season", "fruit"),
          "sizes": ("grower", "season", "plant"), "soil": ("grower", "patch"), "weather": ("grower", "patch"),
          "flowers": ("grower", "season", "plant", "fruit"), "weighings": ("grower", "season", "fruit"), "seeds": ()}
_VINES = ("main_vine_cm", "distance_out_cm")  # growers tell these in feet
_LOG_FACTS = ("grower", "season", "patch", "plant", "fruit", "seed", "pollen", "set_date", "secondaries_at_set",
              "main_vine_cm", "distance_out_cm", "lobes", "end_date", "end_reason")
_LOG_COLUMNS = (("readings", "date"), ("readings", "time_of_day"), ("readings", "circumference_cm"),
                ("readings", "side_to_side_cm"), ("readings", "stem_to_blossom_cm"), ("readings", "over_the_top_cm"),
                ("sizes", "secondaries"), ("sizes", "main_vine_cm"), ("soil", "soil_c"), ("soil", "depth_cm"),
                ("readings", "note"))

_TEXT_EXPLAINS = (
    "# Lines that begin with # explain. They may stay, and nothing in them is read.",
    "# On top, behind the colons, goes what you know of the fruit. Leave empty what you do not know.",
    "# Below the headings goes a line for each day that you taped, with a comma for each heading that you pass over.",
    "# Here is one, without its sign in front, of a day with a time, three measures and a note.",
)
_EXAMPLE_CM = (152.4, 106.68, 101.6)  # circumference, side to side, stem to blossom


def blank_log(form: str = "xlsx", *, shown: Shown = IMPERIAL) -> bytes:
    """A blank log for one fruit: facts on top, then a line a day. ``form``: "xlsx", "csv" or "txt".

    The workbook explains each column in a note at its heading. The text explains them below the log, in lines that
    begin with ``#``, which the reader of logs takes for comments; the CSV can hold no notes.
    """
    facts = [Field("fruits", c, _KEYS.get(c) or _heading("fruits", c, shown)) for c in _LOG_FACTS]
    columns = [Field(t, c, _heading(t, c, shown)) for t, c in _LOG_COLUMNS]
    if form == "txt":
        tapes = ",".join(_number(cm, "circumference_cm", shown) for cm in _EXAMPLE_CM)
        lines = [*(f"{f.heading}:" for f in facts), "", ",".join(f.heading for f in columns), "", *_TEXT_EXPLAINS,
                 f"# 2024-07-20,morning,{tapes},,,,,,after rain",
                 *(f"# {f.heading} - {_as_comment(explained(f.table, f.column, shown))}" for f in facts + columns)]
        return ("\n".join(lines) + "\n").encode("utf-8")
    if form == "csv":
        out = io.StringIO(newline="")
        writer = csv.writer(out, lineterminator="\r\n")
        writer.writerows([[f.heading, ""] for f in facts])
        writer.writerow([])
        writer.writerow([f.heading for f in columns])
        return out.getvalue().encode("utf-8-sig")  # with its mark, as spreadsheets expect
    if form != "xlsx":
        raise PatchstatsError(f'A blank log is made as "xlsx", "csv" or "txt", not as {form!r}.')
    book = _Workbook()
    sheet = book.sheet("Log")
    for row, f in enumerate(facts):
        sheet.write(row, 0, f.heading, book.bold)
        sheet.write_comment(row, 0, explained(f.table, f.column, shown))
    for position, f in enumerate(columns):
        sheet.write(len(facts) + 1, position, f.heading, book.bold)
        sheet.write_comment(len(facts) + 1, position, explained(f.table, f.column, shown))
    sheet.set_column(0, len(columns) - 1, 18)
    return book.data()


def corrected_log(frames: dict[str, pd.DataFrame], remarks: Iterable[Remark], *, shown: Shown = IMPERIAL) -> bytes:
    """A member's log as a workbook to go on with: what was kept, in plain columns, and what to fill in.

    ``frames``: conforming tables, as one file gave them. One sheet a table; a line that a remark asks about is
    coloured and says why in a note at its first cell; a line that could not be used is added below, empty but for
    its note. Handed in again, it reads as the same rows.
    """
    asking = [r for r in remarks if r.severity in ("refused", "asked", "blanked")]
    kept = {name: frame for name, frame in frames.items() if name in _HEADINGS and len(frame)}
    main = max(kept, key=lambda name: len(kept[name]), default="readings")
    kept.setdefault(main, tables.empty(main))
    book = _Workbook()
    told: set[int] = set()
    for name, frame in sorted(kept.items(), key=lambda item: item[0] != main):  # the main table's sheet first
        fields = _fields(name, frame, shown)
        sheet = book.sheet(name.capitalize())
        for position, f in enumerate(fields):
            sheet.write(0, position, f.heading, book.bold)
            sheet.write_comment(0, position, explained(f.table, f.column, shown))
        for at, (_, row) in enumerate(frame.iterrows(), start=1):
            of_row = [r for r in asking if r.line and (r.file, r.line) == (row["file"], row["line"])]
            notes = [_note(r) for r in of_row]
            told.update(map(id, of_row))
            for position, f in enumerate(fields):
                _put(sheet, at, position, _shown_value(f, row, shown), book.day, book.ask if notes else None,
                     book.ask_day)
            if notes:
                sheet.write_comment(at, 0, "\n".join(notes))
        sheet.set_column(0, len(fields) - 1, 18)
    sheet, at = book.sheets[0], len(kept[main]) + 1
    for r in (r for r in asking if id(r) not in told):
        sheet.write_blank(at, 0, None, book.ask)
        sheet.write_comment(at, 0, _note(r))
        at += 1
    return book.data()


def _as_comment(words: str) -> str:
    """Words without colons, so that no reader takes them for a fact and its value."""
    return re.sub("(One of|Plausible): ", r"\1 ", words).replace(": ", ", ")


def explained(table: str, column: str, shown: Shown = IMPERIAL) -> str:
    """One column in words: its meaning, what may stand in it, and what is plausible in the club's units.

    >>> explained("fruits", "lobes")
    'Stigma lobes of the female flower. A whole number. Plausible: 2 to 8.'
    """
    c = tables.table(table)[column]
    words = {"date": "A day, such as 2024-07-04.", "count": "A whole number.", "yes_no": "Yes or no.",
             "choice": f"One of: {', '.join(c.choices)}."}.get(c.kind, "")
    meaning = _WHAT_KEYS_MEAN.get(column, c.meaning)
    parts = [meaning[0].upper() + meaning[1:] + ".", words]
    if c.low is not None and c.high is not None:
        parts.append(f"Plausible: {_number(c.low, column, shown)} to {_number(c.high, column, shown)}"
                     f"{_unit_words(column, shown)}.")
    return " ".join(part for part in parts if part)


_WHAT_KEYS_MEAN = {"grower": "your name, always written alike", "patch": "the patch, if you have more than one",
                   "plant": "the plant, if you name your plants", "fruit": "the fruit's name or number"}


class _Workbook:
    """A workbook in memory, the same bytes each time."""

    def __init__(self) -> None:
        import xlsxwriter  # only needed when a sheet is made

        self._out = io.BytesIO()
        self._book = xlsxwriter.Workbook(self._out, {"in_memory": True, "strings_to_formulas": False,
                                                     "strings_to_urls": False, "default_date_format": "yyyy-mm-dd"})
        self._book.set_properties({"created": dt.datetime(2000, 1, 1)})
        self.bold = self._book.add_format({"bold": True})
        self.day = self._book.add_format({"num_format": "yyyy-mm-dd"})
        self.ask = self._book.add_format({"bg_color": "#FFE699"})
        self.ask_day = self._book.add_format({"bg_color": "#FFE699", "num_format": "yyyy-mm-dd"})
        self.sheets: list = []

    def sheet(self, name: str):
        self.sheets.append(self._book.add_worksheet(name))
        return self.sheets[-1]

    def data(self) -> bytes:
        self._book.close()
        return self._out.getvalue()


def _put(sheet, row: int, position: int, value: object, day, ask, ask_day) -> None:
    if value is None:
        if ask is not None:
            sheet.write_blank(row, position, None, ask)
    elif isinstance(value, pd.Timestamp):
        sheet.write_datetime(row, position, value.to_pydatetime(), day if ask is None else ask_day)
    elif isinstance(value, (int, float)):
        sheet.write_number(row, position, value, ask)
    else:
        sheet.write_string(row, position, harmless(str(value)), ask)


def _fields(name: str, frame: pd.DataFrame, shown: Shown) -> list[Field]:
    """Whose the rows are, then the columns that are in use (all of them for a table without rows)."""
    whose = [Field(name if key in tables.table(name).names else "fruits", key, _KEYS[key]) for key in _WHOSE[name]]
    return whose + [Field(name, c, _heading(name, c, shown)) for c in _HEADINGS[name]
                    if frame.empty or frame[c].notna().any()]


def _heading(table: str, column: str, shown: Shown) -> str:
    words = _HEADINGS[table][column]
    unit = _unit(column, shown)
    return f"{words} ({unit})" if unit else words


def _unit(column: str, shown: Shown) -> str:
    if column in _VINES and shown.length == "in":
        return "ft"
    unit = units.display_of(column, shown).unit
    return {"m²": "m2", "h": "", "°": "", "°F": "F", "°C": "C"}.get(unit, unit)


def _unit_words(column: str, shown: Shown) -> str:
    unit = _unit(column, shown)
    return f" {unit}" if unit else ""


def _converted(value: float, column: str, shown: Shown) -> float:
    if column in _VINES and shown.length == "in":
        return value / CM_PER_FOOT
    return float(units.to_shown(value, column, shown))


def _number(value: float, column: str, shown: Shown) -> str:
    return f"{_converted(value, column, shown):.0f}" if abs(value) > 1 else f"{value:g}"


def _shown_value(f: Field, row: pd.Series, shown: Shown) -> object:
    if f.heading in _KEYS.values():
        return _part_of_key(f.column, row)
    value = row[f.column]
    if pd.isna(value):
        return None
    kind = tables.table(f.table)[f.column].kind
    if kind == "number":
        told = float(f"{_converted(float(value), f.column, shown):.12g}")
        doubted = f.table == "readings" and not pd.isna(row["doubtful"]) and row["doubtful"]
        return f"~{told:.12g}" if doubted else told
    if kind == "count":
        return int(value)
    if kind == "yes_no":
        return "yes" if value else "no"
    return value


def _part_of_key(part: str, row: pd.Series) -> object:
    """Grower, season or label out of a row's own columns or its key, such as ``Ida Field/2024/A``."""
    own = row.get(part)
    if own is not None and not pd.isna(own):
        return int(own) if part == "season" else tables.short_name(str(own)) if part != "grower" else own
    key = next((str(row[k]) for k in ("fruit", "plant", "patch") if k in row.index and not pd.isna(row[k])), None)
    if key is None or part not in ("grower", "season"):
        return None
    parts = key.rsplit("/", 2 if key.count("/") > 1 else 1)
    if part == "grower":
        return parts[0]
    return int(parts[1]) if len(parts) > 2 and parts[1].isdigit() else None


def _note(r: Remark) -> str:
    sheet = sheet_of(r)
    where = f"Line {r.line} of {sheet or 'your file'}: " if r.line else f"In {sheet}: " if sheet else ""
    return f"{where}{r.message} {r.advice}"
