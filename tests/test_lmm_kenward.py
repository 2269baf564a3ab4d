"""Kenward and Roger's adjustment against its formulas by dense matrices, with slopes, weights and a relationship."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from patchstats.lmm import fit_mixed
from patchstats.lmm.kenward import kenward_roger
from patchstats.remarks import ModelError


def _dense(x, v, parts):
    """Phi and Phi_A of Halekoh & Hojsgaard 2014, section 3, from ``V`` and its derivatives ``V_r``."""
    inverse = np.linalg.inv(v)
    phi = np.linalg.inv(x.T @ inverse @ x)
    p = [-x.T @ inverse @ part @ inverse @ x for part in parts]
    q = [[x.T @ inverse @ a @ inverse @ b @ inverse @ x for b in parts] for a in parts]
    information = np.array([[np.trace(inverse @ a @ inverse @ b) - 2.0 * np.trace(phi @ q[i][j])
                             + np.trace(phi @ p[i] @ phi @ p[j]) for j, b in enumerate(parts)]
                            for i, a in enumerate(parts)])
    w = 2.0 * np.linalg.inv(information)
    inner = sum(w[i, j] * (q[i][j] - p[i] @ phi @ p[j]) for i in range(len(parts)) for j in range(len(parts)))
    return phi, phi + 2.0 * phi @ inner @ phi


@pytest.mark.parametrize("weighted", [False, True])
@pytest.mark.parametrize("related", [False, True])
def test_adjusted_covariance(weighted, related):
    rng = np.random.default_rng(3)
    n = 90
    data = pd.DataFrame({"fruit": rng.integers(0, 9, n), "plot": rng.integers(0, 6, n), "x": rng.normal(size=n)})
    data["w"] = rng.uniform(0.5, 2.0, n)
    data["y"] = (data["x"] * (1.0 + 0.7 * rng.normal(size=9)[data["fruit"]]) + 1.5 * rng.normal(size=9)[data["fruit"]]
                 + rng.normal(size=6)[data["plot"]] + rng.normal(size=n))
    root = np.tril(rng.uniform(0.2, 1.0, (6, 6)))
    relation = root @ root.T if related else np.eye(6)
    known = {"plot": pd.DataFrame(relation, index=range(6), columns=range(6))} if related else None
    fit = fit_mixed("y ~ x + (1 + x | fruit) + (1 | plot)", data, weights="w" if weighted else None, known=known)
    assert fit.check().empty or "zero" not in set(fit.check()["doubt"])
    x = np.column_stack([np.ones(n), data["x"]])
    same = (data["fruit"].to_numpy()[:, None] == data["fruit"].to_numpy()).astype(float)
    plot = relation[np.ix_(data["plot"], data["plot"])]
    own = np.diag(1.0 / data["w"]) if weighted else np.eye(n)
    cross = np.outer(x[:, 0], x[:, 1])
    parts = [same * np.outer(x[:, 0], x[:, 0]), same * (cross + cross.T), same * np.outer(x[:, 1], x[:, 1]), plot, own]
    spread = fit.sigma ** 2 * fit.theta[0] @ fit.theta[0].T
    sizes = [spread[0, 0], spread[0, 1], spread[1, 1], fit.sigma ** 2 * fit.theta[1][0, 0] ** 2, fit.sigma ** 2]
    v = sum(size * part for size, part in zip(sizes, parts, strict=True))
    phi, adjusted = _dense(x, v, parts)
    found = kenward_roger(fit)
    np.testing.assert_allclose(found.unadjusted, phi, rtol=1e-7)
    np.testing.assert_allclose(found.covariance, adjusted, rtol=1e-7)
    np.testing.assert_allclose(fit.fixed_covariance, phi, rtol=1e-7)


def test_what_it_is_not_for():
    rng = np.random.default_rng(1)
    data = pd.DataFrame({"g": np.repeat(np.arange(10), 4), "day": np.tile(np.arange(4), 10), "y": rng.normal(size=40)})
    with pytest.raises(ModelError, match="belong to a REML fit"):
        kenward_roger(fit_mixed("y ~ 1 + (1 | g)", data, method="ML"))
    with pytest.raises(ModelError, match="worked out for independent errors, not for ar1"):
        kenward_roger(fit_mixed("y ~ 1", data.assign(fruit=data["g"]), errors="ar1"))
    many = pd.DataFrame({"g": np.repeat(np.arange(2600), 2), "y": rng.normal(size=5200)})
    with pytest.raises(ModelError, match="2,600"):
        kenward_roger(fit_mixed("y ~ 1 + (1 | g)", many))
