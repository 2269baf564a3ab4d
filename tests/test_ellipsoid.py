"""The ellipsoid check, against elliptic-integral values of other programs and closed forms."""

import numpy as np
import pandas as pd
import pytest

from patchstats import tape
from patchstats.ellipsoid import (
    check_density,
    ellipse_perimeter,
    ellipsoid_from_tape,
    ellipsoid_surface,
    ellipsoid_volume,
    tape_of_ellipsoid,
)
from patchstats.remarks import PatchstatsError
from patchstats.units import inches_to_cm


def test_ellipse_perimeters():
    # mpmath 1.4.1, 40 digits; WGS 84 meridian: geographiclib 2.1 (half axes from the 1984 definition)
    assert ellipse_perimeter(2.0, 1.0) == pytest.approx(9.68844822054767620, rel=1e-14)
    assert ellipse_perimeter(4.0, 5.0) == pytest.approx(28.3616678889744846, rel=1e-14)
    assert ellipse_perimeter(10.0, 1.0) == pytest.approx(40.6397418010089574, rel=1e-14)
    assert ellipse_perimeter(6378137.0, 6356752.314245179) == pytest.approx(40007862.917250894, abs=5e-7)
    assert ellipsoid_surface(6378137.0, 6378137.0, 6356752.314245179) == pytest.approx(510065621724088.5, abs=0.1)
    # closed forms: a circle, and a line there and back
    assert ellipse_perimeter([1.0, 1.0], [1.0, 0.0]).tolist() == [pytest.approx(2 * np.pi), 4.0]


@pytest.mark.parametrize(("axes", "volume", "surface"), [
    ((2, 1, 1), 8.37758040957278, 21.4784353278837), ((2, 2, 1), 16.7551608191456, 34.6875308133802),
    ((3, 2, 1), 25.1327412287183, 48.8821463025821), ((1, .9, .7), 2.63893782901543, 9.40599376269727)])
def test_volume_and_surface(axes, volume, surface):
    # mpmath 1.4.1
    assert ellipsoid_volume(*axes) == pytest.approx(volume, rel=1e-14)
    assert ellipsoid_surface(*axes) == pytest.approx(surface, rel=1e-14)


def test_spheroids_in_closed_form():
    e = np.sqrt(1 - 0.25)
    assert ellipsoid_surface(2, 2, 1) == pytest.approx(2 * np.pi * 4 * (1 + (1 - e**2) / e * np.arctanh(e)), rel=1e-14)
    assert ellipsoid_surface(2, 1, 1) == pytest.approx(2 * np.pi * (1 + 2 / e * np.arcsin(e)), rel=1e-14)


@pytest.mark.parametrize(("axes", "drop", "surface"), [
    ((1, 1, 1), (2 * np.pi, np.pi + 2, np.pi + 2), 6 * np.pi),
    ((1, 1, .8), (2 * np.pi, 4.4361667889, 4.4361667889), 17.6278524628),
    ((1, .9, .7), (5.97316043252, 3.92310122498, 4.09118449074), 16.4017318639)])
def test_tapes(axes, drop, surface):
    # scipy and mpmath by an independent program; the sphere in closed form
    assert np.allclose(tape_of_ellipsoid(*axes), drop, atol=5e-11)
    assert sum(tape_of_ellipsoid(*axes, tape="surface")) == pytest.approx(surface, abs=5e-10)


@pytest.mark.parametrize(("axes", "across", "along"), [
    ((1, 1, .8), 5.67233357779, 5.67233357779), ((1, .9, .7), 5.04620244995, 5.38236898147)])
def test_each_tape_along_the_surface(axes, across, along):
    # the same program
    found = tape_of_ellipsoid(*axes, tape="surface")
    assert found[1:] == (pytest.approx(across, abs=5e-12), pytest.approx(along, abs=5e-12))


def test_meridian_from_the_pole_to_60_degrees():
    # WGS 84, mpmath 1.4.1: 3347892.90982221 m. The arc below the plane of a parallel is twice that, and the parallel
    # of 60 degrees stands b sin(arctan(b/a tan 60)) from the equator's plane.
    a, b = 6378137.0, 6356752.314245179
    below = 1.0 - np.sin(np.arctan(b / a * np.sqrt(3.0)))
    above = tape_of_ellipsoid(a, a, b, tape="surface", flattened=below)[1]
    assert (ellipse_perimeter(a, b) - above) / 2.0 == pytest.approx(3347892.90982221, abs=5e-9)


def test_flat_bottom():
    # 10 % of the half height cut off: sum of the tape and volume by the same program
    assert sum(tape_of_ellipsoid(1, .9, .7, flattened=0.1)) == pytest.approx(13.7074461482, abs=5e-11)
    assert sum(tape_of_ellipsoid(1, .9, .7, tape="surface", flattened=0.1)) == pytest.approx(14.7135959133, abs=5e-11)
    assert ellipsoid_volume(1, .9, .7, flattened=0.1) == pytest.approx(2.61980552976, abs=5e-12)


@pytest.mark.parametrize("flattened", [0.0, 0.15])
def test_there_and_back(flattened):
    rng = np.random.default_rng(0)
    axes = rng.uniform(10.0, 90.0, (3, 300))
    body = ellipsoid_from_tape(*tape_of_ellipsoid(*axes, flattened=flattened), flattened=flattened)
    assert np.allclose(body.to_numpy().T, axes, rtol=1e-7)


def test_impossible_measures_have_no_body():
    # a circumference longer than that of a flat disc with these measures (200 pi), one too short for two measures so
    # far apart, one missing
    around, over = np.array([700.0, 100.0, np.nan, 304.8]), np.array([200.0, 200.0, 200.0, 195.0])
    checked = check_density(pd.Series(around, index=list("abcd")), over, over + [0.0, 50.0, 0.0, 0.0], 213.0)
    assert checked["flag"].tolist() == ["no such body", "no such body", "no reading", ""]
    assert checked.index.tolist() == list("abcd")
    assert checked["density_kg_l"].isna().tolist() == [True, True, True, False]


def test_density_of_a_log_line():
    # British Columbia 2015, 120-77-76 in, 469.6 lb = 213 kg by the table of 2017-21; volume as for the half axes
    checked = check_density(*(inches_to_cm(x) for x in (120.0, 77.0, 76.0)), [213.0, 400.0, 50.0])
    half = checked[["half_length_cm", "half_width_cm", "half_height_cm"]].iloc[0]
    assert checked["volume_l"].iloc[0] == pytest.approx(4 / 3 * np.pi * half.prod() / 1000)
    assert checked["density_kg_l"].iloc[0] == pytest.approx(213.0 / checked["volume_l"].iloc[0])
    assert checked["flag"].tolist() == ["", "too dense", "too light"]


def test_the_weight_table_is_within_the_limits_for_ordinary_shapes():
    densities = []
    for height in (0.4, 0.7, 1.0):
        for length in (0.8, 1.0, 1.3):
            axes = np.array([length, 1.0, height * (1 + length) / 2])
            over = np.array([100.0, 200.0, 300.0, 450.0, 517.0]) * 2.54
            measures = np.outer(tape_of_ellipsoid(*axes), over) / sum(tape_of_ellipsoid(*axes))
            checked = check_density(*measures, tape.mass_from_tape(over)["mass_kg"])
            assert (checked["flag"] == "").all()
            densities.append(checked["density_kg_l"])
    assert (np.min(densities).round(2), np.max(densities).round(2)) == (0.53, 0.97)


def test_scale_law():
    # 1 % more tape is 3.0301 % more volume
    small, large = (check_density(300 * k, 190 * k, 200 * k, 200.0)["volume_l"].iloc[0] for k in (1.0, 1.01))
    assert large / small - 1 == pytest.approx(0.030301, abs=1e-7)


def test_a_growers_cube():
    # Papua New Guinea, June 2011 (K of references/dated_growth_points.csv): 26 to 46 in around in seven days, "volume x
    # 5.5". A body that keeps its shape has the cube of the lengths.
    volumes = [check_density(around, 0.64 * around, 0.63 * around, 1.0)["volume_l"].iloc[0] for around in (26.0, 46.0)]
    assert round(volumes[1] / volumes[0], 1) == 5.5

def test_errors():
    with pytest.raises(PatchstatsError, match="lies between 0 and 1, not 1"):
        ellipsoid_volume(1, 1, 1, flattened=1.0)
    with pytest.raises(PatchstatsError, match="'drop' or follows the 'surface'; 'wrap' is neither"):
        tape_of_ellipsoid(1, 1, 1, tape="wrap")
