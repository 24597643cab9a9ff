"""Decisions: the options for this hip with their price, and what else the plan puts up; an option becomes the plan.

They are worked out by a child process, or read from the case, and stay in the viewer: nothing is written. They belong
to one plan; the options also to others that differ by the cup alone. ``decide_fresh`` and ``decide_options_fresh`` tell
the page which of them belong to the plan as it is now.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from cotyle.case import folder as names
from cotyle.case.live import live_numbers
from cotyle.errors import InputError
from trame_server import Server

from cotyle_platform.session import PlanningSession
from cotyle_platform.session.apart import Apart, SupersededError
from cotyle_platform.web.panels.panel import Panel, one_line

if TYPE_CHECKING:
    from cotyle.case.plan_file import PlanFile

    from cotyle_platform.web.panels.deciding import Worked

ENDED = "The plan was changed meanwhile, which ended it: nothing was worked out"


class Decisions(Panel):
    """Shows decisions, has them worked out, and takes an option."""

    name = "decide"

    def __init__(self, server: Server, session: PlanningSession) -> None:
        super().__init__(server, session)
        self.apart = Apart()
        """Works them out, in a process of its own."""
        self._worked: Worked | None = None
        self._plans: tuple[PlanFile, ...] = ()
        self._asked: PlanFile | None = None
        self._working: asyncio.Task[None] | None = None
        server.state.setdefault("page_decide", False)
        server.state.client_only("page_decide")
        self.put(
            **{"": None}, fresh=False, options_fresh=False, now="", beside="", busy=False, progress="", message="",
        )  # fmt: skip
        trigger = server.controller.trigger
        trigger("decide_open")(self.open)
        trigger("decide_start")(self.start)
        trigger("decide_stop")(self.apart.cancel)
        trigger("decide_take")(self.take)
        trigger("decide_beside")(self.put_beside)
        self.open()

    def build(self) -> None:
        """Lay the drawer out where the page has put it."""
        self.draw("decisions.html")

    def close(self) -> None:
        """End what is being worked out, and take nothing any more."""
        self.apart.close()

    def heard(self, kind: str, revision: int) -> None:
        """Say what still belongs to the plan; no number is made here, so that no key waits for it."""
        if kind in ("plan", "kept") and (self._worked is not None or self._asked is not None):
            self.soon(self._follow)

    # working them out

    def open(self) -> None:
        """Look whether decisions stand in the case, where the viewer has none for the plan."""
        folder, state = self.session.folder, self.server.state
        if state.decide_busy or state.decide_fresh or not any((folder / names.DECISION).glob("*.json")):
            return

        def read(say: Callable[[str], None]) -> Worked | None:
            from cotyle_platform.web.panels import deciding

            return deciding.standing(folder, say)

        def take(worked: Worked | None) -> None:
            # what was worked out here gives way only to what belongs to the plan as it is
            if worked is not None and (self._worked is None or worked.decided.stands_for(self.session.plan)):
                self._have(worked)

        self._work(read, take)

    def start(self) -> None:
        """Work out all parts on the plan as it is; a change of the plan ends it."""
        full = self.session.full
        if self._asked is not None:
            return
        if full is None or self.session.stale:
            self.put(message="The plan is still being measured: try again in a moment")
            return
        self._asked = self.session.plan
        questions = None if self._worked is None else self._worked.decided.questions

        def decide(say: Callable[[str], None]) -> Any:
            from cotyle_platform.web.panels import deciding

            asked = deciding.Asked(full.planned, self.session.case.scan, questions)
            return self.apart.do(deciding.worked_out, asked, say)

        def take(worked: Worked) -> None:
            self._asked = None
            self._have(worked)

        self._work(decide, take)

    def _work(self, work: Callable[[Callable[[str], None]], Any], take: Callable[[Any], None]) -> None:
        """Do long work off the event loop, saying on the page what it is doing; at once where no event loop runs."""
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            take(work(lambda _: None))
            return
        self.put(busy=True, message="", progress="starting")

        def say(words: str) -> None:
            loop.call_soon_threadsafe(lambda: self.put(progress=words) if self._working is task else None)

        async def run() -> None:
            try:
                take(await loop.run_in_executor(None, lambda: work(say)))
            except SupersededError:
                pass
            except InputError as error:
                self.put(message=one_line(error))
            finally:
                if self._working is task:
                    self._asked = None
                    self.put(busy=False, progress="")

        task = self._working = loop.create_task(run())

    # what is done with an option

    def take(self, at: int) -> None:
        """Make an option the plan, one step of undo."""
        option = self._option(at)
        if option is None:
            return
        try:
            self.session.change(
                center_lps_mm=option.cup.center_lps_mm,
                outer_diameter_mm=option.cup.outer_diameter_mm,
                orientation=option.cup.orientation,
            )
            self.put(message="")
        except InputError as error:
            self.put(message=one_line(error))

    def put_beside(self, at: int) -> None:
        """Lay an option beside the plan, where a kept plan lies; the one that lies there already is taken away."""
        option = self._option(at)
        if option is None:
            return
        if self.desk.kept is not None and self.server.state.decide_beside == self._letters[at]:
            self.desk.keep(None)
            return
        try:
            self.desk.keep(live_numbers(self.session.hip, option))
        except InputError as error:
            self.put(message=one_line(error))

    def _option(self, at: int) -> PlanFile | None:
        """Return the plan of an option; None where the options belong to another plan, which the page says."""
        worked = self._worked
        if worked is None or not 0 <= int(at) < len(self._plans):
            return None
        if self.session.surveying:
            self.put(message="What rests on the moved landmark is not known yet: try again in a moment")
            return None
        if not worked.decided.options_stand_for(self.session.plan):
            self.put(message="These options belong to another plan: work them out anew")
            return None
        return self._plans[int(at)]

    # what is shown

    @property
    def _letters(self) -> list[str]:
        options = None if self._worked is None else self._worked.options
        return [] if options is None else [row.letter for row in options.rows]

    def _have(self, worked: Worked) -> None:
        from cotyle.case.decision.decided import plan_of_option

        self._worked, decided = worked, worked.decided
        options = decided.options
        self._plans = (
            () if options is None else tuple(plan_of_option(decided.plan, options, each) for each in options.options)
        )
        told = None if worked.options is None else asdict(worked.options)
        parts = [asdict(part) for part in worked.parts]
        self.put(**{"": {"options": told, "parts": parts, "in_case": worked.in_case}})
        self._follow()
        self.desk.decide(decided)

    def _follow(self) -> None:
        """Say which of them belong to the plan as it is now; end what is being worked out on another one."""
        plan, worked = self.session.plan, self._worked
        fresh = worked is not None and worked.decided.stands_for(plan)
        if self._asked is not None and self._asked != plan:
            self._asked = None
            self.apart.cancel()
            self.put(message="" if fresh else ENDED)
        if worked is None:
            return
        from cotyle.case.decision.decided import same_cup

        kept = self.desk.kept
        letters = list(zip(self._letters, self._plans, strict=True))
        self.put(
            fresh=fresh,
            options_fresh=worked.decided.options_stand_for(plan),
            now="P" if fresh else next((letter for letter, option in letters if same_cup(option, plan)), ""),
            beside="" if kept is None else next((letter for letter, each in letters if same_cup(each, kept.plan)), ""),
        )
