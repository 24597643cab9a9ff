"""Hips to choose cups for, with figures by the functions of ``measure`` (without a scan)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from cotyle.cup.cavity import Cavity
from cotyle.cup.coverage import measure_coverage
from cotyle.cup.inner_surface import InnerSurface, inner_surface
from cotyle.cup.options.bone_field import bone_field
from cotyle.cup.options.figures import Figures
from cotyle.cup.options.limits import Limits, Pins
from cotyle.cup.options.quick import Ground
from cotyle.cup.options.rim_walls import rim_walls
from cotyle.cup.options.trials import Question
from cotyle.cup.orientation import Definition
from cotyle.cup.posture import Zone
from cotyle.cup.reaming import default_steps
from cotyle.cup.removed_bone import removed_bone
from cotyle.cup.wall import measure_wall
from cotyle.space.arrays import Array
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh
from cotyle.space.side import Side

PELVIS = Frame("app", np.zeros(3), np.array([1.0, 0, 0]), np.array([0, 1.0, 0]), np.array([0, 0, 1.0]))
USUAL_ZONE = Zone((30.0, 50.0), (7.5, 27.5), Definition.RADIOGRAPHIC)


def question_of(
    bone: TriangleMesh,
    side: Side,
    native: Array,
    native_diameter_mm: float,
    limits: Limits | None = None,
    pins: Pins | None = None,
    zone: Zone = USUAL_ZONE,
    wanted: Array | None = None,
    frame: Frame = PELVIS,
) -> Question:
    """What is asked about one hip of a pelvis whose own axes are those of LPS unless a frame is given."""
    native = np.asarray(native, dtype=float)
    inner = inner_surface(bone, native, -side.lateral_sign * frame.left, frame.superior)
    return Question(
        ground=Ground(bone_field(bone, native, 75.0), inner, native),
        side=side,
        frame=frame,
        native_diameter_mm=native_diameter_mm,
        wanted_lps_mm=native if wanted is None else np.asarray(wanted, dtype=float),
        zone=zone,
        zone_frame=frame,
        under_mm=(3.0, 1.0),
        limits=limits or Limits(),
        pins=pins or Pins(),
    )


def measuring(question: Question, bone: TriangleMesh, points: int = 20_000) -> Callable[[Array], Figures]:
    """Figures of a cup by the functions of ``measure``; fewer points of the shell are quicker."""
    inner: InnerSurface = question.ground.inner
    frame = question.frame

    def figures(variables: Array) -> Figures:
        cup = question.cup(np.asarray(variables, dtype=float))
        steps = default_steps(cup, question.ground.native_center_lps_mm, bone)
        wall = measure_wall(bone, inner, Cavity(steps))
        coverage = measure_coverage(bone, cup, frame, points)
        walls = rim_walls(bone, cup, steps[-1], frame)
        away = cup.center_lps_mm - question.wanted_lps_mm
        return Figures(
            cover=coverage.fraction,
            cover_above=coverage.sectors["superior"],
            cover_front=coverage.sectors["anterior"],
            cover_back=coverage.sectors["posterior"],
            wall_along_axis_mm=wall.along_axis_mm,
            wall_least_mm=wall.minimum_mm,
            front_wall_mm=walls.front_mm,
            back_wall_mm=walls.back_mm,
            removed_ml=sum(removed_bone(bone, step, steps[:n]).volume_mm3 for n, step in enumerate(steps)) / 1000.0,
            center_away_mm=float(np.linalg.norm(away)),
            rise_mm=float(away @ frame.superior),
        )

    return figures
