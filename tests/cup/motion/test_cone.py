"""The cone of a free neck, against worked values, brute force and the laws of mirrors and tilts.

Worked values: calculated apart from this code by turning vectors in steps (numpy), for a cup at 40/15 radiographic.
"""

import numpy as np
import pytest
from cotyle.cup.motion.cone import lean_deg, turn_limit_deg
from cotyle.cup.motion.hip_pose import NEUTRAL, HipPose, Move, rotation_of, turning_axis
from cotyle.cup.motion.implant import Stem, free_lean_deg
from cotyle.cup.motion.neck_range import radiographic_axes
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation, hip_components
from cotyle.space.frames import SCANNER, rotated_about_left
from cotyle.space.rotations import rotation_matrix
from cotyle.space.side import Side
from hypothesis import given
from hypothesis import strategies as st

STEM = Stem(version_deg=15.0, neck_shaft_deg=130.0, neck_diameter_mm=12.0)
CUP = radiographic_axes(40.0, 15.0)


def limit(move, start=NEUTRAL, cup=CUP, theta=135.951374, stem=STEM):
    return float(turn_limit_deg(cup, rotation_of(start) @ stem.neck, turning_axis(start, move), 0.5 * theta))


@pytest.mark.parametrize(
    ("move", "start", "worked_deg"),
    [
        (Move.EXTENSION, NEUTRAL, 62.79),
        (Move.FLEXION, NEUTRAL, 135.64),
        (Move.ABDUCTION, NEUTRAL, 54.22),
        (Move.ADDUCTION, NEUTRAL, 72.26),
        (Move.EXTERNAL_ROTATION, NEUTRAL, 63.63),
        (Move.INTERNAL_ROTATION, NEUTRAL, 138.89),
        (Move.INTERNAL_ROTATION, HipPose(flexion_deg=90.0), 38.62),
        (Move.EXTERNAL_ROTATION, HipPose(flexion_deg=90.0), 108.62),
    ],
)
def test_limits_are_the_worked_ones(move, start, worked_deg):
    assert limit(move, start) == pytest.approx(worked_deg, abs=0.01)


@pytest.mark.parametrize(("theta", "extension", "flexion"), [(120.0, 49.16, 122.01), (129.246133, 56.93, 129.77)])
def test_a_thicker_neck_or_a_smaller_head_takes_from_both_ends(theta, extension, flexion):
    assert limit(Move.EXTENSION, theta=theta) == pytest.approx(extension, abs=0.01)
    assert limit(Move.FLEXION, theta=theta) == pytest.approx(flexion, abs=0.01)


def test_the_neck_of_the_worked_cup_leans_as_worked():
    assert lean_deg(CUP, STEM.neck) == pytest.approx(27.904, abs=0.001)


def test_ten_more_degrees_of_anteversion_shift_flexion_and_extension_as_worked():
    turned, theta = radiographic_axes(40.0, 25.0), 129.246133
    assert limit(Move.FLEXION, cup=turned, theta=theta) - limit(Move.FLEXION, theta=theta) == pytest.approx(
        9.0, abs=0.1
    )
    change = limit(Move.EXTENSION, cup=turned, theta=theta) - limit(Move.EXTENSION, theta=theta)
    assert change == pytest.approx(-15.1, abs=0.1)


cups = st.tuples(st.floats(20.0, 70.0), st.floats(-15.0, 45.0))
poses = st.builds(HipPose, st.floats(-20.0, 100.0), st.floats(-20.0, 30.0), st.floats(-30.0, 30.0))
stems = st.builds(Stem, st.floats(-10.0, 40.0), st.floats(115.0, 145.0), st.floats(9.0, 16.0))


@given(cups, poses, stems, st.sampled_from(list(Move)))
def test_the_neck_is_free_up_to_the_limit_and_not_beyond(angles, pose, stem, move):
    """Brute force: the turn in small steps, each checked by the angle between two vectors."""
    cup, half = radiographic_axes(*angles), free_lean_deg(32.0, stem.neck_diameter_mm)
    neck, k = rotation_of(pose) @ stem.neck, turning_axis(pose, move)
    found = float(turn_limit_deg(cup, neck, k, half))
    turns = np.arange(0.0, 360.0, 0.5)
    leans = np.array([lean_deg(cup, rotation_matrix(k, turn) @ neck) for turn in turns])
    if np.isnan(found):
        assert leans[0] > half - 1e-6
    elif np.isinf(found):
        assert (leans < half + 1e-6).all()
    else:
        assert (leans[turns < found - 1e-6] <= half + 1e-6).all()
        assert lean_deg(cup, rotation_matrix(k, found) @ neck) == pytest.approx(half, abs=1e-6)
        assert lean_deg(cup, rotation_matrix(k, found + 0.01) @ neck) > half


@given(cups, stems, st.sampled_from(list(Move)), st.floats(-30.0, 30.0))
def test_left_and_right_hips_move_alike(angles, stem, move, tilt_deg):
    frame = rotated_about_left(SCANNER, "posture", tilt_deg)
    orientation = Orientation(*angles)
    axes = [
        hip_components(axis_from_orientation(orientation, Definition.RADIOGRAPHIC, SCANNER, side), frame, side)
        for side in Side
    ]
    assert limit(move, cup=axes[0], stem=stem) == pytest.approx(
        limit(move, cup=axes[1], stem=stem), abs=1e-9, nan_ok=True
    )


@given(cups, stems, st.floats(-25.0, 25.0))
def test_a_tilt_of_the_pelvis_moves_flexion_and_extension_one_for_one(angles, stem, forward_deg):
    """A pelvis that tilts forward brings the cup's front edge down: flexion loses what extension gains."""
    axis = axis_from_orientation(Orientation(*angles), Definition.RADIOGRAPHIC, SCANNER, Side.RIGHT)
    tilted = hip_components(axis, rotated_about_left(SCANNER, "posture", forward_deg), Side.RIGHT)
    before = [limit(move, cup=radiographic_axes(*angles), stem=stem) for move in (Move.FLEXION, Move.EXTENSION)]
    after = [limit(move, cup=tilted, stem=stem) for move in (Move.FLEXION, Move.EXTENSION)]
    if np.isfinite([*before, *after]).all():
        assert after[0] - before[0] == pytest.approx(-forward_deg, abs=1e-6)
        assert after[1] - before[1] == pytest.approx(forward_deg, abs=1e-6)


def test_a_neck_past_the_rim_to_begin_with_has_no_limit():
    assert np.isnan(limit(Move.FLEXION, theta=50.0))


def test_a_neck_that_turns_about_the_cups_axis_never_meets_the_rim():
    assert np.isinf(turn_limit_deg(CUP, STEM.neck, CUP, 60.0))
