"""The planning session: one case being planned, without any window or platform."""

from cotyle_platform.session.results import Full, Screen
from cotyle_platform.session.session import PlanningSession

__all__ = ["Full", "PlanningSession", "Screen"]
