"""Distances, insides and crossings against spheres and boxes."""

import numpy as np
import pytest
from cotyle.space.mesh_queries import MeshQuery
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.space.solids import box, sphere
from tests.space.strategies import directions

CENTER = np.array([12.0, -34.0, 56.0])
BALL = MeshQuery(sphere(26.0, CENTER))
BOX = MeshQuery(box([20.0, 30.0, 40.0]))


@settings(max_examples=40, deadline=None)
@given(directions, st.floats(0.5, 60.0))
def test_distance_to_a_ball_is_negative_inside(direction, radius):
    point = CENTER + radius * direction
    assert BALL.signed_distance([point])[0] == pytest.approx(radius - 26.0, abs=0.02)
    if abs(radius - 26.0) > 0.02:
        assert BALL.contains([point])[0] == (radius < 26.0)


@settings(max_examples=40, deadline=None)
@given(directions, st.floats(27.0, 60.0))
def test_the_nearest_point_of_a_ball_lies_towards_it(direction, radius):
    found = BALL.closest_points([CENTER + radius * direction])[0]
    np.testing.assert_allclose(found, CENTER + 26.0 * direction, atol=0.6)
    assert np.linalg.norm(found - CENTER) == pytest.approx(26.0, abs=0.02)


@pytest.mark.parametrize(("offset", "chord"), [(0.0, 52.0), (10.0, 48.0), (20.0, 33.2265), (25.0, 14.2829)])
def test_a_line_at_an_offset_cuts_the_chord_of_the_circle(offset, chord):
    # 2 sqrt(r^2 - p^2)
    start = CENTER + [offset, 0.123, -100.0]
    crossings = BALL.line_crossings(start, start + [0.0, 0.0, 200.0])
    assert len(crossings) == 2
    assert crossings[1] - crossings[0] == pytest.approx(chord, abs=0.05)


def test_a_line_that_misses_has_no_crossings_and_one_that_starts_inside_has_one():
    assert len(BALL.line_crossings(CENTER + [0, 0, 100], CENTER + [0, 100, 100])) == 0
    assert BALL.line_crossings(CENTER, CENTER + [0.1, 0.2, 80.0]) == pytest.approx([26.0], abs=0.02)


def test_a_line_through_the_shared_edge_of_two_triangles_crosses_once():
    np.testing.assert_allclose(BOX.line_crossings([-50.0, 0.0, 0.0], [50.0, 0.0, 0.0]), [40.0, 60.0], atol=1e-9)


def test_a_line_through_the_pole_where_a_hundred_triangles_meet_crosses_once():
    start = CENTER - [0.0, 0.0, 50.0]
    np.testing.assert_allclose(BALL.line_crossings(start, start + [0.0, 0.0, 100.0]), [24.0, 76.0], atol=1e-9)


def test_edges_and_corners_of_a_box_are_nearest_to_points_beyond_them():
    np.testing.assert_allclose(BOX.closest_points([[20.0, 30.0, 40.0]]), [[10.0, 15.0, 20.0]], atol=1e-9)
    assert BOX.signed_distance([[20.0, 0.0, 0.0]])[0] == pytest.approx(10.0, abs=1e-9)
    assert BOX.signed_distance([[9.0, 0.0, 0.0]])[0] == pytest.approx(-1.0, abs=1e-9)
    assert BOX.signed_distance([[13.0, 19.0, 0.0]])[0] == pytest.approx(5.0, abs=1e-9)
