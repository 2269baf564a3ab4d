"""The club's middle gain by age, and pace against it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from patchstats.pace import middle_gain, with_pace
from patchstats.remarks import ModelError

DAYS = np.arange(16.0, 80.0, 2.0)


def gains(levels, *, days=DAYS, noise=0.0, seed=1):
    rng = np.random.default_rng(seed)
    rows = []
    for fruit, (level, last) in enumerate(levels):
        at = days[days <= last]
        curve = 2.0 + 6.0 * np.exp(-(((at - 35.0) / 20.0) ** 2))
        rows.append(pd.DataFrame({"fruit": f"f{fruit}", "day": at, "days": 2.0, "gain_kg_day_se": 0.5,
                                  "gain_kg_day": level * curve + noise * rng.normal(size=len(at))}))
    return pd.concat(rows, ignore_index=True)


def true_curve(day):
    return 2.0 + 6.0 * np.exp(-(((np.asarray(day) - 35.0) / 20.0) ** 2))


def test_without_noise_levels_and_curve_come_back():
    """Closed form: gain = level * curve has rank one, and the rank-one fit finds it, up to the spline's own bend."""
    levels = [(0.8, 80), (1.0, 80), (1.2, 80)]
    curve = middle_gain(gains(levels), bends=14)
    assert curve["gain_kg_day"].to_numpy() == pytest.approx(true_curve(curve["day"].clip(16, 78)), rel=0.01)
    paced = with_pace(gains(levels), curve).groupby("fruit")["pace_percent"].mean()
    assert paced.to_numpy() == pytest.approx([80, 100, 120], rel=0.01)


def test_fruits_lost_early_do_not_bend_the_curve():
    """Law: when the fast fruits are lost on day 40, a plain mean by day falls after it; the middle gain does not."""
    levels = [(1.6, 40)] * 6 + [(0.8, 80)] * 6
    whole = gains([(level, 80) for level, _ in levels])
    curve = middle_gain(gains(levels), bends=14).set_index("day")["gain_kg_day"]
    uncut = middle_gain(whole, bends=14).set_index("day")["gain_kg_day"]
    assert (curve / curve[30.0]).to_numpy() == pytest.approx((uncut / uncut[30.0]).to_numpy(), rel=0.02)
    plain = gains(levels).groupby("day")["gain_kg_day"].mean()
    assert plain[60.0] / plain[30.0] < 0.75 * uncut[60.0] / uncut[30.0]


def test_pace_scales_its_error_alike():
    rows = gains([(1.0, 80)] * 3, noise=0.3)
    paced = with_pace(rows, middle_gain(rows))
    assert paced["pace_percent_se"].to_numpy() == pytest.approx(100 * 0.5 / paced["middle_kg_day"].to_numpy())
    assert paced["pace_percent"].to_numpy() == pytest.approx(
        100 * paced["gain_kg_day"].to_numpy() / paced["middle_kg_day"].to_numpy())


def test_grams_change_no_pace():
    rows = gains([(0.9, 80), (1.1, 80), (1.0, 60)], noise=0.2)
    light = rows.assign(gain_kg_day=rows["gain_kg_day"] * 1e-3)
    one, other = with_pace(rows, middle_gain(rows)), with_pace(light, middle_gain(light))
    assert one["pace_percent"].to_numpy() == pytest.approx(other["pace_percent"].to_numpy(), rel=1e-9)


def test_too_little_is_refused_in_words():
    with pytest.raises(ModelError, match="a middle curve of the club needs 28 gains of 3 fruits at least"):
        middle_gain(gains([(1.0, 80)] * 2))
    rows = gains([(1.0, 80)] * 3)
    curve = middle_gain(rows).assign(gain_kg_day=-1.0)
    with pytest.raises(ModelError, match="falls to nothing"):
        with_pace(rows, curve)
