"""The start page's wiring: what the steps say goes to page and scene, what a hand does goes to the steps."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

from cotyle import CAUTION
from cotyle.errors import InputError
from cotyle.report.landmark_views import mark_camera, pelvis_camera
from trame_server import Server

from cotyle_platform.scene import views
from cotyle_platform.scene.stage import THREE_D
from cotyle_platform.scene.start_scene import StartScene
from cotyle_platform.web.areas import Areas
from cotyle_platform.web.painting import Turns
from cotyle_platform.web.start import words
from cotyle_platform.web.start.page import lay_out
from cotyle_platform.web.start.steps import StartSession
from cotyle_platform.web.start.tools import BoneTools

SCAN_HEIGHT_MM, BONES_HEIGHT_MM, LANDMARK_HEIGHT_MM = 420.0, 280.0, 90.0


class StartFlow:
    """From a CT to a case.

    Parameters
    ----------
    server:
        The page's server.
    on_case_ready:
        Called with the folder of the new case.
    source:
        Folder or file of the CT, looked into at once; None lets the user name it.
    alone:
        Whether only this machine can open the page. If not, no path is taken from the page: whoever has the link would
        otherwise read and write this machine's files.
    areas, turns:
        Views to show it in, and what draws them; made here if not given.
    """

    def __init__(
        self,
        server: Server,
        on_case_ready: Callable[[Path], None],
        *,
        source: Path | None = None,
        alone: bool = True,
        areas: Areas | None = None,
        turns: Turns | None = None,
        session: StartSession | None = None,
    ) -> None:
        self.server = server
        self.turns = turns or Turns()
        self.areas = areas or Areas(server, self.turns)
        self.session = session or StartSession(post=asyncio.get_running_loop().call_soon_threadsafe)
        editor = self.areas.app.segmentation_editor
        self.scene = StartScene(self.areas.scene, editor)
        self.tools = BoneTools(editor, self.scene)
        self._on_case_ready, self._alone = on_case_ready, alone
        self._shown: dict[str, Any] = {}
        self._mark = self._message = self._suggested = ""
        self._fixed_state()
        server.controller.trigger("start_act")(self.act)
        self.session.changed = self.refresh
        if source is not None:
            self._try(lambda: self.session.look_into(source))
        self.refresh()

    def build(self) -> None:
        """Build the page."""
        lay_out(self.server, self.areas)

    def close(self) -> None:
        """Let go of worker and views."""
        self.session.close()
        self.scene.clear()
        self.areas.close()

    # what the steps say

    def refresh(self) -> None:
        """Show where the session is."""
        session = self.session
        with self.server.state as state:
            state.start_steps, state.start_step = words.steps(session), session.step
            state.start_busy, state.start_failure = session.busy, self._message or session.failure
            state.start_series = words.series(session)
            state.start_side = str(session.side or "")
            state.start_found = session.labels is not None
            state.start_marks, state.start_mark = words.marks(session), self._mark
            state.start_can_undo = session.can_undo
            state.start_frames, state.start_doubts = words.frames(session), words.doubts(session)
            if session.source is not None and not state.start_source:
                state.start_source = str(session.source)
            if session.step == "plan" and state.start_folder in ("", self._suggested) and session.case is None:
                state.start_folder = self._suggested = str(session.suggested_folder())
            state.start_ready = session.case is not None
        self._draw()
        if session.case is not None and "case" not in self._shown:
            self._shown["case"] = session.case
            self._on_case_ready(session.case)

    # what a hand does

    def act(self, name: str, *what: Any) -> None:
        """Do what a control of the page says."""
        session = self.session
        acts: dict[str, Callable[..., Any]] = {
            "look": lambda source: session.look_into(self._path(source)),
            "series": lambda number, repair=False: session.choose_series(int(number), bool(repair)),
            "side": lambda side: session.choose_side(str(side)),
            "find": lambda labels="": session.look_for_bones(self._path(labels) if labels else None),
            "bone": self._choose_bone,
            "tool": self._choose_tool,
            "brush": self._size_brush,
            "largest": self.tools.keep_largest,
            "small": self.tools.drop_small,
            "stroke_back": self.tools.undo,
            "stroke_again": self.tools.redo,
            "bones_right": self._bones_right,
            "mark": self._look_at_mark,
            "mark_right": self._mark_right,
            "mark_to_bone": lambda: session.to_bone(self._mark),
            "mark_as_found": lambda: session.as_found(self._mark),
            "marks_undo": session.undo,
            "marks_right": session.agree_to_landmarks,
            "write": lambda folder: session.write_case(
                self._path(folder) if self._alone else session.suggested_folder()
            ),
            "back": lambda step: session.back_to(str(step)),
        }
        if name in acts:
            self._try(lambda: acts[name](*what))

    def _path(self, text: Any) -> Path:
        if not self._alone:
            raise InputError(
                "path-from-afar", "no path is taken from a page that is open to the network", "Give it to 'cotyle view'"
            )
        return Path(str(text)).expanduser()

    def _try(self, act: Callable[[], Any]) -> None:
        said, self._message = self._message, ""
        try:
            act()
        except InputError as error:
            self._message = str(error)
        if self._message != said:
            self.refresh()

    def _choose_bone(self, name: str) -> None:
        self.scene.choose_bone(name)
        with self.server.state as state:
            state.start_bone = name

    def _choose_tool(self, name: str) -> None:
        self.tools.choose(name)
        with self.server.state as state:
            state.start_tool = name

    def _size_brush(self, diameter_mm: Any) -> None:
        self.tools.size(float(diameter_mm))
        with self.server.state as state:
            state.start_brush = float(diameter_mm)

    def _bones_right(self) -> None:
        self._choose_tool("none")
        self.session.agree_to_bones(self.scene.labels())

    def _mark_right(self) -> None:
        """Agree to the landmark in view and go on to the next that was not agreed to."""
        self.session.agree_to(self._mark)
        order = self.session.order
        here = order.index(self._mark)
        waiting = [name for name in (*order[here + 1 :], *order[:here]) if name not in self.session.agreed]
        self._look_at_mark(waiting[0] if waiting else self._mark)

    def _look_at_mark(self, name: str) -> None:
        points = self.session.landmarks
        if name not in points:
            return
        self._mark = name
        self.areas.show_height(LANDMARK_HEIGHT_MM)
        self.areas.write_letters(self.scene.center_on(points[name].lps_mm, name))
        if self.session.skeleton is not None:
            views.look(
                self.areas.views[THREE_D], mark_camera(name, points[name].lps_mm, self.session.skeleton.surfaces)
            )
            self.areas.views[THREE_D].schedule_render()
        self.refresh()

    # within

    def _draw(self) -> None:
        """Bring the scene in step with the session; only what has changed."""
        session = self.session
        if self._is_new("scan", session.scan) and session.scan is not None:
            self.scene.show_scan(session.scan)
            self.areas.background(self.scene.scan_node)
            self.areas.show_height(SCAN_HEIGHT_MM)
            self.areas.write_letters(self.scene.center_on(self.scene.middle_lps_mm()))
            self._shown.pop("labels", None)
        if self._is_new("labels", session.labels):
            if session.labels is None:
                self._mark = ""
                self.scene.hide_bones()
            else:
                self.scene.show_labels(session.labels)
                self.areas.show_height(BONES_HEIGHT_MM)
        if self._is_new("skeleton", session.skeleton) and session.skeleton is not None:
            self.scene.show_surfaces(session.skeleton.surfaces)
            views.look(self.areas.views[THREE_D], pelvis_camera(session.skeleton.surfaces))
            self._choose_bone("right_hip_bone" if session.side == "right" else "left_hip_bone")
        if session.step == "landmarks":
            self.scene.show_landmarks(session.landmarks, self._moved)
            if self._is_new("reviewing", session.anatomy) and not self._mark:
                self._look_at_mark(session.order[0])
            elif self._mark:
                self.scene.center_on(session.landmarks[self._mark].lps_mm, self._mark)

    def _moved(self, name: str, place: Any) -> None:
        self._try(lambda: self.session.place(name, place))

    def _is_new(self, what: str, value: Any) -> bool:
        if self._shown.get(what) is value:
            return False
        self._shown[what] = value
        return True

    def _fixed_state(self) -> None:
        state = self.server.state
        state.update(
            {
                "start_source": "",
                "start_labels": "",
                "start_alone": self._alone,
                "start_folder": "",
                "start_bones": words.bones(),
                "start_bone": "",
                "start_tool": "none",
                "start_brush": self.tools.diameter_mm,
                "start_ready": False,
                "start_caution": CAUTION,
                "page_theme": "dark",
            }
        )
