"""Surfaces to and from VTK, and STL files in LPS millimetres."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from vtkmodules.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray, vtk_to_numpy
from vtkmodules.vtkCommonCore import vtkPoints
from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData
from vtkmodules.vtkFiltersCore import vtkCleanPolyData, vtkClipPolyData, vtkTriangleFilter
from vtkmodules.vtkIOGeometry import vtkSTLReader

from cotyle.errors import InputError
from cotyle.files import write_bytes_atomically
from cotyle.space.arrays import Array
from cotyle.space.mesh import TriangleMesh

STL_HEADER = "LPS millimetres; written by Cotyle; research software, not a medical device"
_STL_FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])


def to_polydata(mesh: TriangleMesh) -> vtkPolyData:
    """Return the surface as VTK poly data with its own copy of the numbers."""
    points = vtkPoints()
    points.SetData(numpy_to_vtk(np.ascontiguousarray(mesh.vertices_lps_mm), deep=True))
    cells = vtkCellArray()
    offsets = np.arange(0, 3 * len(mesh.triangles) + 1, 3, dtype=np.int64)
    connectivity = np.ascontiguousarray(mesh.triangles, dtype=np.int64).ravel()
    cells.SetData(numpy_to_vtkIdTypeArray(offsets, deep=True), numpy_to_vtkIdTypeArray(connectivity, deep=True))
    polydata = vtkPolyData()
    polydata.SetPoints(points)
    polydata.SetPolys(cells)
    return polydata


def from_polydata(polydata: vtkPolyData) -> TriangleMesh:
    """Return VTK poly data as a surface of triangles."""
    triangulate = vtkTriangleFilter()
    triangulate.SetInputData(polydata)
    triangulate.PassLinesOff()
    triangulate.PassVertsOff()
    triangulate.Update()
    triangles = triangulate.GetOutput()
    if triangles.GetNumberOfPolys() == 0:
        return TriangleMesh(np.empty((0, 3)), np.empty((0, 3), dtype=np.int32))
    vertices = vtk_to_numpy(triangles.GetPoints().GetData()).astype(np.float64)
    connectivity = vtk_to_numpy(triangles.GetPolys().GetConnectivityArray()).reshape(-1, 3)
    return TriangleMesh(vertices, connectivity.astype(np.int32))


def clipped(polydata: vtkPolyData, keep: Array) -> vtkPolyData:
    """Return the part of a surface where ``keep`` (n,) is not below zero, cut between its vertices; may be empty."""
    scalars = numpy_to_vtk(np.ascontiguousarray(keep), deep=True)
    scalars.SetName("keep")
    polydata.GetPointData().SetScalars(scalars)
    clip = vtkClipPolyData()
    clip.SetInputData(polydata)
    clip.SetValue(0.0)
    clip.Update()
    return clip.GetOutput()


def write_stl(mesh: TriangleMesh, path: Path) -> None:
    """Write a binary STL file, whole or not at all; errors as in :func:`cotyle.files.atomic_path`."""
    write_bytes_atomically(path, stl_bytes(mesh))


def stl_bytes(mesh: TriangleMesh) -> bytes:
    """Return a binary STL file in LPS mm; its header says so.

    Not by VTK, which writes into files only and says more than one line where it can't.
    """
    corners = mesh.vertices_lps_mm[mesh.triangles]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    facets = np.zeros(len(corners), dtype=_STL_FACET)
    facets["normal"] = np.divide(normals, lengths, out=np.zeros_like(normals), where=lengths > 0)
    facets["corners"] = corners
    return STL_HEADER.encode().ljust(80, b"\0") + np.array([len(facets)], dtype="<u4").tobytes() + facets.tobytes()


def read_stl(path: Path) -> TriangleMesh:
    """Read an STL file whose coordinates are LPS mm, joining equal vertices."""
    if not path.is_file():
        raise InputError("file-missing", f"there is no file {path.name}")
    reader = vtkSTLReader()
    reader.SetFileName(str(path))
    clean = vtkCleanPolyData()
    clean.SetInputConnection(reader.GetOutputPort())
    clean.Update()
    return from_polydata(clean.GetOutput())
