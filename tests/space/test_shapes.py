"""Spheres, planes and circles as values."""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.space.shapes import Circle, Plane, Sphere
from hypothesis import given

from tests.space.strategies import directions, points


@pytest.mark.parametrize("radius", [0.0, -1.0, np.nan, np.inf])
def test_a_radius_is_positive_and_finite(radius):
    for build in (lambda: Sphere([0, 0, 0], radius), lambda: Circle([0, 0, 0], [0, 0, 1], radius)):
        with pytest.raises(InputError) as caught:
            build()
        assert caught.value.code == "radius"


def test_the_diameter_is_twice_the_radius():
    assert Sphere([0, 0, 0], 26.0).diameter_mm == 52.0


def test_a_plane_makes_its_normal_one_long():
    plane = Plane([1.0, 2.0, 3.0], [0.0, 0.0, 7.0])
    np.testing.assert_array_equal(plane.normal_lps, [0.0, 0.0, 1.0])
    assert plane.signed_distance_mm([9.0, 9.0, 5.0]) == pytest.approx(2.0)


@given(points, directions, points)
def test_mirroring_changes_the_side_and_nothing_else(origin, normal, point):
    plane = Plane(origin, normal)
    image = plane.mirrored(point)
    assert plane.signed_distance_mm(image) == pytest.approx(-plane.signed_distance_mm(point), abs=1e-9)
    np.testing.assert_allclose(plane.mirrored(image), point, atol=1e-9)
    assert np.linalg.norm(np.cross(image - point, normal)) < 1e-6


def test_many_points_are_mirrored_as_rows():
    plane = Plane([0.0, 0.0, 0.0], [1.0, 0.0, 0.0])
    np.testing.assert_allclose(plane.mirrored([[1.0, 2.0, 3.0], [-4.0, 5.0, 6.0]]), [[-1, 2, 3], [4, 5, 6]])
