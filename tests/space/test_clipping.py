"""Closed surfaces cut by a plane, against the volume of a spherical segment."""

import numpy as np
import pytest
from cotyle.space.clipping import cut_off
from cotyle.space.shapes import Plane

from tests.space.solids import sphere

RADIUS_MM = 20.0


@pytest.mark.parametrize("height_mm", [-12.0, 0.0, 5.0])
def test_what_is_left_is_closed_lies_behind_the_plane_and_has_the_volume_of_a_segment(height_mm):
    normal = np.array([1.0, 2.0, -2.0]) / 3.0
    left = cut_off(sphere(RADIUS_MM), Plane(height_mm * normal, normal))
    depth = RADIUS_MM + height_mm
    assert left.is_closed
    assert (left.vertices_lps_mm @ normal).max() < height_mm + 1e-6
    # V = pi h^2 (3 r - h) / 3 (Bronstein, handbook of mathematics; from memory)
    assert left.volume_mm3 == pytest.approx(np.pi * depth**2 * (3.0 * RADIUS_MM - depth) / 3.0, rel=3e-3)
