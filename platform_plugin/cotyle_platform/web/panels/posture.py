"""Posture: the pelvis lying, standing, seated or between, looked at without changing where the cup stands.

Shows the cup's angles in it; the simulated view follows. How the pelvis sits, once typed, is kept in the plan. Owns the
state key ``posture_tilt``: the change of anterior tilt from lying, degrees.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cotyle.case import folder as names
from cotyle.case.asked_view import POSTURE
from cotyle.case.decision.postures import Known
from cotyle.case.json_text import read_json
from cotyle.case.live import orientation_in_posture
from cotyle.errors import InputError
from trame_server import Server

from cotyle_platform.session import PlanningSession
from cotyle_platform.web.panels.panel import Panel, one_line

LOW_DEG, HIGH_DEG = -60.0, 30.0
LYING, STANDING, SEATED = "lying", "standing", "seated"
_FRAMES = {LYING: "supine", STANDING: "standing", SEATED: POSTURE}
_SAME_DEG = 0.05


@dataclass(frozen=True)
class PostureMark:
    """A posture by name: its change of tilt from lying, and how that is known."""

    name: str
    tilt_deg: float
    how: str


class PosturePanel(Panel):
    """A slider with a mark for each posture that is known; seated only where somebody gave it."""

    name = "posture"

    def __init__(self, server: Server, session: PlanningSession) -> None:
        super().__init__(server, session)
        self._decided = seated_in(session.folder)
        server.state.setdefault("posture_tilt", 0.0)
        trigger = server.controller.trigger
        trigger("posture_choose")(self.choose)
        trigger("posture_slide")(self.slide)
        trigger("posture_seat")(self.seat)
        self.on("posture_tilt", lambda _: self.soon(self.refresh))
        self.on("screen_frame", self._follow)
        self.refresh()

    def build(self) -> None:
        """Lay the slider out where the page has put it."""
        self.draw("posture.html")

    def heard(self, kind: str, revision: int) -> None:
        """Follow the plan, which says how the patient stands and sits."""
        if kind == "saved":
            self._decided = seated_in(self.session.folder)
        if kind in ("plan", "saved"):
            self.soon(lambda: self._follow(self.server.state.screen_frame))

    @property
    def marks(self) -> list[PostureMark]:
        """The postures that are known; seated as the plan says, or else as it was given to ``cotyle decide``."""
        posture, seated = self.session.plan.posture, self._decided
        how = "measured" if posture.measured else "assumed"
        standing = PostureMark(STANDING, posture.standing_tilt_change_deg, how)
        if posture.seated_tilt_change_deg is not None:
            tilt_deg, how = posture.seated_tilt_change_deg, str(Known.IN_PLAN)
            if seated is not None and abs(seated.tilt_deg - tilt_deg) >= _SAME_DEG:
                how += f"; decisions go by {seated.tilt_deg:+.0f} deg, {seated.how}"
            seated = PostureMark(SEATED, tilt_deg, how)
        return [PostureMark(LYING, 0.0, "as in the CT"), standing, *([seated] if seated else [])]

    def choose(self, name: str) -> None:
        """Look at a posture by its name."""
        for mark in self.marks:
            if mark.name == name:
                with self.server.state as state:
                    state.posture_tilt, state.screen_frame = mark.tilt_deg, _FRAMES[name]

    def slide(self, tilt_deg: Any) -> None:
        """Look at the pelvis tilted by so much from lying."""
        with self.server.state as state:
            state.posture_tilt, state.screen_frame = float(tilt_deg), POSTURE

    def seat(self, tilt_deg: Any) -> None:
        """Keep in the plan what the pelvis does when seated, one step of undo; nothing takes it back."""
        text = str(tilt_deg).strip().replace(",", ".")
        refused = ""
        try:
            value = float(text) if text else None
            if value is not None and not LOW_DEG <= value <= HIGH_DEG:
                raise ValueError
            self.session.change(posture={"seated_tilt_change_deg": value})
        except ValueError:
            refused = f"a number from {LOW_DEG:g} to {HIGH_DEG:g} deg"
        except InputError as error:
            refused = one_line(error)
        self.refresh(refused)

    def refresh(self, refused: str = "") -> None:
        """Show where the slider stands and what the cup's angles are there."""
        tilt = float(self.server.state.posture_tilt)
        at = next((mark for mark in self.marks if abs(mark.tilt_deg - tilt) < _SAME_DEG), None)
        shown = {
            "low": LOW_DEG,
            "high": HIGH_DEG,
            "at": "" if at is None else at.name,
            "marks": [
                {"name": mark.name, "words": f"{mark.tilt_deg:+.0f} deg, {mark.how}", "share": _share(mark.tilt_deg)}
                for mark in self.marks
            ],
            "words": self._words(tilt, at),
            "refused": refused,
        }
        seated = self.session.plan.posture.seated_tilt_change_deg
        self.put(**{"": shown}, seated=seated)

    def _words(self, tilt_deg: float, at: PostureMark | None) -> str:
        definition = self.session.angles_in[0]
        where = f"{tilt_deg:+.0f} deg from lying" if at is None else f"{at.name}, {at.how}"
        try:
            found = orientation_in_posture(self.session.numbers, tilt_deg, definition)
        except InputError:
            return f"{where}: {definition} angles are left open"
        angles = f"{found.inclination_deg:.1f} and {found.anteversion_deg:.1f} deg"
        return f"{where}: {angles}"

    def _follow(self, frame: Any) -> None:
        """Stand where the view's frame is, if that is a posture by itself."""
        for mark in self.marks:
            if _FRAMES[mark.name] == frame and frame != POSTURE:
                with self.server.state as state:
                    state.posture_tilt = mark.tilt_deg
        self.refresh()


def seated_in(case: Path) -> PostureMark | None:
    """Return the seated posture that ``cotyle decide`` was given for a case; None where nobody gave one."""
    path = case / names.DECISION / "posture.json"
    if not path.is_file():
        return None
    try:
        seated = read_json(path)["postures"][SEATED]
        how, change = str(seated["how"]), float(seated["change_from_supine_deg"])
    except (InputError, KeyError, TypeError, ValueError):
        return None
    return None if how == Known.ASSUMED else PostureMark(SEATED, change, how)


def _share(tilt_deg: float) -> float:
    return 100.0 * (tilt_deg - LOW_DEG) / (HIGH_DEG - LOW_DEG)
