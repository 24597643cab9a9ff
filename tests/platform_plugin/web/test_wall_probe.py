"""The wall under the pointer, on a plane whose walls are known everywhere."""

import numpy as np
import pytest

pytest.importorskip("trame_rca", reason="the viewer's packages are not installed")

from cotyle.report.meshes import THICKNESS_ARRAY
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_files import to_polydata
from cotyle_platform.web.wall_probe import WallProbe
from vtkmodules.util.numpy_support import numpy_to_vtk
from vtkmodules.vtkRenderingCore import vtkRenderer, vtkRenderWindow


def sloping_plane():
    """A square of 20 mm at z = 0 whose wall grows by 1 mm for each mm of x, from 0."""
    vertices = np.array([[0.0, 0, 0], [20, 0, 0], [20, 20, 0], [0, 20, 0]])
    surface = to_polydata(TriangleMesh(vertices, np.array([[0, 1, 2], [0, 2, 3]])))
    walls = numpy_to_vtk(vertices[:, 0].copy(), deep=True)
    walls.SetName(THICKNESS_ARRAY)
    surface.GetPointData().AddArray(walls)
    return surface


@pytest.fixture
def above():
    """A renderer that looks down on the square without perspective: 200 pixels for 20 mm, no picture is drawn."""
    window, renderer = vtkRenderWindow(), vtkRenderer()
    window.SetOffScreenRendering(True)
    window.SetSize(200, 200)
    window.AddRenderer(renderer)
    camera = renderer.GetActiveCamera()
    camera.ParallelProjectionOn()
    camera.SetFocalPoint(10, 10, 0)
    camera.SetPosition(10, 10, 100)
    camera.SetViewUp(0, 1, 0)
    camera.SetParallelScale(10)
    camera.SetClippingRange(1, 200)
    return window, renderer


@pytest.mark.parametrize("x", [5, 57, 150.0])
def test_it_reads_the_wall_where_the_pointer_is(above, x):
    # 10 pixels a mm; a pixel's own width is what a pointer can't tell
    assert WallProbe().read_mm(sloping_plane(), above[1], x, 90) == pytest.approx(x / 10, abs=0.11)


def test_beside_the_map_there_is_no_number(above):
    above[1].GetActiveCamera().SetParallelScale(40)
    assert WallProbe().read_mm(sloping_plane(), above[1], 5, 5) is None


def test_without_a_map_there_is_no_number(above):
    surface = sloping_plane()
    surface.GetPointData().RemoveArray(THICKNESS_ARRAY)
    assert WallProbe().read_mm(surface, above[1], 100, 100) is None
    assert WallProbe().read_mm(None, above[1], 100, 100) is None


def test_a_surface_that_was_filled_anew_is_read_anew(above):
    probe, surface = WallProbe(), sloping_plane()
    before = probe.read_mm(surface, above[1], 100, 100)
    walls = surface.GetPointData().GetArray(THICKNESS_ARRAY)
    for index in range(walls.GetNumberOfTuples()):
        walls.SetValue(index, walls.GetValue(index) + 3)
    surface.Modified()
    assert probe.read_mm(surface, above[1], 100, 100) == pytest.approx(before + 3)
