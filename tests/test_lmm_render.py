"""What a fit says of itself: every doubt in its sentence, and one page for every place where it is shown."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from patchstats.lmm import fit_mixed


def _rows(seed=0, n_fruits=30, each=6):
    rng = np.random.default_rng(seed)
    fruit = np.repeat(np.arange(n_fruits), each)
    data = pd.DataFrame({"fruit": fruit, "grower": fruit % 3, "x": rng.normal(size=len(fruit))})
    data["gain"] = (data["x"] + rng.normal(size=n_fruits)[fruit] + rng.normal(size=3)[data["grower"]]
                    + rng.normal(size=len(fruit)))
    return data


def _sentences(formula, data):
    return dict(fit_mixed(formula, data).check().set_index("doubt")["sentence"])


def test_nothing_to_doubt():
    data = _rows()
    fit = fit_mixed("gain ~ x + (1 | fruit)", data)
    assert fit.check().empty
    assert "What to doubt" not in repr(fit)


def test_few_levels_and_few_degrees_of_freedom():
    found = _sentences("gain ~ x + (1 | fruit) + (1 | grower)", _rows())
    assert found["few levels"] == "grower has only 3 levels: its spread is hardly known."
    df = fit_mixed("gain ~ x + (1 | fruit) + (1 | grower)", _rows()).coef.loc["(Intercept)", "df"]
    assert found["few degrees of freedom"] == (f"(Intercept) rests on about {df:.1f} degrees of freedom: very few "
                                               "independent comparisons.")


def test_gaps_that_are_many():
    data = _rows()
    data.loc[:29, "x"] = np.nan
    assert _sentences("gain ~ x + (1 | fruit)", data)["gaps"] == (
        "30 of 180 rows were left out for gaps; if the gaps are no accident the answer leans.")


def test_columns_left_out():
    found = _sentences("gain ~ x + twice + (1 | fruit)", _rows().assign(twice=lambda t: 2 * t["x"]))
    assert found["columns"] == "Left out, being combinations of other columns: twice."


@pytest.mark.parametrize("far, words", [([5], "1 row lies"), ([5, 100], "2 rows lie")])
def test_rows_far_from_the_fit(far, words):
    data = _rows()
    data.loc[far, "gain"] += 40.0
    assert _sentences("gain ~ x + (1 | fruit)", data)["outliers"] == (
        f"{words} more than 5 residual standard deviations from the fit; see residuals.")


def test_spread_that_grows():
    rng = np.random.default_rng(1)
    data = _rows(1)
    data["gain"] = 10.0 + 5.0 * data["x"] + np.exp(data["x"]) * rng.normal(size=len(data))
    assert "as wide where fitted values are high; errors='power'" in _sentences("gain ~ x + (1 | fruit)", data)[
        "uneven spread"]


def test_a_search_that_stopped_says_so():
    fit = fit_mixed("gain ~ x + (1 | fruit)", _rows())
    stopped = replace(fit, optimum=replace(fit.optimum, converged=False))
    assert fit.converged and not stopped.converged
    assert stopped.check()["sentence"].iloc[0] == "The search for the best fit stopped early; do not use these numbers."
