"""The parts of the picture, each found by its role in the record."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from cotyle.anatomy.landmarks import Landmarks
from cotyle.case.stages import PlannedCup
from cotyle.cup.component import Cup
from cotyle.cup.reaming_way import ReamerPlace
from cotyle.cup.wall import hemisphere_mesh
from cotyle.errors import InputError
from cotyle.image.labels import femur, hip_bone
from cotyle.image.volume import Volume
from cotyle.report.cavity_floor import bone_outside, floor_in_bone
from cotyle.report.cavity_view import MOST_WALL_MM, wall_colors
from cotyle.report.meshes import THICKNESS_ARRAY, cup_shell, dashed_dome
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh
from cotyle.space.side import Side

from cotyle_platform.scene import palette
from cotyle_platform.scene.axes import mesh_to_ras
from cotyle_platform.scene.nodes import (
    changing,
    color_by,
    fill_colors,
    fill_model,
    fill_points,
    fill_scale,
    fill_volume,
    show_as_bone,
    wear,
)
from cotyle_platform.scene.record import Record

CT = "ct"
LANDMARKS = "landmarks"
CUP, CUP_PLACE, AXIS = "cup", "cup_place", "reaming_axis"
CAVITY, REAMED, WALL_COLORS = "cavity", "reamed_bone", "wall_colors"
SCALE = "wall_scale"
REAMER = "reamer"
FOUND = "found_cup"
FRAME_PLANE = "frame_plane"
BONES = ("left_hip_bone", "right_hip_bone", "sacrum", "left_femur", "right_femur")
_MODEL = "vtkMRMLModelNode"
_AXIS_BACK_MM, _AXIS_AHEAD_MM, _AXIS_WIDTH_MM = 70.0, 60.0, 1.0


def draw_scan(record: Record, scan: Volume) -> None:
    """Draw the CT."""
    node = record.node_of(CT, "vtkMRMLScalarVolumeNode", "CT")
    fill_volume(node, scan)
    show_as_bone(node)


def draw_bones(record: Record, surfaces: Mapping[str, TriangleMesh], operated: str) -> None:
    """Draw each bone as its measured surface."""
    for name, mesh in surfaces.items():
        node = record.node_of(name, _MODEL, name.replace("_", " "))
        fill_model(node, mesh_to_ras(mesh))
        other = palette.FEMUR if name.endswith("femur") else palette.OTHER_BONE
        wear(node, palette.OPERATED_BONE if name == operated else other)


def draw_landmarks(record: Record, landmarks: Landmarks, chosen: str | None = None) -> None:
    """Draw the landmarks, all of them locked but the chosen one."""
    node = record.node_of(LANDMARKS, "vtkMRMLMarkupsFiducialNode", "Landmarks")
    if node.GetDisplayNode() is None:
        node.CreateDefaultDisplayNodes()
    fill_points(node, {name: mark.lps_mm for name, mark in landmarks.items()})
    unlock(record, chosen)


def unlock(record: Record, name: str | None) -> None:
    """Let one landmark be dragged and mark it; the others are locked.

    Raises
    ------
    InputError
        ``landmark-unknown`` if it isn't drawn.
    """
    node = record.get(LANDMARKS)
    labels = [node.GetNthControlPointLabel(index) for index in range(node.GetNumberOfControlPoints())]
    if name is not None and name not in labels:
        raise InputError("landmark-unknown", f"there is no landmark named {name!r} in this case")
    with changing(node):
        node.SetLocked(name is None)
        for index, label in enumerate(labels):
            node.SetNthControlPointLocked(index, label != name)
            node.SetNthControlPointSelected(index, label == name)
    node.GetDisplayNode().SetSelectedColor(*palette.CHOSEN_LANDMARK)


def make_cup(record: Record) -> None:
    """Make the cup's transform with its handles, and what hangs on it."""
    transform = record.node_of(CUP_PLACE, "vtkMRMLLinearTransformNode", "Cup place")
    if transform.GetDisplayNode() is None:
        transform.CreateDefaultDisplayNodes()
    transform.SetCenterOfTransformation(0.0, 0.0, 0.0)
    for role, name, look in ((CUP, "Cup", palette.CUP), (AXIS, "Reaming axis", palette.AXIS)):
        node = record.node_of(role, _MODEL, name)
        node.SetAndObserveTransformNodeID(transform.GetID())
        wear(node, look)
    show_handles(record, True)


def show_handles(record: Record, shown: bool) -> None:
    """Show or hide arrows and rings that move and turn the cup; scaling has no meaning here."""
    display = record.get(CUP_PLACE).GetDisplayNode()
    with changing(display):
        display.SetEditorVisibility(shown)
        display.SetEditorVisibility3D(shown)
        display.SetEditorSliceIntersectionVisibility(shown)
        display.SetEditorTranslationEnabled(True)
        display.SetEditorRotationEnabled(True)
        display.SetEditorScalingEnabled(False)
        display.SetEditorTranslationSliceEnabled(True)
        display.SetEditorRotationSliceEnabled(True)
        display.SetEditorScalingSliceEnabled(False)


def shape_cup(record: Record, cup: Cup) -> None:
    """Make the shell of a cup's size about the origin of its transform, opening along its third axis."""
    at_origin = Cup(cup.side, np.zeros(3), np.array([0.0, 0.0, 1.0]), cup.outer_diameter_mm)
    fill_model(record.get(CUP), cup_shell(at_origin))
    low = -cup.radius_mm - _AXIS_AHEAD_MM
    fill_model(record.get(AXIS), _rod(low, _AXIS_BACK_MM))


def draw_cavity(record: Record, planned: PlannedCup) -> None:
    """Draw the cavity's floor in bone, coloured by the wall behind it, and the bone around it, hidden at first."""
    node = record.node_of(CAVITY, _MODEL, "Cavity")
    colors = record.node_of(WALL_COLORS, "vtkMRMLColorTableNode", "Wall in mm")
    if colors.GetNumberOfColors() == 0 or colors.GetLookupTable().GetTableRange()[1] != MOST_WALL_MM:
        fill_colors(colors, wall_colors(), MOST_WALL_MM)
    assert planned.wall.map is not None
    floor = floor_in_bone(planned.hip_bone, planned.wall.map)
    fill_model(node, mesh_to_ras(floor.mesh), floor.thickness_mm, THICKNESS_ARRAY)
    reamed = record.node_of(REAMED, _MODEL, "Bone around the cavity")
    fill_model(reamed, mesh_to_ras(bone_outside(planned.hip_bone, planned.cavity)))
    if reamed.GetDisplayNode() is None:
        wear(reamed, palette.REAMED_BONE)


def show_scale(record: Record, shown: bool) -> None:
    """Show or hide the scale of the wall's colours in the 3D view."""
    cavity = record.get(CAVITY)
    if cavity is None:
        return
    legend = record.node_of(SCALE, "vtkMRMLColorLegendDisplayNode", "Scale of the wall")
    if legend.GetColorNode() is None:
        cavity.AddAndObserveDisplayNodeID(legend.GetID())
        fill_scale(legend, record.get(WALL_COLORS), "Wall, mm")
    legend.SetVisibility(shown)


def mark_cavity(record: Record, stale: bool) -> None:
    """Colour the cavity by its wall, or grey where that belongs to an older plan."""
    node = record.get(CAVITY)
    if node is None:
        return
    shown = True if node.GetDisplayNode() is None else bool(node.GetDisplayNode().GetVisibility())
    display = wear(node, palette.STALE_CAVITY if stale else palette.CAVITY)
    display.SetVisibility(shown)
    if not stale:
        color_by(display, record.get(WALL_COLORS), THICKNESS_ARRAY, MOST_WALL_MM)


def show_cavity_alone(record: Record, side: Side, alone: bool) -> None:
    """Clear the 3D view of what hides the cavity (cup, femur, bone that is reamed away); slices stay as they are."""
    for name in (CUP, femur(side), hip_bone(side)):
        node = record.get(name)
        if node is not None and node.GetDisplayNode() is not None:
            node.GetDisplayNode().SetVisibility3D(not alone)
    reamed = record.get(REAMED)
    if reamed is not None:
        reamed.GetDisplayNode().SetVisibility(alone)


def draw_reamer(record: Record, place: ReamerPlace | None) -> None:
    """Draw a reamer's hemisphere, or hide it."""
    node = record.node_of(REAMER, _MODEL, "Reamer")
    if node.GetDisplayNode() is None:
        wear(node, palette.REAMER)
    if place is not None:
        rim = place.rim
        fill_model(node, mesh_to_ras(hemisphere_mesh(rim.center_lps_mm, -rim.normal_lps, rim.radius_mm, 24, 96)))
    node.GetDisplayNode().SetVisibility(place is not None)


def draw_found(record: Record, cup: Cup | None) -> None:
    """Draw a cup that was found in pictures, dashed in every slice, or hide it."""
    if cup is None and record.get(FOUND) is None:
        return
    node = record.node_of(FOUND, _MODEL, "Found cup")
    if cup is not None:
        fill_model(node, mesh_to_ras(dashed_dome(cup)))
    if node.GetDisplayNode() is None:
        wear(node, palette.FOUND)
    node.GetDisplayNode().SetVisibility(cup is not None)


def draw_frame_plane(record: Record, app: Frame, landmarks: Landmarks) -> None:
    """Draw the anterior pelvic plane as far as the landmarks reach, and a tenth beyond; hidden at first."""
    node = record.node_of(FRAME_PLANE, _MODEL, "Anterior pelvic plane")
    points = app.to_frame([landmarks[name].lps_mm for name in landmarks])
    low, high = points.min(axis=0), points.max(axis=0)
    reach = 0.1 * (high - low)
    (left, _, foot), (right, _, head) = low - reach, high + reach
    corners = app.to_lps([[left, 0, foot], [right, 0, foot], [right, 0, head], [left, 0, head]])
    fill_model(node, mesh_to_ras(TriangleMesh(corners, np.array([[0, 1, 2], [0, 2, 3]]))))
    if node.GetDisplayNode() is None:
        wear(node, palette.FRAME_PLANE)


def names(record: Record) -> tuple[str, ...]:
    """Return the parts that are drawn."""
    known = (*BONES, CUP, CAVITY, REAMER, FOUND, AXIS, LANDMARKS, FRAME_PLANE)
    return tuple(name for name in known if record.get(name) is not None)


def display_of(record: Record, part: str) -> Any:
    """Return the display node of a part or raise InputError ``part-unknown``."""
    node = record.get(part) if part in names(record) else None
    if node is None:
        raise InputError("part-unknown", f"the scene shows no {part!r}", f"It shows {', '.join(names(record))}")
    return node.GetDisplayNode()


def _rod(low_mm: float, high_mm: float, sides: int = 8) -> TriangleMesh:
    """Return a thin rod along the third axis."""
    around = np.arange(sides) * 2 * np.pi / sides
    ring = np.stack([np.cos(around), np.sin(around)], axis=1) * _AXIS_WIDTH_MM / 2
    ends = [np.column_stack([ring, np.full(sides, height)]) for height in (low_mm, high_mm)]
    here, beside = np.arange(sides), (np.arange(sides) + 1) % sides
    faces = [np.stack([here, beside, beside + sides], axis=1), np.stack([here, beside + sides, here + sides], axis=1)]
    return TriangleMesh(np.concatenate(ends), np.concatenate(faces))
