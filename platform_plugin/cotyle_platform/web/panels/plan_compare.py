"""Two plans side by side: one that was kept and the current one, with what differs."""

from __future__ import annotations

from cotyle.case.live import LiveNumbers
from cotyle.report.plan_difference import plan_differences
from trame_server import Server

from cotyle_platform.session import PlanningSession
from cotyle_platform.web.panels.panel import Panel


class PlanCompare(Panel):
    """Keeps the plan as it is now, and shows the current one against it; both stand in field and track, too.

    The kept plan lives as long as the page; it is not written into the case.
    """

    name = "plan_compare"

    def __init__(self, server: Server, session: PlanningSession) -> None:
        super().__init__(server, session)
        server.controller.trigger("plan_compare_keep")(lambda: self.desk.keep(session.numbers))
        server.controller.trigger("plan_compare_forget")(lambda: self.desk.keep(None))
        server.controller.trigger("plan_compare_back")(self.back)
        self.refresh()

    def build(self) -> None:
        """Lay the table out where the page has put it."""
        self.draw("plan_compare.html")

    def heard(self, kind: str, revision: int) -> None:
        """Follow the plan and the plan that was kept."""
        if kind in ("plan", "kept"):
            self.soon(self.refresh)

    def refresh(self) -> None:
        """Show both plans in the definition and frame that are chosen."""
        kept, session = self.desk.kept, self.session
        if kept is None:
            self.put(**{"": None})
            return
        rows = plan_differences(kept, session.numbers, *session.angles_in)
        self.put(**{"": {"rows": [vars(row) for row in rows], "old": kept.hip is not session.hip}})

    def back(self) -> None:
        """Make the kept plan the current one, one step of undo; what was current is kept in its place."""
        kept: LiveNumbers | None = self.desk.kept
        if kept is None:
            return
        current, plan = self.session.numbers, kept.plan
        self.session.change(
            posture=plan.posture,
            reaming=plan.reaming,
            targets=plan.targets,
            center_lps_mm=plan.cup.center_lps_mm,
            outer_diameter_mm=plan.cup.outer_diameter_mm,
            orientation=plan.cup.orientation,
        )
        self.desk.keep(current)
