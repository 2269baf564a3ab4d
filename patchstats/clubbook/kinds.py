"""Kinds of remark that only the book can make: what logs say of one another."""

from __future__ import annotations

from patchstats.remarks import Kind

LOGS_DISAGREE = Kind(
    "logs-disagree", "asked", "Two logs say different things",
    "When two files tell of the same thing, the one handed in first is believed until somebody settles it.",
    "For {what}, {column} is {before} in {first_place}, and {read} here; {kept}.",
    "Find out which is right, then hand in the other log corrected, in place of its receipt.")

LOGS_REPEAT = Kind(
    "logs-repeat", "noted", "The same lines stand in two files",
    "A log that grows through the summer is often handed in more than once. Lines that are alike count once.",
    "{count} lines of {table} in this file stand already in {first_file}; they are counted once.",
    "Nothing needs doing. If this file takes the place of {first_file}, take receipt {first_receipt} back.")

HANDED_IN_AGAIN = Kind(
    "handed-in-again", "noted", "Some of this was handed in before",
    "A corrected log is another file, so both would count. Lines that are alike count once; lines that differ are "
    "asked about.",
    "{alike} of the {count} tapings in this file are of days that stand already in {first_file} "
    "(receipt {first_receipt}).",
    "If this file takes its place, take receipt {first_receipt} back; if the log simply went on, leave it.")

KINDS_OF_BOOK = (LOGS_DISAGREE, LOGS_REPEAT, HANDED_IN_AGAIN)
