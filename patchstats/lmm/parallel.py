"""The same task many times over, on as many cores as are asked for (or a Dask cluster, through joblib)."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any


def each(task: Callable, arguments: Iterable[tuple], workers: int = 1, progress: bool = False) -> list[Any]:
    """``task(*a)`` for every ``a``, in order. ``workers``: processes, -1 for one a core; the answer is the same."""
    if workers == 1:
        return [task(*argument) for argument in arguments]
    from joblib import Parallel, delayed

    return Parallel(n_jobs=workers, verbose=5 if progress else 0)(delayed(task)(*a) for a in arguments)
