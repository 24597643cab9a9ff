"""A case being planned in the application's scene: the session and its picture, without any widget."""

from __future__ import annotations

import queue
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from cotyle.cup.reaming_way import reamer_at, way_length_mm
from cotyle.errors import InputError
from cotyle.report.tiles import live_tiles
from cotyle_platform.scene.plan_scene import PlanScene
from cotyle_platform.session import PlanningSession
from cotyle_platform.web import controls

REST_S = 0.5
"""A hand that rests this long on the cup has ended its drag."""
PLANES = {
    "cup": "the cup's axes",
    "app": "anterior pelvic plane",
    "supine": "supine, level",
    "scanner": "the scanner's axes",
}


class Planning:
    """One open case.

    Workers hand their results to a queue; :meth:`take_in`, called by a timer of the window, brings them into the scene
    on the thread that owns it.

    Raises
    ------
    InputError
        For a folder that is no case, or a scene that shows another one.
    """

    def __init__(self, scene: Any, folder: Path) -> None:
        self._ready: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self.session = PlanningSession.open(Path(folder), post=self._ready.put)
        self._drag = ExitStack()
        self._dragged_at: float | None = None
        self.changed: Callable[[], None] = lambda: None
        self.failure = ""
        try:
            self.picture = PlanScene(
                scene,
                self.session.case,
                on_cup_moved=self._dragged,
                on_landmark_moved=lambda name, place: self._do(lambda: self.session.move_landmark(name, place)),
            )
        except InputError:
            self.session.close()
            raise
        self._anatomy = self.session.anatomy
        self.session.subscribe(self._heard)
        self.picture.show(self.session.plan)
        self.slice_to("cup")

    def close(self) -> None:
        """Let go of workers and observers; the scene keeps its nodes."""
        self._end_drag()
        self.session.close()
        self.picture.close()

    def take_in(self) -> None:
        """Take in what workers have finished, and end a drag that rests: its steps are one step of undo."""
        if self._dragged_at is not None and time.monotonic() - self._dragged_at > REST_S:
            self._end_drag()
        while not self._ready.empty():
            self._ready.get()()

    def value(self, name: str) -> float | None:
        """Return a number of the cup by its name in the table of controls; None where it is left open."""
        return controls.values(self.session)[name]

    def set_value(self, name: str, value: float) -> None:
        """Set a number of the cup; one that makes no plan changes nothing and is told in ``failure``."""
        self._end_drag()
        self._do(lambda: controls.write(self.session, name, value))

    def undo(self) -> None:
        """Take back the last change."""
        self._end_drag()
        self._do(self.session.undo)

    def redo(self) -> None:
        """Make it again."""
        self._do(self.session.redo)

    def save(self) -> None:
        """Write the case into its folder, without the report's PDF."""
        self._do(self.session.save)

    def slice_to(self, planes: str) -> None:
        """Set the slices to one of :data:`PLANES`."""
        self._do(lambda: self.picture.slice_to(planes))

    @property
    def way_length_mm(self) -> float:
        """The whole way of the reamers."""
        return way_length_mm(self.session.numbers.steps)

    def show_reamer(self, way_mm: float | None) -> None:
        """Show the reamer after some way, or none."""
        place = None if way_mm is None else reamer_at(self.session.numbers.steps, way_mm)
        self.picture.show_reamer(place)

    def figures(self) -> list[tuple[str, str]]:
        """Return the seven figures: name, and value with unit and spread."""
        session = self.session
        full = session.full.measured if session.full is not None and not session.stale else None
        tiles = live_tiles(session.numbers, *session.angles_in, full)
        return [(each.name, " ".join(part for part in (each.value, each.unit, each.spread) if part)) for each in tiles]

    def words(self) -> list[str]:
        """Return what must be read beside the figures: what is doubtful, or that it is still being measured."""
        session = self.session
        if session.surveying:
            return ["a landmark was moved: every number stands on the point before, until what rests on it is found"]
        if session.full is None or session.stale:
            return ["measuring: the cavity shown in grey belongs to an older plan"]
        return list(session.full.warnings)

    def _dragged(self, center_lps_mm: Any, opening_axis_lps: Any) -> None:
        if self._dragged_at is None:
            self._drag.enter_context(self.session.drag())
        self._dragged_at = time.monotonic()
        self._do(lambda: self.session.place(center_lps_mm, opening_axis_lps))

    def _end_drag(self) -> None:
        self._dragged_at = None
        self._drag.close()

    def _do(self, change: Callable[[], None]) -> None:
        try:
            self.failure = ""
            change()
        except InputError as error:
            self.failure = str(error)
            self.picture.show_landmarks(self.session.landmarks)
            self.picture.show(self.session.plan)
        self.changed()

    def _heard(self, kind: str, _: int) -> None:
        session = self.session
        if kind == "failed":
            self.failure = session.failure
        if kind in ("plan", "full"):
            if session.anatomy is not self._anatomy:
                self._anatomy = session.anatomy
                self.picture.take_anatomy(session.anatomy)
            self.picture.show_landmarks(session.landmarks)
            current = session.full if session.full is not None and not session.stale else None
            self.picture.show(session.plan, None if current is None else current.planned, stale=current is None)
        self.changed()
