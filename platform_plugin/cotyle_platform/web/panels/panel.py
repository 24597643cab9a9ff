"""What all panels share: state under their own name, work put together, templates and colours from files."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from importlib import resources
from typing import Any, ClassVar, TypeVar
from weakref import WeakSet

from cotyle.errors import InputError
from trame.widgets import client, html
from trame_server import Server

from cotyle_platform.session import PlanningSession
from cotyle_platform.web.panels.desk import Desk, desk_of

Outcome = TypeVar("Outcome")
GATHER_S = 0.015
"""Changes that come within this time are drawn once, as they are then."""

_styled: WeakSet[Server] = WeakSet()


class Panel:
    """A part of the page: its state keys start with ``name``; what it shows follows the session and the desk."""

    name: ClassVar[str]

    def __init__(self, server: Server, session: PlanningSession) -> None:
        self.server, self.session = server, session
        self.desk: Desk = desk_of(session)
        self._due: dict[Callable[[], None], None] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        session.subscribe(self.heard)
        self.desk.subscribe(lambda kind: self.heard(kind, session.revision))

    def heard(self, kind: str, revision: int) -> None:
        """Be told of a change of the session (see its ``subscribe``), or of the desk (its ``subscribe``)."""

    def put(self, **values: Any) -> None:
        """Set state keys of this panel and send them."""
        with self.server.state as state:
            state.update({f"{self.name}_{key}" if key else self.name: value for key, value in values.items()})

    def on(self, key: str, take: Callable[[Any], None]) -> None:
        """Have a state key's new values taken, whether the page or the program sets them."""

        def changed(**state: Any) -> None:
            take(state[key])

        self.server.state.change(key)(changed)

    def soon(self, work: Callable[[], None]) -> None:
        """Do a piece of work once for all that ask for it meanwhile; at once where no event loop runs."""
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            work()
            return
        if not self._due:
            loop.call_later(GATHER_S, self._do_due)
        self._due[work] = None

    def off_the_loop(self, work: Callable[[], Outcome], take: Callable[[Outcome | InputError], None]) -> None:
        """Do work that may be refused off the event loop, then take what came of it; at once where no loop runs."""

        def outcome() -> Outcome | InputError:
            try:
                return work()
            except InputError as error:
                return error

        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            take(outcome())
            return

        async def run() -> None:
            take(await loop.run_in_executor(None, outcome))

        task = loop.create_task(run())
        self._tasks.add(task)  # the loop itself holds tasks weakly
        task.add_done_callback(self._tasks.discard)

    def draw(self, *templates: str, state_classes: str = "{}") -> None:
        """Put templates of this folder into the page, one after another; ``state_classes`` is an expression of it."""
        if self.server not in _styled:
            _styled.add(self.server)
            client.Style(_text("panels.css"))
        own = f"cotyle-panel cotyle-{self.name.replace('_', '-')}"
        with html.Div(classes=(f"['{own}', {state_classes}]",)) as box:
            for template in templates:
                box.add_child(_text(template))

    def _do_due(self) -> None:
        due, self._due = self._due, {}
        for work in due:
            work()


def one_line(error: InputError) -> str:
    """Return what is wrong and what to do, as the page says it."""
    return f"{error.what}. {error.remedy}" if error.remedy else error.what


def _text(name: str) -> str:
    return resources.files(__package__).joinpath(name).read_text(encoding="utf-8")
