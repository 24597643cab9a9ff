"""Landmarks on the planning page: one at a time in the middle of all views, moved by hand; keys start with ``marks_``.

What rests on a landmark (frames, native socket, all that was proposed) follows by a worker of the session; until then
the page says that its numbers stand on the point before.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from cotyle.anatomy.landmarks import LANDMARK_NAMES, Origin
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
        self._chosen, self._adding = "", False
        bone.on_landmark_moved = self.moved
        bone.on_landmark_clicked = self.clicked
        server.controller.trigger("marks_act")(self.act)
        server.state.update({"marks_open": False, "marks_snap": True})
        session.subscribe(self._heard)
        self.refresh()

    def refresh(self) -> None:
        """Show the landmarks as they stand."""
        points, side = self.session.landmarks, self.session.plan.side
        if self._chosen and self._chosen not in points and not self._adding:
            self._chosen = ""  # a point that only a hand had placed was taken back
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
            state.marks_missing = [
                {"name": name, "words": mark_words(name)}
                for name in in_order(LANDMARK_NAMES, side)
                if name not in points
            ]
            state.marks_chosen = self._chosen
            state.marks_adding = mark_words(self._chosen) if self._adding else ""
            state.marks_adding_on_bone = self._adding and bone_of(self._chosen) is not None

    def act(self, name: str, *what: Any) -> None:
        """Do what a control says: ``open``, ``close``, ``choose`` a landmark, ``add`` one that was not found, or not
        (``not_now``), ``onto_bone``, ``as_found``.
        """
        acts: dict[str, Callable[..., None]] = {
            "open": self.open,
            "close": self.close,
            "choose": self.choose,
            "add": self.add,
            "not_now": self._not_now,
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
        if self._adding:
            self._adding, self._chosen = False, ""
            self.refresh()
        with self.server.state as state:
            state.marks_open = False
            self.bone.leave_marks()

    def choose(self, name: str) -> None:
        """Bring a landmark into the middle of all views, where it can be dragged."""
        if name in self.session.landmarks:
            self._chosen, self._adding = name, False
            with self.server.state:
                self.bone.look_at_mark(name)
            self.refresh()

    def add(self, name: str) -> None:
        """Look for a landmark that was not found; the next click in a view places it."""
        if name in LANDMARK_NAMES and name not in self.session.landmarks:
            self._chosen, self._adding = name, True
            with self.server.state as state:
                state.marks_open = True
                self.bone.look_at_mark(name)
            self.refresh()

    def clicked(self, name: str, place_lps_mm: Any, in_3d: bool) -> None:
        """Take a landmark that was not found where a hand clicked; onto its bone as one that was dragged.

        Raises no error: what is refused is said on the page, and the next click may do.
        """
        if in_3d and bone_of(name) is None:
            self.page.say(f"{mark_words(name)}: it lies on no bone; click in a slice")
        elif place_lps_mm is None:
            self.page.say("there is no bone that is shown under this click")
        else:
            self.moved(name, place_lps_mm)
            self.choose(name)

    def moved(self, name: str, place_lps_mm: Any) -> None:
        """Take a landmark where a hand let it go; onto its bone if that is wanted and it lies on one."""
        snap = bool(self.server.state.marks_snap) and bone_of(name) is not None
        self._try(lambda: self.session.move_landmark(name, place_lps_mm, onto_bone=snap))

    def _onto_bone(self) -> None:
        point = self.session.landmarks.get(self._chosen)
        if point is not None:
            self.session.move_landmark(self._chosen, point.lps_mm, onto_bone=True)

    def _not_now(self) -> None:
        self._chosen = ""
        self.open()

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
