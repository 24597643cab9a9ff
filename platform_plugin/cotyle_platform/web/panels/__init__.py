"""Panels of the planning page that are drawn in the browser: screen, track, field, posture, plans, options, export."""

from cotyle_platform.web.panels.decisions import Decisions
from cotyle_platform.web.panels.depth_track import DepthTrack
from cotyle_platform.web.panels.export import ExportPanel
from cotyle_platform.web.panels.orientation_field import OrientationField
from cotyle_platform.web.panels.plan_compare import PlanCompare
from cotyle_platform.web.panels.posture import PosturePanel
from cotyle_platform.web.panels.screen import ScreenPanel

__all__ = ["Decisions", "DepthTrack", "ExportPanel", "OrientationField", "PlanCompare", "PosturePanel", "ScreenPanel"]
