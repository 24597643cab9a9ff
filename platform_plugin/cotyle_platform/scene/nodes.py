"""Filling nodes of the platform: volumes, surfaces, colours, points."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import numpy as np
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_files import to_polydata
from vtkmodules.util.numpy_support import numpy_to_vtk
from vtkmodules.vtkCommonDataModel import vtkImageData
from vtkmodules.vtkFiltersCore import vtkPolyDataNormals

from cotyle_platform.scene.axes import place_to_ras, points_to_ras, to_vtk
from cotyle_platform.scene.palette import LANDMARK, Look

BONE_WINDOW_HU, BONE_LEVEL_HU = 1800.0, 400.0
"""Grey scale for bone; common practice, no source."""
_SHARP_DEG = 60.0
"""Edges bent more than this are drawn sharp."""


@contextmanager
def changing(node: Any) -> Iterator[None]:
    """Gather all changes of a node into one event."""
    before = node.StartModify()
    try:
        yield
    finally:
        node.EndModify(before)


def fill_volume(node: Any, volume: Volume) -> None:
    """Put voxels and their place into a volume node; its geometry lies in the matrix alone."""
    image = vtkImageData()
    image.SetDimensions(*volume.size)
    voxels = numpy_to_vtk(np.ascontiguousarray(volume.voxels).ravel(), deep=True)
    voxels.SetName("voxels")
    image.GetPointData().SetScalars(voxels)
    with changing(node):
        node.SetIJKToRASMatrix(to_vtk(place_to_ras(volume.ijk_to_lps)))
        node.SetAndObserveImageData(image)


def show_as_bone(node: Any) -> None:
    """Give a CT the grey scale for bone."""
    node.CreateDefaultDisplayNodes()
    display = node.GetDisplayNode()
    with changing(display):
        display.SetAutoWindowLevel(0)
        display.SetWindowLevel(BONE_WINDOW_HU, BONE_LEVEL_HU)
        display.SetInterpolate(1)


def fill_model(node: Any, mesh: TriangleMesh, values: Array | None = None, name: str = "value") -> None:
    """Put a surface, in the node's own coordinates, into a model node; ``values`` (n,) belong to its vertices."""
    data = to_polydata(mesh)
    if values is not None:
        scalars = numpy_to_vtk(np.ascontiguousarray(values, dtype=float), deep=True)
        scalars.SetName(name)
        data.GetPointData().SetScalars(scalars)
    smooth = vtkPolyDataNormals()
    smooth.SetInputData(data)
    smooth.SetFeatureAngle(_SHARP_DEG)
    smooth.ConsistencyOff()
    smooth.Update()
    node.SetAndObservePolyData(smooth.GetOutput())


def wear(node: Any, look: Look) -> Any:
    """Give a model its look; returns its display node."""
    if node.GetDisplayNode() is None:
        node.CreateDefaultDisplayNodes()
    display = node.GetDisplayNode()
    with changing(display):
        display.SetColor(*look.color)
        display.SetOpacity(look.opacity)
        display.SetScalarVisibility(False)
        display.SetBackfaceCulling(False)
        display.SetVisibility2D(look.line_px > 0)
        display.SetSliceIntersectionThickness(max(look.line_px, 1))
        if look.projected:
            display.SetSliceDisplayModeToProjection()
        display.SetVisibility(look.shown)
    return display


def fill_colors(node: Any, colors: Array, high: float) -> None:
    """Make a colour table of colours (n, 3) for values from 0 to ``high``."""
    with changing(node):
        node.SetTypeToUser()
        node.SetNumberOfColors(len(colors))
        for index, (red, green, blue) in enumerate(colors):
            node.SetColor(index, f"{index * high / (len(colors) - 1):.1f} mm", float(red), float(green), float(blue))
        node.GetLookupTable().SetTableRange(0.0, high)
        node.SetSaveWithScene(False)


def color_by(display: Any, colors: Any, array: str, high: float) -> None:
    """Colour a surface by its values from 0 to ``high``; only the colours of the table mean anything."""
    with changing(display):
        display.SetActiveScalarName(array)
        display.SetAndObserveColorNodeID(colors.GetID())
        display.SetScalarRangeFlag(display.UseManualScalarRange)
        display.SetScalarRange(0.0, high)
        display.SetScalarVisibility(True)
        # mostly its own light: shade must not be taken for another wall
        display.SetAmbient(0.5)
        display.SetDiffuse(0.5)
        display.SetSpecular(0.0)


def fill_scale(legend: Any, colors: Any, title: str) -> None:
    """Make an upright scale at the left of the view, out of the way of what is looked at."""
    with changing(legend):
        legend.SetAndObserveColorNodeID(colors.GetID())
        legend.SetSaveWithScene(False)
        legend.SetTitleText(title)
        legend.SetLabelFormat("%.0f")
        legend.SetNumberOfLabels(6)
        legend.SetPosition(0.02, 0.6)
        legend.SetSize(0.08, 0.36)
        for text in (legend.GetTitleTextProperty(), legend.GetLabelTextProperty()):
            text.SetFontSize(10)
            text.SetBold(False)
            text.SetItalic(False)


def fill_points(node: Any, points_lps_mm: Mapping[str, Array]) -> None:
    """Make a list of named points hold these, in their order; nothing else changes where the names are the same."""
    names = list(points_lps_mm)
    with changing(node):
        if [node.GetNthControlPointLabel(index) for index in range(node.GetNumberOfControlPoints())] != names:
            node.RemoveAllControlPoints()
            for name in names:
                node.AddControlPoint([0.0, 0.0, 0.0], name)
        for index, name in enumerate(names):
            node.SetNthControlPointPosition(index, *points_to_ras(points_lps_mm[name]))
    display = node.GetDisplayNode()
    with changing(display):
        display.SetColor(*LANDMARK)
        display.SetTextScale(0.0)
        display.SetGlyphTypeFromString("Sphere3D")
        display.SetUseGlyphScale(False)
        display.SetGlyphSize(4.0)
