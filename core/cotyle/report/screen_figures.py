"""The pictures of the cue sheet: reamers step by step, wrong cups beside the planned one, and the wall edge on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from cotyle.case.cue_sheet import PICTURED, StageShown, ViewShown, WallShown
from cotyle.report import ink
from cotyle.report.screen_words import MISTAKE_WORDS, STAGE_WORDS, change_words
from cotyle.report.side_marks import side_letters, write_sides
from cotyle.space.arrays import Array, as_vector
from cotyle.space.shapes import Circle
from cotyle.xray.carm import CArm
from cotyle.xray.ellipse import project_circle, to_pixels
from cotyle.xray.outlines import axis_line_px, hemisphere_outline
from cotyle.xray.reaming_cues import axis_at_joint_px
from cotyle.xray.wall_on_screen import inner_edge_lps_mm
from cotyle.xray.wall_view import WallView

WIDTH_PX = 960.0
_GAP_PX, _TITLE_PX = 8.0, 21.0
_AXIS_MM = 130.0
_MISTAKE_HALF_MM = 41.0
_ZOOM_HALF_MM = 11.0
_WORTH_SAYING_MM = 0.3


@dataclass(frozen=True)
class _Grid:
    """Panels in rows and columns, each under a title, in page pixels."""

    columns: int
    rows: int
    shape: float

    @property
    def panel_px(self) -> tuple[float, float]:
        width = (WIDTH_PX - (self.columns - 1) * _GAP_PX) / self.columns
        return width, width * self.shape

    @property
    def height_px(self) -> float:
        return self.rows * (self.panel_px[1] + _TITLE_PX) + (self.rows - 1) * _GAP_PX

    def panel(self, made: Figure, number: int, title: str) -> Any:
        """Return the axes of a panel, its title above it."""
        row, column = divmod(number, self.columns)
        width, height = self.panel_px
        left = column * (width + _GAP_PX)
        top = row * (height + _TITLE_PX + _GAP_PX) + _TITLE_PX
        at = 1.0 - (top - 5.0) / self.height_px
        made.text(left / WIDTH_PX, at, title, fontsize=ink.FONT_PT, fontweight="bold", color=ink.INK)
        box = (left / WIDTH_PX, 1.0 - (top + height) / self.height_px, width / WIDTH_PX, height / self.height_px)
        return made.add_axes(box)


def reaming_figure(view: ViewShown) -> Figure:
    """Draw each reamer of a view at its start, mid-way and at its stop, one row a step."""
    per_step = 3
    columns, rows = view.carm.size
    grid = _Grid(per_step, len(view.stages) // per_step, rows / columns)
    made = ink.figure(WIDTH_PX, grid.height_px)
    for number, shown in enumerate(view.stages):
        title = f"{shown.diameter_mm:g} mm reamer, {STAGE_WORDS[shown.stage]}"
        axes = grid.panel(made, number, title)
        _picture(axes, view.carm, shown.pixels)
        _bony_lines(axes, view)
        _reamer(axes, view, shown)
    return made


def mistakes_figure(view: ViewShown) -> Figure:
    """Draw the planned cup and each wrong one, all cut alike, the planned outline dashed over each."""
    grid = _Grid(4, 2, 0.92)
    made = ink.figure(WIDTH_PX, grid.height_px)
    pictured = {each.found.mistake: each for each in view.mistakes if each.pixels is not None}
    _wrong_cup(grid.panel(made, 0, "as planned"), view, view.cup.pixels, view.cup.rim)
    for number, mistake in enumerate((each for each in PICTURED if each in pictured), start=1):
        shown = pictured[mistake]
        note = change_words(shown.found.best) if shown.found.told else "no cue tells it"
        axes = grid.panel(made, number, MISTAKE_WORDS[mistake])
        assert shown.pixels is not None
        _wrong_cup(axes, view, shown.pixels, shown.found.rim)
        style = {"color": "white", "path_effects": ink.halo(), "transform": axes.transAxes}
        axes.text(0.985, 0.015, note, ha="right", va="bottom", fontsize=ink.SMALL_PT, fontweight="bold", **style)
    return made


def wall_figure(shown: WallShown) -> Figure:
    """Draw the view that shows the wall: whole, and the gap enlarged with its length."""
    columns, rows = shown.carm.size
    grid = _Grid(2, 1, rows / columns)
    made = ink.figure(WIDTH_PX, grid.height_px)
    found = shown.found
    ends = shown.carm.project(np.stack([found.from_lps_mm, found.at_lps_mm]))
    for number, title in enumerate(("the cavity in this view", "the wall, enlarged")):
        axes = grid.panel(made, number, title)
        _picture(axes, shown.carm, shown.pixels)
        _wall_lines(axes, shown, ends)
    pitch = shown.carm.pixel_pitch_mm[0] / found.magnification
    middle = ends.mean(axis=0)
    half = np.asarray(_ZOOM_HALF_MM * np.array([1.0, rows / columns]) / pitch)
    axes.set(xlim=(middle[0] - half[0], middle[0] + half[0]), ylim=(middle[1] + half[1], middle[1] - half[1]))
    axes.annotate(
        _wall_words(found),
        xy=middle,
        xytext=(0, 26),
        textcoords="offset points",
        ha="center",
        fontsize=ink.FONT_PT + 2,
        fontweight="bold",
        color=ink.WALL,
        path_effects=ink.halo(),
        arrowprops={"arrowstyle": "-", "color": ink.WALL, "linewidth": 0.9},
    )
    return made


def _wall_words(found: WallView) -> str:
    words = f"wall {found.wall_mm:.1f} mm"
    off = abs(found.reading_mm - found.wall_mm) >= _WORTH_SAYING_MM
    return f"{words}\noutlines {found.reading_mm:.1f} mm" if off else words


def _picture(axes: Any, carm: CArm, pixels: Any) -> None:
    columns, rows = carm.size
    axes.imshow(pixels, cmap="gray", vmin=0, vmax=255, interpolation="bicubic")
    axes.set(xlim=(-0.5, columns - 0.5), ylim=(rows - 0.5, -0.5))
    axes.set_axis_off()
    style = {"color": "white", "path_effects": ink.halo(), "transform": axes.transAxes}
    axes.text(0.015, 0.012, "SIMULATED", ha="left", va="bottom", fontsize=6.5, **style)
    write_sides(axes, side_letters(carm), 9.0)


def _bony_lines(axes: Any, view: ViewShown) -> None:
    """Draw what cues are read against: ilio-ischial line, teardrop, superolateral rim, lower end of the joint."""
    side = view.sight.side
    points = {name: view.carm.project(as_vector(point)) for name, point in view.sight.landmarks_lps_mm.items()}
    if view.sight.ilioischial_px is not None:
        axes.plot(*view.sight.ilioischial_px.T, color=ink.BONE_EDGE, linewidth=1.3)
    drop, outer = points.get(f"teardrop_{side}"), points.get(f"superolateral_rim_{side}")
    if drop is not None and outer is not None:
        axes.plot(*np.stack([drop, outer]).T, color=ink.WALL, linewidth=1.0, linestyle=(0, (5, 2)))
    for point in (drop, outer, points.get(f"si_joint_inferior_{side}")):
        if point is not None:
            axes.plot(*point, "o", markersize=5, markerfacecolor="none", markeredgecolor=ink.WALL, markeredgewidth=1.1)


def _reamer(axes: Any, view: ViewShown, shown: StageShown) -> None:
    axes.plot(*hemisphere_outline(view.carm, shown.rim).silhouette_px.T, color=ink.REAMER, linewidth=1.5)
    _rim(axes, view.carm, shown.rim, ink.REAMER)
    axes.plot(*axis_line_px(view.carm, shown.rim, _AXIS_MM).T, color=ink.REAMER, linewidth=0.8)
    at_joint = axis_at_joint_px(view.sight, shown.rim)
    if at_joint is not None:
        axes.plot(*at_joint.T, color=ink.WALL, linewidth=0.9, linestyle=(0, (1, 1.5)))


def _rim(axes: Any, carm: CArm, rim: Circle, color: str) -> None:
    ellipse = to_pixels(project_circle(carm, rim), carm)
    axes.plot(*ellipse.points().T, color=color, linewidth=0.9, linestyle=(0, (4, 2)))


def _wrong_cup(axes: Any, view: ViewShown, pixels: Any, rim: Circle) -> None:
    _picture(axes, view.carm, pixels)
    if rim is not view.cup.rim:
        axes.plot(*hemisphere_outline(view.carm, rim).silhouette_px.T, color=ink.REAMER, linewidth=1.3)
    planned = hemisphere_outline(view.carm, view.cup.rim).silhouette_px
    axes.plot(*planned.T, color=ink.CUP, linewidth=1.3, linestyle=(0, (4, 2)))
    if view.sight.ilioischial_px is not None:
        axes.plot(*view.sight.ilioischial_px.T, color=ink.BONE_EDGE, linewidth=1.0)
    middle = view.carm.project(view.cup.rim.center_lps_mm)
    half = _MISTAKE_HALF_MM * view.carm.magnification(view.cup.rim.center_lps_mm) / view.carm.pixel_pitch_mm[0]
    axes.set(xlim=(middle[0] - half, middle[0] + half), ylim=(middle[1] + 0.92 * half, middle[1] - 0.92 * half))


def _wall_lines(axes: Any, shown: WallShown, ends: Array) -> None:
    carm, place = shown.carm, shown.place
    edge = carm.project(inner_edge_lps_mm(place, shown.found.view.carm.normal_lps))
    axes.plot(*edge.T, color=ink.BONE_EDGE, linewidth=1.6)
    floor = Circle(place.step.end_center_lps_mm, -place.step.direction_lps, place.radius_mm)
    axes.plot(*hemisphere_outline(carm, floor).silhouette_px.T, color=ink.REAMER, linewidth=1.5)
    axes.plot(*ends.T, color=ink.WALL, linewidth=2.4, solid_capstyle="butt")
