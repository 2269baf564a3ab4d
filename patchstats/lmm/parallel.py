"""The same task many times over, on as many cores as are asked for (or a Dask cluster, through joblib)."""

from __future__ import annotations

import importlib
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from typing import Any

_QUIET_S, _EVERY_S = 2.0, 0.5  # short jobs say nothing


def each(task: Callable, arguments: Iterable[tuple], workers: int = 1, progress: bool | None = None,
         of: int | None = None) -> list[Any]:
    """``task(*a)`` for every ``a``, in order.

    ``workers``: processes, -1 for one a core; the answer is the same. ``progress``: one line on the error stream that
    counts what is done; None: where that stream is a terminal and the job lasts longer than a moment. With ``of``, how
    many there are, the arguments may be a generator: the first ones are at work while it makes the others.
    """
    calls = list(arguments) if of is None else arguments
    count = len(calls) if isinstance(calls, list) else int(of or 0)
    if workers == 1:
        results: Iterable[Any] = (task(*argument) for argument in calls)
    else:
        from joblib import Parallel, delayed

        # A generator is drained by this very thread, so that what goes wrong in it is heard of.
        ahead = "2*n_jobs" if of is None else "all"
        results = Parallel(n_jobs=workers, return_as="generator", pre_dispatch=ahead)(
            delayed(task)(*argument) for argument in calls)
    if progress or (progress is None and sys.stderr.isatty()):
        results = _counted(results, count, 0.0 if progress else _QUIET_S)
    return list(results)


def wake(module: str, workers: int) -> None:
    """Start the processes that :func:`each` will use, and have them import a module, which can take seconds."""
    if workers != 1:
        each(_imported, [(module,)] * max(workers, 1), workers, progress=False)


def _imported(module: str) -> None:
    importlib.import_module(module)


def _counted(results: Iterable[Any], of: int, quiet_s: float) -> Iterator[Any]:
    """The results as they come, and on the error stream how many have come and how long the rest may take."""
    began, said = time.monotonic(), None
    for done, result in enumerate(results, start=1):
        now = time.monotonic()
        if now - began >= quiet_s and (said is None or now - said >= _EVERY_S or done == of):
            left = (now - began) / done * (of - done)
            print(f"\r{done:,} of {of:,} done, about {left:,.0f} s left ", end="", file=sys.stderr, flush=True)
            said = now
        yield result
    if said is not None:
        print(file=sys.stderr)
