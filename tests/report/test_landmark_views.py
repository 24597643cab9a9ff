import numpy as np
import pytest
from cotyle.report.landmark_views import mark_camera, pelvis_camera, place_to_look
from hypothesis import given

from tests.space.solids import sphere
from tests.space.strategies import directions

CENTERS = {"left_hip_bone": (80.0, 0, 0), "right_hip_bone": (-80.0, 0, 0), "left_femur": (80.0, 0, -200)}
SURFACES = {name: sphere(40.0, center, steps=36) for name, center in CENTERS.items()}


@given(directions)
def test_a_landmark_is_looked_at_from_outside_its_bone_and_never_from_straight_above(direction):
    point = np.array(CENTERS["left_hip_bone"]) + 40.0 * direction
    camera = mark_camera("asis_left", point, SURFACES)
    np.testing.assert_allclose(camera.center_lps_mm, point)
    toward = np.asarray(camera.toward_viewer_lps)
    assert abs(toward[2]) < 0.95
    if np.hypot(*direction[:2]) > 0.3:
        assert toward @ direction > 0.3


def test_a_point_on_no_bone_is_looked_at_from_in_front():
    assert mark_camera("hip_center_left", (80.0, 0, 0), SURFACES).toward_viewer_lps == pytest.approx([0, -1, 0])


def test_the_pelvis_fills_the_picture_and_the_thighs_do_not_shrink_it():
    camera = pelvis_camera(SURFACES)
    assert camera.center_lps_mm == pytest.approx([0, 0, 0], abs=1)
    assert camera.half_height_mm == pytest.approx(1.1 * 120, rel=0.01)
    corners = camera.project(np.array([[-120.0, 0, 0], [120.0, 0, 0]]), 400, 400)
    assert corners.min() > 0
    assert corners.max() < 400


def test_a_landmark_that_was_not_found_is_looked_for_where_the_shape_carries_it_or_at_its_bone():
    bones = {**SURFACES, "sacrum": sphere(30.0, (0.0, 60.0, 40.0), steps=36)}
    carried = {"psis_left": np.array([70.0, 50.0, 30.0])}
    assert place_to_look("psis_left", carried, bones) == pytest.approx(carried["psis_left"])
    assert place_to_look("psis_right", carried, bones) == pytest.approx(CENTERS["right_hip_bone"], abs=1)
    assert place_to_look("coccyx_tip", carried, bones) == pytest.approx([0, 60, 10], abs=1)
    assert place_to_look("hip_center_left", carried, bones) == pytest.approx(CENTERS["left_hip_bone"], abs=1)
    assert place_to_look("symphysis", {}, bones)[2] == pytest.approx(-40, abs=1)
    # a bone that is not there: anywhere on the others
    assert place_to_look("sacrum_midline", {}, SURFACES)[0] == pytest.approx(0, abs=1)
