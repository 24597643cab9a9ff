"""The CT cut through the planned cup, with what is planned drawn on it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure

from cotyle.anatomy.sections import plane_section
from cotyle.cup.cavity import ReamingStep
from cotyle.cup.component import Cup
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.report import ink
from cotyle.report.cup_planes import CutPlane
from cotyle.space.arrays import Array
from cotyle.space.mesh import TriangleMesh

WINDOW_HU = (-250.0, 1250.0)
HALF_WIDTH_MM = 56.0
HALF_HEIGHT_MM = 42.0
_PITCH_MM = 0.4
_NEAR_PLANE_MM = 1.5


@dataclass(frozen=True, eq=False)
class Segment:
    """A length to point out: from the floor to the inner surface, with its words."""

    from_lps_mm: Array
    to_lps_mm: Array
    words: str


def slice_figure(
    ct: Volume,
    plane: CutPlane,
    surfaces: Mapping[str, TriangleMesh],
    cup: Cup,
    steps: Sequence[ReamingStep],
    segments: Sequence[Segment],
    width_px: float = 470,
) -> Figure:
    """Draw the CT in a plane: bone edges, cup, reamers, and those lengths that lie in it."""
    made = ink.figure(width_px, width_px * HALF_HEIGHT_MM / HALF_WIDTH_MM)
    axes = made.add_axes((0, 0, 1, 1))
    grey = sample(ct, plane.grid_lps_mm(HALF_WIDTH_MM, HALF_HEIGHT_MM, _PITCH_MM))
    extent = (-HALF_WIDTH_MM, HALF_WIDTH_MM, -HALF_HEIGHT_MM, HALF_HEIGHT_MM)
    low, high = WINDOW_HU
    axes.imshow(grey, cmap="gray", vmin=low, vmax=high, extent=extent, interpolation="bilinear")
    _draw_bones(axes, plane, surfaces)
    for step in steps:
        draw_hemisphere(
            axes, plane, step.end_center_lps_mm, -step.direction_lps, step.radius_mm, ink.REAMER, 1.0, (0, (4, 2))
        )
    draw_hemisphere(axes, plane, cup.center_lps_mm, cup.opening_axis_lps, cup.radius_mm, ink.CUP, 2.2, "-")
    _draw_axis(axes, plane, cup)
    _draw_segments(axes, plane, segments)
    _letter(axes, plane)
    _scale_bar(axes)
    axes.set(xlim=extent[:2], ylim=extent[2:])
    axes.set_axis_off()
    return made


def _draw_bones(axes: Any, plane: CutPlane, surfaces: Mapping[str, TriangleMesh]) -> None:
    for name, mesh in surfaces.items():
        lines = plane_section(mesh, plane.center_lps_mm, plane.right_lps, plane.up_lps)
        style = (0, (1, 1.5)) if "femur" in name else "-"
        axes.add_collection(LineCollection(list(lines), colors=ink.BONE_EDGE, linewidths=0.9, linestyles=[style]))


def draw_hemisphere(
    axes: Any,
    plane: CutPlane,
    center: Array,
    mouth: Array,
    radius: float,
    color: str,
    width: float,
    dashes: Any,
) -> None:
    """Draw where the plane cuts a hemispherical shell and its mouth."""
    height = float(plane.height_mm(center))
    if abs(height) >= radius:
        return
    cut_radius = float(np.sqrt(radius**2 - height**2))
    middle = center - height * plane.normal_lps
    turn = np.linspace(0, 2 * np.pi, 361)
    circle = middle + cut_radius * (np.cos(turn)[:, None] * plane.right_lps + np.sin(turn)[:, None] * plane.up_lps)
    depth = (circle - center) @ mouth
    if abs(float(mouth @ plane.normal_lps)) > 0.999 and abs(height) < 0.05:
        kept = np.ones(len(turn), dtype=bool)
    else:
        kept = depth <= 1e-6
    xy = plane.coordinates_mm(circle)
    xy[~kept] = np.nan
    # begin after the gap, so that the line is not drawn across the mouth
    if (~kept).any():
        xy = np.roll(xy[:-1], -int(np.flatnonzero(~kept)[0]), axis=0)
    axes.plot(*xy.T, color=color, linewidth=width, linestyle=dashes, solid_capstyle="round")


def _draw_axis(axes: Any, plane: CutPlane, cup: Cup) -> None:
    if abs(float(cup.opening_axis_lps @ plane.normal_lps)) > 0.5:
        axes.plot(*plane.coordinates_mm(cup.center_lps_mm), marker="+", color=ink.CUP, markersize=9)
        return
    ends = np.stack(
        [cup.center_lps_mm + 14 * cup.opening_axis_lps, cup.center_lps_mm - (cup.radius_mm + 22) * cup.opening_axis_lps]
    )
    axes.plot(*plane.coordinates_mm(ends).T, color=ink.CUP, linewidth=0.9, linestyle=(0, (7, 3, 1.5, 3)))


def _draw_segments(axes: Any, plane: CutPlane, segments: Sequence[Segment]) -> None:
    """Draw lengths within the plane, each with a leader to words beside the bone."""
    at_y = HALF_HEIGHT_MM - 13
    medial_right = plane.letters[0] == "medial"
    for segment in segments:
        ends = np.stack([segment.from_lps_mm, segment.to_lps_mm])
        if np.abs(plane.height_mm(ends)).max() > _NEAR_PLANE_MM:
            continue
        xy = plane.coordinates_mm(ends)
        axes.plot(*xy.T, color=ink.WALL, linewidth=3.2, solid_capstyle="butt")
        axes.annotate(
            segment.words,
            xy=tuple(xy.mean(axis=0)),
            xytext=((HALF_WIDTH_MM - 3) * (1 if medial_right else -1), at_y),
            ha="right" if medial_right else "left",
            va="center",
            color=ink.WALL,
            fontsize=ink.FONT_PT,
            fontweight="bold",
            path_effects=ink.halo(),
            arrowprops={"arrowstyle": "-", "color": ink.WALL, "linewidth": 0.9, "shrinkB": 0},
        )
        at_y -= 9


def _letter(axes: Any, plane: CutPlane) -> None:
    right, left, top, bottom = plane.letters
    edge_x, edge_y = HALF_WIDTH_MM - 2.5, HALF_HEIGHT_MM - 2.5
    style = {"color": "white", "fontsize": 12, "fontweight": "bold", "path_effects": ink.halo()}
    for words, x, y, across, along in (
        (right, edge_x, 0, "right", "center"),
        (left, -edge_x, 0, "left", "center"),
        (top, 0, edge_y, "center", "top"),
        (bottom, 0, -edge_y, "center", "bottom"),
    ):
        axes.text(x, y, words, ha=across, va=along, rotation=90 if len(words) > 1 else 0, **style)


def _scale_bar(axes: Any) -> None:
    x, y = -HALF_WIDTH_MM + 4, -HALF_HEIGHT_MM + 4
    axes.plot([x, x + 10], [y, y], color="white", linewidth=2.5, solid_capstyle="butt", path_effects=ink.halo())
    axes.text(x, y + 1.5, "10 mm", color="white", fontsize=ink.SMALL_PT, va="bottom", path_effects=ink.halo())
