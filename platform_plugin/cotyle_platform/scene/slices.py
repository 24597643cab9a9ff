"""Slice views set to planes of the core: axes of the scanner, of the pelvis or of the cup."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from cotyle.report.cup_planes import CutPlane
from cotyle.space.arrays import Array

from cotyle_platform.scene.axes import from_vtk, place_to_lps, place_to_ras, points_to_lps, points_to_ras, to_vtk

VIEWS: Mapping[str, int] = {"Red": 0, "Green": 1, "Yellow": 2}
"""The platform's own names of its three slice views, and which plane each shows: level, upright, from the side."""

Letters = tuple[str, str, str, str]
"""Patient's side at the right, left, top and bottom of a picture."""


def slice_nodes(scene: Any) -> dict[str, Any]:
    """Return the slice views of a scene by their names, those in :data:`VIEWS` only."""
    nodes = scene.GetNodesByClass("vtkMRMLSliceNode")
    found = [nodes.GetItemAsObject(index) for index in range(nodes.GetNumberOfItems())]
    return {node.GetLayoutName(): node for node in found if node.GetLayoutName() in VIEWS}


def set_slices(scene: Any, planes: Sequence[CutPlane]) -> dict[str, Letters]:
    """Set each slice view to its plane; returns what letters belong to which view."""
    letters: dict[str, Letters] = {}
    for name, node in slice_nodes(scene).items():
        plane = planes[VIEWS[name]]
        wanted = to_vtk(place_to_ras(plane.plane_to_lps))
        if abs(from_vtk(node.GetSliceToRAS()) - from_vtk(wanted)).max() > 1e-9:
            node.GetSliceToRAS().DeepCopy(wanted)
            node.UpdateMatrices()
        letters[name] = plane.letters
    return letters


def plane_of(node: Any) -> Array:
    """Return the 4x4 that takes (right, up, towards the viewer) of a slice view to LPS mm."""
    return place_to_lps(from_vtk(node.GetSliceToRAS()))


def place_at(node: Any, x: float, y: float) -> Array:
    """Return the place (3,) LPS mm under pixels of a slice view, counted from its lower left corner."""
    return points_to_lps((from_vtk(node.GetXYToRAS()) @ [x, y, 0.0, 1.0])[:3])


def cross_at(scene: Any, point_lps_mm: Array) -> None:
    """Put the crosshair at a point and show it."""
    node = scene.GetFirstNodeByClass("vtkMRMLCrosshairNode")
    if node is None:
        return
    node.SetCrosshairRAS(points_to_ras(point_lps_mm).tolist())
    show_cross(scene)


def show_cross(scene: Any) -> None:
    """Show the crosshair where it is."""
    node = scene.GetFirstNodeByClass("vtkMRMLCrosshairNode")
    if node is not None:
        node.SetCrosshairMode(node.ShowSmallIntersection)


def no_cross(scene: Any) -> None:
    """Hide the crosshair."""
    node = scene.GetFirstNodeByClass("vtkMRMLCrosshairNode")
    if node is not None:
        node.SetCrosshairMode(node.NoCrosshair)


def field_of_view(node: Any, height_mm: float) -> None:
    """Let a slice view show so much from top to bottom; its width follows from the view's shape."""
    columns, rows, _ = node.GetDimensions()
    node.SetFieldOfView(height_mm * columns / max(rows, 1), height_mm, node.GetFieldOfView()[2])
