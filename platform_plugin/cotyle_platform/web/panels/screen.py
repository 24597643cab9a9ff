"""The screen: the simulated C-arm picture with all that is drawn over it, and a real one beside it.

Its picture shows the scan from where the C-arm stands; outlines of cup and reamer and the cues are those of the plan as
it is now, so that they follow a hand at once while a new picture is still on its way.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from cotyle.case.asked_view import POSTURE, ViewRequest, asked_view
from cotyle.case.screen_facts import reading_values
from cotyle.case.verdict import landmark_words
from cotyle.cup.reaming_way import ReamerPlace, reamer_at, way_length_mm
from cotyle.errors import InputError
from cotyle.report.screen_words import VIEW_WORDS, reading_rows
from cotyle.report.side_marks import side_letters
from cotyle.xray.carm import CArm, Tube
from cotyle.xray.overlay import bony_lines, bony_points, dome_lines, px_per_mm, reamer_lines
from cotyle.xray.reaming_cues import Sight, read_screen, sight
from cotyle.xray.views import View, usual_machine
from trame_server import Server

from cotyle_platform.session import PlanningSession
from cotyle_platform.web.panels.depth_track import POSITION
from cotyle_platform.web.panels.panel import Panel, one_line
from cotyle_platform.web.panels.pictures import drawn_lines, picture_uri
from cotyle_platform.web.panels.real_picture import RealPicture

_GEOMETRY = ("primary", "secondary", "roll", "left", "head", "tube", "frame", "far", "near")
_FRAMES = {
    "supine": "supine, pelvis level",
    "scanner": "as in the scanner",
    "standing": "standing",
    "app": "anterior pelvic plane",
    POSTURE: "the posture that is looked at",
}
_TUBES = {Tube.UNDER_TABLE: "under the table", Tube.OVER_TABLE: "over the table"}
_SCALE_MM = 50.0


class ScreenPanel(Panel):
    """Views one click away, the C-arm on sliders, reamers on a scrubber, cue numbers, and a real picture to compare."""

    name = "screen"

    def __init__(self, server: Server, session: PlanningSession) -> None:
        super().__init__(server, session)
        self.real = RealPicture(server, session)
        self._asked: ViewRequest | None = None
        self._pixels: npt.NDArray[np.uint8] | None = None
        self._sight: tuple[CArm, Any, Sight] | None = None
        server.state.setdefault(POSITION, 1e6)
        self.put(
            **{"": None, "picture": "", "stale": True, "refused": "", "frames": _FRAMES},
            views=dict(VIEW_WORDS),
            tubes={str(tube): text for tube, text in _TUBES.items()},
            show_cup=True, show_reamer=True, show_bone=True, tab="", large=False,
            view="ap_pelvis", frame="supine", tube=str(Tube.UNDER_TABLE), far=0.0, near=0.0,
            primary=0.0, secondary=0.0, roll=0.0, left=0.0, head=0.0,
        )  # fmt: skip
        server.state.client_only(*(f"screen_{key}" for key in ("show_cup", "show_reamer", "show_bone", "large")))
        server.controller.trigger("screen_named")(self.named)
        for key in _GEOMETRY:
            self.on(f"screen_{key}", lambda _: self.soon(self.ask))
        self.on("posture_tilt", lambda _: self.soon(self.ask) if server.state.screen_frame == POSTURE else None)
        for key in (POSITION, "screen_tab"):
            self.on(key, lambda _: self.soon(self.draw_over))
        self.named("ap_pelvis")

    def build(self) -> None:
        """Lay the screen out where the page has put it."""
        self.draw("screen.html", "real_picture.html", state_classes="{'is-large': screen_large}")

    def heard(self, kind: str, revision: int) -> None:
        """Follow the plan at once, and take a new picture when it comes."""
        if kind in ("plan", "full"):
            self.soon(self.draw_over)
        elif kind == "screen":
            self.soon(self.take_picture)

    def named(self, name: str) -> None:
        """Ask for a named view as it is usually taken."""
        state = self.server.state
        try:
            asked = ViewRequest(name, state.screen_frame, tube=Tube(state.screen_tube), tilt_change_deg=self._tilt_deg)
            view = asked_view(self.session.numbers, asked)
        except InputError as error:
            self.put(refused=one_line(error))
            return
        machine = usual_machine(name)
        self.put(
            view=name,
            primary=view.primary_deg,
            secondary=view.secondary_deg,
            roll=0.0,
            left=0.0,
            head=0.0,
            far=machine.source_detector_mm,
            near=machine.source_isocenter_mm,
        )
        self.ask()

    def ask(self) -> None:
        """Ask for the view that the controls say; what makes none is said in a line and the last picture stays."""
        state = self.server.state
        asked = ViewRequest(
            name=state.screen_view,
            frame=state.screen_frame,
            primary_deg=float(state.screen_primary),
            secondary_deg=float(state.screen_secondary),
            roll_deg=float(state.screen_roll),
            shift_mm=(float(state.screen_left), 0.0, float(state.screen_head)),
            tube=Tube(state.screen_tube),
            source_detector_mm=float(state.screen_far),
            source_isocenter_mm=float(state.screen_near),
            tilt_change_deg=self._tilt_deg,
        )
        if asked == self._asked:
            self.put(refused="")
            return
        try:
            asked_view(self.session.numbers, asked)
        except InputError as error:
            self.put(refused=one_line(error))
            return
        self._asked = asked
        self.put(refused="", stale=True)
        self.session.view_request(asked)

    @property
    def _tilt_deg(self) -> float:
        """The posture that is looked at, as a change of tilt; 0 where the view does not follow it."""
        state = self.server.state
        return float(state.posture_tilt or 0.0) if state.screen_frame == POSTURE else 0.0

    def take_picture(self) -> None:
        """Show the picture that the session has drawn; one that is the same is not sent again."""
        screen = self.session.screen
        if screen is None:
            return
        pixels = screen.shown.pixels
        if self._pixels is None or not np.array_equal(pixels, self._pixels):
            self._pixels = pixels
            self.put(picture=picture_uri(pixels))
        self.draw_over()

    def draw_over(self) -> None:
        """Draw cup, reamer, landmarks and lines of the plan as it is now over the picture that is shown."""
        screen = self.session.screen
        if screen is None:
            return
        view, numbers = screen.shown.view, self.session.numbers
        seen = self._seen(view)
        place = reamer_at(numbers.steps, float(self.server.state[POSITION]))
        columns, rows = view.carm.size
        reamer, cup = numbers.steps[place.step], numbers.cup
        shown = {
            "columns": columns,
            "rows": rows,
            "sides": side_letters(view.carm),
            "words": view.description.replace("_", " "),
            "lines": [
                *drawn_lines(bony_lines(seen, view.primary_deg), "bone_"),
                *drawn_lines(dome_lines(view.carm, cup.rim), "cup_"),
                *drawn_lines(reamer_lines(seen, place.rim), "reamer_"),
            ],
            "marks": [
                {"x": float(x), "y": float(y), "words": landmark_words(name)}
                for name, (x, y) in bony_points(seen).items()
            ],
            "scale_px": _SCALE_MM * px_per_mm(view.carm, cup.center_lps_mm),
            "scale_words": f"{_SCALE_MM:g} mm at the cup",
            "heads": [f"{reamer.diameter_mm:g} mm reamer here", f"{cup.outer_diameter_mm:g} mm cup seated"],
            "cues": self._cues(seen, place) if self.server.state.screen_tab == "cues" else [],
            "way": way_length_mm(numbers.steps),
        }
        late = screen.asked != self._asked or screen.revision != self.session.revision
        self.put(**{"": shown, "stale": late})

    def _cues(self, seen: Sight, place: ReamerPlace) -> list[dict[str, Any]]:
        """Return the cues of the reamer where it is and of the seated cup."""
        numbers = self.session.numbers
        readings = [
            reading_values(read_screen(seen, place.rim, numbers.steps[: place.step])),
            reading_values(read_screen(seen, numbers.cup.rim, numbers.steps)),
        ]
        return [{"words": words, "unit": unit, "values": values} for words, unit, values in reading_rows(readings)]

    def _seen(self, view: View) -> Sight:
        """Return the view with its bony lines, found once for a picture and a pelvis."""
        hip, numbers = self.session.hip, self.session.numbers
        if self._sight is None or self._sight[0] is not view.carm or self._sight[1] is not hip:
            points = {name: mark.lps_mm for name, mark in hip.anatomy.landmarks.items()}
            found = sight(view.carm, hip.side, points, hip.bone, numbers.cup.rim)
            self._sight = (view.carm, hip, found)
        return self._sight[2]
