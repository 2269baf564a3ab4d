"""Data in pieces give the answer of the whole table."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from patchstats.lmm import bootstrap, fit_mixed, influence, interval
from patchstats.remarks import ModelError

_FORMULA = ("y ~ spline(day, knots=(0, 20, 40, 60)) + kind + I(2 * x) + x + (1 + day | fruit) + (1 | grower)"
            " + (1 | grower:season)")


@pytest.fixture(scope="module")
def table():
    rng = np.random.default_rng(8)
    n = 1500
    fruit = np.repeat(np.arange(50), 30)
    data = pd.DataFrame({"fruit": fruit, "grower": np.array(list("abcdefgh"))[fruit % 8],
                         "season": 2020 + fruit // 8 % 4, "day": rng.uniform(0, 60, n),
                         "kind": np.where(fruit % 3 == 0, "u", "v"), "x": rng.normal(size=n),
                         "w": rng.integers(1, 4, n).astype(float)})
    data["y"] = 1000.0 + data["x"] + rng.normal(size=50)[fruit] + 0.1 * rng.normal(size=50)[fruit] * data["day"]
    data["y"] += rng.normal(size=n)
    data.loc[5, "x"] = np.nan
    return data


def _same(whole, pieced, table):
    assert pieced.criterion == pytest.approx(whole.criterion, rel=1e-10)
    np.testing.assert_allclose(pieced.coef[["estimate", "se"]], whole.coef[["estimate", "se"]], rtol=1e-7)
    np.testing.assert_allclose(pieced.variances, whole.variances, rtol=1e-6, atol=1e-8)
    pd.testing.assert_frame_equal(pieced.levels("grower"), whole.levels("grower"), rtol=1e-6)
    np.testing.assert_allclose(pieced.predict(table.dropna().tail(7)), whole.predict(table.dropna().tail(7)), rtol=1e-7)
    assert (pieced.n_rows, pieced.dropped, pieced.dropped_columns) == (whole.n_rows, 1, whole.dropped_columns)


def test_an_iterable_of_tables(table):
    whole = fit_mixed(_FORMULA, table)
    assert whole.dropped_columns == ("x",)
    _same(whole, fit_mixed(_FORMULA, (table.iloc[k::4] for k in range(4))), table)
    by_weight = fit_mixed(_FORMULA, table, weights="w")
    pieced = fit_mixed(_FORMULA, [table.iloc[:400], table.iloc[400:]], weights="w", pilot=table)
    assert pieced.criterion == pytest.approx(by_weight.criterion, rel=1e-10)


def test_a_parquet_file(table, tmp_path):
    pytest.importorskip("pyarrow")
    table.to_parquet(tmp_path / "gains.parquet")
    _same(fit_mixed(_FORMULA, table), fit_mixed(_FORMULA, tmp_path / "gains.parquet"), table)
    with pytest.raises(ModelError, match="There is no file"):
        fit_mixed(_FORMULA, tmp_path / "nothing.parquet")


def test_a_dask_table(table):
    dask = pytest.importorskip("dask")
    frame = pytest.importorskip("dask.dataframe").from_pandas(table, npartitions=3)
    with dask.config.set(scheduler="synchronous"):
        _same(fit_mixed(_FORMULA, table), fit_mixed(_FORMULA, frame, pilot=table), table)


def test_pieces_with_a_relationship_and_a_profile(table):
    labels = list("abcdefgh")
    relation = pd.DataFrame(0.5 * np.eye(8) + 0.5, index=labels, columns=labels)
    formula = "y ~ x + (1 | fruit) + (1 | grower)"
    whole = fit_mixed(formula, table, known={"grower": relation})
    pieced = fit_mixed(formula, [table.iloc[:700], table.iloc[700:]], known={"grower": relation})
    assert pieced.criterion == pytest.approx(whole.criterion, rel=1e-10)
    pd.testing.assert_frame_equal(pieced.levels("grower"), whole.levels("grower"), rtol=1e-6)
    for method in ("wald", "profile"):
        found = interval(pieced, ("fruit", "(Intercept)"), method=method)
        pd.testing.assert_frame_equal(found, interval(whole, ("fruit", "(Intercept)"), method=method), rtol=1e-5)


def test_rows_that_were_not_kept_are_missed_in_words(table):
    fit = fit_mixed("y ~ day + (1 | fruit)", [table])
    with pytest.raises(ModelError, match="kept no rows"):
        fit.predict()
    with pytest.raises(ModelError, match="kept no rows"):
        _ = fit.residuals
    for question in (lambda: bootstrap(fit, draws=1), lambda: influence(fit, "fruit")):
        with pytest.raises(ModelError, match="kept no rows"):
            question()
    assert "1,500 rows" in repr(fit)
    with pytest.raises(ModelError, match="independent errors only"):
        fit_mixed("y ~ day + (1 | fruit)", [table], errors="ar1")
    with pytest.raises(ModelError, match="no piece"):
        fit_mixed("y ~ day + (1 | fruit)", [])
    with pytest.raises(ModelError, match="must be a table, an iterable"):
        fit_mixed("y ~ day + (1 | fruit)", 7)


def test_a_level_met_too_late_is_named(table):
    first, later = table[table["kind"] == "u"], table[table["kind"] == "v"]
    with pytest.raises(ModelError, match="do not fit the model"):
        fit_mixed("y ~ kind + (1 | fruit)", [first.assign(kind=np.where(first["fruit"] % 2, "u", "t")), later])
