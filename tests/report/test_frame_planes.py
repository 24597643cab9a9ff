import numpy as np
import pytest
from cotyle.report.frame_planes import frame_planes
from cotyle.space.frames import SCANNER, rotated_about_left

DIRECTION = {"L": (1, 0, 0), "R": (-1, 0, 0), "P": (0, 1, 0), "A": (0, -1, 0), "S": (0, 0, 1), "I": (0, 0, -1)}


@pytest.mark.parametrize("frame", [SCANNER, rotated_about_left(SCANNER, "tilted", 25.0)], ids=lambda f: f.name)
def test_letters_name_the_frames_own_axes_at_the_four_edges(frame):
    for plane in frame_planes(frame, (10.0, 20.0, 30.0)):
        right, left, top, bottom = (frame.direction_to_lps(DIRECTION[letter]) for letter in plane.letters)
        np.testing.assert_allclose(plane.right_lps, right, atol=1e-12)
        np.testing.assert_allclose(plane.right_lps, -left, atol=1e-12)
        np.testing.assert_allclose(plane.up_lps, top, atol=1e-12)
        np.testing.assert_allclose(plane.up_lps, -bottom, atol=1e-12)


def test_axial_is_seen_from_the_feet_coronal_from_the_front_sagittal_from_the_left():
    axial, coronal, sagittal = frame_planes(SCANNER, (0.0, 0.0, 0.0))
    for plane, toward in ((axial, "I"), (coronal, "A"), (sagittal, "L")):
        np.testing.assert_allclose(plane.normal_lps, DIRECTION[toward], atol=1e-12)


def test_a_planes_matrix_is_rigid_and_agrees_with_its_coordinates():
    plane = frame_planes(rotated_about_left(SCANNER, "tilted", 25.0), (10.0, 20.0, 30.0))[0]
    matrix = plane.plane_to_lps
    np.testing.assert_allclose(matrix[:3, :3].T @ matrix[:3, :3], np.eye(3), atol=1e-12)
    assert np.linalg.det(matrix) == pytest.approx(1)
    point = (matrix @ [3.0, -4.0, 7.0, 1.0])[:3]
    np.testing.assert_allclose(plane.coordinates_mm(point), [3, -4], atol=1e-9)
    assert plane.height_mm(point) == pytest.approx(7)


def test_a_plane_through_another_point_is_parallel():
    plane = frame_planes(SCANNER, (0.0, 0.0, 0.0))[2]
    moved = plane.through(np.array([1.0, 2.0, 3.0]))
    np.testing.assert_allclose(moved.normal_lps, plane.normal_lps)
    np.testing.assert_allclose(moved.center_lps_mm, [1, 2, 3])
