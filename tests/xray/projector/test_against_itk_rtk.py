"""Both projectors against itk-rtk's Joseph filter, an outside one, on the same voxels."""

import importlib.util

import numpy as np
import pytest
from cotyle.image.volume import Volume
from cotyle.xray.projector.line_integrals import line_integrals_of, prepare
from cotyle.xray.projector.reference import line_integrals

from tests.xray.projector.bodies import OBLIQUE, STRAIGHT, c_arm, ellipsoid_volume, exact_line_integrals
from tests.xray.projector.outside import MISSING, rtk_projector

pytestmark = pytest.mark.skipif(importlib.util.find_spec("itk") is None, reason=MISSING)

VIEWS = ((0, 0), (30, -20), (-75, 30))


@pytest.fixture(scope="module", params=["upright", "oblique"])
def body(request):
    return ellipsoid_volume(np.eye(3) if request.param == "upright" else OBLIQUE, (2.0, 2.2, 2.6))


@pytest.fixture(scope="module")
def outside(body):
    return rtk_projector(mu_of(body))


def mu_of(volume):
    return volume.with_voxels(STRAIGHT.table[volume.voxels.astype(np.int64) + 32768])


def relative(picture, other):
    seen = other > 0.05 * other.max()
    return abs(picture - other)[seen] / other[seen]


@pytest.mark.parametrize("view", VIEWS)
def test_the_integrals_are_those_of_the_outside_projector(body, outside, view):
    carm = c_arm(*view, size=64)
    theirs = outside(carm)
    for ours in (line_integrals(body, carm, STRAIGHT), line_integrals_of(prepare(body, STRAIGHT), carm)):
        off = relative(ours, theirs)
        assert np.median(off) < 1e-5
        assert off.max() < 1e-3


@pytest.mark.parametrize("view", VIEWS)
def test_neither_is_farther_from_the_sum_of_chords_than_the_outside_projector(body, outside, view):
    carm = c_arm(*view, size=64)
    exact, clear = exact_line_integrals(carm)
    clear &= exact > 0.05 * exact.max()
    ours, theirs = (
        abs(picture - exact)[clear] / exact[clear]
        for picture in (line_integrals_of(prepare(body, STRAIGHT), carm), outside(carm))
    )
    for part in (50, 99, 100):
        assert np.percentile(ours, part) < 1.01 * np.percentile(theirs, part)


def test_a_point_in_space_is_seen_at_the_same_pixel():
    # one dense voxel off the middle: a wrong axis, mirror or half pixel would move it
    hu = np.full((21, 31, 41), -1000, dtype=np.int16)
    hu[15, 8, 30] = 3000
    affine = np.diag([2.0, 2.5, 3.0, 1.0])
    affine[:3, 3] = (-40.0, -35.0, -30.0)
    volume = Volume(hu, affine)
    carm = c_arm(25, 15, size=128)
    theirs, ours = rtk_projector(mu_of(volume))(carm), line_integrals_of(prepare(volume, STRAIGHT), carm)
    expected = carm.project(volume.to_lps((30, 8, 15)))
    for picture in (theirs, ours):
        row, column = (np.average(axis, weights=picture) for axis in np.indices(picture.shape))
        np.testing.assert_allclose((column, row), expected, atol=0.1)
