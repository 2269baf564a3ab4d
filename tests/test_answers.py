"""One call a question: findings, charts and doubts together."""

from __future__ import annotations

import pytest

from patchstats import demo
from patchstats.answers import what_drives_gain, who_did_well
from patchstats.drivers import fit_drivers
from patchstats.gains import daily_gains


@pytest.fixture(scope="module")
def club():
    return demo.simulate(members=16, seasons=4)


@pytest.fixture(scope="module")
def answer(club):
    return what_drives_gain(club.tables, jobs=1)


def test_the_report_holds_findings_charts_and_doubts(answer):
    text = repr(answer)
    assert text.startswith("What drives daily gain?")
    assert len(answer.findings) >= 4 and len(answer.charts) >= 5
    assert "Observational" in text
    assert {"leave_one_out", "specifications", "imputed", "effects"} <= set(answer.tables)
    assert any("Leaving out" in sentence for sentence in answer.doubts["sentence"])
    assert "0x" not in text and text == repr(answer)


def test_the_first_specification_is_the_one_reported(answer):
    first = answer.tables["specifications"].groupby("term").first()
    rows = answer.drivers.effects.query("side == 'within'").set_index("term")
    for term in first.index:
        assert first.loc[term, "estimate"] == pytest.approx(rows.loc[term, "estimate"], rel=1e-3)


def test_every_grower_and_season_is_left_out_once(answer):
    table = answer.tables["leave_one_out"]
    used = answer.drivers.rows.loc[answer.drivers.fit.design.index]
    for group in ("grower", "season"):
        assert table.loc[table["group"] == group, "left_out"].nunique() == used[group].nunique()


def test_a_quick_answer_skips_the_many_fits(club):
    quick = what_drives_gain(club.tables, thorough=False)
    assert "specifications" not in quick.tables and len(quick.findings) >= 4


def test_who_did_well_ranks_with_doubt(club, answer):
    told = who_did_well(club.tables, drivers=answer.drivers)
    assert len(told.tables["shifts"]) == len(told.tables["ranks"])
    assert any("pairs" in sentence for sentence in told.doubts["sentence"])
    entries = who_did_well(club.tables, drivers=answer.drivers, group="fruit")
    assert "entries" in repr(entries)


@pytest.mark.parametrize(("group", "words"), [("patch", "patches"), ("seed", "seed lines"), ("season", "seasons"),
                                              ("patch_season", "patches in a season")])
def test_every_group_is_compared_in_words(club, answer, group, words):
    told = who_did_well(club.tables, drivers=answer.drivers, group=group)
    assert all(f" {words}" in finding.sentence for finding in told.findings)
    assert not any(sentence.startswith("0 ") for sentence in told.doubts["sentence"])


@pytest.mark.parametrize("seasons", [1, 2])
def test_a_club_in_its_first_seasons_is_answered(seasons):
    young = demo.simulate(members=16, seasons=seasons).tables
    answer = what_drives_gain(young, jobs=1)
    assert len(answer.findings) >= 4 and "season" not in answer.tables["leave_one_out"]["group"].to_numpy()
    assert ("(1 | season)" in answer.drivers.model.formula) == (seasons > 1)
    assert len(who_did_well(young, drivers=answer.drivers).tables["ranks"]) > 5


def test_a_grower_alone_learns_from_the_own_fruits(club):
    gains = daily_gains(club.tables)
    most = gains.drop_duplicates("fruit")["grower"].value_counts().index[0]
    alone = fit_drivers(None, gains=gains[gains["grower"] == most])
    assert set(alone.effects["side"]) == {"within", "naive"} and alone.sides.empty
