"""What a hand does in the scene: the cup dragged by its handles, a landmark by its point."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from cotyle.space.arrays import Array
from vtkmodules.vtkCommonCore import vtkCommand

from cotyle_platform.scene.axes import from_vtk, place_to_lps, points_to_lps

CupMoved = Callable[[Array, Array], None]
"""Called with the cup's centre (LPS mm) and the direction out of its mouth (LPS)."""
LandmarkMoved = Callable[[str, Array], None]
"""Called with a landmark's name and place (LPS mm)."""


class Moves:
    """Observers of the scene that call back, and are deaf to what the program itself changes.

    The cup calls at each step of a drag, a landmark only when it is let go.
    """

    def __init__(self) -> None:
        self.cup_moved: CupMoved | None = None
        self.landmark_moved: LandmarkMoved | None = None
        self._own = 0
        self._observed: list[tuple[Any, int]] = []

    @contextmanager
    def ours(self) -> Iterator[None]:
        """Within this block nothing is taken for a hand's work."""
        self._own += 1
        try:
            yield
        finally:
            self._own -= 1

    def watch_cup(self, transform: Any) -> None:
        """Call back when the cup's transform is moved by hand."""

        def moved(*_: Any) -> None:
            if self._own or self.cup_moved is None:
                return
            place = place_of_transform(transform)
            self.cup_moved(place[:3, 3], place[:3, 2])

        self._watch(transform, transform.TransformModifiedEvent, moved)

    def watch_landmarks(self, markups: Any) -> None:
        """Call back when a point was dragged and let go."""

        def let_go(*_: Any) -> None:
            if self._own or self.landmark_moved is None:
                return
            index = markups.GetDisplayNode().GetActiveControlPoint()
            if 0 <= index < markups.GetNumberOfControlPoints():
                place = points_to_lps(markups.GetNthControlPointPosition(index))
                self.landmark_moved(markups.GetNthControlPointLabel(index), place)

        self._watch(markups, markups.PointEndInteractionEvent, let_go)

    def forget(self) -> None:
        """Watch nothing any more."""
        for node, tag in self._observed:
            node.RemoveObserver(tag)
        self._observed.clear()

    def _watch(self, node: Any, event: int | vtkCommand.EventIds, action: Callable[..., None]) -> None:
        self._observed.append((node, node.AddObserver(event, action)))


def place_of_transform(transform: Any) -> Array:
    """Return the 4x4 that takes the coordinates of what hangs on a transform to LPS mm."""
    from vtkmodules.vtkCommonMath import vtkMatrix4x4

    matrix = vtkMatrix4x4()
    transform.GetMatrixTransformToWorld(matrix)
    return place_to_lps(from_vtk(matrix))
