"""Sense: three measures that make no fruit, and the cheap look that spares the others the search for their body."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from patchstats import intake
from patchstats.intake.fast import WORTH_BYTES
from patchstats.intake.sense import LEAST_SHARE, MOST_SHARE, SHARES_APART, _no_fruit, odd_shares
from patchstats.tape import TABLES

shares = st.floats(LEAST_SHARE, MOST_SHARE)


@settings(deadline=None, derandomize=True, max_examples=120)
@given(st.sampled_from(["pumpkin", "field pumpkin", "watermelon"]), st.floats(0.0, 1.0), shares,
       st.floats(-SHARES_APART, SHARES_APART))
def test_ordinary_shares_make_a_body_that_a_fruit_may_have(kind, size, side, apart):
    end = float(np.clip(side + apart, LEAST_SHARE, MOST_SHARE))
    if odd_shares(side, end) or side + end > 2.0:
        return
    table = next(t for t in TABLES.values() if kind in t.kinds)
    total_cm = 2.54 * (table.low_inches + 0.1 + size * (table.high_inches - table.low_inches - 0.2))
    around = total_cm / (1.0 + side + end)
    assert _no_fruit(around, side * around, end * around, kind) == ""


def test_what_is_said_of_measures_that_make_no_fruit():
    # In a body 118 in around a tape of 105 in over one way leaves more than 52 in for the other (searched by halving in
    # patchstats.ellipsoid, whose own tests hold it against closed forms).
    assert _no_fruit(118 * 2.54, 105 * 2.54, 52 * 2.54, "pumpkin") == "make no body"
    assert _no_fruit(60 * 2.54, 49 * 2.54, 30 * 2.54, "pumpkin") == "make a body of 1.8 kg a litre (water: 1)"
    # a line of a grower's log, 120-77-76 (British Columbia, 22 Jul 2015), is a fruit; a tomato has no table
    assert _no_fruit(120 * 2.54, 77 * 2.54, 76 * 2.54, "pumpkin") == ""
    assert _no_fruit(118 * 2.54, 105 * 2.54, 52 * 2.54, "tomato") == ""


@pytest.mark.parametrize("lines", [1, WORTH_BYTES // 30])
def test_short_and_long_logs_are_spoken_of_alike(tmp_path, lines):
    # Long logs take a quicker way, which must hand every odd fruit to the ordinary one.
    rows = [f"F{i},2024-07-04,2024-08-06,118,77,76" for i in range(lines)] + ["Z9,2024-07-04,2024-08-06,118,105,52"]
    path = tmp_path / "log.csv"
    path.write_text("Grower,Ida Field\nSeason,2024\n\nFruit,Pollinated,Date,Circ (in),SS (in),EE (in)\n"
                    + "\n".join(rows) + "\n")
    told = intake.read_file(path).remarks
    assert [(r.code, r.line) for r in told] == [("shape-impossible", lines + 5)]
    assert "118 around, 105 side to side and 52 stem to blossom make no body" in str(told[0])
