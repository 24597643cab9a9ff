"""Closed surfaces cut by a plane."""

from __future__ import annotations

from vtkmodules.vtkCommonDataModel import vtkPlane, vtkPlaneCollection
from vtkmodules.vtkFiltersCore import vtkCleanPolyData, vtkTriangleFilter
from vtkmodules.vtkFiltersGeneral import vtkClipClosedSurface

from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_files import from_polydata, to_polydata
from cotyle.space.shapes import Plane


def cut_off(mesh: TriangleMesh, plane: Plane) -> TriangleMesh:
    """Return the part of a closed surface behind a plane, closed by it; the normal looks away from what stays."""
    behind = vtkPlane()
    behind.SetOrigin(*plane.point_lps_mm)
    behind.SetNormal(*(-plane.normal_lps))
    planes = vtkPlaneCollection()
    planes.AddItem(behind)
    clip = vtkClipClosedSurface()
    clip.SetInputData(to_polydata(mesh))
    clip.SetClippingPlanes(planes)
    faces = vtkTriangleFilter()
    faces.SetInputConnection(clip.GetOutputPort())
    faces.PassLinesOff()
    faces.PassVertsOff()
    clean = vtkCleanPolyData()
    clean.SetInputConnection(faces.GetOutputPort())
    clean.Update()
    return from_polydata(clean.GetOutput())
