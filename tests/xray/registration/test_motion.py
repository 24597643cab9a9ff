"""Motions of a C-arm: their numbers, and the change of the point they turn about."""

import numpy as np
from cotyle.space.frames import SCANNER
from cotyle.space.rotations import angle_between_deg, transform_points
from cotyle.xray.carm import from_positioner
from cotyle.xray.registration.motion import Handle, handle_of, in_degrees, in_radians, pose_between
from hypothesis import given
from hypothesis import strategies as st

PIVOT = np.array([-90.0, 12.0, -30.0])
CARM = from_positioner(
    PIVOT, 20.0, -10.0, frame=SCANNER, source_detector_mm=1000.0, source_isocenter_mm=700.0,
    pixel_pitch_mm=(0.4, 0.4), size=(768, 768),
)  # fmt: skip
NUMBERS = st.tuples(*[st.floats(-40.0, 40.0)] * 6)


@given(NUMBERS)
def test_the_numbers_of_a_motion_come_back(numbers):
    handle = handle_of(CARM, PIVOT)
    np.testing.assert_allclose(handle.numbers_of(handle.motion(numbers)), numbers, atol=1e-9)


@given(NUMBERS)
def test_the_motion_between_two_poses_takes_one_to_the_other(numbers):
    handle = handle_of(CARM, PIVOT)
    np.testing.assert_allclose(pose_between(CARM, handle.moved(CARM, numbers)), handle.motion(numbers), atol=1e-9)


def test_a_turn_leaves_the_pivot_where_it_is_and_in_the_picture():
    handle = handle_of(CARM, PIVOT)
    turned = handle.moved(CARM, [10.0, -7.0, 5.0, 0.0, 0.0, 0.0])
    np.testing.assert_allclose(transform_points(handle.motion([10, -7, 5, 0, 0, 0]), PIVOT), PIVOT, atol=1e-10)
    np.testing.assert_allclose(turned.project(PIVOT), CARM.project(PIVOT), atol=1e-9)


def test_the_first_number_turns_about_the_columns_and_the_last_changes_the_depth():
    handle = handle_of(CARM, PIVOT)
    turned = handle.moved(CARM, [10.0, 0, 0, 0, 0, 0])
    np.testing.assert_allclose(turned.column_direction_lps, CARM.column_direction_lps, atol=1e-12)
    assert abs(angle_between_deg(turned.normal_lps, CARM.normal_lps) - 10.0) < 1e-9
    nearer = handle.moved(CARM, [0, 0, 0, 0, 0, 12.0])
    assert abs(nearer.depth_mm(PIVOT) - (CARM.depth_mm(PIVOT) - 12.0)) < 1e-9


@given(st.tuples(*[st.floats(-1e-3, 1e-3)] * 6), st.tuples(*[st.floats(-100.0, 100.0)] * 3))
def test_a_small_motion_in_other_axes_about_another_point_is_the_same_motion(numbers, point):
    handle = handle_of(CARM, PIVOT)
    elsewhere = Handle(np.array(point), np.eye(3))
    told = elsewhere.numbers_of(handle.motion(numbers))
    np.testing.assert_allclose(handle.to(elsewhere) @ np.array(numbers), told, atol=1e-7)


def test_a_covariance_in_radians_and_back_is_the_same_and_leaves_the_shifts():
    root = np.random.default_rng(4).normal(size=(6, 6))
    covariance = root @ root.T
    turned = in_radians(covariance)
    np.testing.assert_allclose(np.sqrt(turned[0, 0]), np.deg2rad(np.sqrt(covariance[0, 0])), rtol=1e-12)
    np.testing.assert_array_equal(turned[3:, 3:], covariance[3:, 3:])
    np.testing.assert_allclose(in_degrees(turned), covariance, rtol=1e-12)
