"""The planning session: one case being planned, without any window or platform."""

from cotyle_platform.session.session import Full, PlanningSession, Screen

__all__ = ["Full", "PlanningSession", "Screen"]
