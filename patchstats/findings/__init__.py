"""Findings: what the club found, as sentences a grower can read aloud. The only maker of prose with numbers.

A :class:`Finding` holds an estimate with its interval in stored (metric) units, and the sentence that says it in the
club's shown units. Notebooks, the annual meeting and members' cards print findings; nobody types a number by hand.

An effect is said as "went with", never as "causes": nothing in members' logs was decided by lot. An interval that
holds zero is said as "cannot be told from none". Figures are rounded to what the interval can carry.
"""

from patchstats.findings.compared import among_first, better, compared, practices, progress, seasons
from patchstats.findings.counts import (
    against_book,
    against_chart,
    middle,
    path_against_scale,
    portion,
    rows_taken_in,
    share,
)
from patchstats.findings.doubts import gaps_filled, leans_on, little_to_go_by, of_fit, pairs_told
from patchstats.findings.effects import best_soil, changed, effect, every_way, sides_differ, what_drives
from patchstats.findings.explained import acts_at_age, explains
from patchstats.findings.finding import OBSERVATIONAL, Finding, Findings, caveats, together

__all__ = [
    "OBSERVATIONAL", "Finding", "Findings", "acts_at_age", "against_book", "against_chart", "among_first",
    "best_soil", "better", "caveats", "changed", "compared", "effect", "every_way", "explains", "gaps_filled",
    "leans_on", "little_to_go_by", "middle", "of_fit", "pairs_told", "path_against_scale", "portion", "practices",
    "progress", "rows_taken_in", "seasons", "share", "sides_differ", "together", "what_drives",
]
