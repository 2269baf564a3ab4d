"""Growth curves as functions, and the published percents of final size."""

import numpy as np
import pytest

from patchstats import curves
from patchstats.curves import CURVES
from patchstats.remarks import PatchstatsError

EXAMPLES = {"logistic": (600.0, 40.0, 12.0), "floored logistic": (600.0, 40.0, 12.0, 5.0),
            "gompertz": (600.0, 35.0, 20.0), "richards": (600.0, 40.0, 12.0, 0.5), "weibull": (600.0, 590.0, 50.0, 2.4)}


@pytest.mark.parametrize("name", CURVES)
def test_rate_is_the_slope_and_peak_its_top(name):
    curve, parameters = CURVES[name], EXAMPLES[name]
    day = np.linspace(1.0, 120.0, 60)
    h = 1e-4
    slope = (curve.value(day + h, *parameters) - curve.value(day - h, *parameters)) / (2 * h)
    assert np.allclose(curve.rate(day, *parameters), slope, rtol=1e-6, atol=1e-7)
    fine = np.linspace(1.0, 120.0, 200_001)
    rate = curve.rate(fine, *parameters)
    peak_day, peak_rate = curve.peak(*parameters)
    assert peak_day == pytest.approx(fine[rate.argmax()], abs=1e-3)
    assert peak_rate == pytest.approx(rate.max(), rel=1e-9)


def test_holland_and_what_follows_from_it():
    # Holland J., N.E.P.G.A. Newsletter, June 1993: 77 % at 40 days, 91 % at 60 days of the harvest inches
    assert np.allclose(curves.percent_of_final([40, 60]), [77, 91])
    # weight by the power 2.9, computed from it by an independent program
    days = [10, 20, 30, 40, 50, 60, 70, 80, 90]
    mass = curves.percent_of_final(days, of="mass") / 100
    assert np.round(mass, 2).tolist() == [0.03, 0.12, 0.28, 0.47, 0.63, 0.76, 0.85, 0.91, 0.94]
    assert round(float(curves.percent_of_final(100, of="mass")), 1) == 96.5
    peak_day, peak_rate = CURVES["gompertz"].peak(*curves._holland("mass"))
    assert (round(peak_day, 1), round(100 * peak_rate, 2)) == (34.6, 1.87)
    # 28 lb a day for 1,500 lb, 37 for 2,000, 47 for 2,500
    assert np.round(peak_rate * np.array([1500, 2000, 2500])).tolist() == [28, 37, 47]
    assert 1500 * curves.percent_gain_of_final(85.0) / 100 == pytest.approx(5.4, abs=0.05)
    asymptote, middle, scale = curves._holland("over the top")
    assert (np.exp(middle / scale), 1 / scale) == (pytest.approx(2.0073, abs=5e-5), pytest.approx(0.050966, abs=5e-7))
    with pytest.raises(PatchstatsError, match="'over the top' or 'mass', not 'volume'"):
        curves.percent_of_final(40, of="volume")


def test_richards_stands_between():
    t = np.linspace(0, 100, 11)
    # shape 1 is the logistic, a vanishing shape the Gompertz (closed forms)
    assert np.allclose(CURVES["richards"].value(t, 20.0, 57.0, 9.0, 1.0), CURVES["logistic"].value(t, 20.0, 57.0, 9.0))
    assert np.allclose(CURVES["richards"].value(t, 20.0, 57.0, 9.0, 1e-7), CURVES["gompertz"].value(t, 20.0, 57.0, 9.0),
                       atol=1e-4)


def test_no_such_curve():
    with pytest.raises(PatchstatsError, match="no growth curve 'line'; the curves are logistic"):
        curves.curve_named("line")
