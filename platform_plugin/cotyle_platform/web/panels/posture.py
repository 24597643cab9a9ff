"""Posture: the pelvis lying, standing, seated or between, looked at without changing the plan.

Shows the cup's angles in it; the simulated view follows. Owns the state key ``posture_tilt``: the change of anterior
tilt from lying, degrees.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cotyle.case import folder as names
from cotyle.case.asked_view import POSTURE
from cotyle.case.json_text import read_json
from cotyle.case.live import orientation_in_posture
from cotyle.errors import InputError
from trame_server import Server

from cotyle_platform.session import PlanningSession
from cotyle_platform.web.panels.panel import Panel

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
        self._seated = seated_in(session.folder)
        server.state.setdefault("posture_tilt", 0.0)
        self.put(seated=None if self._seated is None else self._seated.tilt_deg)
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
        """Follow the plan, which says how the patient stands."""
        if kind == "plan":
            self.soon(lambda: self._follow(self.server.state.screen_frame))

    @property
    def marks(self) -> list[PostureMark]:
        """The postures that are known."""
        posture = self.session.plan.posture
        how = "measured" if posture.measured else "assumed"
        standing = PostureMark(STANDING, posture.standing_tilt_change_deg, how)
        return [PostureMark(LYING, 0.0, "as in the CT"), standing, *([self._seated] if self._seated else [])]

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
        """Take what the pelvis does when seated, for looking; nothing takes it back."""
        try:
            value = float(str(tilt_deg).replace(",", ".")) if str(tilt_deg).strip() else None
        except ValueError:
            value = self.server.state.posture_seated
        within = value is None or LOW_DEG <= value <= HIGH_DEG
        if within:
            self._seated = None if value is None else PostureMark(SEATED, value, "given here")
        self.put(seated=None if self._seated is None else self._seated.tilt_deg)
        self.refresh("" if within else f"from {LOW_DEG:g} to {HIGH_DEG:g} deg")

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
        self.put(**{"": shown})

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
    return None if how == "assumed" else PostureMark(SEATED, change, how)


def _share(tilt_deg: float) -> float:
    return 100.0 * (tilt_deg - LOW_DEG) / (HIGH_DEG - LOW_DEG)
