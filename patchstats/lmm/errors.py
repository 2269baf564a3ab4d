"""How the residuals of rows hang together: each way gives moments of whitened rows, and their slopes.

A residual structure with parameters ``rho`` answers ``moments(rho)`` and ``pull_back(rho, cells_bar, total_bar)``,
the derivative of the criterion in ``rho`` from its derivatives in the moments (the log-determinant included).
"""

from __future__ import annotations

from typing import Protocol

import numpy as np

from patchstats.lmm.moments import Moments


class Residuals(Protocol):
    """What the engine asks of a residual structure; ``fixed_scale``: sigma2 is known to be one."""

    name: str
    fixed_scale: bool

    def start(self) -> np.ndarray: ...

    def moments(self, rho: np.ndarray) -> Moments: ...

    def pull_back(self, rho: np.ndarray, cells_bar: np.ndarray, total_bar: np.ndarray) -> np.ndarray: ...


class Independent:
    """Independent residuals of variance sigma2 over the row's weight."""

    name = "independent"
    fixed_scale = False

    def __init__(self, moments: Moments):
        self._moments = moments

    def start(self) -> np.ndarray:
        return np.zeros(0)

    def moments(self, rho: np.ndarray) -> Moments:
        return self._moments

    def pull_back(self, rho: np.ndarray, cells_bar: np.ndarray, total_bar: np.ndarray) -> np.ndarray:
        return np.zeros(0)
