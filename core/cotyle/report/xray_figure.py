"""A simulated X-ray view with what is drawn over it by projection: planned cup, last reamer, bones, lines of cues."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from cotyle.case.simulated import SimulatedView
from cotyle.case.stages import PlannedCup
from cotyle.report import ink
from cotyle.report.bone_edges import bone_edges_px
from cotyle.report.side_marks import side_letters, write_sides
from cotyle.space.arrays import Array
from cotyle.xray.carm import CArm
from cotyle.xray.overlay import bony_lines, bony_points, dome_lines
from cotyle.xray.reaming_cues import Stage, sight, stage_rim
from cotyle.xray.views import View


@dataclass(frozen=True, eq=False)
class DrawnOver:
    """Lines (n, 2) and points (2,) over a view, (column, row) by name; of bones the edges alone."""

    cup: dict[str, Array]
    reamer: dict[str, Array]
    bony_lines: dict[str, Array]
    points: dict[str, Array]
    edges: Sequence[Array]


def drawn_over(planned: PlannedCup, view: View) -> DrawnOver:
    """Return all that is drawn over a view of a plan, exact projections each."""
    carm, side = view.carm, planned.plan.side
    marks = {name: mark.lps_mm for name, mark in planned.anatomy.landmarks.items()}
    seen = sight(carm, side, marks, planned.hip_bone, planned.cup.rim)
    lines = bony_lines(seen, view.primary_deg)
    reamer = dome_lines(carm, stage_rim(planned.reamers[-1], Stage.SEATED)) if planned.reamers else {}
    edges = bone_edges_px(carm, planned.anatomy.surfaces)
    return DrawnOver(dome_lines(carm, planned.cup.rim), reamer, lines, bony_points(seen), edges)


def xray_figure(
    shown: SimulatedView, over: DrawnOver, rows_shown: tuple[float, float], width_px: float = 960
) -> Figure:
    """Draw a view between two rows; points beside the picture are left out."""
    columns = shown.pixels.shape[1]
    top, bottom = rows_shown
    made = ink.figure(width_px, width_px * (bottom - top) / columns)
    axes = made.add_axes((0, 0, 1, 1))
    axes.imshow(shown.pixels, cmap="gray", vmin=0, vmax=255, interpolation="bilinear")
    for line in over.edges:
        axes.plot(*line.T, color=ink.BONE_EDGE, linewidth=0.5, alpha=0.6)
    _line(axes, over.bony_lines, "ilioischial", color=ink.BONE_EDGE, linewidth=1.6)
    _line(axes, over.bony_lines, "teardrops", color=ink.WALL, linewidth=0.7, linestyle=(0, (1, 2)))
    _line(axes, over.bony_lines, "teardrop_to_rim", color=ink.WALL, linewidth=0.9, linestyle=(0, (5, 2)))
    _line(axes, over.reamer, "outline", color=ink.REAMER, linewidth=0.9, linestyle=(0, (1, 1)))
    _line(axes, over.cup, "outline", color=ink.CUP, linewidth=2.0)
    _line(axes, over.cup, "rim", color=ink.REAMER, linewidth=1.5, linestyle=(0, (5, 3)))
    _line(axes, over.cup, "long_axis", color=ink.REAMER, linewidth=0.9)
    for x, y in over.points.values():
        if 0 <= x < columns and top <= y < bottom:
            axes.plot(x, y, "o", markersize=6, markerfacecolor="none", markeredgecolor=ink.WALL, markeredgewidth=1.3)
    write_sides(axes, side_letters(shown.view.carm), 15.0)
    style: dict[str, Any] = {"color": "white", "path_effects": ink.halo(), "transform": axes.transAxes}
    axes.text(0.5, 0.02, "SIMULATED from CT", ha="center", va="bottom", fontsize=ink.FONT_PT, **style)
    axes.set(xlim=(-0.5, columns - 0.5), ylim=(bottom, top))
    axes.set_axis_off()
    return made


def carm_of_drawn(carm: CArm, rows_shown: tuple[float, float], size: tuple[int, int]) -> CArm:
    """Return the machine whose pixels are those of a drawn view.

    Parameters
    ----------
    carm:
        Of the view itself.
    rows_shown:
        As given to :func:`xray_figure`.
    size:
        Columns and rows of the drawn picture; what doesn't fill a row is cut off on top.
    """
    per_pixel = carm.size[0] / size[0]
    first = np.array([0.5 * per_pixel - 0.5, rows_shown[1] - (size[1] - 0.5) * per_pixel])
    pitch = (carm.pixel_pitch_mm[0] * per_pixel, carm.pixel_pitch_mm[1] * per_pixel)
    return replace(carm, detector_origin_lps_mm=carm.pixel_to_lps(first), pixel_pitch_mm=pitch, size=size)


def _line(axes: Any, lines: dict[str, Array], name: str, **style: Any) -> None:
    if name in lines:
        axes.plot(*lines[name].T, **style)
