"""Tables: what analyses may be given as a club."""

from __future__ import annotations

import pytest

from patchstats import tables
from patchstats.remarks import PatchstatsError


def test_what_is_no_club_is_refused_and_not_taken_for_one_without_logs():
    with pytest.raises(PatchstatsError, match="'our-club' is the name of a club's folder: open it first"):
        tables.table_of("our-club", "fruits")
    with pytest.raises(PatchstatsError, match="given one table with the columns fruit, plant, patch, grower"):
        tables.table_of(tables.empty("fruits"), "fruits")
