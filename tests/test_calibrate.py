"""Calibrate: percent to chart against recorded weigh-off results."""

import numpy as np
import pandas as pd
import pytest

from patchstats.calibrate import weighed
from patchstats.remarks import PatchstatsError
from patchstats.tables import conform


def club(rows, season=2021, kind="pumpkin"):
    fruits = [(f"Club/{season}/{n}", "Club", season, kind) for n in range(len(rows))]
    return {
        "fruits": conform("fruits", pd.DataFrame(fruits, columns=["fruit", "grower", "season", "kind"])),
        "weighings": conform("weighings", pd.DataFrame({
            "fruit": [f[0] for f in fruits], "date": pd.Timestamp(season, 10, 2), "status": "official",
            "over_the_top_cm": [inches * 2.54 for inches, *_ in rows],
            "scale_kg": [pounds * 0.45359237 for _, _, pounds, *_ in rows]}))}


# Over-the-top inches, chart pounds, scale pounds, recorded percent (a whole percent) of the heaviest of 2021:
# Giant Pumpkins, R4DS TidyTuesday 2021-10-19.
TOP_2021 = [(514, 2553, 2702.9, 6), (489, 2296, 2517.7, 10), (488, 2283, 2439.4, 7), (468, 2081, 2376.0, 14),
            (487, 2270, 2365.0, 4), (475, 2150, 2356.7, 10), (470, 2101, 2356.0, 12), (472, 2122, 2218.0, 5),
            (449, 1883, 2201.0, 17), (452, 1913, 2195.0, 15)]


def test_percent_to_chart_as_recorded():
    # Half a unit of the recorded whole percent, and a quarter more because the file keeps whole inches where sites tape
    # half inches (half an inch is 5 lb of these 2,000 lb).
    found = weighed(club(TOP_2021))
    assert np.abs(found["to_chart_percent"] - [row[3] for row in TOP_2021]).max() <= 0.75


def test_the_table_is_that_of_the_season():
    # 300 in: 606 lb by the table of 2013-16, 623 lb by that of 2017-21; modal recorded chart values, same source.
    for season, pounds in ((2014, 606), (2019, 623)):
        found = weighed(club([(300, pounds, pounds, 0)], season=season))
        assert found["table_kg"].iloc[0] / 0.45359237 == pytest.approx(pounds, abs=0.5)
        assert found["to_chart_percent"].iloc[0] == pytest.approx(0, abs=0.1)


def test_what_has_no_table_stays_empty_and_a_wrong_name_is_an_error():
    gourd = weighed(club([(120, 0, 100.0, 0)], kind="long gourd"))
    assert gourd["table_kg"].isna().all() and gourd["table"].isna().all()
    untaped = club(TOP_2021[:2])
    untaped["weighings"]["over_the_top_cm"] = np.nan
    assert weighed(untaped)["to_chart_percent"].isna().all()
    with pytest.raises(PatchstatsError, match="There is no weight table 'mine'"):
        weighed(club(TOP_2021), table="mine")


def test_a_club_without_weighings_gives_an_empty_table():
    assert weighed({}).empty
