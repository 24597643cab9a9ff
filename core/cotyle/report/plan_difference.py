"""Two plans of one hip side by side: each figure of both, and by how much the second differs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from cotyle.case.live import LiveNumbers
from cotyle.case.plan_file import FrameName
from cotyle.case.stages import MEASURING_FRAME
from cotyle.cup.orientation import Definition
from cotyle.report.screen_words import number
from cotyle.space.rotations import angle_between_deg

BREACHED = "breached"


@dataclass(frozen=True)
class DifferenceRow:
    """One figure: words, unit, both values and the second minus the first; a dash where there is none."""

    words: str
    unit: str
    first: str
    second: str
    difference: str


def plan_differences(
    first: LiveNumbers, second: LiveNumbers, definition: Definition, frame: FrameName
) -> tuple[DifferenceRow, ...]:
    """Return the figures of two plans in the same order as the seven, angles in one definition and frame."""
    pairs = zip(_figures(first, definition, frame), _figures(second, definition, frame), strict=True)
    rows = [_row(words, unit, decimals, one, other) for (words, unit, decimals, one), (*_, other) in pairs]
    between = float(angle_between_deg(first.cup.opening_axis_lps, second.cup.opening_axis_lps))
    way = float(np.linalg.norm(second.cup.center_lps_mm - first.cup.center_lps_mm))
    return (
        *rows,
        DifferenceRow("angle between both axes", "deg", "", "", number(between, "", 1)),
        DifferenceRow("way between both centres", "mm", "", "", number(way, "", 1)),
    )


def _figures(
    plan: LiveNumbers, definition: Definition, frame: FrameName
) -> Iterator[tuple[str, str, int, float | str | None]]:
    """Yield words, unit, decimals and value; a word where the wall is breached, None where an angle is open."""
    angles = plan.orientations[frame].get(definition)
    stated = f"{definition}, {frame} frame"
    wall, shift = plan.wall, plan.center_shift
    yield f"inclination, {stated}", "deg", 1, None if angles is None else angles.inclination_deg
    yield f"anteversion, {stated}", "deg", 1, None if angles is None else angles.anteversion_deg
    yield "wall along the axis", "mm", 1, BREACHED if wall.breached_on_axis else wall.along_axis_mm
    yield "least wall", "mm", 1, BREACHED if wall.breached else wall.minimum_mm
    yield "coverage", "%", 0, 100.0 * plan.coverage.fraction
    for way in ("medial", "superior", "anterior"):
        yield f"centre from the native one, {way}, {MEASURING_FRAME} frame", "mm", 1, getattr(shift, way)
    yield "proud stance", "mm", 1, plan.press_fit.proud_mm
    yield "cup, outer diameter", "mm", 0, plan.cup.outer_diameter_mm
    yield "last reamer", "mm", 0, plan.steps[-1].diameter_mm


def _row(words: str, unit: str, decimals: int, first: float | str | None, second: float | str | None) -> DifferenceRow:
    known = not isinstance(first, str | None) and not isinstance(second, str | None)
    difference = float(second) - float(first) if known else None  # type: ignore[arg-type]
    return DifferenceRow(
        words,
        unit,
        number(first, "", decimals),
        number(second, "", decimals),
        number(difference, "", max(decimals, 1) if unit == "%" else decimals, signed=True),
    )
