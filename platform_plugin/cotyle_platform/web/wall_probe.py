"""The wall under the pointer: what the map of the cavity says where the pointer's line first meets it."""

from __future__ import annotations

from typing import Any

from cotyle.report.meshes import THICKNESS_ARRAY
from vtkmodules.vtkCommonCore import mutable
from vtkmodules.vtkCommonDataModel import vtkStaticCellLocator

from cotyle_platform.scene.views import world_at


class WallProbe:
    """Reads a coloured surface under a place of a view; the surface's search tree is kept while it stays the same."""

    def __init__(self) -> None:
        self._locator: Any = None
        self._built_for: Any = None

    def read_mm(self, surface: Any, renderer: Any, x: float, y: float) -> float | None:
        """Return the wall in mm under display coordinates of a renderer, None where the line misses the map."""
        if surface is None or surface.GetPointData().GetArray(THICKNESS_ARRAY) is None:
            return None
        if self._built_for != (surface, surface.GetMTime()):
            self._locator = vtkStaticCellLocator()
            self._locator.SetDataSet(surface)
            self._locator.BuildLocator()
            self._built_for = (surface, surface.GetMTime())
        near, far = (world_at(renderer, x, y, depth) for depth in (0.0, 1.0))
        share, inner, cell = mutable(0.0), mutable(0), mutable(-1)
        place, within = [0.0] * 3, [0.0] * 3
        if not self._locator.IntersectWithLine(near, far, 1e-6, share, place, within, inner, cell):
            return None
        triangle = surface.GetCell(int(cell))
        weights = [0.0] * triangle.GetNumberOfPoints()
        triangle.InterpolateFunctions(within, weights)
        values = surface.GetPointData().GetArray(THICKNESS_ARRAY)
        return float(sum(w * values.GetValue(triangle.GetPointId(index)) for index, w in enumerate(weights)))
