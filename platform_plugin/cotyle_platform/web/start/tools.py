"""The platform's segment editor, as far as bones need it: brush, eraser, pieces, undo of strokes."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from cotyle.errors import InputError
from trame_slicer.segmentation import (
    SegmentationEffectErase,
    SegmentationEffectIslands,
    SegmentationEffectNoTool,
    SegmentationEffectPaint,
)
from trame_slicer.segmentation.paint_effect_parameters import BrushDiameterMode
from undo_stack import UndoStack

TOOLS = {"none": SegmentationEffectNoTool, "brush": SegmentationEffectPaint, "eraser": SegmentationEffectErase}
SMALLEST_PIECE_VOXELS = 1000


class BoneTools:
    """One tool at a time, on the bone that is chosen in the editor."""

    def __init__(self, editor: Any) -> None:
        self._editor = editor
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
        with self._pieces() as pieces:
            pieces.keep_largest_island()

    def drop_small(self) -> None:
        """Drop small pieces of the chosen bone."""
        with self._pieces() as pieces:
            pieces.remove_small_islands(SMALLEST_PIECE_VOXELS)

    def undo(self) -> None:
        """Take back the last change of the label map."""
        if self._strokes.can_undo():
            self._strokes.undo()

    def redo(self) -> None:
        """Make it again."""
        if self._strokes.can_redo():
            self._strokes.redo()

    @contextmanager
    def _pieces(self) -> Iterator[Any]:
        """Give the platform's tool for pieces, which works only while it is the one in hand."""
        if not self._editor.active_segment_id:
            raise InputError("bone-unchosen", "no bone is chosen", "Choose the bone to correct")
        before = self._editor.active_effect
        try:
            yield self._editor.set_active_effect_type(SegmentationEffectIslands)
        finally:
            self._editor.set_active_effect(before)
