"""A factor whose levels are related in a known way: its table taken in, checked, and split into a root."""

from __future__ import annotations

import numpy as np
import pandas as pd

from patchstats.lmm.formula import RandomDesign
from patchstats.lmm.optimise import semidefinite_root
from patchstats.remarks import ModelError


def known_levels(random: RandomDesign, matrix: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Labels of all levels of the relationship, each row's level number among them, and a lower root."""
    name = random.part.group_name
    if not isinstance(matrix, pd.DataFrame) or list(matrix.index) != list(matrix.columns):
        raise ModelError(f"The relationship of {name!r} must be a square table with the same labels on both sides.")
    labels = np.asarray(matrix.index, dtype=object)
    place = {label: number for number, label in enumerate(labels)}
    if len(place) != len(labels):
        raise ModelError(f"The relationship of {name!r} has a label twice.")
    unknown = [label for label in random.labels if label not in place]
    if unknown:
        raise ModelError(f"The relationship of {name!r} lacks {len(unknown)} of the levels in the data, "
                         f"the first being {unknown[0]!r}.")
    values = matrix.to_numpy(dtype=float)
    if not np.allclose(values, values.T, rtol=0.0, atol=1e-10 * np.abs(values).max()):
        raise ModelError(f"The relationship of {name!r} is not symmetric.")
    root = semidefinite_root(values)
    if not np.allclose(root @ root.T, values, rtol=0.0, atol=1e-8 * np.abs(values).max()):
        raise ModelError(f"The relationship of {name!r} is no covariance: it has a negative eigenvalue.")
    return labels, np.array([place[label] for label in random.labels])[random.codes], root
