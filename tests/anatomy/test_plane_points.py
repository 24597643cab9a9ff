"""The points of the pelvic plane where something is in the way: the scan's end, a spur, a ring that healed askew."""

import numpy as np
import pytest
from cotyle.anatomy.landmarks import APP_NAMES, NO_SEEDS, Origin
from cotyle.anatomy.landmarks import given as given_mark
from cotyle.anatomy.mirrored_half import lay_halves, symphysis_step_mm
from cotyle.anatomy.pelvis import build_pelvis
from cotyle.anatomy.plane_points import find_plane_points
from cotyle.anatomy.segmentation.edge_confidence import Edge, EdgeConfidence
from cotyle.anatomy.survey import survey_anatomy
from cotyle.errors import InputError
from cotyle.space.rotations import rotation_matrix
from cotyle.space.side import Side

from tests.anatomy.pelves import moved, subject


@pytest.fixture(scope="module")
def symmetric():
    """A pelvis that is its own mirror image."""
    surfaces, _ = subject(0)
    half = {"left_hip_bone": surfaces["left_hip_bone"]}
    mirror = np.diag([-1.0, 1.0, 1.0, 1.0])
    mirror[0, 3] = 2.0 * half["left_hip_bone"].vertices_lps_mm[:, 0].min() - 6.0
    return {**half, **moved(half, NO_SEEDS, mirror, mirror=True)[0]}


def changed(surfaces, side, change):
    """Surfaces with the vertices of one hip bone changed."""
    bone = surfaces[f"{side}_hip_bone"]
    return {**surfaces, f"{side}_hip_bone": bone.with_vertices(change(bone.vertices_lps_mm))}


def with_spur(surfaces, name, height_mm, offset):
    """A bell of bone that stands forwards beside a point of the plane."""
    points, _ = find_plane_points(surfaces, NO_SEEDS, {}, None)
    side = Side(name.rsplit("_", 1)[1])

    def grow(vertices):
        tip = vertices[np.argmin(np.linalg.norm(vertices - (points[name].lps_mm + offset), axis=1))]
        bell = np.exp(-0.5 * (np.linalg.norm(vertices - tip, axis=1) / 4.0) ** 2)
        return vertices + height_mm * bell[:, None] * [0.0, -1.0, 0.0]

    return changed(surfaces, side, grow)


def test_a_sound_pelvis_raises_no_doubt_and_states_a_tenth_of_a_degree():
    for seed in range(3):
        surfaces, seeds = subject(seed)
        points, findings = find_plane_points(surfaces, seeds, {}, None)
        assert findings == []
        spread = build_pelvis(points).uncertainty
        assert 0.03 < spread.rotation_to_left_deg < spread.anterior_tilt_deg < 0.3


def test_a_point_that_a_hand_put_off_the_bone_is_taken_as_it_is():
    surfaces, seeds = subject(0)
    found, _ = find_plane_points(surfaces, seeds, {}, None)
    off = given_mark("asis_right", found["asis_right"].lps_mm + [-15.0, -15.0, 0.0])
    points, _ = find_plane_points(surfaces, seeds, {"asis_right": off}, None)
    np.testing.assert_array_equal(points["asis_right"].lps_mm, off.lps_mm)


@pytest.mark.parametrize("name", APP_NAMES)
def test_a_point_outside_the_scan_is_taken_from_the_other_half(symmetric, name):
    whole, _ = find_plane_points(symmetric, NO_SEEDS, {}, None)
    cut_mm = 15.0
    gone = whole[name].lps_mm
    seen = lambda points: np.linalg.norm(points - gone, axis=1) > cut_mm  # noqa: E731
    # what lies outside the scan is not bone but a guess: dent it
    side = Side(name.rsplit("_", 1)[1])

    def dent(vertices):
        away = np.linalg.norm(vertices - gone, axis=1)
        return vertices + 6.0 * np.clip(1.0 - away / cut_mm, 0.0, 1.0)[:, None] * [0.0, 1.0, 0.0]

    points, _ = find_plane_points(changed(symmetric, side, dent), NO_SEEDS, {}, seen)
    assert points[name].origin is Origin.EXTRAPOLATED
    assert np.linalg.norm(points[name].lps_mm - gone) < 0.5
    assert points[name].across_uncertainty_mm > 1.0
    assert all(points[other].origin is Origin.DETECTED for other in APP_NAMES if other != name)


def test_a_point_on_an_edge_that_was_guessed_is_taken_from_the_other_half_too(symmetric):
    bone = symmetric["left_hip_bone"]
    whole, _ = find_plane_points(symmetric, NO_SEEDS, {}, None)
    guessed = np.linalg.norm(bone.vertices_lps_mm - whole["asis_left"].lps_mm, axis=1) < 15.0
    edges = EdgeConfidence(np.where(guessed, Edge.PRIOR, Edge.CLEAR), np.where(guessed, 3.0, 0.2))
    points, _ = find_plane_points(symmetric, NO_SEEDS, {}, None, {"left_hip_bone": edges})
    assert points["asis_left"].origin is Origin.EXTRAPOLATED
    assert np.linalg.norm(points["asis_left"].lps_mm - whole["asis_left"].lps_mm) < 0.5


def test_a_scan_without_both_spines_is_refused_unless_they_are_given():
    surfaces, seeds = subject(0)
    marks = survey_anatomy(surfaces, seeds).landmarks
    top = min(marks[f"asis_{side}"].lps_mm[2] for side in Side) - 10.0
    below = lambda points: points[:, 2] < top  # noqa: E731
    with pytest.raises(InputError) as refused:
        survey_anatomy(surfaces, seeds, in_image=below)
    assert refused.value.code == "field-of-view"
    assert "asis left, asis right" in str(refused.value)
    user = {f"asis_{side}": given_mark(f"asis_{side}", marks[f"asis_{side}"].lps_mm) for side in Side}
    assert survey_anatomy(surfaces, seeds, user, in_image=below).landmarks["asis_left"].origin is Origin.GIVEN


@pytest.mark.parametrize(
    ("name", "offset"), [("asis_left", (0.0, 0.0, -8.0)), ("pubic_tubercle_right", (8.0, 0.0, 0.0))]
)
def test_a_spur_is_passed_over_and_said(symmetric, name, offset):
    before, _ = find_plane_points(symmetric, NO_SEEDS, {}, None)
    points, findings = find_plane_points(with_spur(symmetric, name, 6.0, np.array(offset)), NO_SEEDS, {}, None)
    assert [(finding.code, finding.landmarks) for finding in findings] == [("spur-beside-landmark", (name,))]
    level, now = build_pelvis(before), build_pelvis(points)
    error = np.abs(now.app.posterior - level.app.posterior).max()
    assert error < 1.96 * np.deg2rad(np.hypot(now.uncertainty.anterior_tilt_deg, now.uncertainty.rotation_to_left_deg))
    assert np.rad2deg(error) < 0.6


def test_a_half_that_healed_askew_is_said_with_its_step_and_turn(symmetric):
    bone = symmetric["left_hip_bone"].vertices_lps_mm
    joint = bone[np.argmax(bone[:, 1])]

    def turn(vertices):
        return (vertices - joint) @ rotation_matrix([1.0, 0.0, 0.0], 5.0).T + joint

    askew = changed(symmetric, Side.LEFT, turn)
    bones = {side: askew[f"{side}_hip_bone"] for side in Side}
    assert lay_halves(bones).turn_deg == pytest.approx(5.0, abs=0.05)
    points, findings = find_plane_points(askew, NO_SEEDS, {}, None)
    assert [finding.code for finding in findings] == ["ring-asymmetric"]
    assert "turned by 5.0 deg" in findings[0].text
    behind, above = symphysis_step_mm(bones, build_pelvis(points).app)
    # the symphysis lies about 130 mm in front of and 115 mm below the joint: 5 deg take it some 10 mm up or down each
    assert 5.0 < np.hypot(behind, above) < 20.0


def test_a_mirrored_pelvis_has_no_step_and_no_turn(symmetric):
    bones = {side: symmetric[f"{side}_hip_bone"] for side in Side}
    points, _ = find_plane_points(symmetric, NO_SEEDS, {}, None)
    assert lay_halves(bones).turn_deg < 0.01
    np.testing.assert_allclose(symphysis_step_mm(bones, build_pelvis(points).app), 0.0, atol=0.3)
