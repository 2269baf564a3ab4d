"""Calibrate: percent to chart against recorded weigh-off results."""

import numpy as np
import pandas as pd
import pytest

from patchstats.calibrate import calibrate, scale_weight, weighed
from patchstats.demo import simulate
from patchstats.lmm import interval
from patchstats.remarks import ModelError, PatchstatsError
from patchstats.tables import conform
from patchstats.tape import TABLES, mass_from_tape, table_from_csv


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


# ---------------------------------------------------------------------------------------------------
# The club's own calibration

# Parts of ln(scale / chart) with which clubs are drawn, as computed from class P, 2017-21 of the same source: seed
# parent 0.031, grower 0.039, site in its season 0.024; single fruit 0.08 at 350 in, by size as the table's own scatter.
SEED, GROWER, SITE, FRUIT = 0.031, 0.039, 0.024, 0.08
CLUB = 0.01


def drawn_club(number, *, entries=240, lines=78, growers=34, sites=12, seed_sd=SEED):
    """A club drawn from the model: tables, and the true percent to chart of every line and grower."""
    rng = np.random.default_rng(number)
    share = 1.0 / np.arange(1, lines + 1) ** 0.6
    line = rng.choice(lines, size=entries, p=share / share.sum())
    grower, site = rng.integers(growers, size=entries), rng.integers(sites, size=entries)
    shift = {"S": rng.normal(0, seed_sd, lines), "G": rng.normal(0, GROWER, growers)}
    total = rng.uniform(550.0, 1150.0, entries)
    told = mass_from_tape(total)["mass_kg"].to_numpy()
    table = TABLES["pumpkin 2017-21"]
    own = FRUIT * table.scatter_percent(total / 2.54) / table.scatter_percent(350.0)
    log_ratio = (CLUB + shift["S"][line] + shift["G"][grower] + rng.normal(0, SITE, sites)[site]
                 + rng.normal(0, 1.0, entries) * own)
    names = [f"G{g:02d}/2021/{i}" for i, g in enumerate(grower)]
    fruits = pd.DataFrame({"fruit": names, "grower": [f"G{g:02d}" for g in grower], "season": 2021, "kind": "pumpkin",
                           "seed": [f"S{s:02d}" for s in line]})
    weighings = pd.DataFrame({
        "fruit": names, "date": pd.Timestamp("2021-09-20") + pd.to_timedelta(site, unit="D"), "status": "official",
        "scale_kg": told * np.exp(log_ratio), "over_the_top_cm": total})
    truth = {f"{letter}{i:02d}": 100.0 * np.expm1(CLUB + x) for letter, xs in shift.items() for i, x in enumerate(xs)}
    return {"fruits": conform("fruits", fruits), "weighings": conform("weighings", weighings)}, truth


@pytest.fixture(scope="module")
def drawn():
    return [(calibrate(tables), truth) for tables, truth in map(drawn_club, range(10))]


def covered(table, truth, column="to_chart_percent"):
    true = pd.Series(truth).reindex(table.index)
    return ((table[f"{column}_low"] <= true) & (true <= table[f"{column}_high"])).to_numpy()


@pytest.mark.parametrize("group", ["seeds", "growers"])
def test_intervals_of_lines_and_growers_cover(drawn, group):
    # Between clubs the share covered has a standard deviation of about 0.06; three standard errors of 10 clubs.
    shares = np.array([covered(getattr(found, group), truth).mean() for found, truth in drawn])
    assert shares.mean() > 0.9 - 3 * shares.std(ddof=1) / np.sqrt(len(shares))


def test_shrunken_shifts_are_nearer_the_truth_than_raw_means(drawn):
    for found, truth in drawn:
        true = pd.Series(truth).reindex(found.seeds.index)
        raw = found.seeds["to_chart_percent_mean"] - true
        assert ((found.seeds["to_chart_percent"] - true) ** 2).mean() < (raw**2).mean()


def test_the_spreads_are_found(drawn):
    for part, sd in (("seed line", SEED), ("grower", GROWER), ("single fruit at 350 in", FRUIT)):
        middle = np.array([found.spreads.loc[part, "sd_percent"] for found, _ in drawn])
        assert abs(middle.mean() - 100 * sd) < 3 * middle.std(ddof=1) / np.sqrt(len(middle)) + 0.2
        inside = [found.spreads.loc[part, "sd_percent_low"] <= 100 * sd <= found.spreads.loc[part, "sd_percent_high"]
                  for found, _ in drawn]
        assert sum(inside) >= 6  # of 10 at level 0.9: fewer come by chance once in 600 (scipy.stats.binom)


def test_the_spreads_are_those_that_the_fits_state(drawn):
    # by another way through the engine: Wald's table of a fit's quantities, in the reader's units
    found, _ = drawn[0]
    stated = [weight * interval(fit).loc[["sd(seed_line, (Intercept))", "sd(grower, (Intercept))"], "estimate"]
              for weight, fit in found.nodes]
    mean = 100.0 * sum(stated).to_numpy() / sum(weight for weight, _ in found.nodes)
    np.testing.assert_allclose(found.spreads.loc[["seed line", "grower"], "sd_percent"], mean, rtol=1e-9)


def test_a_club_whose_lines_are_alike_still_has_honest_intervals():
    tables, truth = drawn_club(40, seed_sd=0.0)
    found = calibrate(tables)
    assert found.fit.levels("seed_line")["se"].max() < 1e-6  # the single best value says "none", for certain
    width = found.seeds["to_chart_percent_high"] - found.seeds["to_chart_percent_low"]
    assert width.min() > 1.0  # percent: and yet nobody knows
    assert covered(found.seeds, truth).mean() > 0.85


def test_a_weight_from_the_tape_uses_the_line_and_covers(drawn):
    hits = []
    for number, (found, truth) in enumerate(drawn):
        rng = np.random.default_rng(1000 + number)
        lines = rng.choice(found.seeds.index, 20)
        size = rng.uniform(600.0, 1100.0, 20)
        table = TABLES["pumpkin 2017-21"]
        own = FRUIT * table.scatter_percent(size / 2.54) / table.scatter_percent(350.0)
        told = mass_from_tape(size)["mass_kg"].to_numpy()
        log_ratio = np.log1p(np.array([truth[x] for x in lines]) / 100.0) + rng.normal(0, GROWER, 20)
        log_ratio += rng.normal(0, SITE, 20) + rng.normal(0, 1, 20) * own
        made = scale_weight(found, pd.DataFrame({"over_the_top_cm": size, "seed": lines, "grower": None}), level=0.8)
        scale = told * np.exp(log_ratio)
        hits += ((made["mass_kg_low"] <= scale) & (scale <= made["mass_kg_high"])).tolist()
    # 200 weights at level 0.8: 99.8 % of binomial counts lie between 142 and 177 (scipy.stats.binom).
    assert 142 <= sum(hits) <= 177


def test_the_demo_tells_its_truth():
    club = simulate(seed=5)
    found = calibrate(club.tables)
    truth = club.truth["scale"]
    for part, name in (("seed line", "seed"), ("grower", "grower")):
        assert found.spreads.loc[part, "sd_percent_low"] <= 100 * truth[name] <= found.spreads.loc[part,
                                                                                                "sd_percent_high"]
    assert len(found.rows) + int(found.left_out["entries"].sum()) == len(club.tables["weighings"])
    selection = found.selection["fruits"]
    assert selection[["on the scale", "lost before", "cut or not weighed"]].sum() == len(club.tables["fruits"])


def test_prize_winners_run_heavy(drawn):
    # In all entries the mean is zero, the top ten are nearly all heavy (TidyTuesday 2021-10-19, as above).
    for found, _ in drawn:
        mean = found.selection["to_chart_percent_mean"]
        assert mean["the ten heaviest"] > mean["on the scale"]
    assert "prize winners" in repr(drawn[0][0])


def test_a_handful_of_entries_is_refused():
    with pytest.raises(ModelError, match="at least 20 entries with both tape and scale; there are 10"):
        calibrate(club(TOP_2021))


def test_damaged_entries_are_counted_and_not_used():
    tables, _ = drawn_club(3)
    tables["weighings"].loc[:4, "status"] = "damaged"
    found = calibrate(tables)
    assert len(found.rows) == 235
    assert found.left_out.loc["damaged", "entries"] == 5


def test_a_clubs_own_table_brings_its_own_scatter(tmp_path):
    # The points of the newest table, said to scatter by 20 % at every size: entries of all sizes then count alike, and
    # what is told of a new fruit scatters alike, while by the published scatter small fruit are the less certain.
    tables, _ = drawn_club(5)
    inches = np.arange(100, 515, 5)
    path = tmp_path / "ours.csv"
    pd.DataFrame({"inches": inches, "pounds": TABLES["pumpkin 2017-21"].weight_lb(inches)}).to_csv(path, index=False)
    ours = table_from_csv(path, name="ours", source="the club", scatter_percent=20.0)
    own, published = calibrate(tables, table=ours), calibrate(tables)
    assert set(own.rows["table"]) == {"ours"}
    assert np.ptp(own.rows["weight"]) == pytest.approx(0.0, abs=1e-12)
    assert np.ptp(published.rows["weight"]) > 0.5
    new = pd.DataFrame({"over_the_top_cm": [560.0, 1140.0]})
    widths = [np.log(made["mass_kg_high"] / made["mass_kg_low"]).to_numpy() for made in (
        scale_weight(own, new, table=ours, tape_se_cm=1e-6), scale_weight(published, new, tape_se_cm=1e-6))]
    # a size far from the middle is a little less certain in any case: its slope is estimated
    assert widths[0][0] / widths[0][1] == pytest.approx(1.0, abs=0.05)
    assert widths[1][0] / widths[1][1] > 1.2
