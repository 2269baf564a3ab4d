"""Degree days, against published tables. The tables are in Fahrenheit; the formulas are indifferent to the unit."""

import numpy as np
import pandas as pd
import pytest

from patchstats.heat import CUTOFFS, METHODS, degree_days, degree_days_perry_wehner, heat_by_day
from patchstats.remarks import PatchstatsError
from patchstats.units import f_to_c

# Zalom F.G. et al. 1983, Univ. of California Leaflet 21373, Table 7 (lower 55, upper 90 F, horizontal cut-off), as
# held in the tests of UC ANR degday 0.4.0 (Lyons A.): min, max, next min, single and double triangle, single and
# double sine. At (60, 100, 75) the printed double triangle, 24.88, is a misprint (so its keeper suspects, too): the
# half-days give 23.75 and 30.5, mean 27.125.
ZALOM = [
    (96, 110, 91, 35.00, 35.00, 35.00, 35.00), (91, 105, 96, 35.00, 35.00, 35.00, 35.00), (45, 54, 38, 0, 0, 0, 0),
    (38, 50, 45, 0, 0, 0, 0), (60, 80, 75, 15.00, 18.75, 15.00, 18.75), (75, 88, 60, 26.50, 22.75, 26.50, 22.75),
    (50, 82, 45, 11.39, 10.62, 11.85, 11.31), (45, 70, 50, 4.50, 5.06, 5.31, 5.70),
    (60, 100, 75, 23.75, 27.125, 22.82, 26.26), (75, 95, 60, 29.38, 25.76, 28.91, 25.30),
    (50, 101, 48, 19.56, 19.19, 18.95, 18.69), (48, 95, 50, 16.76, 17.13, 16.96, 17.23),
]


@pytest.mark.parametrize(("column", "method"), [(3, "single triangle"), (4, "double triangle"), (5, "single sine"),
                                                (6, "double sine")])
def test_zalom_table_7(column, method):
    rows = np.array(ZALOM, dtype=float)
    heat = degree_days(rows[:, 0], rows[:, 1], base_c=55, ceiling_c=90, method=method, next_min_c=rows[:, 2])
    assert np.abs(heat - rows[:, column]).max() <= 0.005 + 1e-9


def test_uc_ipm_single_sine():
    # UC IPM values as used in the tests of Univ. of Wisconsin ag-weather: min, max, base, upper
    rows = [(30, 45, 40, 90, 1.2712244), (38, 100, 40, 90, 27.419432), (47, 80, 40, 90, 23.5),
            (63, 95, 40, 90, 38.1473627), (90, 95, 40, 80, 40.0)]
    for low, high, base, ceiling, expected in rows:
        heat = degree_days(low, high, base_c=base, ceiling_c=ceiling, method="single sine")
        assert heat == pytest.approx(expected, abs=5e-7 if expected < 10 else 5e-6)
    # closed form: a day wholly above the ceiling has ceiling less base, whatever it was (TrenchR's tests expect 5)
    assert degree_days(35, 40, base_c=12, ceiling_c=33, method="single sine") == 21


def test_modified_and_simple_average():
    # the same tests, modified average
    rows = [(30, 45, 40, 90, 2.5), (38, 100, 40, 90, 25.0), (47, 80, 40, 90, 23.5), (63, 95, 40, 90, 36.5),
            (90, 95, 40, 80, 40.0)]
    for low, high, base, ceiling, expected in rows:
        assert degree_days(low, high, base_c=base, ceiling_c=ceiling, method="modified average") == expected
    # and simple average
    for low, high, base, expected in [(48, 71, 50, 9.5), (60, 90, 50, 25), (-10, 80, 30, 5)]:
        assert degree_days(low, high, base_c=base, ceiling_c=np.inf, method="simple average") == expected


def test_86_50():
    # (max, min) -> degree days. Waushara Argus extension column, 25 Apr 2018: three days, 43 in all; Karhoff S., Ohio
    # State Univ. Ext., 2023; Iowa State Agron 541; Midwestern Regional Climate Center
    rows = [(90, 65, 25.5), (72, 46, 11), (63, 42, 6.5), (87, 63, 24.5), (70, 50, 10), (90, 48, 18), (92, 68, 27)]
    heat = [float(degree_days(low, high, base_c=50, ceiling_c=86, method="modified average")) for high, low, _ in rows]
    assert heat == [expected for *_, expected in rows]
    assert sum(heat[:3]) == 43


def test_mcmaster_and_wilhelm_table_1():
    # McMaster and Wilhelm 1997, Agric. For. Meteorol. 87:291-300, Table 1, base 0 C: (max, min), methods 1 and 2
    rows = np.array([(20, 10, 15, 15), (10, 1, 5.5, 5.5), (8, -2, 3, 4), (6, 0, 3, 3), (10, 5, 7.5, 7.5),
                     (5, -5, 0, 2.5), (-2, -7, 0, 0), (-5, -10, 0, 0), (10, -2, 4, 5), (15, 2, 8.5, 8.5)], dtype=float)
    for column, method in [(2, "simple average"), (3, "modified average")]:
        heat = degree_days(rows[:, 1], rows[:, 0], base_c=0.0, ceiling_c=np.inf, method=method)
        assert heat.tolist() == rows[:, column].tolist()


def test_cutoffs_of_esparto():
    # UC IPM results for Esparto, 2020, base 50 and upper 70 F, single sine (UCANR-IGIS degree-day challenge, Lyons
    # 2022): min, max, horizontal, vertical, intermediate. Temperatures are printed there in whole degrees.
    rows = [(43, 81, 10.71, 3.47, 8.12), (55, 92, 15.76, 4.54, 8.01), (72, 95, 20, 0, 6.5)]
    for low, high, *expected in rows:
        for cutoff, value in zip(CUTOFFS, expected, strict=True):
            heat = degree_days(low, high, base_c=50, ceiling_c=70, method="single sine", cutoff=cutoff)
            assert heat == pytest.approx(value, abs=0.005 + 1e-9), (low, high, cutoff)
    assert degree_days(38, 55, base_c=50, ceiling_c=70) == pytest.approx(1.19, abs=0.005)


def test_perry_and_wehner():
    # the rule of Perry and Wehner 1996: 85 -> 25, 95 -> 25, 100 -> 20 F days above 60 F
    heat = degree_days_perry_wehner(f_to_c(np.array([85.0, 95.0, 100.0, 50.0])))
    assert np.allclose(heat * 1.8, [25, 25, 20, 0])


@pytest.mark.parametrize("cutoff", CUTOFFS)
@pytest.mark.parametrize("method", METHODS)
def test_laws(method, cutoff):
    if cutoff != "horizontal" and not method.endswith(("sine", "triangle")):
        with pytest.raises(PatchstatsError, match="has no .* cut-off; use a sine or a triangle"):
            degree_days(10, 20, method=method, cutoff=cutoff)
        return
    low, span = np.meshgrid(np.linspace(-15, 40, 45), np.linspace(0, 25, 21))

    def heat(scale=1.0, shift=0.0):
        x = low.ravel() * scale + shift
        return degree_days(x, x + scale * span.ravel(), base_c=10 * scale + shift, ceiling_c=32 * scale + shift,
                           method=method, cutoff=cutoff, next_min_c=x - scale)

    celsius = heat()
    assert (celsius >= 0).all()
    assert (celsius <= 22 + 1e-12).all()
    # the unit does not matter: 900 F days are 500 C days
    assert np.allclose(heat(1.8, 32.0) / 1.8, celsius, atol=1e-9)
    # a hotter day never has less heat under a horizontal cut-off
    if cutoff == "horizontal" and method != "perry wehner":
        assert (np.diff(celsius.reshape(low.shape), axis=1) >= -1e-9).all()


@pytest.mark.parametrize("method", ["single sine", "single triangle"])
@pytest.mark.parametrize("cutoff", CUTOFFS)
def test_shapes_integrate(method, cutoff):
    # the closed forms against adding up 200,000 moments of the day
    t = (np.arange(200_000) + 0.5) / 200_000
    for low, high in [(5, 20), (8, 36), (15, 40), (12, 28)]:
        wave = np.sin(2 * np.pi * t) if method == "single sine" else 1 - 4 * np.abs(t - 0.5)
        air = (low + high) / 2 + (high - low) / 2 * wave
        above = np.maximum(air - 10, 0)
        earned = {"horizontal": np.minimum(above, 22), "vertical": np.where(air < 32, above, 0.0),
                  "intermediate": above - 2 * np.maximum(air - 32, 0)}
        expected = {name: moments.mean() for name, moments in earned.items()}
        expected["intermediate"] = max(expected["intermediate"], expected["vertical"])
        assert degree_days(low, high, method=method, cutoff=cutoff) == pytest.approx(expected[cutoff], abs=2e-4)


SHAPED = [m for m in METHODS if m.endswith(("sine", "triangle"))]


@pytest.mark.parametrize("method", ["single sine", "single triangle"])
def test_an_optimum_integrates(method):
    # the closed form against adding up 200,000 moments of the day: up to 26 C, down to nothing at 34
    t = (np.arange(200_000) + 0.5) / 200_000
    for low, high in [(5, 20), (8, 30), (15, 40), (28, 33), (35, 41)]:
        wave = np.sin(2 * np.pi * t) if method == "single sine" else 1 - 4 * np.abs(t - 0.5)
        air = (low + high) / 2 + (high - low) / 2 * wave
        earned = np.interp(air, [10, 26, 34], [0, 16, 0])
        heat = degree_days(low, high, base_c=10, optimum_c=26, ceiling_c=34, method=method)
        assert heat == pytest.approx(earned.mean(), abs=2e-4)


@pytest.mark.parametrize("method", SHAPED)
def test_an_optimum_stands_between_the_published_cutoffs(method):
    # Drawn to the ceiling it is the vertical cut-off (UC IPM, Esparto 2020, single sine: 3.47, 4.54 and 0), and with
    # the ceiling out of reach the horizontal cut-off at the optimum (Zalom et al. 1983, Table 7, above).
    rows = np.array(ZALOM, dtype=float)
    low, high, after = rows[:, 0], rows[:, 1], rows[:, 2]
    near = degree_days(low, high, base_c=55, optimum_c=90 - 1e-9, ceiling_c=90, method=method, next_min_c=after)
    vertical = degree_days(low, high, base_c=55, ceiling_c=90, method=method, cutoff="vertical", next_min_c=after)
    assert near == pytest.approx(vertical, abs=1e-3)
    far = degree_days(low, high, base_c=55, optimum_c=90, ceiling_c=1e12, method=method, next_min_c=after)
    column = {"single triangle": 3, "double triangle": 4, "single sine": 5, "double sine": 6}[method]
    assert np.abs(far - rows[:, column]).max() <= 0.005 + 1e-6
    if method == "single sine":
        esparto = degree_days([43, 55, 72], [81, 92, 95], base_c=50, optimum_c=70 - 1e-9, ceiling_c=70, method=method)
        assert esparto == pytest.approx([3.47, 4.54, 0.0], abs=0.005 + 1e-6)


def test_an_optimum_is_said_and_must_make_sense():
    days = pd.DataFrame({"patch": "p", "date": pd.to_datetime(["2024-07-01"]), "air_min_c": [10.0],
                         "air_max_c": [24.0]})
    row = heat_by_day(days, optimum_c=20.0).iloc[0]
    assert (row["cutoff"], row["optimum_c"]) == ("optimum", 20.0)
    assert row["heat_c_day"] < heat_by_day(days)["heat_c_day"].iloc[0]
    assert np.isnan(heat_by_day(days)["optimum_c"].iloc[0])
    with pytest.raises(PatchstatsError, match="must lie between base .10. and ceiling .32."):
        degree_days(10, 20, optimum_c=40)
    with pytest.raises(PatchstatsError, match="takes the place of the vertical cut-off"):
        degree_days(10, 20, optimum_c=25, cutoff="vertical")
    with pytest.raises(PatchstatsError, match="has no optimum; use a sine or a triangle"):
        degree_days(10, 20, optimum_c=25, method="simple average")


def test_level_days_and_no_ceiling():
    for method in METHODS:
        assert degree_days(20, 20, method=method, next_min_c=20) == 10
        expected = 22 if method != "perry wehner" else 12
        assert degree_days(42, 42, method=method, next_min_c=42) == expected
        assert degree_days(42, 42, ceiling_c=np.inf, method=method, next_min_c=42) == 32
    assert degree_days(5, 40, ceiling_c=np.inf, cutoff="vertical") == degree_days(5, 40, ceiling_c=np.inf)


def test_missing_and_faulty():
    for method in METHODS:
        assert np.isnan(degree_days([np.nan, 10], [20, np.nan], method=method, next_min_c=[10, 10])[0])
    with pytest.raises(PatchstatsError, match=r"On 1 day\(s\) the lowest temperature lies above the highest"):
        degree_days([10, 21], [20, 20])
    with pytest.raises(PatchstatsError, match="no degree-day method 'magic'"):
        degree_days(10, 20, method="magic")
    with pytest.raises(PatchstatsError, match="no cut-off 'sloping'"):
        degree_days(10, 20, cutoff="sloping")
    with pytest.raises(PatchstatsError, match="must lie below the ceiling"):
        degree_days(10, 20, base_c=32, ceiling_c=10)
    with pytest.raises(PatchstatsError, match="needs the next day's lowest"):
        degree_days(10, 20, method="double sine")


def test_heat_by_day_takes_the_next_day_of_the_same_patch():
    weather = pd.DataFrame({
        "patch": ["b", "a", "a", "a", "b"],
        "date": pd.to_datetime(["2024-02-29", "2024-02-29", "2024-03-01", "2024-03-03", "2024-03-01"]),
        "air_min_c": [50.0, 60, 75, 75, 45], "air_max_c": [82.0, 80, 88, 95, np.nan]}, index=[5, 3, 1, 2, 4])
    heat = heat_by_day(weather, base_c=55, ceiling_c=90, method="double triangle")
    assert heat.index.tolist() == [5, 3, 1, 2, 4]
    assert heat["heat_c_day"].round(2).tolist()[:2] == [10.62, 18.75]  # Zalom, Table 7
    assert heat["flag"].tolist() == ["", "", "no next day", "no next day", "no reading"]
    assert heat["heat_c_day"].isna().tolist() == [False, False, True, True, True]
    assert heat.loc[5, ["method", "cutoff", "base_c", "ceiling_c"]].tolist() == [
        "double triangle", "horizontal", 55, 90]
    with pytest.raises(PatchstatsError, match=r"lacks the column\(s\) air_max_c"):
        heat_by_day(weather.drop(columns="air_max_c"))
