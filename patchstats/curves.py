"""Curves: growth in time, its rate, the day of fastest gain, and the published percents of final size.

Five curves, each with an upper end (the *asymptote*). ``t`` is days after pollination, or any other x:

* *logistic*: ``asymptote / (1 + exp((middle - t) / scale))``
* *floored logistic*: the same from a ``floor`` up to the asymptote
* *gompertz*: ``asymptote * exp(-exp((middle - t) / scale))``; in the form A exp(-b2 b3^t), b3 = exp(-1 / scale) and
  b2 = exp(middle / scale)
* *richards*: ``asymptote * (1 + shape * exp((middle - t) / scale)) ** (-1 / shape)``; shape 1 is the logistic, shape
  towards 0 the Gompertz
* *weibull*: ``asymptote - drop * exp(-(t / scale) ** power)``; in the form Asym - Drop exp(-exp(lrc) t^pwr),
  scale = exp(-lrc / pwr)

In the first four, ``middle`` is the day of fastest gain. For fruit growth curves of pepper, Richards came out best
and Gompertz close behind (J. Amer. Soc. Hort. Sci. 137(2):71, 2012, abstract).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from patchstats.remarks import PatchstatsError


def _logistic(t, asymptote, middle, scale):
    return asymptote / (1.0 + np.exp((middle - t) / scale))


def _logistic_rate(t, asymptote, middle, scale):
    e = np.exp((middle - t) / scale)
    return asymptote / scale * e / (1.0 + e) ** 2


def _floored(t, asymptote, middle, scale, floor):
    return floor + _logistic(t, asymptote - floor, middle, scale)


def _floored_rate(t, asymptote, middle, scale, floor):
    return _logistic_rate(t, asymptote - floor, middle, scale)


def _gompertz(t, asymptote, middle, scale):
    return asymptote * np.exp(-np.exp((middle - t) / scale))


def _gompertz_rate(t, asymptote, middle, scale):
    return _gompertz(t, asymptote, middle, scale) * np.exp((middle - t) / scale) / scale


def _richards(t, asymptote, middle, scale, shape):
    return asymptote * (1.0 + shape * np.exp((middle - t) / scale)) ** (-1.0 / shape)


def _richards_rate(t, asymptote, middle, scale, shape):
    e = np.exp((middle - t) / scale)
    return asymptote / scale * e * (1.0 + shape * e) ** (-1.0 / shape - 1.0)


def _weibull(t, asymptote, drop, scale, power):
    # a power of 0 by a logarithm that has none: day 0 is set apart, where nothing has been gained yet
    begun = np.asarray(t) > 0.0
    gone = np.exp(power * (np.log(np.where(begun, t, 1.0)) - np.log(scale)))
    return asymptote - drop * np.exp(-np.where(begun, gone, 0.0))


def _weibull_rate(t, asymptote, drop, scale, power):
    return drop * power / scale * (t / scale) ** (power - 1.0) * np.exp(-((t / scale) ** power))


def _weibull_peak(asymptote, drop, scale, power):
    if np.real(power) <= 1.0:  # fastest at the start, without bound
        return np.array([0.0, np.nan])
    day = scale * ((power - 1.0) / power) ** (1.0 / power)
    return np.array([day, _weibull_rate(day, asymptote, drop, scale, power)])


@dataclass(frozen=True)
class Curve:
    """A growth curve: ``value(t, *parameters)``, ``rate(t, *parameters)`` and ``peak(*parameters)``.

    ``peak`` gives the day of fastest gain and that gain, as an array of two. ``parameters`` names them in order;
    those in ``positive`` must be above nothing.
    """

    name: str
    parameters: tuple[str, ...]
    value: Callable[..., NDArray] = field(repr=False)
    rate: Callable[..., NDArray] = field(repr=False)
    peak: Callable[..., NDArray] = field(repr=False)
    positive: tuple[str, ...] = ("scale",)


CURVES: Mapping[str, Curve] = MappingProxyType({c.name: c for c in (
    Curve("logistic", ("asymptote", "middle", "scale"), _logistic, _logistic_rate,
          lambda a, m, s: np.array([m, a / (4.0 * s)])),
    Curve("floored logistic", ("asymptote", "middle", "scale", "floor"), _floored, _floored_rate,
          lambda a, m, s, f: np.array([m, (a - f) / (4.0 * s)])),
    Curve("gompertz", ("asymptote", "middle", "scale"), _gompertz, _gompertz_rate,
          lambda a, m, s: np.array([m, a / (np.e * s)])),
    Curve("richards", ("asymptote", "middle", "scale", "shape"), _richards, _richards_rate,
          lambda a, m, s, v: np.array([m, a / s * (1.0 + v) ** (-1.0 / v - 1.0)]), ("scale", "shape")),
    Curve("weibull", ("asymptote", "drop", "scale", "power"), _weibull, _weibull_rate, _weibull_peak,
          ("scale", "power")),
)})


def curve_named(curve: Curve | str) -> Curve:
    """The curve itself, or that of the name; raises with the names that exist.

    >>> curve_named("gompertz").parameters
    ('asymptote', 'middle', 'scale')
    """
    if isinstance(curve, Curve):
        return curve
    try:
        return CURVES[curve]
    except KeyError:
        raise PatchstatsError(f"There is no growth curve {curve!r}; the curves are {', '.join(CURVES)}.") from None


# Holland J., Estimating Final Pumpkin Size During the Growing Season, N.E.P.G.A. Newsletter, June 1993: 77 % of the
# harvest over-the-top inches at 40 days after pollination and 91 % at 60, one grower's best fruit of 1990-91, who
# warns that it need not hold elsewhere. The Gompertz curve through the two points is the one that passes both.
HOLLAND_POINTS = ((40.0, 0.77), (60.0, 0.91))
# Weight goes with about this power of the inches: slope of log scale weight on log over-the-top, class P, 2017-21
# (Giant Pumpkins, R4DS TidyTuesday 2021-10-19).
MASS_POWER = 2.9


def percent_of_final(day: ArrayLike, *, of: str = "over the top") -> NDArray:
    """Percent of its final size that a fruit has at ``day`` [days after pollination], by Holland's two points.

    ``of`` "over the top" is percent of the final inches; "mass" of the final weight, by the power 2.9. One grower's
    fruit of two seasons: a yardstick to hold a club's own fruit against, not a forecast. Not for fruit of less than
    three weeks, which are smaller than this (a fruit of 2008 had 23 % of its inches on day 14; here it is 37); and
    champions of about 2006 were nearer their end by mid August (Warren, *Backyard Giants*, 2007).

    >>> percent_of_final([40, 60]).round(0).tolist(), percent_of_final([40, 60], of="mass").round(0).tolist()
    ([77.0, 91.0], [47.0, 76.0])
    """
    return 100.0 * CURVES["gompertz"].value(np.asarray(day, dtype=float), *_holland(of))


def percent_gain_of_final(day: ArrayLike, *, of: str = "mass") -> NDArray:
    """Daily gain in percent of the final size at ``day``, by the same curve as :func:`percent_of_final`.

    >>> percent_gain_of_final([34.6, 85.0]).round(2).tolist()
    [1.87, 0.36]
    """
    return 100.0 * CURVES["gompertz"].rate(np.asarray(day, dtype=float), *_holland(of))


def _holland(of: str) -> tuple[float, float, float]:
    powers = {"over the top": 1.0, "mass": MASS_POWER}
    if of not in powers:
        raise PatchstatsError(f"A fruit's size here is 'over the top' or 'mass', not {of!r}.")
    (first, early), (second, late) = HOLLAND_POINTS
    scale = (second - first) / np.log(np.log(early) / np.log(late))
    return 1.0, first + scale * np.log(-powers[of] * np.log(early)), scale
