"""Simulated views against projections of points written out here."""

import numpy as np
import pytest
from cotyle.case.simulated import case_cues, simulate, view_of
from cotyle.case.stages import plan_cup
from cotyle.case.store import read_case
from cotyle.errors import InputError


@pytest.fixture(scope="module")
def case(planned_case):
    stored = read_case(planned_case.folder)
    return plan_cup(stored.anatomy, stored.scan, stored.plan), stored.scan


@pytest.fixture(scope="module")
def shown(case):
    planned, scan = case
    return simulate(planned, scan, view_of(planned, "ap_pelvis"))


def rim_points(cup, count=400):
    """Points of the rim, from any two directions at right angles to the axis."""
    first = np.cross(cup.opening_axis_lps, [0, 0, 1.0])
    first /= np.linalg.norm(first)
    second = np.cross(cup.opening_axis_lps, first)
    turn = np.linspace(0, 2 * np.pi, count, endpoint=False)[:, None]
    return cup.center_lps_mm + cup.radius_mm * (np.cos(turn) * first + np.sin(turn) * second)


def project(carm, points):
    """Central projection, similar triangles: no matrix of the code under test."""
    normal = np.cross(carm.column_direction_lps, carm.row_direction_lps)
    along = points - carm.source_lps_mm
    whole = (carm.detector_origin_lps_mm - carm.source_lps_mm) @ normal
    hit = carm.source_lps_mm + along * (whole / (along @ normal))[:, None] - carm.detector_origin_lps_mm
    return np.stack([hit @ carm.column_direction_lps, hit @ carm.row_direction_lps], axis=1) / carm.pixel_pitch_mm


def test_the_rim_ellipse_lies_on_the_projected_rim(case, shown):
    planned, _ = case
    points = project(shown.view.carm, rim_points(planned.cup))
    center, angle = shown.rim_ellipse.center, np.radians(shown.known_angle_deg)
    offset = points - center
    # angles count from columns towards the top of the picture, where rows decrease
    major = offset @ [np.cos(angle), -np.sin(angle)]
    minor = offset @ [np.sin(angle), np.cos(angle)]
    on_ellipse = (major / shown.rim_ellipse.semi_major) ** 2 + (minor / shown.rim_ellipse.semi_minor) ** 2
    np.testing.assert_allclose(on_ellipse, 1.0, atol=1e-6)


def test_the_cup_lies_on_its_own_side_and_bone_is_light(shown):
    rows, columns = shown.pixels.shape
    assert shown.rim_ellipse.center[0] < columns / 2  # a right hip, the patient's left on the right
    column, row = shown.rim_ellipse.center.astype(int)
    assert shown.pixels[row, column] > 100
    assert shown.pixels[:5, :5].max() < 60
    assert 0 < row < rows


def test_the_tube_side_is_stated_and_changes_the_picture_of_the_cup(case):
    planned, _ = case
    under, over = view_of(planned, "ap_pelvis"), view_of(planned, "ap_pelvis", film=True)
    assert "under the table" in under.description
    assert "over the table" in over.description
    assert under.carm.source_lps_mm[1] > planned.cup.center_lps_mm[1] > over.carm.source_lps_mm[1]


def test_cues_of_both_usual_views_are_plain_numbers(case):
    planned, _ = case
    cues = case_cues(planned)
    assert set(cues) == {"ap_pelvis", "ap_hip"}
    for content in cues.values():
        assert content["tube"] == "under_table"
        assert all(value is None or isinstance(value, int | float | str) for value in content.values())


def test_an_unknown_frame_is_an_input_error(case):
    with pytest.raises(InputError) as caught:
        view_of(case[0], "ap_pelvis", frame="moon")
    assert caught.value.code == "frame-unknown"
