"""Colours of the scene: those of the report, so that page, paper and theatre agree."""

from __future__ import annotations

from dataclasses import dataclass

from cotyle.report import ink
from cotyle.report.cavity_view import BONE_COLOR
from matplotlib.colors import to_rgb

Color = tuple[float, float, float]


def _rgb(text: str) -> Color:
    red, green, blue = to_rgb(text)
    return float(red), float(green), float(blue)


@dataclass(frozen=True)
class Look:
    """How a surface is drawn: red, green, blue and opacity from 0 to 1; ``line_px`` of its outline in slices, 0: none.

    ``projected``: slices show the whole of it, not only the cut.
    """

    color: Color
    opacity: float = 1.0
    line_px: int = 0
    projected: bool = False
    shown: bool = True


OPERATED_BONE = Look(BONE_COLOR, 0.45, 1)
REAMED_BONE = Look(BONE_COLOR, 0.38, shown=False)
OTHER_BONE = Look((0.78, 0.78, 0.76), 0.45, 1)
FEMUR = Look((0.70, 0.72, 0.74), 0.30, 1)
CUP = Look(_rgb(ink.CUP), 1.0, 3)
REAMER = Look(_rgb(ink.REAMER), 0.75, 3)
FOUND = Look(_rgb(ink.FOUND), 0.85, 3)
AXIS = Look(_rgb(ink.WALL_ON_PAPER), 1.0, 2, projected=True)
CAVITY = Look(BONE_COLOR, 1.0, 3)
STALE_CAVITY = Look((0.55, 0.55, 0.58), 0.35, 1)
FRAME_PLANE = Look(_rgb(ink.NATIVE), 0.25, 0, shown=False)
LANDMARK = _rgb(ink.BONE_EDGE)
CHOSEN_LANDMARK = _rgb(ink.WALL)
LABEL_COLORS: dict[str, Color] = {
    "left_hip_bone": _rgb("#56b4e9"),
    "right_hip_bone": _rgb("#e69f00"),
    "sacrum": _rgb("#009e73"),
    "left_femur": _rgb("#cc79a7"),
    "right_femur": _rgb("#f0e442"),
    "metal": _rgb("#d55e00"),
}
"""Colours of the label map; palette: Okabe and Ito, Color Universal Design, 2008."""
