"""Relationship matrices, against Mrode's tables and the closed forms of inbreeding.

Mrode R.A. 2014, Linear Models for the Prediction of Animal Breeding Values, 3rd edition, CABI.
"""

import numpy as np
import pandas as pd
import pytest

from patchstats.kinship import (
    build_pedigree,
    inbreeding,
    inverse_relationship,
    mendelian_share,
    plan_crosses,
    relationship_matrix,
    seed_pedigree,
)
from patchstats.remarks import PatchstatsError


def numbered(*rows):
    return build_pedigree([tuple(None if x is None else str(x) for x in row) for row in rows])


# Mrode 2014, Table 2.1
MRODE = numbered((1, None, None), (2, None, None), (3, 1, 2), (4, 1, None), (5, 4, 3), (6, 5, 2))


def in_order(table, n):
    names = [str(i) for i in range(1, n + 1)]
    return table.loc[names, names].to_numpy() if isinstance(table, pd.DataFrame) else table.loc[names].to_numpy()


def test_mrode_table_2_1():
    # Mrode 2014, the relationship matrix of section 2.2; T and D, page 25 (.46875 is printed .469)
    expected = [[1, 0, .5, .5, .5, .25], [0, 1, .5, 0, .25, .625], [.5, .5, 1, .25, .625, .5625],
                [.5, 0, .25, 1, .625, .3125], [.5, .25, .625, .625, 1.125, .6875],
                [.25, .625, .5625, .3125, .6875, 1.125]]
    assert in_order(relationship_matrix(MRODE), 6).tolist() == expected
    assert in_order(inbreeding(MRODE), 6).tolist() == [0, 0, 0, 0, .125, .125]
    assert in_order(mendelian_share(MRODE), 6).tolist() == [1, 1, .5, .75, .5, .46875]


def test_mrode_inverse():
    # Mrode 2014, section 2.4, the inverse with inbreeding counted
    printed = [[1.8333, .5, -1, -.6667, 0, 0], [.5, 2.0333, -1, 0, .5333, -1.0667], [-1, -1, 2.5, .5, -1, 0],
               [-.6667, 0, .5, 1.8333, -1, 0], [0, .5333, -1, -1, 2.5333, -1.0667], [0, -1.0667, 0, 0, -1.0667, 2.1333]]
    inverse = in_order(inverse_relationship(MRODE), 6)
    assert np.abs(inverse - printed).max() <= 0.5e-4 + 1e-12
    assert np.allclose(inverse @ in_order(relationship_matrix(MRODE), 6), np.eye(6), atol=1e-12)


def test_mrode_example_3_1_breeding_values():
    # Mrode 2014, Example 3.1, page 39; 8 digits from Masuda Y., BLUPF90 tutorial. Weaning gain of five calves with
    # fixed sex, variances 20 and 40; breeding values of 8 animals and their reliabilities
    pedigree = numbered((4, 1, None), (5, 3, 2), (6, 1, 2), (7, 4, 5), (8, 3, 6))
    inverse = inverse_relationship(pedigree)
    names = [str(i) for i in range(1, 9)]
    inverse = inverse.loc[names, names].to_numpy()
    y = np.array([4.5, 2.9, 3.9, 3.5, 5.0])
    x = np.array([[1, 0], [0, 1], [0, 1], [1, 0], [1, 0]], dtype=float)
    z = np.eye(8)[3:]
    left = np.block([[x.T @ x, x.T @ z], [z.T @ x, z.T @ z + 2.0 * inverse]])
    solution = np.linalg.solve(left, np.concatenate([x.T @ y, z.T @ y]))
    assert np.allclose(solution, [4.35850233, 3.40443010, .09844458, -.01877010, -.04108420, -.00866312, -.18573210,
                                  .17687209, -.24945855, .18261469], atol=5e-9)
    error = np.diag(np.linalg.inv(left))[2:] * 40.0
    assert np.allclose(1.0 - error / 20.0, [.057812, .015809, .087082, .144640, .143787, .115434, .116288, .155272],
                       atol=5e-7)


def test_full_sib_mating():
    # eight animals 5 = 6 = (1, 2), 7 = (3, 4), 8 = (5, 6): course notes of the Danish royal veterinary college
    a = relationship_matrix(numbered((5, 1, 2), (6, 1, 2), (7, 3, 4), (8, 5, 6)))
    assert (a.loc["8", "8"], a.loc["8", "5"]) == (1.25, .75)


def test_selfing_line():
    # Wright: after t selfings F = 1 - 2**-t; the inverse is tridiagonal in closed form
    t = 6
    pedigree = build_pedigree([(f"s{i}", f"s{i - 1}", f"s{i - 1}") for i in range(1, t + 1)])
    names = [f"s{i}" for i in range(t + 1)]
    assert inbreeding(pedigree)[names].tolist() == [0, .5, .75, .875, .9375, .96875, .984375]
    assert mendelian_share(pedigree)[names].tolist() == [1, .5, .25, .125, .0625, .03125, .015625]
    diagonal = [3.0 * 2**i for i in range(t)] + [2.0**t]
    beside = [-(2.0 ** (i + 1)) for i in range(t)]
    expected = np.diag(diagonal) + np.diag(beside, 1) + np.diag(beside, -1)
    assert inverse_relationship(pedigree).loc[names, names].to_numpy().tolist() == expected.tolist()


def test_selfed_seed_row():
    # mother 1, 2 = self(1), 3 unrelated, 4 = 2 x 3, 5 = self(2), 6 = 2 x 4 (closed forms by hand)
    pedigree = numbered((2, 1, 1), (4, 2, 3), (5, 2, 2), (6, 2, 4))
    a = in_order(relationship_matrix(pedigree), 6)
    assert a[0].tolist() == [1, 1, 0, .5, 1, .75]
    assert [a[1, 1], a[1, 3], a[1, 4], a[1, 5], a[4, 4], a[5, 5]] == [1.5, .75, 1.5, 1.125, 1.75, 1.375]
    assert np.allclose(np.linalg.inv(a), in_order(inverse_relationship(pedigree), 6), atol=1e-12)


def test_closed_forms_of_inbreeding():
    # Wright 1921: a full-sib line, by generation
    rows = [("f1", "a", "b"), ("m1", "a", "b")]
    rows += [(f"{x}{g}", f"f{g - 1}", f"m{g - 1}") for g in range(2, 9) for x in "fm"]
    f = inbreeding(build_pedigree(rows))
    assert np.round([f[f"f{g}"] for g in range(2, 9)], 6).tolist() == [
        .25, .375, .5, .59375, .671875, .734375, .785156]
    # half sibs, first cousins, parent and offspring
    cases = build_pedigree([
        ("h1", "p", "q"), ("h2", "p", "r"), ("half", "h1", "h2"),
        ("c1", "s1", "u"), ("c2", "s2", "v"), ("s1", "x", "y"), ("s2", "x", "y"), ("cousin", "c1", "c2"),
        ("back1", "h1", "p"), ("back2", "back1", "p"), ("back3", "back2", "p"), ("back4", "back3", "p")])
    f = inbreeding(cases)
    assert f[["half", "cousin", "back1", "back2", "back3", "back4"]].tolist() == [
        .125, .0625, .25, .375, .4375, .46875]


def test_henderson_against_the_numeric_inverse_on_random_pedigrees():
    # a law, with selfs, unknown parents and repeated mates
    rng = np.random.default_rng(4)
    for _ in range(10):
        rows = []
        for i in range(4, 60):
            dam, sire = rng.integers(0, i, 2)
            if rng.random() < 0.2:
                sire = dam
            rows.append((str(i), str(dam), None if rng.random() < 0.15 else str(sire)))
        rng.shuffle(rows)
        pedigree = build_pedigree([tuple(r) for r in rows])
        a = relationship_matrix(pedigree).to_numpy()
        product = inverse_relationship(pedigree).to_numpy() @ a
        assert np.abs(product - np.eye(len(a))).max() < 1e-9
        assert np.linalg.eigvalsh(a).min() > 0


def test_loops_and_repeats_are_reported():
    pedigree = build_pedigree([("a", "b", "x"), ("b", "c", None), ("c", "a", "y"), ("d", "d", "z"), ("e", "x", "y"),
                               ("e", "x", "z"), ("e", None, None), ("g", None, "x"), ("g", "y", None)])
    faults = pedigree.faults.groupby("seed")["fault"].first()
    assert set(faults.index) == {"a", "b", "c", "d", "e"}
    assert faults["a"] == "It is written as its own ancestor through a, b, c; its parent b is left out."
    assert faults["d"] == "It is written as its own ancestor through d; its parent d is left out."
    assert faults["e"] == ("It stands more than once with different parents: pollen parent y is kept, z is not.")
    known = pedigree.frame().set_index("seed")
    assert known.loc["a"].tolist() == [None, "x"]  # what does not loop is kept
    assert known.loc["g"].tolist() == ["y", "x"]  # rows fill each other
    assert np.isfinite(relationship_matrix(pedigree).to_numpy()).all()


def test_sound_pedigrees_have_no_faults():
    assert MRODE.faults.empty
    assert build_pedigree([]).faults.empty
    assert len(build_pedigree([])) == 0
    assert inverse_relationship(build_pedigree([("a", None, None)])).to_numpy().tolist() == [[1.0]]


SEEDS = pd.DataFrame(
    [("1800 Quell 2021", "1500 Thornby 19", "1600 Ashmere 2019"), ("1900 Quell 2022", "1800 quell 21", "Self"),
     ("1700 Dunmore 2022", "1800 Quell 2021", "sib"), ("1750 Dunmore 2022", "1800 Quell 2021", "open"),
     ("1650 Elmet 2022", "1555 Elmet 2020", "sibb"),
     ("2000 Ashmere 2023 (1900 Quell 22 x 1700 Dunmore 22)", None, None),
     ("1400 Elmet 2023", None, "self"), (None, "1500 Thornby 19", None)],
    columns=["seed", "seed_parent", "pollen_parent"])


def test_seeds_as_the_trade_writes_them():
    pedigree = seed_pedigree(SEEDS)
    f = inbreeding(pedigree)
    assert f["1800 Quell 2021"] == 0
    assert f["1900 Quell 2022"] == 0.5  # a self
    assert f["1700 Dunmore 2022"] == 0.25  # a full-sib cross, the sib having the mother's parents
    assert f["1650 Elmet 2022"] == 0.25  # also where nobody wrote down the mother's parents
    assert f["1750 Dunmore 2022"] == 0  # open: father unknown
    known = pedigree.frame().set_index("seed")
    assert known.loc["2000 Ashmere 2023"].tolist() == ["1900 Quell 2022", "1700 Dunmore 2022"]
    assert f["1400 Elmet 2023"] == 0.5  # a self of nobody knows what is inbred all the same
    assert known.loc["1400 Elmet 2023"].tolist() == ["1400 Elmet 2023 (its seed parent)"] * 2
    assert known.loc["1800 Quell 2021 (sib)"].tolist() == ["1500 Thornby 2019", "1600 Ashmere 2019"]
    assert pedigree.faults.empty


def test_a_self_or_sib_is_inbred_whoever_its_mother_was():
    """Wright: F of a selfed seed is 1/2, of a full sibs' seed 1/4. The mother may stand in another row, or nowhere."""
    columns = ["seed", "seed_parent", "pollen_parent"]
    f = inbreeding(seed_pedigree(pd.DataFrame([("895 Quell 08 self", None, None), ("900 Quell 09", None, "sib")],
                                              columns=columns)))
    assert f["895 Quell 2008"] == 0.5 and f["900 Quell 2009"] == 0.25
    split = seed_pedigree(pd.DataFrame([("895 Quell 08", None, "self"), ("895 Quell 08", "700 Dunmore 05", None)],
                                       columns=columns))
    assert split.faults.empty
    assert split.frame().set_index("seed").loc["895 Quell 2008"].tolist() == ["700 Dunmore 2005"] * 2


def test_open_pollen_can_be_taken_otherwise():
    assert inbreeding(seed_pedigree(SEEDS, open_as="self"))["1750 Dunmore 2022"] == 0.5
    assert inbreeding(seed_pedigree(SEEDS, open_as="sib"))["1750 Dunmore 2022"] == 0.25
    with pytest.raises(PatchstatsError, match="unknown, self, sib, not as 'wind'"):
        seed_pedigree(SEEDS, open_as="wind")


def test_plan_crosses():
    pedigree = seed_pedigree(SEEDS)
    values = pd.Series({"1800 Quell 2021": 20.0, "1900 Quell 2022": 30.0})
    plan = plan_crosses(pedigree, ["1800 Quell 21", "1900 Quell 2022"], breeding_values=values, genetic_sd=10.0,
                        stock=pd.Series({"1800 Quell 2021": 4, "1900 Quell 2022": 9}))
    assert plan[["seed_parent", "pollen_parent"]].values.tolist() == [
        ["1800 Quell 21", "1800 Quell 21"], ["1800 Quell 21", "1900 Quell 2022"],
        ["1900 Quell 2022", "1900 Quell 2022"]]
    # self, backcross to the selfed parent, second selfing: closed forms
    assert plan["inbreeding"].tolist() == [0.5, 0.5, 0.75]
    assert plan["expected"].tolist() == [20.0, 25.0, 30.0]
    assert plan["mendelian_share"].tolist() == [0.5, 0.375, 0.25]
    assert np.allclose(plan["spread"], 10.0 * np.sqrt([0.5, 0.375, 0.25]))
    assert plan["stock"].tolist() == [4, 4, 9]
    with pytest.raises(PatchstatsError, match="'7 Nobody' is not in the pedigree"):
        plan_crosses(pedigree, ["7 Nobody"])


def test_offspring_of_a_planned_cross_are_what_was_said():
    # the plan against the matrix with the offspring written in
    rows = list(MRODE.frame().itertuples(index=False, name=None))
    rows = [tuple(None if pd.isna(x) else x for x in row) for row in rows]
    plan = plan_crosses(MRODE, ["6", "5"], ["5", "6", "1"])
    for cross in plan.itertuples():
        child = build_pedigree([*rows, ("new", cross.seed_parent, cross.pollen_parent)])
        assert inbreeding(child)["new"] == cross.inbreeding
        assert mendelian_share(child)["new"] == cross.mendelian_share


def test_selfing_without_end_is_refused():
    pedigree = build_pedigree([(f"s{i}", f"s{i - 1}", f"s{i - 1}") for i in range(1, 60)])
    with pytest.raises(PatchstatsError, match="selfed for so long that no variation is left"):
        inverse_relationship(pedigree)
