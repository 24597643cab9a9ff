import numpy as np
import pytest
from cotyle.anatomy.landmarks import LANDMARK_NAMES
from cotyle.anatomy.on_bone import FARTHEST_MM, bone_of, first_on_bone, on_bone
from cotyle.errors import InputError
from hypothesis import given

from tests.space.solids import sphere
from tests.space.strategies import directions

CENTERS = {"left_hip_bone": (80.0, 0, 0), "right_hip_bone": (-80.0, 0, 0), "sacrum": (0.0, 60, 40)}
SURFACES = {name: sphere(30.0, center, steps=96) for name, center in CENTERS.items()}


@given(directions)
def test_a_point_near_a_ball_comes_onto_it_along_its_radius(direction):
    """Closed form: the nearest point of a ball lies on the line to its centre."""
    center = np.array(CENTERS["left_hip_bone"])
    found = on_bone("asis_left", center + 36.0 * direction, SURFACES)
    np.testing.assert_allclose(found, center + 30.0 * direction, atol=0.3)


def test_a_point_comes_onto_its_own_side_and_its_own_bone():
    assert bone_of("asis_left") == "left_hip_bone"
    assert bone_of("si_joint_inferior_right") == "right_hip_bone"
    assert bone_of("sacrum_midline") == bone_of("coccyx_tip") == "sacrum"
    between = np.array([-45.0, 0, 0])
    assert on_bone("teardrop_right", between, SURFACES)[0] == pytest.approx(-50, abs=0.15)


def test_a_point_on_the_bone_stays():
    first = on_bone("psis_left", (80.0, 35.0, 3.0), SURFACES)
    np.testing.assert_allclose(on_bone("psis_left", first, SURFACES), first, atol=1e-9)


@pytest.mark.parametrize("name", ["hip_center_left", "symphysis"])
def test_points_that_lie_on_no_bone_are_left_to_the_eye(name):
    with pytest.raises(InputError, match="on no bone"):
        on_bone(name, (80.0, 0, 0), SURFACES)


def test_a_point_far_from_its_bone_is_not_drawn_onto_it():
    with pytest.raises(InputError, match="away") as raised:
        on_bone("asis_left", (80.0, 0, 30.0 + FARTHEST_MM + 1.0), SURFACES)
    assert raised.value.code == "landmark-off-bone"


def test_every_landmark_has_its_bone_or_says_that_it_has_none():
    for name in LANDMARK_NAMES:
        assert bone_of(name) in {*SURFACES, None}


@given(directions)
def test_a_look_meets_the_nearest_bone_first(direction):
    """Closed form: a look at a ball's middle meets it one radius before."""
    center = np.array(CENTERS["sacrum"])
    near = {"sacrum": SURFACES["sacrum"]}
    found = first_on_bone(center + 200.0 * direction, center, near)
    np.testing.assert_allclose(found, center + 30.0 * direction, atol=0.3)
    assert first_on_bone(center + 200.0 * direction, center + 100.0 * direction, near) is None
    left, right = (np.array(CENTERS[f"{side}_hip_bone"]) for side in ("left", "right"))
    np.testing.assert_allclose(first_on_bone(left + [200.0, 0, 0], right, SURFACES), left + [30.0, 0, 0], atol=0.3)
