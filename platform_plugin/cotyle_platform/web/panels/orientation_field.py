"""The orientation field: inclination against anteversion; a click, a drag or the arrow keys turn the planned cup."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import asdict
from typing import Any

from cotyle.cup.orientation import Definition
from cotyle.errors import InputError
from cotyle.report.field_content import (
    FieldMark,
    Kind,
    field_ranges_deg,
    found_mark,
    plan_marks,
    single_mark,
    target_zone,
)
from trame_server import Server

from cotyle_platform.session import PlanningSession
from cotyle_platform.web.panels.panel import Panel, one_line


class OrientationField(Panel):
    """Target zone, plan in each posture, native socket, and where there are any the kept plan and the found cup.

    Where procedures end is shown while it belongs to the plan (``decide_fresh``, see :mod:`.decisions`).
    All in the definition and the frame in which the targets are stated, as in the report.
    """

    name = "orientation_field"

    def __init__(self, server: Server, session: PlanningSession) -> None:
        super().__init__(server, session)
        self._drag = ExitStack()
        self._dragging = False
        self._wanted: tuple[float, float] | None = None
        self.put(hand=None, step=None, refused="", ends=None)
        self.refresh()
        self.on("orientation_field_hand", self._dragged)
        self.on("orientation_field_step", self._stepped)

    def build(self) -> None:
        """Lay the field out where the page has put it."""
        self.draw("orientation_field.html")

    def heard(self, kind: str, revision: int) -> None:
        """Follow the plan, the comparison and the plan that was kept."""
        if kind in ("plan", "full", "kept", "compared"):
            self.soon(self.refresh)
        elif kind == "decided":
            self._show_ends()

    def refresh(self) -> None:
        """Draw the field of the current plan."""
        targets = self.session.plan.targets
        zone, marks = target_zone(targets), self._marks()
        inclinations, anteversions = field_ranges_deg(marks, zone)
        stated = self._stated()
        comparison = self.desk.comparison
        self.put(
            **{
                "": {
                    "marks": [asdict(mark) for mark in marks],
                    "zone": asdict(zone)
                    | {"inclinations": zone.inclination_range_deg, "anteversions": zone.anteversion_range_deg},
                    "inclinations": inclinations,
                    "anteversions": anteversions,
                    "definition": str(targets.definition),
                    "frame": targets.frame,
                    "inclination": None if stated is None else stated.inclination_deg,
                    "anteversion": None if stated is None else stated.anteversion_deg,
                    "found_old": comparison is not None and self.desk.compared_revision != self.session.revision,
                }
            }
        )

    def _marks(self) -> list[FieldMark]:
        numbers, side = self.session.numbers, self.session.plan.side
        targets, pelvis = self.session.plan.targets, numbers.pelvis
        definition, frame = Definition(targets.definition), targets.frame
        native = numbers.hip.socket.opening_axis_lps
        marks = [single_mark(Kind.NATIVE, "native socket", native, pelvis, side, frame, definition)]
        kept, comparison = self.desk.kept, self.desk.comparison
        if kept is not None:
            axis = kept.cup.opening_axis_lps
            marks.append(single_mark(Kind.KEPT, "kept plan", axis, pelvis, side, frame, definition))
        if comparison is not None:
            marks.append(found_mark(comparison, frame, definition))
        # the plan comes last, so that nothing lies over it
        plan = plan_marks(numbers.cup.opening_axis_lps, pelvis, side, definition)
        return [mark for mark in marks if mark is not None] + plan[::-1]

    def _show_ends(self) -> None:
        """Show where procedures end; the plan's own targets say how the field tells angles."""
        from cotyle.report.decision.tolerance_marks import ends_of

        decided = self.desk.decided
        tolerance = None if decided is None else decided.tolerance
        if decided is None or tolerance is None:
            self.put(ends=None)
            return
        targets = decided.plan.targets
        ends = ends_of(tolerance, Definition(targets.definition), targets.frame)
        shown = None if ends is None else {"kept": _dots(ends.kept), "thin": _dots(ends.thin), "words": ends.words}
        self.put(ends=shown)

    def _stated(self) -> FieldMark | None:
        numbers, targets = self.session.numbers, self.session.plan.targets
        axis = numbers.cup.opening_axis_lps
        definition = Definition(targets.definition)
        return single_mark(
            Kind.PLAN_SUPINE, "plan", axis, numbers.pelvis, self.session.plan.side, targets.frame, definition
        )

    def _dragged(self, hand: Any) -> None:
        """Turn the cup to where the pointer is, in degrees; all of one drag is one step of undo."""
        if hand:
            self._wanted = (float(hand["inclination"]), float(hand["anteversion"]))
            if not hand.get("ends"):
                self.soon(self._follow)
                return
        self._follow()
        self._dragging = False
        self._drag.close()
        if hand:
            self.put(hand=None)

    def _follow(self) -> None:
        if self._wanted is None:
            return
        wanted, self._wanted = self._wanted, None
        if not self._dragging:
            self._dragging = True
            self._drag.enter_context(self.session.drag())
        self._turn(*wanted)

    def _stepped(self, step: Any) -> None:
        """Turn the cup by some degrees, one step of undo."""
        if not step:
            return
        self.put(step=None)  # the same key pressed again is a change again
        stated = self._stated()
        if stated is not None:
            self._turn(
                stated.inclination_deg + float(step["inclination"]), stated.anteversion_deg + float(step["anteversion"])
            )

    def _turn(self, inclination_deg: float, anteversion_deg: float) -> None:
        targets = self.session.plan.targets
        try:
            self.session.change_orientation(
                round(inclination_deg, 1), round(anteversion_deg, 1), Definition(targets.definition), targets.frame
            )
            self.put(refused="")
        except InputError as error:
            self.put(refused=one_line(error))


def _dots(angles_deg: tuple[tuple[float, float], ...]) -> str:
    """Return one path of dots, degrees, anteversion upwards."""
    return "".join(f"M{inclination:g} {-anteversion:g}h0" for inclination, anteversion in angles_deg)
