"""Remark kinds: the catalogue of everything that may be said to a member about a log.

One :class:`~patchstats.remarks.Kind` each: its code, severity, title, a teaching text for someone who has never
met it, the message of one place and the advice. Data only; the rooms that read logs fill the templates.
"""

from __future__ import annotations

from patchstats.remarks import Kind

KINDS: dict[str, Kind] = {}


def _kind(code: str, severity: str, title: str, teaching: str, message: str, advice: str) -> None:
    if code in KINDS:
        raise ValueError(f"the kind {code!r} stands twice")
    KINDS[code] = Kind(code, severity, title, teaching, message, advice)


def kind(code: str) -> Kind:
    """The kind with this code; ``KeyError`` when there is none."""
    return KINDS[code]


# --- the file as a whole --------------------------------------------------------------------------------------
_kind("file-empty", "refused", "Empty file",
      "A file without a single word or number in it. Often a log that was saved before it was filled in.",
      "There is nothing in this file.", "Check that the right file was chosen, and hand it in again.")
_kind("file-too-large", "refused", "File too large",
      "A season's log is a few thousand characters. A file far beyond that is something else, and reading it "
      "could stop the club's computer.",
      "This file is {size} large; files over {limit} are not opened.",
      "Save only the sheet with the log as CSV, or cut the file into one per season.")
_kind("zip-swells", "refused", "Packed file that swells",
      "A spreadsheet is a packed file. One that unpacks to an enormous size is damaged or made to do harm.",
      "Unpacked, this file would be {size} large; files over {limit} are not opened.",
      "Save the sheet with the log as CSV and hand that in.")
_kind("sheet-spread", "refused", "Cells far apart",
      "A stray cell far to the right or far down makes a sheet enormous, although nearly all of it is empty.",
      "A sheet of this file spans {spans} cells; sheets over {limit} are not opened.",
      "Delete what stands far to the right of the log or far below it, save, and hand it in again.")
_kind("not-a-log", "refused", "Not a log",
      "Pictures, documents and programs hold no rows and columns that could be read.",
      "This file is {what}, not a table.", "Type the readings into the blank log, or save the sheet as CSV or Excel.")
_kind("file-damaged", "refused", "Damaged spreadsheet",
      "The spreadsheet could not be unpacked: it was cut short on the way, or it is locked with a password.",
      "This spreadsheet could not be opened ({why}).", "Open it, save it again without a password, and hand it in.")
_kind("nothing-understood", "refused", "No table found",
      "A log needs a line of headings, such as date, circ, SS, EE, with readings below it, or a date and a "
      "reading in each line.",
      "No table of readings was found in this file.",
      "Write one line of headings above the readings: date, circ, SS, EE.")
_kind("club-list", "refused", "A list of the club's own",
      "An export holds the club's tables, and beside them what was said of the members' files. That is no log.",
      "This is the club's own list of {what}; there are no readings in it, and nothing was taken in.",
      "Hand in the log itself, or one of the tables of the same export.")
_kind("encoding-old", "noted", "Old character set",
      "Older Windows programs save letters such as é and ½ in their own way. They were read as Windows-1252, "
      "which is right nearly always; look at names with accents.",
      "The file is in an old character set and was read as {encoding}.",
      "If a name looks wrong, save the sheet as \"CSV UTF-8\" and hand that in.")
_kind("nulls-removed", "repaired", "Null characters removed",
      "Some loggers and damaged disks leave invisible null characters between the letters.",
      "{count} invisible null characters were left out.", "Nothing to do if the readings below look right.")
_kind("sheet-empty", "noted", "Empty sheet",
      "A workbook often holds sheets that were never used.",
      "The sheet {sheet} is empty.", "Nothing to do.")

# --- lines and headings ---------------------------------------------------------------------------------------
_kind("quote-broken", "repaired", "Quotation mark without its partner",
      "In a CSV file a cell that starts with a quotation mark must end with one. Inch marks and names in "
      "quotation marks break this rule.",
      "A quotation mark has no partner; the line was read as: {after}.",
      "Check the line. For inches write 84 in, not 84\".")
_kind("title-line", "noted", "Line of words on top",
      "Titles and greetings above the table are no readings. They are kept here, word for word.",
      "These words stand above the table and belong to no column: {read}.", "Nothing to do.")
_kind("title-figures", "asked", "Line with figures on top",
      "A line above the table that holds numbers may be a title, but it may also be a reading or a fact in words that "
      "were not understood. It is kept here, word for word.",
      "This line stands above the table, and its figures belong to no column: {read}; nothing of it was used.",
      "If it is a reading, write it under headings: date, OTT (cm), and below them 2024-07-20, 180. If it is a fact, "
      "write its name and a colon: Secondaries at set: 18. If it is a title, leave it.")
_kind("comment-line", "noted", "Line of words",
      "A remark among the readings. It belongs to no column, so it is kept here, word for word.",
      "This line is a comment: {read}.", "Nothing to do. A comment on one taping fits in a column headed note.")
_kind("summary-row", "noted", "Totals line",
      "Totals and averages can be computed from the readings, so they are not kept as if they were a taping.",
      "This line sums up the others ({read}); it was left out.", "Nothing to do.")
_kind("headings-missing", "noted", "No headings",
      "Without headings the columns are known by their order alone: date, then circumference, side to side, "
      "stem to blossom, as the trade writes them, and the total last.",
      "There are no headings; the columns were read as {order}.", "Write the headings above the columns.")
_kind("heading-unknown", "blanked", "Heading not known",
      "A column whose heading is not in the list of known words is not used, whatever it holds.",
      "The heading {read} is not known; {cells} below it {were} left out ({sample}).",
      "Write a known heading (circ, SS, EE, OTT, note), or ask the club to add the word to its list.")
_kind("heading-near-miss", "asked", "Heading nearly known",
      "The heading is one slip away from a known one. It is suggested, never taken for granted.",
      "The heading {read} is not known; {cells} below it {were} left out ({sample}). Did you mean {suggestion}?",
      "If so, write {suggestion} above the column.")
_kind("heading-doubled", "asked", "Two columns of the same kind",
      "When two columns have the same meaning and differ, only a person can say which to believe.",
      "The column {column} means the same as {other}; {cells} {were} left out ({sample}).",
      "Keep one of the two, or say in the heading what makes them different.")
_kind("column-derived", "noted", "Column that can be computed",
      "Daily gain, percent to chart, running totals and places are computed afresh from the readings, so that all "
      "members' are computed alike.",
      "{columns} can be worked out from the other columns, so {cells} {were} not kept, such as {sample}.",
      "Nothing to do.")
_kind("status-disqualified", "asked", "Disqualified fruit",
      "The club's tables know official, exhibition and damaged weights, and no disqualified ones. What the judges "
      "meant is not guessed.",
      "{read} says that the fruit was disqualified, which is no status of a weight here; the status was left empty.",
      "Write damaged or exhibition if that was the reason, or strike the line out if its weight should not count.")
_kind("soil-from-title", "noted", "Soil temperatures by the title",
      "Columns headed by times of day alone are soil temperatures where the title or the file's name speaks of soil.",
      "The columns {columns} were read as soil temperatures{depth}, as a line on top or the file's name says.",
      "Nothing to do if that is right. Surer are the headings soil temp am and soil temp pm.")
_kind("measure-unknown", "asked", "Which measure?",
      "A number under a date may be a circumference, a total, a weight or a temperature. The heading or a line on top "
      "must say it.",
      "These readings do not say what was measured ({cells}, {sample}).",
      "Write what was measured above the readings: circ, SS, EE, OTT, weight or soil temp am, with the unit, such "
      "as: OTT in inches.")
_kind("cell-beyond-headings", "blanked", "Cell beyond the headings",
      "A line with more cells than headings: often a comma inside a number or a name.",
      "The cell {read} stands beyond the last heading and was left out.",
      "Give the column a heading, or remove the extra comma.")
_kind("line-short", "noted", "Line cut short",
      "A line with fewer cells than the headings. The missing cells at its end count as empty.",
      "The line has {found} cells where the headings have {expected}.",
      "Nothing to do if the readings at the end are really missing.")

# --- one line or cell -----------------------------------------------------------------------------------------
_kind(
    "line-not-understood",
    "refused",
    "Line not understood",
    "Nothing in the line fits the columns.",
    "This line could not be used: {read}.",
    "Write one date and its readings in a line, in the order of the headings.",
)
_kind("line-without-date", "refused", "No date",
      "A reading without its day cannot be placed in the season.",
      "This line has no date; it was not used: {read}.",
      "Write the date in the line, or once on top when it is the same for all.")
_kind("line-without-name", "refused", "No name",
      "A line must say whose fruit, which patch or which seed it speaks of.",
      "This line does not name its {what}; it was not used: {read}.", "Write the {what} in the line.")
_kind("line-without-reading", "noted", "Nothing measured",
      "A day without a taping is no fault. Words on that line are kept here.",
      "Nothing was measured on this line: {read}.", "Nothing to do.")
_kind("line-repeated", "refused", "Line written twice",
      "The same day with the same readings for the same fruit: a copy.",
      "This line is the same as line {other}; it was kept once.", "Remove the copy.")
_kind("cell-not-read", "blanked", "Cell not understood",
      "A cell that should hold a number, date or one of a few words holds something else. The rest of the line "
      "is kept.",
      "{read} could not be read as {expected}; the cell was left empty.", "Write {wanted}.")
_kind("cell-two-readings", "asked", "Number with two readings",
      "1,204 is twelve hundred to some and one and a bit to others.",
      "{read} may be {first} or {second}; the cell was left empty.", "Write {first} or {second}.")
_kind(
    "cell-formula-error",
    "blanked",
    "Formula without a result",
    "The spreadsheet holds a formula whose result is an error or was never computed.",
    "The cell holds {read} in place of a value.",
    "Open the sheet, let it compute, and save again; or type the number.",
)
_kind("cell-ditto", "repaired", "Same as above",
      "A ditto mark or the word same stands for the cell above it.",
      "{before} stands for the cell above on {lines} from here: {after}.", "Nothing to do.")
_kind("name-carried-down", "repaired", "Name carried down",
      "A name written once beside the first of several lines counts for the lines below it.",
      "No {what} on {lines} from here; read as belonging to {after}.",
      "Write the {what} in every line if that is wrong.")
_kind("value-out-of-range", "blanked", "Value that cannot be",
      "A value far outside what a fruit, a plant or a patch can have: a slip of the pen or of the unit.",
      "{read} as {quantity} would be {value}; only {low} to {high} can be. The cell was left empty.",
      "Look at your own notes and write the value again, with its unit.")

# --- units ----------------------------------------------------------------------------------------------------
_kind("unit-asked", "asked", "Which unit?",
      "Nothing names the unit, and the numbers could be in either of two. A wrong guess would falsify every one of "
      "them, so nothing was chosen.",
      "{what} may be in {first_means} or in {second_means}; {cells} {wait}.",
      "Write the unit in the heading: ({first}) or ({second}).")
_kind("unit-by-size", "noted", "Unit settled by size",
      "The tape or the column names no unit, but only one makes sense of the whole of it.",
      "{what} names no unit and was read as {unit}: {why}.", "Write the unit in the heading next time.")
_kind("unit-by-company", "noted", "Unit settled by the rest of the log",
      "The column names no unit; the other columns of the same log, or the club's custom, settle it.",
      "{what} names no unit and was read as {unit}, as {why}.", "Write the unit in the heading next time.")
_kind("unit-unlikely", "noted", "Unit that does not fit the numbers",
      "The heading names a unit in which these numbers would be no fruit that anyone has grown.",
      "The column {column} says {unit}, but its numbers look like {other}; they were kept as it says.",
      "Check the unit in the heading.")

# --- dates ----------------------------------------------------------------------------------------------------
_kind("date-not-read", "refused", "Date not understood",
      "The day of a reading must be known.",
      "{read} could not be read as a date; the line was not used.", "Write the date as 2024-07-12 or 12 Jul 2024.")
_kind("date-asked", "asked", "Day first or month first?",
      "07/08 is the 7th of August to some and the 8th of July to others, and nothing else in the log settles it.",
      "{read} may be {first} or {second}; {dates} {wait}.", "Write the month as a word: {first} or {second}.")
_kind("date-order-mixed", "asked", "Day first and month first in one log",
      "Some dates of the log can only be day first, others only month first, so the rest cannot be settled.",
      "{read} may be {first} or {second}: other dates of this log are written both ways.",
      "Write the month as a word: {first} or {second}.")
_kind("date-year-missing", "asked", "Which year?",
      "A day and month without a year, and nothing in the log or its name says the season.",
      "{read} does not say its year; {dates} {wait}.", "Write the season on top of the log: Season, 2024.")
_kind("day-from-title", "noted", "Day taken from the title",
      "A list of weights without a day in its lines is of the day that its title or its file's name says.",
      "The lines name no day; they were read as of {read}, which {where} says.",
      "Nothing to do if that is right; if not, write on top of the list: Date, 2024-10-05.")
_kind("date-serial", "repaired", "Spreadsheet's day number",
      "Spreadsheets count days from the beginning of 1900 and sometimes show that count in place of the date.",
      "{before} is a spreadsheet's count of days: {after}.",
      "Nothing to do. Format the column as a date to see dates in the spreadsheet too.")
_kind("date-outside-season", "refused", "Date outside the season",
      "A log is of one season. A date in another year is nearly always a slip in the year, but which part slipped "
      "only the writer knows.",
      "{read} lies outside the season {season}; the line was not used.", "Check the year.")
_kind("weekday-disagrees", "noted", "Weekday does not fit the date",
      "The name of the weekday and the date contradict each other. The date was kept.",
      "{read}: {date} was a {weekday}.", "Check which of the two is right.")
_kind("day-disagrees", "noted", "Day number does not fit the date",
      "The number of days after pollination and the date contradict each other. The date was kept.",
      "Day {number} would be {expected}, but the date says {date}.", "Check the pollination date and the day number.")
_kind("day-without-set-date", "asked", "Day number without a pollination date",
      "Day 14 is a date only when the day of pollination is known.",
      "Day {number} cannot be placed: the log names no pollination date ({lines} {wait}).",
      "Write the pollination date on top of the log: Pollinated, 2024-07-04.")
_kind(
    "set-date-from-days",
    "repaired",
    "Pollination date worked out",
    "Dates and day numbers side by side give the day of pollination.",
    "The pollination date of {fruit} was worked out from its day numbers: {after}.",
    "Nothing to do if that is right.",
)

# --- who and which --------------------------------------------------------------------------------------------
_kind("grower-missing", "asked", "Whose log?",
      "Nothing in the log or its name says who grew the fruit.",
      "The log does not say whose it is; {lines} {wait}.", "Write on top of the log: Grower, and your name.")
_kind("grower-from-name", "noted", "Name taken from the file's name",
      "The log names no grower, but the file does.",
      "The grower was taken from the file's name: {read}.", "Write on top of the log: Grower, and your name.")
_kind("names-from-title", "noted", "Name taken from the first line",
      "The log names no grower, but its first line looks like one: a first and a last name beside a season or a fruit.",
      "The first line was read as {names}: {read}.",
      "Nothing to do if that is right. Surer is Grower: and the name, and Fruit: and its name, each on its own line.")
_kind("grower-from-sheet", "noted", "Name taken from another sheet",
      "A workbook that names one grower is read as that grower's, every sheet of it.",
      "This sheet names no grower; it was read as {read}'s, whom another sheet names.",
      "Write Grower and the name on top of this sheet if it is another's.")
_kind("season-missing", "asked", "Which season?",
      "Nothing in the log or its name says which season it is.",
      "The log does not say its season; {lines} {wait}.", "Write on top of the log: Season, 2024.")
_kind(
    "fruit-unnamed",
    "noted",
    "Fruit without a name",
    "A log that does not name its fruit was read as the grower's fruit 1 of that season.",
    "The log does not name its fruit; it was read as {after}.",
    "If you grow more than one, name each on top of its log: Fruit, A.",
)
_kind("fruit-unnamed-weighed", "asked", "Which fruit was weighed?",
      "A list of weights that names no fruit is read as of the grower's fruit 1. Where the grower's logs know one "
      "fruit of another name, it may be that one, but only a person can say; the two were kept apart.",
      "The results name no fruit; {grower} has one fruit in {season}, {known} ({other}). The weight was kept as of "
      "{fruit}.",
      "If it is that one, write {known} as its Fruit in the list, hand the list in again, and take its old receipt "
      "back.")
_kind("fruit-from-sheet", "noted", "Fruit named for its sheet",
      "Where several sheets hold tapings and do not name their fruit, each is read as one fruit, named on its tab.",
      "The fruit of this sheet was named for the sheet: {read}.",
      "Write Fruit and its name on top of the sheet if it is called otherwise, or if two sheets are of one fruit.")
_kind("name-slash", "repaired", "Stroke in a name",
      "The club's keys are written grower/season/fruit, so a name cannot hold a stroke itself.",
      "The name {before} is kept as {after}.", "Nothing to do.")
_kind("names-alike", "noted", "Names that look alike",
      "Two names that differ by a letter, by capitals or by a space may be the same. They were kept apart.",
      "{first} and {second} look alike; they were kept apart.",
      "If they are the same, write the name in one way everywhere.")
_kind("names-alike-files", "noted", "Names that look alike in two files",
      "One grower, fruit or patch spelled in two ways counts as two, and its log falls apart. Whether the two are one "
      "only a person can say; they were kept apart.",
      "{read} looks like {first} in {other}; they were kept apart.",
      "If they are the same, hand in one of the two files again with the other's spelling, and take its old receipt "
      "back: patchstats take-back {earlier} if it is {first_file}, patchstats take-back {later} if it is this one.")
_kind(
    "fact-disagrees",
    "asked",
    "Two facts that contradict each other",
    "The same fact of the same fruit is written twice in different ways. The first was kept.",
    "{what} is written as {read}, but before it was {first}; the first was kept.",
    "Write the right one in both places.",
)
_kind("weight-without-day", "asked", "Weight without its day",
      "A scale weight is kept with the day of its weigh-off, which the log does not say.",
      "{what} {read} names no day of a weigh-off; it was not used.",
      "Write the day on top of the log too: Weigh-off date: 2024-10-05.")
_kind("fact-not-used", "noted", "Fact with no place",
      "A fact is understood, but the log holds nothing that it could belong to.",
      "{what} {read} belongs to nothing in this log.", "Nothing to do, or hand it in with the fruit's log.")
_kind("logs-disagree", "asked", "Two logs that contradict each other",
      "Two logs say different things of the same fruit, plant, patch or seed. The one handed in first was kept.",
      "{what} of {key} is {read} here, but {first} in {other}; the first was kept.",
      "Ask the grower which is right, and hand in the corrected log.")
_kind("weighings-disagree", "asked", "Two weights of one fruit on one day",
      "Two lines give one fruit two weights on one day. A status or a place belongs to the weight that it was written "
      "beside, so the line handed in first was kept whole and nothing was taken from the other.",
      "{what} of {key} is {read} here{rest}, but {first} in {other}; that line was kept, and nothing of this one.",
      "Find out which is right. Put the wrong list right and hand it in again, and take its old receipt back.")
_kind("tapings-disagree", "asked", "Two logs tape one fruit differently on one day",
      "Two files tell of the same taping in different ways: often a log that was corrected, and its first copy. Both "
      "were kept, since nobody has said which is right.",
      "{what} of {key} is {read} here, but {first} in {other}; both were kept.",
      "If this file is the corrected one, take back the receipt of the other; if not, correct the one that is wrong "
      "and hand it in again.")
_kind("logs-repeat", "noted", "The same lines in two files",
      "A log that grows through the summer is often handed in more than once. Lines that are alike count once.",
      "{count} lines of {table} in this file stand already in {other}; they are counted once.", "Nothing to do.")
_kind("handed-in-before", "noted", "Days that were handed in before",
      "A corrected log is another file than its first copy, so both are in the book. Lines that are alike count once; "
      "lines that differ are asked about.",
      "{alike} of the {count} tapings in this file are of days that stand already in {other} (receipt {number}).",
      "If this file takes its place, take receipt {number} back; if the log simply went on, nothing to do.")

# --- growth sense ---------------------------------------------------------------------------------------------
_kind("tape-shrinks", "noted", "Fruit that shrinks",
      "A fruit on the vine does not shrink by more than the tape's own error. One of the two tapings slipped.",
      "{quantity} fell from {before} to {after} in {days}; both were kept.", "Check both tapings.")
_kind("tape-jumps", "blanked", "Jump that no fruit makes",
      "One reading stands far from the ones before and after it, which agree with each other: a slip of the tape "
      "or of the pen. What it should have been is not guessed.",
      "{quantity} {read} stands between {before} and {after}; no fruit does that. The cell was left empty.",
      "Look at your own notes and write the reading again.")
_kind("tape-leaps", "noted", "Growth faster than any known",
      "More growth a day than the fastest fruit on record. One of the two tapings, their dates or their units may "
      "be wrong.",
      "{quantity} rose from {before} to {after} in {days}; both were kept.", "Check both tapings and their dates.")
_kind(
    "two-tapings",
    "noted",
    "Two tapings on one day",
    "Two different readings of one fruit on one day. Both were kept.",
    "{fruit} was taped on {date} on line {other} too, with another result.",
    "Write the time of day beside both, or strike one out.",
)
_kind("circumference-short", "noted", "Circumference too short",
      "The tape around a fruit is longer than the tape over it. When it is not, two columns were probably swapped.",
      "The circumference {read} is shorter than half of what goes over the top ({over}).",
      "Check whether the columns were swapped.")
_kind("shape-impossible", "noted", "Measures that make no fruit",
      "The three measures of a fruit make a body of a certain volume. These make none at all, or one so small or so "
      "large that a fruit of their total would be far heavier than water or lighter than any. One of them slipped.",
      "{around} around, {side} side to side and {end} stem to blossom {made}; all three were kept.",
      "Check the three measures.")
_kind("total-disagrees", "noted", "Total that is not the sum",
      "The total should be the sum of the three measures. All four were kept as written.",
      "The total is {read}, but the three measures make {sum}.", "Check the sum, and the three measures.")
_kind("set-after-taping", "noted", "Pollination after the first taping",
      "A fruit cannot be taped before it was pollinated. One of the dates is wrong.",
      "{fruit} was pollinated on {set}, but taped on {date}.", "Check the pollination date.")
_kind("end-before-taping", "noted", "Taped after its end",
      "A fruit that was lost or picked cannot be taped on the vine. One of the dates is wrong.",
      "{fruit} left the vine on {end}, but was taped on {date}.", "Check the two dates.")
_kind("scale-far", "noted", "Scale far from the tape",
      "The scale weight is far from what the tape says, more than the published tables' error allows for.",
      "{fruit} weighed {scale}, but its tape says {tape}.", "Check the weight, its unit and the fruit's name.")
