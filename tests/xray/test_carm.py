"""C-arm geometry against DICOM's anchor points and plain ray geometry."""

from dataclasses import replace

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.space.frames import SCANNER, Frame, rotated_about_left
from cotyle.space.rotations import rigid_matrix, rotation_matrix, transform_points
from cotyle.xray.carm import CArm, Tube, detector_direction, from_positioner, from_projection_matrix
from hypothesis import given
from hypothesis import strategies as st

angles = st.tuples(st.floats(-80, 80), st.floats(-60, 60))
TURNED = Frame("turned", np.array([5.0, -7.0, 11.0]), *rotation_matrix((1, 2, 3), 40.0))


def positioned(primary, secondary, frame=SCANNER, isocenter=(0.0, 0.0, 0.0), **other):
    settings = {
        "source_detector_mm": 1000.0,
        "source_isocenter_mm": 650.0,
        "pixel_pitch_mm": (0.5, 0.4),
        "size": (600, 500),
    }
    return from_positioner(isocenter, primary, secondary, frame=frame, **(settings | other))


# DICOM PS3.3 C.8.7.5.1.2: 0 / 0 the intensifier in front of the patient, +90 at his left, 0 / +90 at his head
@pytest.mark.parametrize(
    ("primary", "secondary", "direction"),
    [
        (0, 0, (0, -1, 0)),
        (90, 0, (1, 0, 0)),
        (-90, 0, (-1, 0, 0)),
        (180, 0, (0, 1, 0)),
        (0, 90, (0, 0, 1)),
        (0, -90, (0, 0, -1)),
        (45, 0, (np.sqrt(0.5), -np.sqrt(0.5), 0)),
        (0, 30, (0, -np.cos(np.pi / 6), 0.5)),
    ],
)
def test_the_detector_stands_where_dicom_says(primary, secondary, direction):
    np.testing.assert_allclose(detector_direction(primary, secondary), direction, atol=1e-12)
    carm = positioned(primary, secondary)
    np.testing.assert_allclose(carm.source_lps_mm, -650.0 * np.array(direction), atol=1e-9)
    np.testing.assert_allclose(carm.pixel_to_lps(carm.center_px), 350.0 * np.array(direction), atol=1e-9)
    np.testing.assert_allclose(carm.normal_lps, direction, atol=1e-12)


@pytest.mark.parametrize(
    ("primary", "tube"),
    [
        (0, Tube.UNDER_TABLE),
        (40, Tube.UNDER_TABLE),
        (180, Tube.OVER_TABLE),
        (-150, Tube.OVER_TABLE),
        (90, Tube.CROSS_TABLE),
    ],
)
def test_the_side_of_the_tube_follows_from_the_angle(primary, tube):
    assert positioned(primary, 0).tube is tube


@pytest.mark.parametrize("primary", [0, 30, -30, 180, 160, 200])
def test_columns_run_to_the_patients_left_and_rows_downwards_on_either_side_of_the_tube(primary):
    carm = positioned(primary, 10)
    center = carm.project((0.0, 0.0, 0.0))
    to_left, down = carm.project((10.0, 0.0, 0.0)) - center, carm.project((0.0, 0.0, -10.0)) - center
    assert to_left[0] > 10
    assert abs(to_left[1]) < 4
    assert down[1] > 10


def test_a_film_and_a_c_arm_along_one_line_show_the_same_picture_but_for_its_divergence():
    under, over = positioned(25, 15), positioned(205, -15)
    np.testing.assert_allclose(under.column_direction_lps, over.column_direction_lps, atol=1e-12)
    np.testing.assert_allclose(under.row_direction_lps, over.row_direction_lps, atol=1e-12)
    # what lies in front is enlarged more on the film, whose source is in front
    front = (0.0, -50.0, 0.0)
    assert over.magnification(front) > over.magnification((0, 0, 0)) > under.magnification(front)


def test_magnification_is_source_detector_over_source_object():
    # 1150 / (1150 - 150) = 1.15 (closed form)
    carm = positioned(0, 0, source_detector_mm=1150.0, source_isocenter_mm=1000.0)
    assert carm.magnification((0, 0, 0)) == pytest.approx(1.15, abs=1e-12)
    apart = carm.project((10, 0, 0)) - carm.project((0, 0, 0))
    np.testing.assert_allclose(apart * carm.pixel_pitch_mm, (11.5, 0.0), atol=1e-9)


@given(angles=angles, point=st.tuples(*[st.floats(-100, 100)] * 3))
def test_a_point_projects_to_where_its_ray_meets_the_detector(angles, point):
    carm = positioned(*angles, frame=TURNED, isocenter=(10.0, -20.0, 30.0))
    pixel = carm.project(point)
    # plain geometry: stretch source -> point until it lies in the detector's plane
    way = np.array(point) - carm.source_lps_mm
    normal = np.cross(carm.column_direction_lps, carm.row_direction_lps)
    stretch = (carm.detector_origin_lps_mm - carm.source_lps_mm) @ normal / (way @ normal)
    np.testing.assert_allclose(carm.pixel_to_lps(pixel), carm.source_lps_mm + stretch * way, atol=1e-8)
    np.testing.assert_allclose(carm.ray(pixel), way / np.linalg.norm(way), atol=1e-10)


@given(angles=angles, principal=st.tuples(st.floats(-100, 700), st.floats(-100, 700)))
def test_the_projection_matrix_gives_the_c_arm_back(angles, principal):
    carm = positioned(*angles, frame=TURNED, principal_point_px=principal)
    back = from_projection_matrix(3.7 * carm.projection_matrix, carm.pixel_pitch_mm, carm.size, carm.tube)
    for name in ("source_lps_mm", "detector_origin_lps_mm", "column_direction_lps", "row_direction_lps"):
        np.testing.assert_allclose(getattr(back, name), getattr(carm, name), atol=1e-7)
    np.testing.assert_allclose(back.principal_point_px, principal, atol=1e-7)


@given(angles=angles)
def test_angles_can_be_read_back_in_any_frame(angles):
    carm = positioned(*angles, frame=TURNED)
    np.testing.assert_allclose(carm.positioner_angles_deg(TURNED), angles, atol=1e-9)


def test_a_pelvis_tilted_forward_is_seen_as_if_the_detector_had_gone_to_the_head():
    # inlet: forward tilt of the pelvis and a cranial detector show the same
    tilted = rotated_about_left(SCANNER, "tilted", 20.0)
    carm = positioned(0, 0, frame=tilted)
    np.testing.assert_allclose(carm.positioner_angles_deg(SCANNER), (0.0, 20.0), atol=1e-9)


@given(angles=angles, turn=st.floats(-180, 180), point=st.tuples(*[st.floats(-100, 100)] * 3))
def test_moving_patient_and_c_arm_together_leaves_the_picture(angles, turn, point):
    carm = positioned(*angles)
    rigid = rigid_matrix(rotation_matrix((1, -2, 0.5), turn), (30.0, -10.0, 80.0))
    moved = carm.moved(rigid).project(transform_points(rigid, np.array(point)))
    np.testing.assert_allclose(moved, carm.project(point), atol=1e-7)


def test_a_part_of_the_detector_and_coarser_pixels_keep_the_beam():
    carm = positioned(20, 10)
    point = np.array([[12.0, -30.0, 25.0], [-40.0, 10.0, 5.0]])
    np.testing.assert_allclose(
        carm.cropped((40, 70), (100, 90)).project(point), carm.project(point) - (40, 70), atol=1e-9
    )
    half = carm.resized((300, 250))
    # pixel centres: (x + 0.5) / 2 - 0.5
    np.testing.assert_allclose(half.project(point), (carm.project(point) + 0.5) / 2 - 0.5, atol=1e-9)
    for corner, of_half in (((-0.5, -0.5), (-0.5, -0.5)), ((599.5, 499.5), (299.5, 249.5))):
        np.testing.assert_allclose(half.pixel_to_lps(of_half), carm.pixel_to_lps(corner), atol=1e-9)


def test_a_point_behind_the_source_has_no_pixel():
    carm = positioned(0, 0)
    assert np.isnan(carm.project((0.0, 700.0, 0.0))).all()
    assert np.isnan(carm.project(np.array([[0.0, 700.0, 0.0], [0.0, 0.0, 0.0]]))).tolist() == [[True] * 2, [False] * 2]


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"source_detector_mm": 0.0}, "carm-distance"),
        ({"source_detector_mm": 600.0}, "carm-distance"),
        ({"source_isocenter_mm": -1.0}, "carm-distance"),
        ({"source_detector_mm": float("nan")}, "carm-distance"),
        ({"pixel_pitch_mm": (0.0, 0.5)}, "carm-pixels"),
        ({"size": (0, 10)}, "carm-pixels"),
    ],
)
def test_distances_and_pixels_that_make_no_picture_are_refused(change, code):
    with pytest.raises(InputError) as caught:
        positioned(0, 0, **change)
    assert caught.value.code == code


def test_an_angle_that_is_not_a_number_is_refused():
    with pytest.raises(InputError) as caught:
        positioned(float("nan"), 0)
    assert caught.value.code == "carm-angle"


def test_a_source_in_the_detector_and_skew_axes_are_refused():
    carm = positioned(0, 0)
    with pytest.raises(InputError) as caught:
        replace(carm, source_lps_mm=carm.detector_origin_lps_mm)
    assert caught.value.code == "carm-source"
    with pytest.raises(InputError) as caught:
        replace(carm, row_direction_lps=carm.row_direction_lps + 0.1 * carm.column_direction_lps)
    assert caught.value.code == "carm-axes"


def test_a_motion_that_stretches_or_mirrors_is_refused():
    for matrix in (np.diag([1.1, 1, 1, 1]), np.diag([-1.0, 1, 1, 1]), np.eye(3)):
        with pytest.raises(InputError) as caught:
            positioned(0, 0).moved(matrix)
        assert caught.value.code == "carm-motion"


def test_a_matrix_of_other_pixels_is_refused():
    carm = positioned(10, 5)
    for matrix, pitch in (
        (carm.projection_matrix, (0.5, 0.5)),
        (np.zeros((3, 4)), (0.5, 0.4)),
        (np.eye(3), (0.5, 0.4)),
    ):
        with pytest.raises(InputError) as caught:
            from_projection_matrix(matrix, pitch, carm.size, carm.tube)
        assert caught.value.code == "carm-matrix"


def test_a_c_arm_can_be_made_from_the_fields_of_a_registration():
    carm = positioned(10, 5)
    again = CArm(
        carm.source_lps_mm.tolist(),
        carm.detector_origin_lps_mm.tolist(),
        carm.column_direction_lps.tolist(),
        carm.row_direction_lps.tolist(),
        carm.pixel_pitch_mm,
        carm.size,
        Tube.UNDER_TABLE,
    )
    np.testing.assert_array_equal(again.projection_matrix, carm.projection_matrix)


@given(angles, st.tuples(st.floats(-60, 60), st.floats(-60, 60), st.floats(-60, 60)), st.integers(20, 400))
def test_a_detail_shows_the_same_beam_round_a_point(turned, point, columns):
    carm, center = positioned(*turned), np.array(point)
    part = carm.detail(center, (40.0, 30.0), columns)
    np.testing.assert_allclose(part.source_lps_mm, carm.source_lps_mm)
    assert part.source_detector_mm == pytest.approx(carm.source_detector_mm)
    # the point in the middle, and 40 mm beside it at its depth the picture's edge, half a pixel beyond the last centre
    np.testing.assert_allclose(part.project(center), part.center_px, atol=1e-6)
    edge = part.project(center + 40.0 * carm.column_direction_lps)
    assert edge[0] == pytest.approx(columns - 0.5, abs=1e-6)
    assert part.size[1] == pytest.approx(0.75 * columns, abs=0.5)
    # the same point of the detector under both numberings
    np.testing.assert_allclose(
        carm.pixel_to_lps(carm.project(center + 5.0)), part.pixel_to_lps(part.project(center + 5.0))
    )
