"""Questions put to a closed surface: how far, inside or not, where a line goes through it."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from vtkmodules.util.numpy_support import numpy_to_vtk, vtk_to_numpy
from vtkmodules.vtkCommonCore import mutable, vtkDoubleArray, vtkIdList, vtkPoints
from vtkmodules.vtkCommonDataModel import vtkStaticCellLocator
from vtkmodules.vtkFiltersCore import vtkImplicitPolyDataDistance

from cotyle.space.arrays import Array, BoolArray, as_points, as_vector
from cotyle.space.lines import inside
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_files import to_polydata

_SAME_CROSSING_MM = 1e-6


class MeshQuery:
    """Search trees of one closed surface, built when first asked for."""

    def __init__(self, mesh: TriangleMesh) -> None:
        self.mesh = mesh
        self._polydata = to_polydata(mesh)
        self._distance: Any = None
        self._cells: Any = None

    def signed_distance(self, points_lps_mm: npt.ArrayLike) -> Array:
        """Return mm to the surface for points (n, 3), negative inside the solid.

        Inside is told by crossings of a line, not by the nearest triangle's normal: a fold or a spike somewhere on
        the surface must not turn the sign of points far from it.
        """
        points = as_points(points_lps_mm)
        distance = self.distance(points)
        return np.where(inside(self.mesh, points), -distance, distance)

    def distance(self, points_lps_mm: npt.ArrayLike) -> Array:
        """Return mm to the surface for points (n, 3), inside and outside alike."""
        if self._distance is None:
            self._distance = vtkImplicitPolyDataDistance()
            self._distance.SetInput(self._polydata)
        points = np.ascontiguousarray(as_points(points_lps_mm))
        values = vtkDoubleArray()
        self._distance.FunctionValue(numpy_to_vtk(points, deep=True), values)
        return np.abs(vtk_to_numpy(values).astype(np.float64))

    def contains(self, points_lps_mm: npt.ArrayLike) -> BoolArray:
        """Return whether points (n, 3) lie inside the solid."""
        return inside(self.mesh, as_points(points_lps_mm))

    def line_crossings(self, start_lps_mm: npt.ArrayLike, end_lps_mm: npt.ArrayLike) -> Array:
        """Return the sorted distances in mm from ``start`` at which the straight line to ``end`` meets the surface."""
        start, end = as_vector(start_lps_mm, "start"), as_vector(end_lps_mm, "end")
        found = vtkPoints()
        found.SetDataTypeToDouble()
        # a locator of cells, not an oriented-box tree: that one loses crossings that lie on an edge or a corner
        self._cell_locator().IntersectWithLine(start, end, _SAME_CROSSING_MM, found, vtkIdList())
        if found.GetNumberOfPoints() == 0:
            return np.empty(0)
        distances = np.sort(np.linalg.norm(vtk_to_numpy(found.GetData()) - start, axis=1))
        return np.asarray(distances[np.diff(distances, prepend=-1.0) > _SAME_CROSSING_MM])

    def closest_points(self, points_lps_mm: npt.ArrayLike) -> Array:
        """Return the nearest point of the surface for each of the points (n, 3)."""
        locator = self._cell_locator()
        cell, part, squared = mutable(0), mutable(0), mutable(0.0)
        closest = np.empty_like(as_points(points_lps_mm))
        for row, point in zip(closest, as_points(points_lps_mm), strict=True):
            spot = [0.0, 0.0, 0.0]
            locator.FindClosestPoint(point, spot, cell, part, squared)
            row[:] = spot
        return closest

    def _cell_locator(self) -> Any:
        if self._cells is None:
            self._cells = vtkStaticCellLocator()
            self._cells.SetDataSet(self._polydata)
            self._cells.BuildLocator()
        return self._cells
