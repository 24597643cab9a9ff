"""Frames and posture of the pelvis."""

import numpy as np
import pytest
from cotyle.anatomy.landmarks import Landmark, Origin
from cotyle.anatomy.pelvis import Posture, app_axes_from_angles, app_frame, build_pelvis, in_posture, posture_of
from cotyle.errors import InputError
from cotyle.space.rotations import rotation_matrix
from hypothesis import given, settings
from hypothesis import strategies as st

angles = st.floats(-40.0, 40.0, allow_nan=False)

# In the plane's own frame, origin at the middle of the ASIS: an upright pelvis 240 mm wide, 90 mm high
UPRIGHT = {
    "asis_left": (120.0, 0.0, 0.0),
    "asis_right": (-120.0, 0.0, 0.0),
    "pubic_tubercle_left": (25.0, 0.0, -90.0),
    "pubic_tubercle_right": (-25.0, 0.0, -90.0),
}


def _landmarks(points, uncertainty_mm=1.0):
    return {name: Landmark(name, np.array(p), Origin.GIVEN, uncertainty_mm) for name, p in points.items()}


def _turned(rotation):
    return {name: rotation @ np.array(p) for name, p in UPRIGHT.items()}


def test_an_upright_pelvis_has_no_tilt_rotation_or_obliquity():
    pelvis = build_pelvis(_landmarks(UPRIGHT))
    np.testing.assert_allclose(pelvis.app.axes, np.eye(3), atol=1e-12)
    np.testing.assert_allclose(pelvis.supine.axes, np.eye(3), atol=1e-12)
    assert (pelvis.anterior_tilt_deg, pelvis.rotation_to_left_deg, pelvis.left_up_deg) == pytest.approx((0, 0, 0))


def test_asis_in_front_of_the_tubercles_is_anterior_tilt():
    points = {name: (x, y - (10.0 if "asis" in name else 0.0), z) for name, (x, y, z) in UPRIGHT.items()}
    # LPS: y runs backwards, so -10 is in front; atan(10 / 90)
    assert build_pelvis(_landmarks(points)).anterior_tilt_deg == pytest.approx(np.rad2deg(np.arctan2(10.0, 90.0)))


def test_a_front_turned_to_the_patients_left_is_rotation_to_left():
    # about +z by the right hand, anterior (0, -1, 0) turns to (+sin, -cos, 0): +x is the patient's left
    posture = posture_of(app_frame(_turned(rotation_matrix([0, 0, 1], 7.0))))
    assert posture.rotation_to_left_deg == pytest.approx(7.0)
    assert (posture.anterior_tilt_deg, posture.left_up_deg) == pytest.approx((0.0, 0.0), abs=1e-9)


def test_a_left_asis_that_is_higher_is_left_up():
    points = {**UPRIGHT, "asis_left": (120.0, 0.0, 12.0), "asis_right": (-120.0, 0.0, -12.0)}
    assert build_pelvis(_landmarks(points)).left_up_deg == pytest.approx(np.rad2deg(np.arctan2(12.0, 120.0)))


@given(angles, angles, angles)
def test_axes_and_angles_go_back_and_forth(tilt, rotation, up):
    axes = app_axes_from_angles(Posture(tilt, rotation, up))
    np.testing.assert_allclose(axes @ axes.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(axes) == pytest.approx(1.0)
    posture = posture_of(app_frame(_turned(axes.T)))
    assert (posture.anterior_tilt_deg, posture.rotation_to_left_deg, posture.left_up_deg) == pytest.approx(
        (tilt, rotation, up), abs=1e-9
    )


@given(angles, angles, angles)
def test_the_signs_are_those_that_the_words_say(tilt, rotation, up):
    points = _turned(app_axes_from_angles(Posture(tilt, rotation, up)).T)
    assert _same_sign(points["asis_left"][2] - points["asis_right"][2], up)
    level = _turned(app_axes_from_angles(Posture(tilt, 0.0, 0.0)).T)
    assert _same_sign(level["pubic_tubercle_left"][1] - level["asis_left"][1], tilt)


def _same_sign(length_mm, angle_deg):
    return length_mm * angle_deg > 0.0 if abs(angle_deg) > 1e-9 else abs(length_mm) < 1e-6


@given(st.floats(-30.0, 30.0, allow_nan=False))
def test_supine_keeps_the_sagittal_tilt_and_removes_the_rest_when_only_tilt_is_there(tilt):
    pelvis = build_pelvis(_landmarks(_turned(app_axes_from_angles(Posture(tilt, 0.0, 0.0)).T)))
    np.testing.assert_allclose(pelvis.supine.axes, np.eye(3), atol=1e-9)


@settings(max_examples=50)
@given(angles, angles, angles)
def test_supine_is_app_turned_about_its_own_left_axis_by_the_tilt(tilt, rotation, up):
    pelvis = build_pelvis(_landmarks(_turned(app_axes_from_angles(Posture(tilt, rotation, up)).T)))
    np.testing.assert_allclose(pelvis.supine.left, pelvis.app.left, atol=1e-12)
    # seen in supine, the pelvis leans forward by the tilt: its superior axis has an anterior part sin(tilt)
    seen = pelvis.supine.direction_to_frame(pelvis.app.superior)
    np.testing.assert_allclose(seen, [0.0, -np.sin(np.deg2rad(tilt)), np.cos(np.deg2rad(tilt))], atol=1e-9)


def test_standing_adds_a_stated_change_of_tilt():
    tilted = _turned(app_axes_from_angles(Posture(6.0, 2.0, -1.0)).T)
    pelvis = build_pelvis(_landmarks(tilted), standing_tilt_change_deg=-11.5)
    seen = pelvis.standing.direction_to_frame(pelvis.app.superior)
    assert np.rad2deg(np.arctan2(-seen[1], seen[2])) == pytest.approx(6.0 - 11.5)


def test_a_10_mm_error_of_the_tubercles_tilts_the_plane_by_6_7_deg():
    # closed form atan(e / h) with e = 10 mm, h = 85 mm: 6.71 deg
    points = {n: (x, y, z * 85.0 / 90.0) for n, (x, y, z) in UPRIGHT.items()}
    deep = {n: (x, y + (10.0 if "pubic" in n else 0.0), z) for n, (x, y, z) in points.items()}
    change = build_pelvis(_landmarks(deep)).anterior_tilt_deg - build_pelvis(_landmarks(points)).anterior_tilt_deg
    assert change == pytest.approx(6.71, abs=0.005)


def test_uncertainty_of_the_angles_follows_the_closed_form_of_an_upright_pelvis():
    sigma = 1.5
    uncertainty = build_pelvis(_landmarks(UPRIGHT, sigma)).uncertainty
    # rotation and obliquity: difference of two points 240 mm apart; tilt: difference of two means, 90 mm apart
    span = np.rad2deg(sigma * np.sqrt(2.0) / 240.0)
    assert uncertainty.rotation_to_left_deg == pytest.approx(span, rel=1e-3)
    assert uncertainty.left_up_deg == pytest.approx(span, rel=1e-3)
    assert uncertainty.anterior_tilt_deg == pytest.approx(np.rad2deg(sigma / 90.0), rel=1e-3)


def test_detected_points_of_a_kind_also_err_together_in_tilt_and_only_there():
    given, detected = (
        build_pelvis({name: Landmark(name, np.array(p), origin, 0.2) for name, p in UPRIGHT.items()}).uncertainty
        for origin in (Origin.GIVEN, Origin.DETECTED)
    )
    assert detected.rotation_to_left_deg == pytest.approx(given.rotation_to_left_deg, rel=1e-6)
    assert detected.left_up_deg == pytest.approx(given.left_up_deg, rel=1e-6)
    together = np.sqrt(detected.anterior_tilt_deg**2 - given.anterior_tilt_deg**2)
    # either pair by 0.085 mm, 90 mm apart
    assert together == pytest.approx(np.rad2deg(np.sqrt(2.0) * 0.085 / 90.0), rel=0.02)


def test_a_flat_ridge_makes_obliquity_uncertain_and_leaves_the_tilt():
    ridge = {n: Landmark(n, np.array(p), Origin.DETECTED, 4.0, 0.5) for n, p in UPRIGHT.items()}
    uncertainty = build_pelvis(ridge).uncertainty
    assert uncertainty.left_up_deg > 4 * uncertainty.anterior_tilt_deg / 1.5
    assert uncertainty.anterior_tilt_deg < 0.4


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"asis_left": UPRIGHT["asis_right"], "asis_right": UPRIGHT["asis_left"]}, "right of"),
        ({"asis_left": (-80.0, 0.0, 0.0)}, "apart"),
        ({"pubic_tubercle_left": (25.0, 0.0, 0.0), "pubic_tubercle_right": (-25.0, 0.0, 0.0)}, "line of the ASIS"),
        ({"pubic_tubercle_left": (25.0, 0.0, 90.0), "pubic_tubercle_right": (-25.0, 0.0, 90.0)}, "above"),
        ({"pubic_tubercle_left": (-25.0, 0.0, -90.0), "pubic_tubercle_right": (25.0, 0.0, -90.0)}, "wrong way"),
    ],
)
def test_points_that_make_no_pelvis_are_refused(change, words):
    with pytest.raises(InputError, match=words) as caught:
        build_pelvis(_landmarks({**UPRIGHT, **change}))
    assert caught.value.code == "landmark-degenerate"


@given(st.floats(-60, 60))
def test_another_posture_is_the_one_that_landmarks_give(change_deg):
    lying, built = build_pelvis(_landmarks(UPRIGHT)), build_pelvis(_landmarks(UPRIGHT), change_deg)
    stood = in_posture(lying, change_deg)
    assert stood.standing_tilt_change_deg == change_deg
    for name in built.frames:
        assert np.array_equal(stood.frames[name].axes, built.frames[name].axes)
    with pytest.raises(InputError):
        in_posture(lying, 61.0)


def test_a_missing_point_and_an_impossible_posture_are_refused():
    points = _landmarks(UPRIGHT)
    without = {name: mark for name, mark in points.items() if name != "asis_left"}
    with pytest.raises(InputError, match="asis_left") as caught:
        build_pelvis(without)
    assert caught.value.code == "landmark-missing"
    for change in (float("nan"), 75.0):
        with pytest.raises(InputError) as caught:
            build_pelvis(points, change)
        assert caught.value.code == "posture-angle"
