"""A scan that is no case yet, in the scene: bones as a label map to be corrected, landmarks one by one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import slicer
from cotyle.anatomy.landmarks import Landmarks
from cotyle.errors import InputError
from cotyle.image.labels import BONE_LABELS
from cotyle.image.volume import Volume
from cotyle.report.frame_planes import frame_planes
from cotyle.space.arrays import BoolArray
from cotyle.space.frames import SCANNER
from cotyle.space.mesh import TriangleMesh
from cotyle.space.rotations import transform_points
from vtkmodules.util.numpy_support import numpy_to_vtk, vtk_to_numpy
from vtkmodules.vtkCommonMath import vtkMatrix4x4

from cotyle_platform.scene import palette, slices
from cotyle_platform.scene.axes import from_vtk, mesh_to_ras, place_to_lps, place_to_ras, points_to_lps, to_vtk
from cotyle_platform.scene.moves import LandmarkMoved, Moves
from cotyle_platform.scene.nodes import changing, fill_model, fill_points, fill_volume, show_as_bone, wear

LABEL_OPACITY = 0.35
_LABEL_MAP = "Binary labelmap"
"""The platform's name of a segment's voxels."""


class StartScene:
    """The nodes of a scan that is no case yet.

    Parameters
    ----------
    scene:
        The platform's scene.
    editor:
        Its segment editor (``trame_slicer.core.SegmentationEditor``); None where bones are only shown.
    """

    def __init__(self, scene: Any, editor: Any = None) -> None:
        self.scene = scene
        self._editor = editor
        self._moves = Moves()
        self._scan: Volume | None = None
        self._labels: Volume | None = None
        self._nodes: dict[str, Any] = {}

    @property
    def scan_node(self) -> Any:
        """The CT's node, None before a scan is shown."""
        return self._nodes.get("ct")

    @property
    def segmentation_node(self) -> Any:
        """The node of the bones, None before they are shown."""
        return self._nodes.get("bones")

    def show_scan(self, scan: Volume) -> None:
        """Show a CT in place of what was shown before."""
        self.clear()
        self._scan = scan
        node = self._new("ct", "vtkMRMLScalarVolumeNode", "CT")
        fill_volume(node, scan)
        show_as_bone(node)

    def show_labels(self, labels: Volume) -> None:
        """Show a label map of the bones over the CT; the numbers are those of ``BONE_LABELS``."""
        self._drop("bones")
        self._labels = labels
        bones = self._new("bones", "vtkMRMLSegmentationNode", "Bones")
        bones.CreateDefaultDisplayNodes()
        bones.SetReferenceImageGeometryParameterFromVolumeNode(self.scan_node)
        for number, name in BONE_LABELS.items():
            found = np.argwhere(labels.voxels == number)
            if name == "metal" and not len(found):
                continue
            segment = slicer.vtkSegment()
            segment.SetName(name.replace("_", " "))
            segment.SetColor(*palette.LABEL_COLORS[name])
            if len(found):
                segment.AddRepresentation(_LABEL_MAP, _cut_out(labels, number, found))
            bones.GetSegmentation().AddSegment(segment, name)
        display = bones.GetDisplayNode()
        with changing(display):
            display.SetOpacity2DFill(LABEL_OPACITY)
            display.SetOpacity2DOutline(1.0)
            display.SetVisibility3D(False)
        if self._editor is not None:
            self._editor.set_active_segmentation(bones, self.scan_node)

    def labels(self) -> Volume:
        """Return the label map as it now stands, on the grid it was shown on.

        Raises
        ------
        InputError
            ``labels-missing`` before bones were shown.
        """
        node = self.segmentation_node
        if node is None or self._labels is None:
            raise InputError("labels-missing", "no bones are shown yet", "Find the bones first")
        found = np.zeros(self._labels.voxels.shape, dtype=np.uint8)
        for number, name in BONE_LABELS.items():
            image = slicer.vtkOrientedImageData()
            if node.GetSegmentation().GetSegment(name) and node.GetBinaryLabelmapRepresentation(name, image):
                _put_back(image, number, self._labels, found)
        return self._labels.with_voxels(found)

    def show_surfaces(self, surfaces: Mapping[str, TriangleMesh]) -> None:
        """Show the bones' surfaces in 3D; in slices the label map stands for them."""
        for name, mesh in surfaces.items():
            self._drop(name)
            node = self._new(name, "vtkMRMLModelNode", name.replace("_", " "))
            fill_model(node, mesh_to_ras(mesh))
            wear(node, palette.Look(palette.LABEL_COLORS[name], 0.6))

    def choose_bone(self, name: str) -> None:
        """Let the tools of the editor work on one bone."""
        if self._editor is not None:
            self._editor.set_active_segment_id(name)

    def change_bone(self, name: str, change: Callable[[BoolArray], BoolArray]) -> None:
        """Put in place of one bone's voxels what ``change`` makes of them; both arrays are indexed [k, j, i]."""
        node = self.segmentation_node
        segment = None if node is None else node.GetSegmentation().GetSegment(name)
        image = None if segment is None else segment.GetRepresentation(_LABEL_MAP)
        if segment is None or image is None or image.GetPointData().GetScalars() is None:
            return
        changed = slicer.vtkOrientedImageData()
        changed.DeepCopy(image)
        voxels = vtk_to_numpy(changed.GetPointData().GetScalars())
        after = change((voxels > 0).reshape(image.GetDimensions()[::-1])).ravel()
        voxels[...] = np.where(after, np.maximum(voxels, 1), 0)
        segment.AddRepresentation(_LABEL_MAP, changed)
        node.GetSegmentation().Modified()
        node.Modified()

    def show_landmarks(self, landmarks: Landmarks, on_moved: LandmarkMoved | None = None) -> None:
        """Show the landmarks; ``on_moved`` is called with name and place (LPS mm) when one was dragged and let go."""
        node = self._nodes.get("landmarks")
        with self._moves.ours():
            if node is None:
                node = self._new("landmarks", "vtkMRMLMarkupsFiducialNode", "Landmarks")
                node.CreateDefaultDisplayNodes()
                self._moves.watch_landmarks(node)
            fill_points(node, {name: mark.lps_mm for name, mark in landmarks.items()})
        self._moves.landmark_moved = on_moved

    def hide_bones(self) -> None:
        """Take away what was found: label map, surfaces, landmarks; the scan stays."""
        self.hide_landmarks()
        for name in ("bones", *BONE_LABELS.values()):
            self._drop(name)
        self._labels = None

    def hide_landmarks(self) -> None:
        """Take the landmarks away."""
        self._moves.forget()
        self._drop("landmarks")

    def center_on(self, point_lps_mm: npt.ArrayLike, chosen: str | None = None) -> dict[str, slices.Letters]:
        """Bring all slices through a point, in the scanner's axes, and let the chosen landmark be dragged."""
        point = np.asarray(point_lps_mm, dtype=float)
        self._choose(chosen)
        return slices.set_slices(self.scene, frame_planes(SCANNER, point))

    def middle_lps_mm(self) -> npt.NDArray[np.float64]:
        """Return the middle of the scan, LPS mm."""
        if self._scan is None:
            raise InputError("scan-missing", "no scan is shown yet", "Choose a series first")
        return self._scan.corners_lps_mm.mean(axis=0)

    def point_under(self, view_name: str, column: float, row: float) -> npt.NDArray[np.float64]:
        """Return the point (3,) LPS mm under a pixel of a slice view, counted from its left and lower edge."""
        node = slices.slice_nodes(self.scene)[view_name]
        return points_to_lps(transform_points(from_vtk(node.GetXYToRAS()), [column, row, 0.0]))

    def clear(self) -> None:
        """Take everything away."""
        self.hide_landmarks()
        for name in tuple(self._nodes):
            self._drop(name)
        self._scan = self._labels = None

    def _choose(self, name: str | None) -> None:
        node = self._nodes.get("landmarks")
        if node is None:
            return
        with self._moves.ours(), changing(node):
            for index in range(node.GetNumberOfControlPoints()):
                mine = node.GetNthControlPointLabel(index) == name
                node.SetNthControlPointLocked(index, not mine)
                node.SetNthControlPointSelected(index, mine)
                node.SetNthControlPointVisibility(index, name is None or mine)
        node.GetDisplayNode().SetSelectedColor(*palette.CHOSEN_LANDMARK)

    def _new(self, role: str, kind: str, name: str) -> Any:
        node = getattr(slicer, kind)()
        node.SetName(name)
        self._nodes[role] = self.scene.AddNode(node)
        return self._nodes[role]

    def _drop(self, role: str) -> None:
        node = self._nodes.pop(role, None)
        if node is not None:
            self.scene.RemoveNode(node)


def _cut_out(labels: Volume, number: int, found: npt.NDArray[Any]) -> Any:
    """Return the part of a label map that holds one number (where ``found`` (n, 3), k j i) as the platform's image."""
    low, high = found.min(axis=0)[::-1], found.max(axis=0)[::-1]
    part = labels.cropped(low, high + 1)
    image = slicer.vtkOrientedImageData()
    image.SetExtent(*np.stack([low, high], axis=1).ravel().tolist())
    image.SetImageToWorldMatrix(to_vtk(place_to_ras(labels.ijk_to_lps)))
    voxels = numpy_to_vtk(np.ascontiguousarray(part.voxels == number).astype(np.uint8).ravel(), deep=True)
    voxels.SetName("bone")
    image.GetPointData().SetScalars(voxels)
    return image


def _put_back(image: Any, number: int, labels: Volume, found: npt.NDArray[np.uint8]) -> None:
    """Write a number into an array on the grid of ``labels`` where the platform's image is not zero."""
    ends = np.array(image.GetExtent()).reshape(3, 2)
    if (ends[:, 1] < ends[:, 0]).any() or image.GetPointData().GetScalars() is None:
        return
    place = vtkMatrix4x4()
    image.GetImageToWorldMatrix(place)
    shift = labels.to_ijk(place_to_lps(from_vtk(place))[:3, 3]).round().astype(int)
    part = vtk_to_numpy(image.GetPointData().GetScalars()).reshape((ends[:, 1] - ends[:, 0] + 1)[::-1])
    low = np.maximum(ends[:, 0] + shift, 0)
    high = np.minimum(ends[:, 1] + shift + 1, labels.size)
    skip, length = low - ends[:, 0] - shift, high - low
    if (length <= 0).any():
        return
    inside = part[tuple(slice(s, s + n) for s, n in zip(skip[::-1], length[::-1], strict=True))]
    target = found[tuple(slice(b, b + n) for b, n in zip(low[::-1], length[::-1], strict=True))]
    target[inside > 0] = number
