"""Frames, their signs, and the laws that every frame keeps."""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.space.frames import SCANNER, Frame, frame_from_left_and_superior, rotated_about_left
from cotyle.space.rotations import angle_between_deg
from hypothesis import given
from hypothesis import strategies as st

from tests.space.strategies import directions, frames, points

ASIS_LEFT, ASIS_RIGHT = np.array([118.0, -90.0, 20.0]), np.array([-118.0, -90.0, 20.0])
PUBIC_MIDDLE = np.array([0.0, -90.0, -65.0])


def anterior_tilt_deg(superior_in_the_room) -> float:
    """Tilt of a pelvis from its superior axis seen in a room: positive when the ASIS lie in front of the pubis."""
    _, posterior, superior = superior_in_the_room
    return float(np.rad2deg(np.arctan2(-posterior, superior)))


def test_scanner_is_lps_itself():
    np.testing.assert_array_equal(SCANNER.to_frame([1.0, 2.0, 3.0]), [1.0, 2.0, 3.0])
    np.testing.assert_array_equal(SCANNER.anterior, [0.0, -1.0, 0.0])


@given(frames)
def test_left_cross_superior_is_anterior_in_every_frame(frame):
    # DICOM LPS is right-handed with L x P = S (DICOM PS3.3 C.7.6.2.1.1), therefore L x S = -P = anterior
    np.testing.assert_allclose(np.cross(frame.left, frame.superior), frame.anterior, atol=1e-12)
    np.testing.assert_allclose(np.cross(frame.left, frame.posterior), frame.superior, atol=1e-12)


@given(frames)
def test_the_isb_pelvic_axes_of_a_frame_are_right_handed(frame):
    # ISB pelvis (Wu et al., J Biomech 2002;35:543-8): x anterior, y cranial, z to the right
    isb = np.stack([frame.anterior, frame.superior, -frame.left])
    assert np.linalg.det(isb) == pytest.approx(1.0, abs=1e-9)
    np.testing.assert_allclose(np.cross(isb[0], isb[1]), isb[2], atol=1e-12)


@given(frames, points)
def test_there_and_back_again_is_the_same_point(frame, point):
    np.testing.assert_allclose(frame.to_lps(frame.to_frame(point)), point, atol=1e-9)
    np.testing.assert_allclose(frame.to_frame(frame.origin_lps_mm), 0.0, atol=1e-12)


@given(frames, directions)
def test_directions_turn_without_the_origin_and_keep_their_length(frame, direction):
    turned = frame.direction_to_frame(direction)
    assert np.linalg.norm(turned) == pytest.approx(1.0, abs=1e-12)
    np.testing.assert_allclose(frame.direction_to_lps(turned), direction, atol=1e-12)


def test_many_points_go_through_as_rows():
    frame = rotated_about_left(SCANNER, "leaning", 30.0)
    cloud = np.arange(15.0).reshape(5, 3)
    for point, coordinates in zip(cloud, frame.to_frame(cloud), strict=True):
        np.testing.assert_allclose(frame.to_frame(point), coordinates)


def test_a_left_handed_frame_is_refused():
    with pytest.raises(InputError) as caught:
        Frame("mirrored", np.zeros(3), [-1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0])
    assert caught.value.code == "frame-axes"


@pytest.mark.parametrize("scale", [0.999, 1.001])
def test_axes_that_are_not_of_length_one_are_refused(scale):
    with pytest.raises(InputError) as caught:
        Frame("stretched", np.zeros(3), [scale, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0])
    assert caught.value.code == "frame-axes"


def test_a_frame_cannot_be_changed():
    with pytest.raises(AttributeError):
        SCANNER.name = "other"
    with pytest.raises(ValueError, match="read-only"):
        SCANNER.left[0] = 2.0


def test_the_anterior_pelvic_plane_built_from_its_points_is_coronal_when_it_hangs_straight():
    frame = frame_from_left_and_superior(
        "app", (ASIS_LEFT + ASIS_RIGHT) / 2, ASIS_LEFT - ASIS_RIGHT, (ASIS_LEFT + ASIS_RIGHT) / 2 - PUBIC_MIDDLE
    )
    np.testing.assert_allclose(frame.axes, np.eye(3), atol=1e-12)


def test_10_mm_in_front_of_the_pubis_tilts_the_plane_by_6_71_deg():
    # closed form atan(e / h) with e = 10 mm of soft tissue and h = 85 mm between ASIS line and pubis: 6.710 deg
    middle = (ASIS_LEFT + ASIS_RIGHT) / 2
    moved = PUBIC_MIDDLE + [0.0, -10.0, 0.0]
    true = frame_from_left_and_superior("app", middle, ASIS_LEFT - ASIS_RIGHT, middle - PUBIC_MIDDLE)
    wrong = frame_from_left_and_superior("app", middle, ASIS_LEFT - ASIS_RIGHT, middle - moved)
    assert angle_between_deg(true.superior, wrong.superior) == pytest.approx(6.710, abs=1e-3)
    # the pubis seems to lie farther in front: the pelvis seems to lean back
    assert anterior_tilt_deg(wrong.superior) < 0


@given(directions, directions)
def test_the_left_axis_is_kept_exactly_and_the_superior_one_only_leans_in_its_plane(left, up):
    if np.linalg.norm(np.cross(left, up)) < 1e-3:
        return
    frame = frame_from_left_and_superior("some", [0.0, 0.0, 0.0], left, up)
    np.testing.assert_allclose(frame.left, left, atol=1e-12)
    assert frame.superior @ up > 0
    assert abs(np.linalg.det([left, up, frame.superior])) < 1e-9


def test_a_superior_axis_along_the_left_one_is_refused():
    with pytest.raises(InputError) as caught:
        frame_from_left_and_superior("none", [0, 0, 0], [1, 0, 0], [2, 0, 0])
    assert caught.value.code == "zero-direction"


@given(st.floats(-60, 60), st.floats(-60, 60))
def test_a_forward_tilt_adds_to_the_tilt_the_pelvis_has(tilt, further):
    pelvis_superior = np.array([0.0, -np.sin(np.deg2rad(tilt)), np.cos(np.deg2rad(tilt))])
    assert anterior_tilt_deg(pelvis_superior) == pytest.approx(tilt, abs=1e-9)
    room = rotated_about_left(SCANNER, "room", further)
    assert anterior_tilt_deg(room.direction_to_frame(pelvis_superior)) == pytest.approx(tilt + further, abs=1e-9)


@given(st.floats(5, 80), st.floats(-40, 40), st.floats(-40, 40))
def test_a_forward_tilt_takes_operative_anteversion_one_for_one_and_leaves_operative_inclination(inc, ante, tilt):
    # exact law from Murray's definitions (J Bone Joint Surg Br 1993;75:228-32): OI stays, OA falls by a forward tilt
    oi, oa = np.deg2rad([inc, ante])
    axis = np.array([np.sin(oi), -np.cos(oi) * np.sin(oa), -np.cos(oi) * np.cos(oa)])
    lateral, posterior, superior = rotated_about_left(SCANNER, "room", tilt).direction_to_frame(axis)
    assert np.rad2deg(np.arcsin(lateral)) == pytest.approx(inc, abs=1e-9)
    assert np.rad2deg(np.arctan2(-posterior, -superior)) == pytest.approx(ante - tilt, abs=1e-9)


@given(frames, st.floats(-90, 90))
def test_a_tilted_room_keeps_its_left_axis_and_its_origin(frame, tilt):
    room = rotated_about_left(frame, "room", tilt)
    np.testing.assert_allclose(room.left, frame.left, atol=1e-12)
    np.testing.assert_array_equal(room.origin_lps_mm, frame.origin_lps_mm)
    back = rotated_about_left(room, "back", -tilt)
    np.testing.assert_allclose(back.axes, frame.axes, atol=1e-9)
