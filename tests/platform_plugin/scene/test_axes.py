import nibabel
import numpy as np
import pytest
import SimpleITK as sitk
from cotyle.image.sitk_bridge import to_sitk
from cotyle.image.volume import Volume
from cotyle_platform.scene import axes
from hypothesis import given
from hypothesis import strategies as st
from slicer import vtkMRMLModelStorageNode
from vtkmodules.util.numpy_support import vtk_to_numpy

from tests.space.solids import sphere
from tests.space.strategies import points, rotations

mirrors = st.sampled_from([np.diag([-1.0, 1, 1]), np.diag([1.0, -1, 1]), np.eye(3)])


def placed(rotation, point):
    made = np.eye(4)
    made[:3, :3], made[:3, 3] = rotation, point
    return made


def test_left_and_posterior_change_their_signs_and_superior_stays():
    """DICOM PS3.3 C.7.6.2.1.1: +x to the patient's left, +y to the back; the scene's axes are right, front, head."""
    np.testing.assert_array_equal(axes.points_to_ras([1.0, 2.0, 3.0]), [-1, -2, 3])


@given(points)
def test_there_and_back_is_the_same_point(point):
    np.testing.assert_array_equal(axes.points_to_lps(axes.points_to_ras(point)), point)


@given(rotations, mirrors, points, points)
def test_a_grid_puts_its_voxels_at_the_same_place_in_both_axes(rotation, mirror, origin, index):
    to_lps = placed(rotation @ mirror @ np.diag([0.8, 0.9, 1.5]), origin)
    voxel = np.append(index, 1.0)
    np.testing.assert_allclose(
        (axes.place_to_ras(to_lps) @ voxel)[:3], axes.points_to_ras((to_lps @ voxel)[:3]), atol=1e-9
    )
    np.testing.assert_array_equal(axes.place_to_lps(axes.place_to_ras(to_lps)), to_lps)


@given(rotations, mirrors, points, points)
def test_a_motion_moves_a_point_to_the_same_place_in_both_axes(rotation, mirror, shift, point):
    motion = placed(rotation @ mirror, shift)
    in_scene = axes.motion_to_ras(motion) @ np.append(axes.points_to_ras(point), 1.0)
    np.testing.assert_allclose(axes.points_to_lps(in_scene[:3]), (motion @ np.append(point, 1.0))[:3], atol=1e-9)
    assert np.linalg.det(axes.motion_to_ras(motion)) == pytest.approx(np.linalg.det(motion))


def test_a_surface_keeps_its_outside():
    ball = sphere(10.0, (30.0, -20.0, 5.0), steps=24)
    assert axes.mesh_to_ras(ball).volume_mm3 == pytest.approx(ball.volume_mm3)


def test_the_platform_itself_converts_points_the_same_way():
    from cotyle.space.mesh_files import to_polydata

    ball = sphere(10.0, (30.0, -20.0, 5.0), steps=12)
    theirs = to_polydata(ball)
    vtkMRMLModelStorageNode.ConvertBetweenRASAndLPS(theirs, theirs)
    np.testing.assert_allclose(vtk_to_numpy(theirs.GetPoints().GetData()), axes.mesh_to_ras(ball).vertices_lps_mm)


@pytest.mark.parametrize("angle", [0.0, 17.0])
def test_a_grid_agrees_with_the_affine_of_an_outside_reader(tmp_path, angle):
    """nibabel gives affines to right, anterior, superior (its documentation, 'Coordinate systems and affines')."""
    turn = np.deg2rad(angle)
    rotation = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    to_lps = placed(rotation @ np.diag([0.8, 0.9, 1.5]), (-50.0, 20.0, 7.0))
    file = tmp_path / "grid.nii"
    sitk.WriteImage(to_sitk(Volume(np.zeros((4, 5, 6), dtype=np.int16), to_lps)), str(file))
    np.testing.assert_allclose(axes.place_to_ras(to_lps), nibabel.load(file).affine, atol=1e-5)


def test_the_platforms_matrix_holds_the_same_numbers():
    matrix = np.arange(16.0).reshape(4, 4)
    np.testing.assert_array_equal(axes.from_vtk(axes.to_vtk(matrix)), matrix)
