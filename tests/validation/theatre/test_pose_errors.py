"""Errors of a pose against closed forms: a camera that is moved in a known way errs by just that."""

import numpy as np
import pytest
from cotyle.cup.component import Cup
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.space.frames import SCANNER
from cotyle.space.rotations import rigid_matrix, rotation_matrix
from cotyle.space.side import Side
from cotyle.xray.carm import from_positioner
from hypothesis import given
from hypothesis import strategies as st

from tests.validation.theatre.pairs import camera_axes, disturbed, follow, motion_between
from tests.validation.theatre.pose_errors import (
    ONE_VIEW,
    CupError,
    Found,
    PoseError,
    coverage_share,
    covered,
    cup_covered,
    cup_error,
    is_success,
    pose_error,
    turns_deg,
)
from tests.validation.theatre.shots import about, start_off, stated, wrong_camera

HIP = np.array([-85.0, 12.0, -240.0])


def c_arm(primary=0.0, secondary=0.0, isocenter=HIP, distance=1000.0):
    return from_positioner(
        isocenter,
        primary,
        secondary,
        frame=SCANNER,
        source_detector_mm=distance,
        source_isocenter_mm=680.0,
        pixel_pitch_mm=(0.4, 0.4),
        size=(750, 750),
    )


TRUE = c_arm(12.0, -8.0)


def moved_along(carm, column=0.0, row=0.0, depth=0.0):
    shift = column * carm.column_direction_lps + row * carm.row_direction_lps + depth * carm.normal_lps
    return carm.moved(rigid_matrix(np.eye(3), shift))


def test_the_true_pose_has_no_error():
    error = pose_error(TRUE, TRUE, HIP)
    assert [abs(value) for value in vars(error).values()] == pytest.approx([0.0] * 6, abs=1e-9)
    assert is_success(error)


@pytest.mark.parametrize(("column", "row"), [(1.5, 0.0), (0.0, -2.0), (0.7, 0.4)])
def test_a_camera_moved_across_the_beam_errs_by_just_that_at_the_hip(column, row):
    # the camera goes one way, the hip on the picture the other
    error = pose_error(moved_along(TRUE, column, row), TRUE, HIP)
    assert (error.column_mm, error.row_mm) == pytest.approx((-column, -row), abs=1e-9)
    assert error.in_plane_mm == pytest.approx(np.hypot(column, row))
    assert error.depth_mm == pytest.approx(0.0, abs=1e-9)
    assert (error.turn_deg, error.tilt_deg, error.axial_deg) == pytest.approx((0, 0, 0), abs=1e-9)


def test_a_camera_moved_along_the_beam_errs_in_depth_alone_for_a_hip_in_the_beam():
    error = pose_error(moved_along(TRUE, depth=-5.0), TRUE, HIP)
    assert error.depth_mm == pytest.approx(5.0)
    assert error.in_plane_mm == pytest.approx(0.0, abs=1e-9)


def test_off_the_beam_a_depth_error_along_the_hips_own_ray_is_no_error_in_plane():
    true = c_arm(isocenter=HIP + np.array([70.0, 0.0, 20.0]))
    ray = (HIP - true.source_lps_mm) / np.linalg.norm(HIP - true.source_lps_mm)
    error = pose_error(true.moved(rigid_matrix(np.eye(3), -4.0 * ray)), true, HIP)
    assert error.in_plane_mm == pytest.approx(0.0, abs=1e-9)
    assert error.depth_mm == pytest.approx(4.0 * (ray @ true.normal_lps))


@pytest.mark.parametrize("angle", [0.4, -3.0])
@pytest.mark.parametrize(("axis", "name"), [(0, "tilt_deg"), (1, "axial_deg"), (2, "turn_deg")])
def test_a_camera_turned_about_one_of_its_axes_errs_by_that_turn(axis, name, angle):
    columns, rows = TRUE.column_direction_lps, TRUE.row_direction_lps
    direction = (columns, rows, np.cross(columns, rows))[axis]
    found = TRUE.moved(about(HIP, rotation_matrix(direction, angle), np.zeros(3)))
    error = pose_error(found, TRUE, HIP)
    # turning the camera one way shows the patient turned the other way
    assert getattr(error, name) == pytest.approx(-angle)
    others = {"tilt_deg", "axial_deg", "turn_deg"} - {name}
    assert [getattr(error, other) for other in others] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert error.in_plane_mm == pytest.approx(0.0, abs=1e-9)
    assert error.depth_mm == pytest.approx(0.0, abs=1e-9)


def test_the_turn_seen_from_any_side_is_the_whole_turn():
    found = TRUE.moved(about(HIP, rotation_matrix((1, 2, -3), 7.0), np.zeros(3)))
    assert np.linalg.norm(turns_deg(found, TRUE)) == pytest.approx(7.0)


def test_a_wrong_pitch_answered_by_another_depth_errs_in_depth_alone():
    # pixels said 3 % too large: the pose that shows the same picture of the hip's plane stands 3 % farther from it
    found = moved_along(stated(TRUE, 1.03), depth=680.0 * (1 - 1 / 1.03))
    error = pose_error(found, TRUE, HIP)
    assert error.in_plane_mm == pytest.approx(0.0, abs=1e-9)
    assert error.depth_mm == pytest.approx(-680.0 * (1 - 1 / 1.03))
    assert is_success(error, with_depth=False)
    assert not is_success(error)


def test_the_wrong_camera_is_one_percent_longer_and_off_centre():
    wrong = wrong_camera(TRUE, 1.01, (3.0, -3.0))
    assert wrong.source_detector_mm == pytest.approx(1010.0)
    # the detector moved to larger columns, so the central ray meets a smaller one
    assert (wrong.principal_point_px - TRUE.principal_point_px) * 0.4 == pytest.approx([-3.0, 3.0])
    assert np.array_equal(wrong.source_lps_mm, TRUE.source_lps_mm)


def test_pictures_of_other_sizes_are_not_compared():
    with pytest.raises(ValueError, match="can't be compared"):
        pose_error(TRUE.resized((375, 375)), TRUE, HIP)


@given(st.integers(0, 10**6), st.floats(0.5, 20.0), st.floats(0.0, 30.0))
def test_a_start_is_off_by_just_the_turn_and_shift_asked_for(seed, turn_deg, shift_mm):
    start = start_off(TRUE, HIP, turn_deg, shift_mm, np.random.default_rng(seed))
    assert np.linalg.norm(turns_deg(start, TRUE)) == pytest.approx(turn_deg)
    to_hip = [np.linalg.inv(camera_axes(each)) @ [*HIP, 1.0] for each in (start, TRUE)]
    assert abs(np.linalg.norm(camera_axes(start)[:3, :3] @ (to_hip[0] - to_hip[1])[:3])) == pytest.approx(
        shift_mm, abs=1e-6
    )


@given(st.floats(-60, 60), st.floats(-30, 30), st.integers(0, 10**6))
def test_the_motion_between_two_poses_leads_from_any_first_pose_to_its_second(primary, secondary, seed):
    second = c_arm(primary, secondary, isocenter=HIP + 10.0)
    motion = motion_between(TRUE, second)
    reached = follow(TRUE, motion)
    assert reached.source_lps_mm == pytest.approx(second.source_lps_mm, abs=1e-6)
    assert reached.column_direction_lps == pytest.approx(second.column_direction_lps, abs=1e-9)
    # of a patient who lies elsewhere, both poses are moved alike
    elsewhere = about(HIP, rotation_matrix((1, 1, 0), 20.0), np.array([5.0, 0.0, 3.0]))
    moved = follow(TRUE.moved(elsewhere), motion)
    assert moved.source_lps_mm == pytest.approx(second.moved(elsewhere).source_lps_mm, abs=1e-6)


def test_a_disturbed_motion_is_off_by_just_what_was_asked_for():
    second = c_arm(40.0, 0.0)
    motion = motion_between(TRUE, second)
    off = follow(TRUE, disturbed(motion, 0.5, 2.0, TRUE, HIP, np.random.default_rng(3)))
    assert np.linalg.norm(turns_deg(off, second)) == pytest.approx(0.5)
    seen = [np.linalg.inv(camera_axes(each)) @ [*HIP, 1.0] for each in (off, second)]
    assert np.linalg.norm(seen[0] - seen[1]) == pytest.approx(2.0)


def test_an_interval_covers_the_truth_when_it_reaches_it_and_not_when_it_is_missing():
    error = PoseError(0.2, -0.1, 0.05, 0.3, -0.4, 1.5)
    width = {"column_mm": 0.2, "row_mm": 0.05, "turn_deg": 0.1, "tilt_deg": 0.3, "depth_mm": 2.0}
    held = covered(error, width)
    assert held == {
        "column_mm": True,
        "row_mm": False,
        "turn_deg": True,
        "tilt_deg": True,
        "axial_deg": False,
        "depth_mm": True,
    }
    assert "depth_mm" not in covered(error, width, with_depth=False)
    assert coverage_share([held, covered(PoseError(0, 0, 0, 0, 0, 9), width, False)])["row_mm"] == 0.5


def test_success_asks_for_every_quantity():
    good = PoseError(0.1, 0.1, 0.1, 0.1, 0.1, 1.0)
    assert is_success(good)
    for name, limit in (("turn_deg", 0.4), ("tilt_deg", 1.0), ("axial_deg", 1.0), ("depth_mm", 3.0)):
        assert is_success(PoseError(**{**vars(good), name: -limit}), ONE_VIEW)
        assert not is_success(PoseError(**{**vars(good), name: limit + 0.01}), ONE_VIEW)
        assert not is_success(PoseError(**{**vars(good), name: float("nan")}), ONE_VIEW)
    assert not is_success(PoseError(0.5, 0.5, 0, 0, 0, 0))


def test_a_cup_errs_by_the_angles_it_was_turned_and_the_way_it_went_across_the_beam():
    def cup(inclination, anteversion, center):
        axis = axis_from_orientation(
            Orientation(inclination, anteversion), Definition.RADIOGRAPHIC, SCANNER, Side.RIGHT
        )
        return Cup(Side.RIGHT, center, axis, 52.0)

    true = cup(40.0, 15.0, HIP)
    shift = 1.2 * TRUE.column_direction_lps - 0.5 * TRUE.row_direction_lps + 6.0 * TRUE.normal_lps
    error = cup_error(cup(42.0, 14.0, HIP + shift), true, TRUE, SCANNER)
    assert (error.inclination_deg, error.anteversion_deg) == pytest.approx((2.0, -1.0))
    assert (error.column_mm, error.row_mm) == pytest.approx((1.2, -0.5))
    assert error.center_in_plane_mm == pytest.approx(1.3)


def test_the_interval_of_a_cup_holds_the_truth_up_to_its_width_and_one_not_stated_never_does():
    held = cup_covered(CupError(1.0, -2.0, 0.1, -0.3), {"inclination_deg": 1.1, "anteversion_deg": 1.9, "row_mm": 0.4})
    assert held == {"inclination_deg": True, "anteversion_deg": False, "column_mm": False, "row_mm": True}


def test_a_registration_without_a_pose_can_be_said():
    assert Found(None, "failed").carm is None
