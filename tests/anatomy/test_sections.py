"""Cuts of surfaces by planes."""

import numpy as np
import pytest
from cotyle.anatomy.sections import clipped_to_radius, horizon, near_part, plane_section, subdivided
from cotyle.space.arrays import any_perpendicular
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.space.solids import box, sphere
from tests.space.strategies import directions


@settings(max_examples=20, deadline=None)
@given(directions, st.floats(-15.0, 15.0))
def test_a_cut_of_a_sphere_is_a_circle_of_the_chord_radius(normal, offset):
    first = any_perpendicular(normal)
    segments = plane_section(sphere(20.0, steps=80), offset * normal, first, np.cross(normal, first))
    radius = np.linalg.norm(segments.reshape(-1, 2), axis=1)
    assert np.abs(radius - np.sqrt(20.0**2 - offset**2)).max() < 0.03 * 20.0 / np.sqrt(20.0**2 - offset**2)
    # all round, without a gap wider than two mesh steps
    angles = np.sort(np.arctan2(segments[..., 1], segments[..., 0]).ravel())
    assert np.diff(angles).max() < 2 * np.pi / 30


def test_a_cut_through_vertices_counts_each_triangle_once():
    segments = plane_section(box((10.0, 10.0, 10.0)), (0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0))
    lengths = np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1)
    assert lengths.sum() == pytest.approx(40.0)


def test_a_plane_beside_the_solid_cuts_nothing():
    assert plane_section(box((2.0, 2.0, 2.0)), (0.0, 0.0, 5.0), (1, 0, 0), (0, 1, 0)).shape == (0, 2, 2)


def test_clipping_finds_where_a_line_leaves_the_circle():
    segments = np.array([[[0.0, 3.0], [10.0, 3.0]], [[20.0, 0.0], [30.0, 0.0]]])
    points = clipped_to_radius(segments, 5.0)
    np.testing.assert_allclose(points[np.argsort(points[:, 0])], [[0.0, 3.0], [4.0, 3.0]], atol=1e-12)
    backwards = clipped_to_radius(segments[:, ::-1], 5.0)
    np.testing.assert_allclose(backwards[np.argsort(backwards[:, 0])], [[0.0, 3.0], [4.0, 3.0]], atol=1e-12)


def test_the_horizon_is_the_first_bone_within_reach():
    # a wall from (10, 2) to (10, 30): within 20 mm it is first met at atan(2 / 10)
    angle, point = horizon(np.array([[[10.0, 2.0], [10.0, 30.0]]]), 20.0)
    assert angle == pytest.approx(np.rad2deg(np.arctan2(2.0, 10.0)))
    np.testing.assert_allclose(point, [10.0, 2.0])
    assert horizon(np.array([[[10.0, 2.0], [10.0, 30.0]]]), 9.0) is None
    assert horizon(np.array([[[10.0, -2.0], [10.0, -30.0]]]), 20.0) is None


def test_the_near_part_holds_all_triangles_that_touch_the_ball():
    mesh = sphere(20.0)
    part = near_part(mesh, np.array([20.0, 0.0, 0.0]), 6.0)
    assert 0 < len(part.triangles) < len(mesh.triangles)
    assert np.linalg.norm(part.vertices_lps_mm - [20.0, 0.0, 0.0], axis=1).max() < 8.0


def test_a_subdivided_cut_keeps_its_length_and_ends():
    segments = np.array([[[0.0, 3.0], [10.0, 3.0]], [[1.0, 1.0], [1.0, -7.0]]])
    pieces = subdivided(segments, 4)
    assert pieces.shape == (8, 2, 2)
    assert np.linalg.norm(pieces[:, 1] - pieces[:, 0], axis=1) == pytest.approx([2.5] * 4 + [2.0] * 4)
    np.testing.assert_allclose(pieces[[0, 4], 0], segments[:, 0])
    np.testing.assert_allclose(pieces[[3, 7], 1], segments[:, 1])
