"""The planning page's wiring: what the session says goes to page and scene, what a hand does goes to the session.

No number is made here. Every change runs through :class:`~cotyle_platform.session.PlanningSession`; the page shows what
the session holds, and the numbers are sent before any picture is drawn.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import ExitStack
from typing import Any

from cotyle import CAUTION
from cotyle.case import folder as names
from cotyle.case.plan_file import FrameName
from cotyle.case.verdict import GRADE_WORDS
from cotyle.cup.orientation import Definition
from cotyle.cup.reaming_way import way_length_mm
from cotyle.errors import InputError
from cotyle.report.tiles import live_tiles
from trame_server import Server

from cotyle_platform.session import PlanningSession
from cotyle_platform.web import controls
from cotyle_platform.web.bone import Bone

ONE_EDIT_S = 0.8
"""Changes of one control that follow within this time are one step of undo."""

SENT_WITHIN_S = 0.002
"""The new numbers are on their way to the page before the next change is asked for."""
SAID_BESIDE_THE_NAME = "synthetic"
FRAME_WORDS: dict[FrameName, str] = {"app": "anterior pelvic plane", "supine": "supine", "standing": "standing"}


class Page:
    """State of the page for one session; keys start with ``page_``, ``cup_`` or, of :class:`Bone`, ``bone_``."""

    def __init__(self, server: Server, session: PlanningSession, bone: Bone) -> None:
        self.server, self.session, self.bone = server, session, bone
        self._edit = ExitStack()
        self._edited = ""
        self._edit_ends: asyncio.TimerHandle | None = None
        self._drawing: asyncio.TimerHandle | None = None
        bone.on_cup_moved = self._place
        bone.on_let_go = self.end_edit
        self._fixed_state()
        session.subscribe(self._heard)
        controller = server.controller
        controller.trigger("cup_set")(self.set)
        controller.trigger("cup_words")(self.set_words)
        controller.trigger("page_act")(self.act)
        self.refresh()

    # what the session says

    def refresh(self) -> None:
        """Show the plan as it stands."""
        session, state = self.session, self.server.state
        full = session.full
        fresh = full.measured if full is not None and not session.stale else None
        definition, frame = session.angles_in
        with state:
            state.page_tiles = [vars(each) for each in live_tiles(session.numbers, definition, frame, fresh)]
            state.page_stale, state.page_surveying = session.stale, session.surveying
            state.page_saved = self._saved_words()
            state.page_can_undo, state.page_can_redo = session.can_undo, session.can_redo
            state.cup_definition, state.cup_frame = str(definition), frame
            state.page_way = way_length_mm(session.numbers.steps)
            state.cup_values, state.cup_words = controls.values(session), controls.words(session)
            if fresh is not None:
                verdict = fresh.verdict
                state.page_grade, state.page_grade_words = str(verdict.grade), GRADE_WORDS[verdict.grade]
                state.page_verdict = verdict.text
                state.page_doubts = [{"text": each.text, "code": each.code} for each in fresh.warnings]
                state.page_doubts.sort(key=lambda each: each["code"] == SAID_BESIDE_THE_NAME)
                state.page_points = [
                    f"{point.mark} ({side} hip): {point.words}"
                    for side, hip in verdict.hips.items()
                    for point in hip.points
                ]

    def _heard(self, kind: str, _: int) -> None:
        if kind in ("plan", "full"):
            self.refresh()
            self._show_soon()
        elif kind == "failed":
            self._write_ended()
            self.say(self.session.failure)
        elif kind == "saved":
            self._write_ended()
            self.refresh()

    def _show_soon(self) -> None:
        """Draw the scene once the numbers are on their way; at once where no event loop runs."""
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            self.bone.show()
            return
        if self._drawing is None or self._drawing.cancelled():
            self._drawing = loop.call_later(SENT_WITHIN_S, self._show)

    def _show(self) -> None:
        self._drawing = None
        with self.server.state:
            self.bone.show()

    def _saved_words(self) -> str:
        # a folder may be called after its patient: its name is not shown
        return "Not saved yet; a draft of it is kept in the case" if self.session.unsaved else "Saved in the case"

    def say(self, words: str) -> None:
        """Show one line above the page."""
        with self.server.state as state:
            state.page_message = words

    # what a hand does

    async def set(self, name: str, value: Any, number: int = 0) -> None:
        """Set a number of the cup, or move it by a step; ``number`` tells the page which change this was."""
        if name == "nudge":
            self._change(name, lambda: self.session.place(center_lps_mm=self.bone.beside_center(value)))
        else:
            self._change(name, lambda: controls.write(self.session, name, float(value)))
        with self.server.state as state:
            state.cup_done = number
        await asyncio.sleep(SENT_WITHIN_S)

    def set_words(self, name: str, value: str) -> None:
        """Choose the definition or the frame in which angles are told and set."""
        definition, frame = self.session.angles_in
        try:
            if name == "definition":
                self.session.show_angles(Definition(value), frame)
            elif name == "frame":
                for known in FRAME_WORDS:
                    if known == value:
                        self.session.show_angles(definition, known)
        except (InputError, ValueError) as error:
            self.say(str(error))
            self.refresh()

    def act(self, name: str) -> None:
        """Do what a button says."""
        session = self.session
        acts: dict[str, Callable[[], Any]] = {
            "undo": session.undo,
            "redo": session.redo,
            "save": session.save,
            "report": session.write_report,
            "take_draft": session.take_draft,
            "drop_draft": session.drop_draft,
        }
        if name not in acts:
            return
        self.end_edit()
        with self.server.state as state:
            state.page_message = ""
            state.page_writing = name if name in ("save", "report") else state.page_writing
            try:
                acts[name]()
            except InputError as error:
                state.page_writing = ""
                state.page_message = str(error)
            state.page_draft = session.draft is not None

    @property
    def writing(self) -> bool:
        """Whether the case is being saved."""
        return bool(self.server.state.page_writing)

    def _write_ended(self) -> None:
        with self.server.state as state:
            state.page_report = (self.session.folder / names.REPORT_HTML).is_file()
            state.page_writing = ""

    def _place(self, center_lps_mm: Any, axis_lps: Any) -> None:
        self._change("handle", lambda: self.session.place(center_lps_mm, axis_lps))

    def _change(self, what: str, change: Callable[[], None]) -> None:
        self._begin_edit(what)
        with self.server.state as state:
            state.page_message = ""
            try:
                change()  # shows the plan as it then stands
            except InputError as error:
                state.page_message = str(error)
                self.refresh()
                self.bone.show(again=True)

    def _begin_edit(self, what: str) -> None:
        if what != self._edited:
            self.end_edit()
            self._edit.enter_context(self.session.drag())
            self._edited = what
        if self._edit_ends is not None:
            self._edit_ends.cancel()
        if self.bone.held:
            return
        self._edit_ends = asyncio.get_running_loop().call_later(ONE_EDIT_S, self.end_edit)

    def end_edit(self) -> None:
        """Close the current step of undo."""
        if self._edit_ends is not None:
            self._edit_ends.cancel()
            self._edit_ends = None
        if self._edited:
            self._edited = ""
            self._edit.close()

    def _fixed_state(self) -> None:
        session, state = self.session, self.server.state
        source = session.anatomy.source
        state.page_caution = CAUTION
        state.page_case = f"{session.plan.side} hip" + (", synthetic scan" if source.synthetic else "")
        state.page_definitions = [str(each) for each in Definition]
        state.page_frames = [{"name": name, "words": words} for name, words in FRAME_WORDS.items()]
        state.cup_controls = controls.rows()
        state.setdefault("page_theme", "dark")
        state.update(
            {
                "page_grade": "",
                "page_grade_words": "computing …",
                "page_verdict": "",
                "page_doubts": [],
                "page_points": [],
                "page_doubts_open": False,
                "page_message": "",
                "page_saved": "",
                "page_two_plans": False,
                "page_writing": "",
                "page_draft": session.draft is not None,
                "page_report": (session.folder / names.REPORT_HTML).is_file(),
                "cup_done": 0,
            }
        )
        state.client_only("page_theme", "page_doubts_open", "page_two_plans")
