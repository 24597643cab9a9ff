"""The platform's segment editor, as far as bones need it: brush, eraser, pieces, undo of strokes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from cotyle.errors import InputError
from cotyle.image.pieces import largest_piece, without_small_pieces
from cotyle.space.arrays import BoolArray
from trame_slicer.segmentation import (
    SegmentationEffectErase,
    SegmentationEffectNoTool,
    SegmentationEffectPaint,
)
from trame_slicer.segmentation.paint_effect_parameters import BrushDiameterMode
from trame_slicer.segmentation.segmentation_undo_command import SegmentationLabelMapUndoCommand
from undo_stack import UndoStack

from cotyle_platform.scene.start_scene import StartScene

TOOLS = {"none": SegmentationEffectNoTool, "brush": SegmentationEffectPaint, "eraser": SegmentationEffectErase}
SMALLEST_PIECE_VOXELS = 1000


class BoneTools:
    """One tool at a time, on the bone that is chosen in the editor."""

    def __init__(self, editor: Any, scene: StartScene) -> None:
        self._editor, self._scene = editor, scene
        self._strokes = UndoStack()
        editor.set_undo_stack(self._strokes)
        self.diameter_mm = 6.0

    def choose(self, name: str) -> None:
        """Take a tool of :data:`TOOLS`."""
        if name not in TOOLS:
            raise InputError("tool-unknown", f"there is no tool {name!r}", f"There are {', '.join(TOOLS)}")
        self._editor.set_active_effect_type(TOOLS[name])
        self.size(self.diameter_mm)

    def size(self, diameter_mm: float) -> None:
        """Set the diameter of brush and eraser."""
        self.diameter_mm = min(max(float(diameter_mm), 1.0), 60.0)
        for kind in (SegmentationEffectPaint, SegmentationEffectErase):
            effect = self._editor.get_effect(kind)
            effect.set_brush_diameter(self.diameter_mm, BrushDiameterMode.Absolute)
            effect.set_use_sphere_brush(True)

    def keep_largest(self) -> None:
        """Keep the largest piece of the chosen bone."""
        self._change(largest_piece)

    def drop_small(self) -> None:
        """Drop small pieces of the chosen bone."""
        self._change(lambda mask: without_small_pieces(mask, SMALLEST_PIECE_VOXELS))

    def undo(self) -> None:
        """Take back the last change of the label map."""
        if self._strokes.can_undo():
            self._strokes.undo()

    def redo(self) -> None:
        """Make it again."""
        if self._strokes.can_redo():
            self._strokes.redo()

    def _change(self, change: Callable[[BoolArray], BoolArray]) -> None:
        name = self._editor.active_segment_id
        if not name:
            raise InputError("bone-unchosen", "no bone is chosen", "Choose the bone to correct")
        with SegmentationLabelMapUndoCommand.push_state_change(self._editor.active_segmentation):
            self._scene.change_bone(name, change)
