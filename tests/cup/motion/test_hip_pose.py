"""Words of motion against what they mean: where the thigh and its front go."""

import numpy as np
import pytest
from cotyle.cup.motion.hip_pose import NEUTRAL, HipPose, Move, moved_on, rotation_of, turning_axis, way_to
from cotyle.space.rotations import rotation_matrix
from hypothesis import given
from hypothesis import strategies as st

LATERAL, ANTERIOR, SUPERIOR = np.eye(3)


@pytest.mark.parametrize(
    ("move", "of_the_femur", "goes_to"),
    [
        (Move.FLEXION, -SUPERIOR, ANTERIOR),
        (Move.EXTENSION, -SUPERIOR, -ANTERIOR),
        (Move.ABDUCTION, -SUPERIOR, LATERAL),
        (Move.ADDUCTION, -SUPERIOR, -LATERAL),
        (Move.INTERNAL_ROTATION, ANTERIOR, -LATERAL),
        (Move.EXTERNAL_ROTATION, ANTERIOR, LATERAL),
    ],
)
def test_a_quarter_turn_brings_the_thigh_where_its_name_says(move, of_the_femur, goes_to):
    assert rotation_of(moved_on(NEUTRAL, move, 90.0)) @ of_the_femur == pytest.approx(goes_to, abs=1e-12)


angles = st.floats(-80.0, 80.0)
poses = st.builds(HipPose, angles, angles, angles)


@given(poses, st.sampled_from(list(Move)), st.floats(0.0, 90.0))
def test_a_move_turns_the_thigh_about_its_own_axis(pose, move, by_deg):
    turned = rotation_matrix(turning_axis(pose, move), by_deg) @ rotation_of(pose)
    assert rotation_of(moved_on(pose, move, by_deg)) == pytest.approx(turned, abs=1e-9)


@given(poses)
def test_the_way_to_a_pose_ends_there(pose):
    here = np.eye(3)
    for start, move, by_deg in way_to(pose):
        here = rotation_matrix(turning_axis(start, move), by_deg) @ here
    assert here == pytest.approx(rotation_of(pose), abs=1e-9)
