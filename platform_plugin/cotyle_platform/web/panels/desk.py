"""What lies beside the plan while it is worked on: a kept plan, the last comparison with real pictures, decisions."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

from cotyle.case.live import LiveNumbers

from cotyle_platform.session import PlanningSession

if TYPE_CHECKING:
    from cotyle.case.comparison_file import ComparisonFile
    from cotyle.case.decision.decided import Decided


class Desk:
    """One for each session; panels that show the same things share it."""

    def __init__(self) -> None:
        self.kept: LiveNumbers | None = None
        self.comparison: ComparisonFile | None = None
        self.compared_revision = -1
        self.compared_words = ""
        self.decided: Decided | None = None
        self._listeners: list[Callable[[str], None]] = []

    def keep(self, numbers: LiveNumbers | None) -> None:
        """Lay a plan beside the current one, or take it away."""
        self.kept = numbers
        self._tell("kept")

    def compared(self, comparison: ComparisonFile | None, revision: int, words: str = "") -> None:
        """Lay down what was read off pictures against the plan of a revision, or take it away; ``words`` name it."""
        self.comparison, self.compared_revision, self.compared_words = comparison, revision, words
        self._tell("compared")

    def decide(self, decided: Decided) -> None:
        """Lay down what a plan puts up for decision; it tells itself which plans it belongs to."""
        self.decided = decided
        self._tell("decided")

    def subscribe(self, listener: Callable[[str], None]) -> None:
        """Have ``listener(kind)`` called: ``kept``, ``compared`` or ``decided``."""
        self._listeners.append(listener)

    def _tell(self, kind: str) -> None:
        for listener in tuple(self._listeners):
            listener(kind)


_desks: WeakKeyDictionary[PlanningSession, Desk] = WeakKeyDictionary()


def desk_of(session: PlanningSession) -> Desk:
    """Return the session's desk."""
    return _desks.setdefault(session, Desk())
