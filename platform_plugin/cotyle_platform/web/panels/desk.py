"""What lies beside the plan while it is worked on: a plan that was kept, and the last comparison with real pictures."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

from cotyle.case.live import LiveNumbers

from cotyle_platform.session import PlanningSession

if TYPE_CHECKING:
    from cotyle.case.comparison_file import ComparisonFile


class Desk:
    """One for each session; panels that show the same things share it."""

    def __init__(self) -> None:
        self.kept: LiveNumbers | None = None
        self.comparison: ComparisonFile | None = None
        self.compared_revision = -1
        self.compared_words = ""
        self._listeners: list[Callable[[str], None]] = []

    def keep(self, numbers: LiveNumbers | None) -> None:
        """Lay a plan beside the current one, or take it away."""
        self.kept = numbers
        self._tell("kept")

    def compared(self, comparison: ComparisonFile | None, revision: int, words: str = "") -> None:
        """Lay down what was read off pictures against the plan of a revision, or take it away; ``words`` name it."""
        self.comparison, self.compared_revision, self.compared_words = comparison, revision, words
        self._tell("compared")

    def subscribe(self, listener: Callable[[str], None]) -> None:
        """Have ``listener(kind)`` called: ``kept`` or ``compared``."""
        self._listeners.append(listener)

    def _tell(self, kind: str) -> None:
        for listener in tuple(self._listeners):
            listener(kind)


_desks: WeakKeyDictionary[PlanningSession, Desk] = WeakKeyDictionary()


def desk_of(session: PlanningSession) -> Desk:
    """Return the session's desk."""
    return _desks.setdefault(session, Desk())
