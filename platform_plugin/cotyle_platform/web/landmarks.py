"""Landmarks on the planning page: one at a time in the middle of all views, moved by hand; keys start with ``marks_``.

What rests on a landmark (frames, native socket, all that was proposed) follows by a worker of the session; until then
the page says that its numbers stand on the point before.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from cotyle.anatomy.landmarks import Origin
from cotyle.anatomy.on_bone import bone_of
from cotyle.errors import InputError
from trame_server import Server

from cotyle_platform.session import PlanningSession
from cotyle_platform.web.bone import Bone
from cotyle_platform.web.landmark_words import in_order, mark_words, origin_words
from cotyle_platform.web.page import Page


class Landmarks:
    """A list of the landmarks in the place of the cup's controls, and what is done to the one that is chosen."""

    def __init__(self, server: Server, session: PlanningSession, bone: Bone, page: Page) -> None:
        self.server, self.session, self.bone, self.page = server, session, bone, page
        self._chosen = ""
        bone.on_landmark_moved = self.moved
        server.controller.trigger("marks_act")(self.act)
        server.state.update({"marks_open": False, "marks_snap": True})
        session.subscribe(self._heard)
        self.refresh()

    def refresh(self) -> None:
        """Show the landmarks as they stand."""
        points, side = self.session.landmarks, self.session.plan.side
        if self._chosen and self._chosen not in points:  # a point that only a hand had placed was taken back
            self._chosen = ""
            self.open()
        with self.server.state as state:
            state.marks = [
                {
                    "name": name,
                    "words": mark_words(name),
                    "origin": origin_words(points[name]),
                    "given": points[name].origin is Origin.GIVEN,
                    "on_bone": bone_of(name) is not None,
                }
                for name in in_order(points, side)
            ]
            state.marks_chosen = self._chosen

    def act(self, name: str, *what: Any) -> None:
        """Do what a control says: ``open``, ``close``, ``choose`` a landmark, ``onto_bone``, ``as_found``."""
        acts: dict[str, Callable[..., None]] = {
            "open": self.open,
            "close": self.close,
            "choose": self.choose,
            "onto_bone": self._onto_bone,
            "as_found": lambda: self.session.reset_landmark(self._chosen),
        }
        if name in acts:
            self._try(lambda: acts[name](*what))

    def open(self) -> None:
        """Show the list, and the first of it in the views."""
        self.server.state.marks_open = True
        self.choose(self._chosen or in_order(self.session.landmarks, self.session.plan.side)[0])

    def close(self) -> None:
        """Back to the cup."""
        with self.server.state as state:
            state.marks_open = False
            self.bone.leave_marks()

    def choose(self, name: str) -> None:
        """Bring a landmark into the middle of all views, where it can be dragged."""
        if name in self.session.landmarks:
            self._chosen = name
            with self.server.state:
                self.bone.look_at_mark(name)
            self.refresh()

    def moved(self, name: str, place_lps_mm: Any) -> None:
        """Take a landmark where a hand let it go; onto its bone if that is wanted and it lies on one."""
        snap = bool(self.server.state.marks_snap) and bone_of(name) is not None
        self._try(lambda: self.session.move_landmark(name, place_lps_mm, onto_bone=snap))

    def _onto_bone(self) -> None:
        point = self.session.landmarks.get(self._chosen)
        if point is not None:
            self.session.move_landmark(self._chosen, point.lps_mm, onto_bone=True)

    def _try(self, act: Callable[[], None]) -> None:
        self.page.end_edit()
        self.page.say("")
        try:
            act()
        except InputError as error:
            self.page.say(str(error))
            self.bone.show(again=True)

    def _heard(self, kind: str, _: int) -> None:
        if kind == "plan":
            self.refresh()
