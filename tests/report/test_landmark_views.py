import numpy as np
import pytest
from cotyle.report.landmark_views import mark_camera, pelvis_camera
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
