"""A cup's figures for the choice, by the very functions that ``measure`` calls on its plan."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cotyle.case.live import LiveNumbers, live_numbers
from cotyle.case.plan_changes import with_angles, with_cup
from cotyle.case.plan_file import FrameName, PlanFile
from cotyle.case.stages import Hip
from cotyle.cup.component import Cup
from cotyle.cup.options.figures import Figures
from cotyle.cup.options.rim_walls import rim_walls
from cotyle.cup.orientation import Definition
from cotyle.cup.removed_bone import removed_bone
from cotyle.space.arrays import Array


@dataclass(frozen=True, eq=False)
class MeasuredCup:
    """A plan with its numbers and the figures of the choice."""

    numbers: LiveNumbers
    figures: Figures


def plan_with(
    hip: Hip, plan: PlanFile, cup: Cup, definition: Definition, frame: FrameName, angles: tuple[float, float]
) -> PlanFile:
    """Return the plan with another cup; ``angles``: inclination and anteversion in a definition and frame."""
    x, y, z = (float(value) for value in cup.center_lps_mm)
    changed = with_cup(plan, center_lps_mm=(x, y, z), outer_diameter_mm=cup.outer_diameter_mm)
    pelvis = hip.pelvis(plan.posture.standing_tilt_change_deg)
    return with_angles(changed, pelvis, definition, frame, *angles)


def measured_cup(hip: Hip, plan: PlanFile, wanted_lps_mm: Array) -> MeasuredCup:
    """Measure the cup of a complete plan; ``wanted_lps_mm`` (3,) is the centre that should be restored."""
    numbers = live_numbers(hip, plan)
    walls = rim_walls(hip.bone, numbers.cup, numbers.steps[-1], hip.frame)
    removed = (removed_bone(hip.bone, step, numbers.steps[:n]) for n, step in enumerate(numbers.steps))
    away = numbers.cup.center_lps_mm - wanted_lps_mm
    coverage, wall = numbers.coverage, numbers.wall
    figures = Figures(
        cover=coverage.fraction,
        cover_above=coverage.sectors["superior"],
        cover_front=coverage.sectors["anterior"],
        cover_back=coverage.sectors["posterior"],
        wall_along_axis_mm=wall.along_axis_mm,
        wall_least_mm=wall.minimum_mm,
        front_wall_mm=walls.front_mm,
        back_wall_mm=walls.back_mm,
        removed_ml=sum(each.volume_mm3 for each in removed) / 1000.0,
        center_away_mm=float(np.linalg.norm(away)),
        rise_mm=float(away @ hip.frame.superior),
    )
    return MeasuredCup(numbers, figures)
