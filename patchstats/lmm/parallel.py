"""The same task many times over, on as many cores as are asked for (or a Dask cluster, through joblib)."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterable, Iterator
from typing import Any

_QUIET_S, _EVERY_S = 2.0, 0.5  # short jobs say nothing


def each(task: Callable, arguments: Iterable[tuple], workers: int = 1, progress: bool | None = None) -> list[Any]:
    """``task(*a)`` for every ``a``, in order.

    ``workers``: processes, -1 for one a core; the answer is the same. ``progress``: one line on the error stream that
    counts what is done; None: where that stream is a terminal and the job lasts longer than a moment.
    """
    calls = list(arguments)
    if workers == 1:
        results: Iterable[Any] = (task(*argument) for argument in calls)
    else:
        from joblib import Parallel, delayed

        results = Parallel(n_jobs=workers, return_as="generator")(delayed(task)(*argument) for argument in calls)
    if progress or (progress is None and sys.stderr.isatty()):
        results = _counted(results, len(calls), 0.0 if progress else _QUIET_S)
    return list(results)


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
