"""Rotations by the right-hand rule."""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.space.rotations import angle_between_deg, rigid_matrix, rotate, rotation_matrix, transform_points
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from tests.space.strategies import angles_deg, directions, points

L, P, S = np.eye(3)


def test_quarter_turns_follow_the_right_hand():
    np.testing.assert_allclose(rotate(P, L, 90.0), S, atol=1e-15)
    np.testing.assert_allclose(rotate(S, P, 90.0), L, atol=1e-15)
    np.testing.assert_allclose(rotate(L, S, 90.0), P, atol=1e-15)


@given(directions, angles_deg)
def test_the_matrix_is_that_of_scipy(axis, angle):
    expected = Rotation.from_rotvec(np.deg2rad(angle) * axis).as_matrix()
    np.testing.assert_allclose(rotation_matrix(axis, angle), expected, atol=1e-12)


@given(directions, angles_deg, angles_deg)
def test_turns_about_one_axis_add_up(axis, first, second):
    both = rotation_matrix(axis, first) @ rotation_matrix(axis, second)
    np.testing.assert_allclose(both, rotation_matrix(axis, first + second), atol=1e-12)


@given(directions, angles_deg, points, points)
def test_a_turn_about_a_pivot_keeps_the_pivot_and_every_distance(axis, angle, pivot, point):
    np.testing.assert_allclose(rotate(pivot, axis, angle, about=pivot), pivot, atol=1e-9)
    turned = rotate(point, axis, angle, about=pivot)
    assert np.linalg.norm(turned - pivot) == pytest.approx(np.linalg.norm(point - pivot), abs=1e-9)


@given(directions, st.floats(1e-9, 179.9999))
def test_the_angle_between_a_direction_and_its_turned_self_is_the_turn(axis, angle):
    start = np.cross(axis, [0.3, -0.5, 0.8])
    if np.linalg.norm(start) < 1e-3:
        return
    assert angle_between_deg(start, rotate(start, axis, angle)) == pytest.approx(angle, abs=1e-7)


@pytest.mark.parametrize("angle", [0.0, 1e-10, 1e-7, 180.0 - 1e-7, 180.0])
def test_the_angle_is_exact_near_0_and_180_where_the_arc_cosine_is_not(angle):
    # the closed form: two directions in the plane, one along the axis
    turned = [np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle)), 0.0]
    assert angle_between_deg([1.0, 0.0, 0.0], turned) == pytest.approx(angle, abs=1e-12)


def test_angle_between_two_published_like_orientations():
    # derived from Murray's definitions (J Bone Joint Surg Br 1993;75:228-32): 40/15 and 45/20 radiographic lie
    # 6.9079 deg apart, 40/15 and 30/5 lie 14.0253 deg apart
    def axis(inclination, anteversion):
        i, a = np.deg2rad([inclination, anteversion])
        return [np.sin(i) * np.cos(a), -np.sin(a), -np.cos(i) * np.cos(a)]

    assert angle_between_deg(axis(40, 15), axis(45, 20)) == pytest.approx(6.9079, abs=1e-4)
    assert angle_between_deg(axis(40, 15), axis(30, 5)) == pytest.approx(14.0253, abs=1e-4)


def test_an_axis_without_length_is_refused():
    with pytest.raises(InputError):
        rotation_matrix([0.0, 0.0, 0.0], 10.0)


def test_a_rigid_matrix_turns_first_and_moves_then():
    matrix = rigid_matrix(rotation_matrix(S, 90.0), [10.0, 0.0, 0.0])
    np.testing.assert_allclose(transform_points(matrix, [1.0, 0.0, 0.0]), [10.0, 1.0, 0.0], atol=1e-12)
    many = transform_points(matrix, np.eye(3))
    np.testing.assert_allclose(many[0], [10.0, 1.0, 0.0], atol=1e-12)
    assert many.shape == (3, 3)
