"""Factors with a known relationship: Mrode's worked examples, singular and selfed pedigrees, dense matrices."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from dense_model import dense_criterion
from scipy import sparse

from patchstats.lmm import fit_mixed, hold
from patchstats.remarks import ModelError

sys.path.insert(0, str(Path(__file__).parent / "references"))
import mrode_beets as book  # noqa: E402


def relationship(parents):
    """Additive relationship by the tabular method (Emik & Terrill 1949), parents before children."""
    names = list(parents)
    a = pd.DataFrame(0.0, index=names, columns=names)
    for k, child in enumerate(names):
        sire, dam = parents[child]
        for other in names[:k]:
            shared = sum(a.loc[other, parent] for parent in (sire, dam) if parent is not None) / 2.0
            a.loc[child, other] = a.loc[other, child] = shared
        inbred = a.loc[sire, dam] / 2.0 if sire is not None and dam is not None else 0.0
        a.loc[child, child] = 1.0 + inbred
    return a


@pytest.fixture(scope="module")
def calves():
    data = pd.DataFrame([(calf, sex, sire, gain) for calf, sex, sire, _, gain in book.CALVES],
                        columns=["calf", "sex", "sire", "gain"])
    parents = dict.fromkeys((1, 2, 3), (None, None))
    parents |= {calf: (sire, dam) for calf, _, sire, dam, _ in book.CALVES}
    return data, relationship(parents)


def test_animal_model(calves):
    data, a = calves
    fit = hold(fit_mixed("gain ~ 0 + C(sex, levels=['male', 'female']) + (1 | calf)", data, known={"calf": a}),
               {"calf": 20.0, "residual": 40.0})
    np.testing.assert_allclose(fit.coef["estimate"], book.CALF_SEX, atol=5e-9)
    table = fit.levels("calf")
    assert list(table.index) == list(range(1, 9))
    np.testing.assert_allclose(table["shift"], book.CALF_VALUES, atol=5e-9)


def test_prediction_error_of_breeding_values(calves):
    data, a = calves
    fit = hold(fit_mixed("gain ~ 0 + C(sex, levels=['male', 'female']) + (1 | calf)", data, known={"calf": a}),
               {"calf": 20.0, "residual": 40.0})
    scaled = sparse.csr_array(np.eye(8) * fit.terms[0].transform[0, 0])
    variance = fit.system.variance(scaled, np.zeros((8, 2)))
    sep = np.sqrt(variance * fit.optimum.point.sigma2) * fit.problem.scaling.unit
    np.testing.assert_allclose(sep, book.CALF_SEP, atol=5e-9)
    reliability = 1.0 - sep ** 2 / (20.0 * np.diag(a))
    np.testing.assert_allclose(reliability, [.057812, .015809, .087082, .144640, .143787, .115434, .116288, .155272],
                               atol=5e-7)


def test_sire_model(calves):
    data, _ = calves
    a = relationship({1: (None, None), 3: (None, None), 4: (1, None)})
    fit = hold(fit_mixed("gain ~ 0 + C(sex, levels=['male', 'female']) + (1 | sire)", data, known={"sire": a}),
               {"sire": 5.0, "residual": 55.0})
    np.testing.assert_allclose(fit.coef["estimate"], book.SIRE_SEX, atol=5e-9)
    np.testing.assert_allclose(fit.levels("sire")["shift"].loc[list(book.SIRE_VALUES)], list(book.SIRE_VALUES.values()),
                               atol=5e-9)


def test_repeatability_model():
    rows = [(cow, cow, parity, *record) for cow, _, _, *records in book.COWS
            for parity, record in enumerate(records, start=1)]
    data = pd.DataFrame(rows, columns=["cow", "stall", "parity", "fat", "hys"])
    data = data.assign(parity1=data.parity == 1, parity2=data.parity == 2, hys2=data.hys == 2, hys4=data.hys == 4)
    data = data.astype(dict.fromkeys(("parity1", "parity2", "hys2", "hys4"), float))
    parents = dict.fromkeys((1, 2, 3), (None, None))
    parents |= {cow: (sire, dam) for cow, sire, dam, *_ in book.COWS}
    fit = fit_mixed("fat ~ 0 + hys2 + hys4 + parity1 + parity2 + (1 | cow) + (1 | stall)", data,
                    known={"cow": relationship(parents)})
    fit = hold(fit, {"cow": 20.0, "stall": 12.0, "residual": 28.0})
    np.testing.assert_allclose(fit.fixed[list(book.COW_FIXED)], list(book.COW_FIXED.values()), atol=5e-4)
    np.testing.assert_allclose(fit.levels("cow")["shift"], book.COW_VALUES, atol=5e-4)
    permanent = fit.levels("stall")["shift"]
    others = [cow for cow in book.COW_PERMANENT if cow != 6]
    np.testing.assert_allclose(permanent[others], [book.COW_PERMANENT[cow] for cow in others], atol=5e-4)
    # The book prints -17.229 for cow 6; the equations' exact answer, by dense matrices, is -17.2285.
    a = relationship(parents).to_numpy()
    x = data[list(book.COW_FIXED)].to_numpy()
    cow = pd.get_dummies(data["cow"]).reindex(columns=range(1, 9), fill_value=False).to_numpy(float)
    stall = pd.get_dummies(data["stall"]).to_numpy(float)
    v = 20.0 * cow @ a @ cow.T + 12.0 * stall @ stall.T + 28.0 * np.eye(len(data))
    left = data["fat"] - x @ np.linalg.solve(x.T @ np.linalg.solve(v, x), x.T @ np.linalg.solve(v, data["fat"]))
    np.testing.assert_allclose(permanent, 12.0 * stall.T @ np.linalg.solve(v, left), rtol=1e-10)
    # Mrode's repeatability, (20 + 12) / 60 = 0.53, for cows that are not inbred
    held = fit.variances["variance"]
    assert (held.iloc[0] + held.iloc[1]) / held.sum() == pytest.approx(0.533, abs=5e-4)
    assert fit.variances["share"].sum() == pytest.approx(1.0)


def _selfed():
    """A line selfed three times, its cross with an unrelated plant, and one plant entered twice under two names."""
    a = relationship({"mother": (None, None), "s1": ("mother", "mother"), "s2": ("s1", "s1"), "s3": ("s2", "s2"),
                      "other": (None, None), "cross": ("s3", "other")})
    # Wright's closed form for selfing: A_tt = 1 + F, F = 1 - 2^-t
    assert [a.loc[n, n] for n in ("mother", "s1", "s2", "s3")] == [1.0, 1.5, 1.75, 1.875]
    labels = [*a.index, "s3 again"]
    twice = a.reindex(index=labels, columns=labels)
    twice.loc["s3 again", :] = twice.loc["s3", :]
    twice.loc[:, "s3 again"] = twice.loc[:, "s3"]
    twice.loc["s3 again", "s3 again"] = a.loc["s3", "s3"]
    return twice


def test_singular_selfed_pedigree_against_dense():
    a = _selfed()
    assert np.linalg.eigvalsh(a.to_numpy())[0] < 1e-12
    rng = np.random.default_rng(4)
    n = 70
    data = pd.DataFrame({"line": rng.choice(a.index, n), "plot": rng.integers(0, 9, n), "x": rng.normal(size=n)})
    data["y"] = data["x"] + rng.normal(size=n)
    fit = fit_mixed("y ~ x + (1 + x | line) + (1 | plot)", data, known={"line": a})
    x = np.column_stack([np.ones(n), data["x"]])
    codes = pd.Index(a.index).get_indexer(data["line"])
    theta = np.array([0.7, -0.3, 0.4, 0.5])
    problem = fit.problem
    factors = [info.transform @ f for info, f in zip(fit.terms, problem.factors(theta), strict=True)]
    terms = [(x, codes, factors[0] @ factors[0].T, a.to_numpy()),
             (x[:, :1], data["plot"].to_numpy(), factors[1] @ factors[1].T, None)]
    assert codes.max() == len(a) - 1
    assert problem.evaluate(theta).value == pytest.approx(dense_criterion(data["y"].to_numpy(), x, terms), rel=1e-12)
    shifts = fit.levels("line").loc["s3", "shift"].to_numpy()
    np.testing.assert_allclose(shifts, fit.levels("line").loc["s3 again", "shift"], rtol=1e-8, atol=1e-10)


def test_identity_relationship_changes_nothing():
    rng = np.random.default_rng(9)
    data = pd.DataFrame({"g": np.repeat(list("abcdefgh"), 6), "h": np.tile(np.arange(6), 8)})
    data["y"] = rng.normal(size=48) + rng.normal(size=8).repeat(6)
    plain = fit_mixed("y ~ 1 + (1 | g) + (1 | h)", data)
    labels = list("abcdefgh")
    known = fit_mixed("y ~ 1 + (1 | g) + (1 | h)", data,
                      known={"g": pd.DataFrame(np.eye(8), index=labels, columns=labels)})
    assert known.criterion == pytest.approx(plain.criterion, rel=1e-12)
    np.testing.assert_allclose(known.levels("g")["shift"], plain.levels("g")["shift"], rtol=1e-6, atol=1e-9)


def test_relationships_that_cannot_be_used_say_why(calves):
    data, a = calves
    formula = "gain ~ 1 + (1 | calf)"
    with pytest.raises(ModelError, match="no random term has that group"):
        fit_mixed(formula, data, known={"sire": a})
    with pytest.raises(ModelError, match="lacks 1 of the levels"):
        fit_mixed(formula, data, known={"calf": a.drop(index=8, columns=8)})
    with pytest.raises(ModelError, match="not symmetric"):
        fit_mixed(formula, data, known={"calf": a + np.triu(np.ones_like(a), 1)})
    with pytest.raises(ModelError, match="negative eigenvalue"):
        fit_mixed(formula, data, known={"calf": a - 0.7 * np.ones_like(a)})
    with pytest.raises(ModelError, match="same labels on both sides"):
        fit_mixed(formula, data, known={"calf": a.rename(columns={8: 9})})
