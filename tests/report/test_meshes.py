import numpy as np
import pytest
from cotyle.cup.component import Cup
from cotyle.report.meshes import cup_shell
from cotyle.space.side import Side
from vtkmodules.util.numpy_support import vtk_to_numpy
from vtkmodules.vtkFiltersCore import vtkMassProperties
from vtkmodules.vtkIOGeometry import vtkSTLReader
from vtkmodules.vtkIOXML import vtkXMLPolyDataReader


def test_the_shell_is_closed_and_as_large_as_two_hemispheres_say():
    """2/3 pi (R^3 - r^3)."""
    cup = Cup(Side.LEFT, np.array([10.0, 20, 30]), np.array([0.6, -0.2, -0.77]), 54)
    shell = cup_shell(cup, rings=96, per_ring=256)
    assert shell.is_closed
    expected = 2 / 3 * np.pi * (27.0**3 - (cup.liner_outer_diameter_mm / 2) ** 3)
    assert shell.volume_mm3 == pytest.approx(expected, rel=2e-3)


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
