import numpy as np
import pytest
from cotyle.cup.component import Cup
from cotyle.report.meshes import cup_shell, dashed_dome
from cotyle.space.mesh_files import to_polydata
from cotyle.space.side import Side
from vtkmodules.util.numpy_support import vtk_to_numpy
from vtkmodules.vtkCommonDataModel import vtkPlane
from vtkmodules.vtkFiltersCore import vtkCutter, vtkMassProperties, vtkPolyDataConnectivityFilter
from vtkmodules.vtkIOGeometry import vtkSTLReader
from vtkmodules.vtkIOXML import vtkXMLPolyDataReader


def test_the_shell_is_closed_and_as_large_as_two_hemispheres_say():
    """2/3 pi (R^3 - r^3)."""
    cup = Cup(Side.LEFT, np.array([10.0, 20, 30]), np.array([0.6, -0.2, -0.77]), 54)
    shell = cup_shell(cup, rings=96, per_ring=256)
    assert shell.is_closed
    expected = 2 / 3 * np.pi * (27.0**3 - (cup.liner_outer_diameter_mm / 2) ** 3)
    assert shell.volume_mm3 == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("normal", [(1, 0, 0), (0, 1, 0.2), (0.6, -0.3, 0.74), (-0.62, -0.34, -0.7)])
@pytest.mark.parametrize("off_mm", [0.0, 9.0])
def test_a_found_cup_is_cut_into_dashes_by_every_plane_and_half_of_it_is_there(normal, off_mm):
    cup = Cup(Side.RIGHT, np.array([-90.0, -12.0, -240.0]), np.array([-0.62, -0.34, -0.7]), 54.0)
    dome = dashed_dome(cup)
    direction = np.array(normal) / np.linalg.norm(normal)
    plane = vtkPlane()
    plane.SetNormal(direction)
    # within the dome: it lies behind the rim
    plane.SetOrigin(cup.center_lps_mm - 12.0 * cup.opening_axis_lps + off_mm * direction)
    cutter = vtkCutter()
    cutter.SetInputData(to_polydata(dome))
    cutter.SetCutFunction(plane)
    pieces = vtkPolyDataConnectivityFilter()
    pieces.SetInputConnection(cutter.GetOutputPort())
    pieces.SetExtractionModeToAllRegions()
    pieces.Update()
    assert pieces.GetNumberOfExtractedRegions() >= 4
    # half of a hemisphere, 2 pi r^2, Archimedes
    assert dome.area_mm2 == pytest.approx(np.pi * 27.0**2, rel=0.1)
    np.testing.assert_allclose(np.linalg.norm(dome.vertices_lps_mm - cup.center_lps_mm, axis=1), 27.0)


def test_bones_read_as_stl_by_a_general_library(planned_case):
    """The volume of the hip bone against the label map's count of voxels, within 4 %."""
    reader = vtkSTLReader()
    reader.SetFileName(str(planned_case.folder / "mesh" / "left_hip_bone.stl"))
    mass = vtkMassProperties()
    mass.SetInputConnection(reader.GetOutputPort())
    labelled_ml = planned_case.measurements["bone_quality"]["volume_left_hip_bone_ml"]
    assert mass.GetVolume() / 1000 == pytest.approx(labelled_ml, rel=0.04)


def test_the_cavity_bears_the_wall_that_was_measured(planned_case):
    reader = vtkXMLPolyDataReader()
    reader.SetFileName(str(planned_case.folder / "mesh" / "cavity.vtp"))
    reader.Update()
    data = reader.GetOutput()
    thickness = vtk_to_numpy(data.GetPointData().GetArray("wall_thickness_mm"))
    points = vtk_to_numpy(data.GetPoints().GetData())
    last = planned_case.measurements["reaming"][-1]
    radius = np.linalg.norm(points - np.array(last["end_center_lps_mm"]), axis=1)
    np.testing.assert_allclose(radius, last["diameter_mm"] / 2, atol=1e-3)
    assert thickness.min() >= planned_case.measurements["wall"]["minimum_mm"] - 0.05
