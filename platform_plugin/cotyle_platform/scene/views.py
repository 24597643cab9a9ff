"""What a view needs before it is looked at: nothing vanishes, sides are lettered, the camera stands where it should.

Works on the views of the platform's web kit (``SliceView``, ``ThreeDView``), on the screen or off it.
"""

from __future__ import annotations

from typing import Any

from cotyle.report.scene import Camera
from cotyle.space.arrays import Array, unit
from vtkmodules.vtkRenderingCore import vtkTextActor

from cotyle_platform.scene.axes import points_to_lps, points_to_ras
from cotyle_platform.scene.slices import Letters

LETTER_GROUND = 0.6
"""How dark the ground of a letter is."""
_EDGES = ((0.975, 0.5, 2, 1), (0.025, 0.5, 0, 1), (0.5, 0.975, 1, 2), (0.5, 0.025, 1, 0))
"""Of right, left, top, bottom: place in the view from 0 to 1, horizontal and vertical justification of the text."""


def prepare(view: Any) -> None:
    """Set a view so that translucent surfaces and handles are seen.

    With several samples a pixel, depth peeling loses every translucent surface and every handle, without an error.
    """
    view.render_window().SetMultiSamples(0)
    node = view.get_view_node()
    if node.IsA("vtkMRMLViewNode"):
        node.SetBoxVisible(False)
        node.SetAxisLabelsVisible(False)
        node.SetOrientationMarkerType(node.OrientationMarkerTypeAxes)
        node.SetOrientationMarkerSize(node.OrientationMarkerSizeMedium)
        view.renderer().SetUseFXAA(True)
        view.renderer().SetMaximumNumberOfPeels(8)


def look(view: Any, camera: Camera) -> None:
    """Let a 3D view look from a camera of the core, without perspective."""
    view.set_render_mode_to_orthographic()
    node = view.get_camera_node()
    toward = points_to_ras(unit(camera.toward_viewer_lps))
    center = points_to_ras(camera.center_lps_mm)
    before = node.StartModify()
    node.SetFocalPoint(*center)
    node.SetPosition(*(center + _FAR_MM * toward))
    node.SetViewUp(*points_to_ras(camera.up_lps))
    node.SetParallelScale(camera.half_height_mm)
    node.EndModify(before)
    node.ResetClippingRange()
    view.renderer().ResetCameraClippingRange()


def line_under(renderer: Any, x: float, y: float) -> tuple[Array, Array]:
    """Return where the line of sight under pixels of a 3D view begins and ends, each (3,) LPS mm."""
    near, far = (points_to_lps(world_at(renderer, x, y, depth)) for depth in (0.0, 1.0))
    return near, far


def world_at(renderer: Any, x: float, y: float, depth: float) -> list[float]:
    """Return scene coordinates under pixels of a view, at a depth of its range from 0 (near) to 1."""
    renderer.SetDisplayPoint(x, y, depth)
    renderer.DisplayToWorld()
    *place, scale = renderer.GetWorldPoint()
    return [each / scale for each in place]


class SideLetters:
    """The patient's sides, written at the four edges of a slice view."""

    def __init__(self, view: Any, size_px: int = 16) -> None:
        self._view = view
        self._actors: list[vtkTextActor] = []
        for across, up, horizontal, vertical in _EDGES:
            actor = vtkTextActor()
            words = actor.GetTextProperty()
            words.SetFontSize(size_px)
            words.SetBold(True)
            words.SetColor(1.0, 1.0, 1.0)
            words.SetShadow(True)
            words.SetBackgroundColor(0.0, 0.0, 0.0)  # white letters stand on white bone, too
            words.SetBackgroundOpacity(LETTER_GROUND)
            words.SetJustification(horizontal)
            words.SetVerticalJustification(vertical)
            actor.GetPositionCoordinate().SetCoordinateSystemToNormalizedViewport()
            actor.SetPosition(across, up)
            actor.SetPickable(False)
            view.renderers()[-1].AddViewProp(actor)
            self._actors.append(actor)

    def resize(self, size_px: int) -> None:
        """Write in another size."""
        for actor in self._actors:
            actor.GetTextProperty().SetFontSize(size_px)

    def write(self, letters: Letters) -> None:
        """Write the letters of right, left, top and bottom."""
        for actor, letter in zip(self._actors, letters, strict=True):
            actor.SetInput(letter)
        self._view.schedule_render()


_FAR_MM = 600.0
