"""A real picture beside the simulated one: loaded, asked about, compared with the plan off the event loop, laid over.

What a file is called may name a patient: its name is neither shown nor kept, and the picture stays in memory only.
"""

from __future__ import annotations

import asyncio
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cotyle.case.picture_questions import QUESTION_WORDS, PictureSoFar, Question, picture_so_far
from cotyle.errors import InputError
from cotyle.report.screen_words import VIEW_WORDS
from cotyle.xray.carm import Tube
from cotyle.xray.display import Polarity
from cotyle.xray.pictures.patient_mark import PatientMark, require_one_patient
from cotyle.xray.pictures.picture_file import Told
from trame_server import Server

from cotyle_platform.session import Full, PlanningSession
from cotyle_platform.web.panels.panel import Panel, one_line
from cotyle_platform.web.panels.pictures import drawn_lines, picture_uri, points_text

if TYPE_CHECKING:
    from cotyle.case.picture_start import PictureOfView

    from cotyle_platform.web.panels.comparing import Compared

_CHOICES: dict[str, dict[str, str]] = {
    Question.POLARITY: {str(Polarity.BONE_DARK): "bone dark", str(Polarity.BONE_LIGHT): "bone light"},
    Question.PATIENT_ORIENTATION: {
        "L/F": "usual: patient's right at the left edge, head up",
        "R/F": "mirrored: patient's left at the left edge, head up",
        "R/H": "upside down: patient's left at the left edge, feet up",
        "L/H": "mirrored and upside down: patient's right at the left edge, feet up",
    },
    Question.TUBE: {
        str(Tube.UNDER_TABLE): "under the table",
        str(Tube.OVER_TABLE): "over the table",
        str(Tube.CROSS_TABLE): "across the table",
    },
}
_LAST = "the last picture"
_NUMBERS = (Question.FRAME, Question.PIXEL_PITCH_MM, Question.SOURCE_DETECTOR_MM, Question.SOURCE_ISOCENTER_MM)


@dataclass
class _Loaded:
    """A file as it was sent, and what was answered about it."""

    content: bytes
    suffix: str
    answers: dict[str, str] = field(default_factory=dict)
    so_far: PictureSoFar | None = None


@dataclass(frozen=True, eq=False)
class _Read:
    """What reading a file gave: the picture so far, doubts about whose it is, and how the page shows it."""

    so_far: PictureSoFar
    doubts: tuple[str, ...]
    shown: str


class RealPicture(Panel):
    """Loads one picture, asks what nobody may guess, compares, and lays it beside or over the simulated one."""

    name = "real_picture"

    def __init__(self, server: Server, session: PlanningSession) -> None:
        super().__init__(server, session)
        self._loaded: _Loaded | None = None
        self._newest: _Loaded | None = None
        self._compared: Compared | None = None
        self._marks: dict[str, PatientMark | None] = {"the CT": getattr(session, "patient", None)}
        self._shown: dict[str, Any] | None = None
        self.put(
            **{"": None, "file": None, "questions": [], "answers": {}, "message": "", "progress": "", "busy": False},
            reading=False, mode="beside", opacity=0.5, view="", views=dict(VIEW_WORDS), sizes=[], size="", result=None,
        )  # fmt: skip
        server.state.client_only("real_picture_mode", "real_picture_opacity")
        self.on("real_picture_file", self.load)
        trigger = server.controller.trigger
        trigger("real_picture_answer")(self.answer)
        trigger("real_picture_compare")(self.start)
        trigger("real_picture_keep")(self.keep)
        trigger("real_picture_away")(self.take_away)
        self._sizes()

    def heard(self, kind: str, revision: int) -> None:
        """Say which diameters the plan knows, and mark a comparison with an earlier plan."""
        if kind in ("plan", "full"):
            self.soon(self._sizes)

    # a file

    def load(self, file: Any) -> None:
        """Take a file that the page sends; a bad one is refused in a line and the picture that was there stays."""
        if not file:
            return
        self.put(file=None)
        content = file.get("content") or b""
        loaded = _Loaded(bytes(content), Path(str(file.get("name", ""))).suffix)
        self._take(loaded)

    def answer(self, question: str, value: Any) -> None:
        """Take an answer about the picture; an empty one takes it back."""
        newest = self._newest
        if newest is None:
            return
        answers = {**newest.answers, question: str(value).strip()}
        self._take(_Loaded(newest.content, newest.suffix, {k: v for k, v in answers.items() if v}))

    def take_away(self) -> None:
        """Put the picture away, with what was read off it."""
        self._loaded = self._newest = self._shown = self._compared = None
        self._marks.pop(_LAST, None)
        self.put(**{"": None, "questions": [], "answers": {}, "message": "", "result": None})
        self.desk.compared(None, -1)

    def _take(self, loaded: _Loaded) -> None:
        """Read a picture with its answers off the event loop; of several only the newest is taken."""
        self._newest = loaded
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            self._taken(loaded, self._read(loaded))
            return

        async def read() -> None:
            outcome = await loop.run_in_executor(None, lambda: self._read(loaded))
            if loaded is self._newest:
                self._taken(loaded, outcome)

        self.put(reading=True)
        self._reads = loop.create_task(read())

    def _read(self, loaded: _Loaded) -> _Read | InputError:
        from cotyle_platform.web.panels import comparing

        try:
            frame, told = _told(loaded.answers)
            so_far = self._with_file(loaded, lambda path: picture_so_far(path, frame, told))
            picture = so_far.radiograph
            if picture is None:
                return _Read(so_far, (), "")
            untold = require_one_patient({**self._marks, "the picture": picture.patient})
            return _Read(so_far, tuple(text for text in untold if " the picture " in text), comparing.shown(picture))
        except InputError as error:
            return error

    def _taken(self, loaded: _Loaded, outcome: _Read | InputError) -> None:
        if isinstance(outcome, InputError):
            self._newest = self._loaded
            self.put(message=one_line(outcome), reading=False)
            return
        self._loaded, loaded.so_far = loaded, outcome.so_far
        self.desk.compared(None, -1)
        picture, still_open = outcome.so_far.radiograph, outcome.so_far.open
        self._shown = self._compared = None
        if picture is not None:
            columns, rows = picture.size
            self._shown = {
                "columns": columns,
                "rows": rows,
                "real": outcome.shown,
                "compared": False,
                "sides": ["R", "L"] if Question.PATIENT_ORIENTATION not in still_open else ["", ""],
                "doubts": [*picture.doubts, *outcome.doubts],
            }
        asked = dict.fromkeys([*still_open, *(each for each in Question if each in loaded.answers)])
        self.put(
            **{"": self._shown},
            questions=[_question(each, each in still_open) for each in asked],
            answers=loaded.answers,
            message=outcome.so_far.why,
            result=None,
            reading=False,
        )

    def _with_file(self, loaded: _Loaded, read: Callable[[Path], Any]) -> Any:
        """Read the picture from a file that is gone at once; its name says nothing."""
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / f"picture{loaded.suffix}"
            path.write_bytes(loaded.content)
            return read(path)

    # comparing

    def start(self) -> None:
        """Compare the picture with the plan; a worker does it, and what it says comes when it comes."""
        from cotyle_platform.web.panels import comparing

        state, full = self.server.state, self.session.full
        if state.real_picture_busy or state.real_picture_reading or self._loaded is None:
            return
        if full is None or self.session.stale:
            self.put(message="The plan is still being measured: try again in a moment")
            return
        try:
            picture = self._picture_of_view(self._loaded, str(state.real_picture_view))
            diameter = float(state.real_picture_size)
        except InputError as error:
            self.put(message=one_line(error))
            return
        self.put(busy=True, message="", progress="starting")
        loaded, loop = self._loaded, asyncio.get_running_loop()

        def progress(words: str) -> None:
            loop.call_soon_threadsafe(lambda: self.put(progress=words))

        async def work() -> None:
            try:
                found = await loop.run_in_executor(
                    None, lambda: comparing.compared(self.session, full, picture, diameter, progress)
                )
            except Exception as error:  # whatever it is, the page goes on
                fault = f"comparing failed ({type(error).__name__}): this is our fault, not yours"
                self.put(message=one_line(error) if isinstance(error, InputError) else fault)
            else:
                if self._loaded is loaded:
                    self._show_comparison(full, found)
            finally:
                self.put(busy=False, progress="")

        self._working = loop.create_task(work())

    def keep(self) -> None:
        """Write the comparison into the case and its report; only one with the plan that stands in the case."""
        from cotyle_platform.web.panels import comparing

        made, result = self._compared, self.server.state.real_picture_result
        if made is None or not result or self.server.state.real_picture_busy:
            return
        if self.session.unsaved or result["revision"] != self.session.revision:
            self.put(message="The case holds another plan than the one compared: save it, then compare again")
            return
        self.put(busy=True, message="", progress="writing the report")
        loop = asyncio.get_running_loop()

        async def work() -> None:
            try:
                number = await loop.run_in_executor(None, lambda: comparing.kept(self.session, made))
            except (InputError, OSError) as error:
                words = one_line(error) if isinstance(error, InputError) else "the case folder can't be written"
                self.put(message=words)
            else:
                self.put(result={**self.server.state.real_picture_result, "kept": f"comparison-{number}"})
            finally:
                self.put(busy=False, progress="")

        self._working = loop.create_task(work())

    def _picture_of_view(self, loaded: _Loaded, view: str) -> PictureOfView:
        from cotyle_platform.web.panels import comparing

        open_questions = () if loaded.so_far is None else loaded.so_far.open
        if open_questions:
            words = " and ".join(QUESTION_WORDS[each] for each in open_questions)
            raise InputError("picture-geometry", f"still to be said: {words}")
        frame, told = _told(loaded.answers)
        picture: PictureOfView = self._with_file(
            loaded, lambda path: comparing.picture_of_view(path, view, frame, told)
        )
        return picture

    def _show_comparison(self, full: Full, compared: Compared) -> None:
        self._compared = compared
        layers, words = compared.layers, compared.words
        assert self._shown is not None
        lines = [*drawn_lines(layers.planned, "planned_"), *drawn_lines(layers.found, "found_")]
        edges = [{"kind": "edge", "points": points_text(edge)} for edge in layers.edges]
        # a new one: what was sent before must not change under the page's state
        self._shown = {
            **self._shown,
            "compared": layers.simulated is not None,
            "simulated": None if layers.simulated is None else picture_uri(layers.simulated),
            "real": picture_uri(layers.real),
            "lines": [*edges, *lines],
        }
        self._marks[_LAST] = compared.found.pictures[0].picture.radiograph.patient
        self.put(
            **{"": self._shown},
            result={
                "verdict": str(compared.file.verdict),
                "words": words.verdict,
                "rows": [list(row) for row in words.rows],
                "doubts": list(words.doubts),
                "revision": full.revision,
                "kept": "",
            },
        )
        self._sizes()
        self.desk.compared(compared.found, full.revision)

    def _sizes(self) -> None:
        numbers, state = self.session.numbers, self.server.state
        cup = numbers.cup.outer_diameter_mm
        sizes = [{"value": f"{cup:g}", "words": f"{cup:g} mm cup"}]
        sizes += [
            {"value": f"{step.diameter_mm:g}", "words": f"{step.diameter_mm:g} mm reamer"} for step in numbers.steps
        ]
        known = {each["value"] for each in sizes}
        self.put(sizes=sizes, size=state.real_picture_size if state.real_picture_size in known else f"{cup:g}")
        result = state.real_picture_result
        if result:
            self.put(result={**result, "old": result["revision"] != self.session.revision})


def _told(answers: dict[str, str]) -> tuple[int | None, Told]:
    """Return the frame and all else that was answered."""

    def number(question: Question) -> float | None:
        text = answers.get(question)
        if text is None:
            return None
        try:
            return float(text.replace(",", "."))
        except ValueError:
            raise InputError("picture-answer", f"{QUESTION_WORDS[question]} must be a number") from None

    frame, polarity, tube = number(Question.FRAME), answers.get(Question.POLARITY), answers.get(Question.TUBE)
    sides = answers.get(Question.PATIENT_ORIENTATION, "").split("/")
    return None if frame is None else round(frame), Told(
        polarity=None if polarity is None else Polarity(polarity),
        pixel_pitch_mm=number(Question.PIXEL_PITCH_MM),
        tube=None if tube is None else Tube(tube),
        source_detector_mm=number(Question.SOURCE_DETECTOR_MM),
        source_isocenter_mm=number(Question.SOURCE_ISOCENTER_MM),
        patient_orientation=(sides[0], sides[1]) if len(sides) == 2 else None,
    )


def _question(question: Question, is_open: bool) -> dict[str, Any]:
    return {
        "name": str(question),
        "words": QUESTION_WORDS[question],
        "choices": _CHOICES.get(question),
        "number": question in _NUMBERS,
        "open": is_open,
    }
