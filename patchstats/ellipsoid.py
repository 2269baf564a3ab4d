"""Ellipsoid: a plain body with the same three tape measures as a fruit, its volume, and the density that follows.

A sanity check on a taping, not a way to weigh: a pumpkin is hollow, ribbed and sags. The body has half axes *half
length* (stem to blossom), *half width* (side to side) and *half height*. The tape as the trade lays it falls straight
down from the widest edge, so

    circumference = perimeter(half length, half width)
    side to side = perimeter(half width, half height) / 2 + 2 half height
    stem to blossom = perimeter(half length, half height) / 2 + 2 half height

with the perimeter of an ellipse 4 a E(e), E the complete elliptic integral of the second kind (NIST Digital Library
of Mathematical Functions, 19.9). A bottom pressed flat shortens the drops and is allowed for by ``flattened``, the
share of the half height that is lost.

No measured density of giant pumpkins was found in print. The weights of the pumpkin table of 2017-21 imply 0.97 kg a
litre for the smallest bodies to 0.53 for the largest, over heights of 0.4 to 1 of the width and lengths of 0.8 to 1.3
of it (computed). The limits that flag a fruit, 0.3 and 1.1, leave room on both sides: flesh is about as dense as water
and the fruit is hollow (common practice, no source).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import ellipe, ellipeinc, elliprg

from patchstats.remarks import PatchstatsError

DENSITY_LIMITS_KG_L = (0.3, 1.1)
_HALVINGS = 36  # of the search interval: 2**-36 of a fruit's height is far below any tape


def ellipse_perimeter(first: ArrayLike, second: ArrayLike) -> NDArray:
    """Perimeter of an ellipse from its half axes, in any order, in their unit.

    >>> ellipse_perimeter([2.0, 1.0], [1.0, 1.0]).round(6).tolist()
    [9.688448, 6.283185]
    """
    one, other = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    long, short = np.maximum(one, other), np.minimum(one, other)
    ratio = short / np.where(long > 0.0, long, 1.0)
    return 4.0 * long * ellipe(1.0 - ratio**2)


def ellipsoid_volume(half_length: ArrayLike, half_width: ArrayLike, half_height: ArrayLike, *,
                     flattened: float = 0.0) -> NDArray:
    """Volume in the cube of the unit given: 4/3 pi a b c, less the cap that a flat bottom cuts off.

    The cap of height h of a unit sphere is pi h^2 (3 - h) / 3; here h is ``flattened``, and all is stretched.

    >>> float(ellipsoid_volume(1.0, 0.9, 0.7).round(6))
    2.638938
    """
    _check_flattened(flattened)
    shape = 4.0 * np.pi / 3.0 - np.pi * flattened**2 * (3.0 - flattened) / 3.0
    a, b, c = (np.asarray(x, dtype=float) for x in (half_length, half_width, half_height))
    return np.asarray(shape * a * b * c)


def ellipsoid_surface(half_length: ArrayLike, half_width: ArrayLike, half_height: ArrayLike) -> NDArray:
    """Surface in the square of the unit given: 4 pi R_G(a^2 b^2, a^2 c^2, b^2 c^2), R_G Carlson's symmetric integral.

    NIST Digital Library of Mathematical Functions, 19.33.1.

    >>> float(ellipsoid_surface(2.0, 1.0, 1.0).round(6))
    21.478435
    """
    a, b, c = (np.square(np.asarray(x, dtype=float)) for x in (half_length, half_width, half_height))
    return 4.0 * np.pi * elliprg(a * b, a * c, b * c)


def tape_of_ellipsoid(half_length: ArrayLike, half_width: ArrayLike, half_height: ArrayLike, *,
                      tape: str = "drop", flattened: float = 0.0) -> tuple[NDArray, NDArray, NDArray]:
    """Circumference, side to side and stem to blossom of an ellipsoid, in the unit of its half axes.

    ``tape`` "drop" falls straight down from the widest edge, as the trade tapes; "surface" follows the body down to
    the ground, and with no flat bottom all the way round, as a tape that is pulled under the fruit would.

    >>> [float(m.round(4)) for m in tape_of_ellipsoid(1.0, 1.0, 1.0)]
    [6.2832, 5.1416, 5.1416]
    """
    _check_flattened(flattened)
    if tape not in ("drop", "surface"):
        raise PatchstatsError(f"A tape falls as a 'drop' or follows the 'surface'; {tape!r} is neither.")
    circumference = ellipse_perimeter(half_length, half_width)
    across, along = ellipse_perimeter(half_width, half_height), ellipse_perimeter(half_length, half_height)
    if tape == "surface":
        return (circumference, across - _arc_under(half_width, half_height, flattened),
                along - _arc_under(half_length, half_height, flattened))
    drops = 2.0 * np.asarray(half_height, dtype=float) * (1.0 - flattened)
    return circumference, across / 2.0 + drops, along / 2.0 + drops


def _arc_under(half_axis: ArrayLike, half_height: ArrayLike, flattened: float) -> NDArray:
    """Arc of an upright ellipse below the cut of a flat bottom: 2 a E(phi, m), the incomplete elliptic integral.

    phi is the angle, in the ellipse stretched to a circle, from the lowest point to the cut.
    """
    axis, height = np.asarray(half_axis, dtype=float), np.asarray(half_height, dtype=float)
    return 2.0 * axis * ellipeinc(np.arccos(1.0 - flattened), 1.0 - (height / np.where(axis > 0.0, axis, 1.0)) ** 2)


def ellipsoid_from_tape(circumference_cm: ArrayLike, side_to_side_cm: ArrayLike, stem_to_blossom_cm: ArrayLike, *,
                        flattened: float = 0.0) -> pd.DataFrame:
    """The ellipsoid with these three measures [cm], by drop tape; one row a fruit, empty where there is none.

    For a given height each of the two over-the-top measures fixes one half axis, and the circumference then falls as
    the height grows; so one search by halving finds the only body there is.

    Columns: ``half_length_cm``, ``half_width_cm``, ``half_height_cm``.

    >>> ellipsoid_from_tape(304.8, 195.58, 193.04).round(0).values.tolist()
    [[48.0, 49.0, 33.0]]
    """
    _check_flattened(flattened)
    around, across, along = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(x, dtype=float)) for x in (circumference_cm, side_to_side_cm, stem_to_blossom_cm)))
    drop = 2.0 * (1.0 - flattened)
    # a body without width: its over-the-top is up and down the height, 2 half heights, and the drops
    most = np.minimum(across, along) / (2.0 + drop)
    low, high = np.zeros_like(most), most
    for _ in range(_HALVINGS):
        height = 0.5 * (low + high)
        length, width = _half_axis(along, height, drop), _half_axis(across, height, drop)
        too_wide = ellipse_perimeter(length, width) > around
        low, high = np.where(too_wide, height, low), np.where(too_wide, high, height)
    height = 0.5 * (low + high)
    length, width = _half_axis(along, height, drop), _half_axis(across, height, drop)
    # at either end of the search no height serves: the circumference is too long or too short for the other two
    with np.errstate(invalid="ignore"):
        met = np.abs(ellipse_perimeter(length, width) - around) < 1e-6 * around
        possible = met & (around > 0) & (most > 0) & (height > 1e-9 * most)
    index = circumference_cm.index if isinstance(circumference_cm, pd.Series) else None
    return pd.DataFrame({name: np.where(possible, values, np.nan) for name, values in (
        ("half_length_cm", length), ("half_width_cm", width), ("half_height_cm", height))}, index=index)


def _half_axis(over: NDArray, height: NDArray, drop: float) -> NDArray:
    """The horizontal half axis at which half an ellipse of this half height, and the drops, make the measure."""
    arch = over - drop * height  # the half perimeter, at least the half height twice and at least the axis twice
    low, high = np.zeros_like(arch), np.maximum(arch, 0.0) / 2.0
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        short = ellipse_perimeter(middle, height) / 2.0 < arch
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return 0.5 * (low + high)


def check_density(circumference_cm: ArrayLike, side_to_side_cm: ArrayLike, stem_to_blossom_cm: ArrayLike,
                  mass_kg: ArrayLike, *, flattened: float = 0.0,
                  limits_kg_l: tuple[float, float] = DENSITY_LIMITS_KG_L) -> pd.DataFrame:
    """The density that three measures [cm] and a weight [kg] imply, and a flag where it is beyond belief.

    The flag points to a slip in a measure or in the weight; it does not say which. An error of 1 % in the tape is 3 %
    in the volume.

    Columns: the half axes of :func:`ellipsoid_from_tape`; ``volume_l``; ``density_kg_l``; ``height_to_width``, half
    height over the mean of the other two; ``length_to_width``; ``flag``: "", "no reading", "no such body" (no
    ellipsoid has these measures), "too dense" or "too light".

    >>> check_density(304.8, 195.58, 193.04, 213.0)[["volume_l", "density_kg_l", "flag"]].round(2).values.tolist()
    [[322.62, 0.66, '']]
    """
    measures = np.broadcast_arrays(*(np.atleast_1d(np.asarray(x, dtype=float)) for x in (
        circumference_cm, side_to_side_cm, stem_to_blossom_cm, mass_kg)))
    body = ellipsoid_from_tape(*measures[:3], flattened=flattened)
    if isinstance(circumference_cm, pd.Series):
        body.index = circumference_cm.index
    length, width, height = (body[c].to_numpy() for c in ("half_length_cm", "half_width_cm", "half_height_cm"))
    litres = ellipsoid_volume(length, width, height, flattened=flattened) / 1000.0
    density = measures[3] / litres
    flag = np.select([np.isnan(np.sum(measures, axis=0)), np.isnan(litres), density > limits_kg_l[1],
                      density < limits_kg_l[0]],
                     ["no reading", "no such body", "too dense", "too light"], default="").astype(object)
    return body.assign(volume_l=litres, density_kg_l=density, height_to_width=2.0 * height / (length + width),
                       length_to_width=length / width, flag=flag)


def _check_flattened(flattened: float) -> None:
    if not 0.0 <= flattened < 1.0:
        raise PatchstatsError(f"The share lost to a flat bottom lies between 0 and 1, not {flattened:g}.")
