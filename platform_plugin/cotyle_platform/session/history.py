"""What was, for undo and redo."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from cotyle.case.plan_file import PlanFile
from cotyle.case.results import corrections_of
from cotyle.case.stages import Hip


@dataclass(frozen=True, eq=False)
class State:
    """All that a change can change: the plan, and the hip it stands on (another one once a landmark was moved)."""

    plan: PlanFile
    hip: Hip

    def says_as(self, other: State) -> bool:
        """Whether both would be written alike: a plan's verdict is not chosen but follows."""
        plain = [each.plan.model_copy(update={"verdict": None}) for each in (self, other)]
        return self.hip is other.hip and plain[0] == plain[1]


def state_of(plan: PlanFile, hip: Hip) -> State:
    """Return the state of a changed plan: without the verdict on another, with the corrections it stands on."""
    return State(plan.model_copy(update={"verdict": None, "given": corrections_of(hip.anatomy)}), hip)


class History:
    """The present state and the ones before and after it."""

    def __init__(self, state: State) -> None:
        self.state = state
        self._past: list[State] = []
        self._future: list[State] = []
        self._began: State | None = None
        """Where a step began that is still being made."""

    @property
    def can_undo(self) -> bool:
        """Whether there is a state before this one."""
        return bool(self._past)

    @property
    def can_redo(self) -> bool:
        """Whether there is a state after this one."""
        return bool(self._future)

    def take(self, state: State) -> None:
        """Make a new state the present one; what could be redone is gone."""
        if self._began is None:
            self._past.append(self.state)
        self._future.clear()
        self.state = state

    def take_apart(self, state: State) -> None:
        """Make a new state the present one as a step of its own, also in the middle of another step."""
        if self._began is not None:
            if self._began is not self.state:
                self._past.append(self._began)
            self._began = state
        self._past.append(self.state)
        self._future.clear()
        self.state = state

    @contextmanager
    def one_step(self) -> Iterator[None]:
        """Make all that is taken within the block one step."""
        if self._began is not None:
            yield
            return
        self._began = self.state
        try:
            yield
        finally:
            began, self._began = self._began, None
            if self.state is not began:
                self._past.append(began)

    @property
    def before(self) -> State | None:
        """The state that undo would bring back."""
        return self._past[-1] if self._past else None

    @property
    def after(self) -> State | None:
        """The state that redo would bring back."""
        return self._future[-1] if self._future else None

    def undo(self) -> None:
        """Go to the state before, if there is one."""
        if self._past:
            self._future.append(self.state)
            self.state = self._past.pop()

    def redo(self) -> None:
        """Go to the state after, if there is one."""
        if self._future:
            self._past.append(self.state)
            self.state = self._future.pop()
