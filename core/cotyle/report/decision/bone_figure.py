"""The picture of bone quality: density behind the shell, along the rim and along the wall."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.figure import Figure

from cotyle.case.decision.bone import BoneFacts
from cotyle.case.stages import MEASURING_FRAME, Hip, PlannedCup
from cotyle.cup.bed_density import MEDIAL_WITHIN_DEG, REGIONS
from cotyle.cup.coverage import rim_directions
from cotyle.report import ink
from cotyle.report.cup_planes import cup_planes
from cotyle.report.decision.shell_paper import closed_grid, frame_of_shell, on_paper

MOST_HU = 1000.0


def bone_pictures(facts: BoneFacts, planned: PlannedCup, hip: Hip) -> dict[str, bytes]:
    """Return the picture of the part, PNG by short name."""
    del hip
    return {"bed": ink.png(bed_figure(facts, planned))}


def bed_figure(facts: BoneFacts, planned: PlannedCup) -> Figure:
    """Draw the map of the bed on the left, rim and wall on the right."""
    made = ink.figure(960, 370)
    _bed(made, facts, planned)
    rim = made.add_axes((0.56, 0.62, 0.4, 0.3))
    wall = made.add_axes((0.56, 0.14, 0.4, 0.29))
    _rim(rim, facts)
    _wall(wall, planned)
    return made


def _bed(made: Figure, facts: BoneFacts, planned: PlannedCup) -> None:
    axes = made.add_axes((0.02, 0.02, 0.39, 0.88))
    frame = planned.pelvis.frames[MEASURING_FRAME]
    plane = cup_planes(planned.cup, frame)[2]
    rim = rim_directions(planned.cup.opening_axis_lps, frame)
    x, y, values = closed_grid(rim, plane, facts.map.from_pole_deg, facts.map.around_deg, facts.map.hu)
    known = np.ma.masked_invalid(values)
    shown = axes.pcolormesh(x, y, known, cmap="cividis", vmin=0.0, vmax=MOST_HU, shading="gouraud", rasterized=True)
    bar = made.colorbar(shown, cax=made.add_axes((0.42, 0.14, 0.013, 0.64)), extend="max")
    bar.ax.tick_params(labelsize=ink.SMALL_PT)
    edge = np.array([np.nan if x is None else x for x in facts.map.rim_deg], dtype=float)
    around = np.append(np.array(facts.map.around_deg), 360.0)
    edge_xy = on_paper(rim, plane, np.append(edge, edge[:1]), around)
    axes.plot(*edge_xy.T, color=ink.WALL_ON_PAPER, linewidth=1.4)
    turns = np.linspace(0.0, 360.0, 181)
    for angle in (MEDIAL_WITHIN_DEG, 90.0):
        axes.plot(*on_paper(rim, plane, np.full(181, angle), turns).T, color=ink.INK, linewidth=0.9)
    for side in (45.0, 135.0, 225.0, 315.0):
        ends = on_paper(rim, plane, np.array([MEDIAL_WITHIN_DEG, 90.0]), np.full(2, side))
        axes.plot(*ends.T, color=ink.INK, linewidth=0.9)
    for number, name in enumerate(REGIONS):
        at = on_paper(rim, plane, 0.0 if number == 0 else 67.0, 90.0 * (number - 1))
        value = facts.regions[name].bone_hu
        axes.text(
            at[0],
            at[1],
            "–" if value is None else f"{value:.0f}",
            ha="center",
            va="center",
            fontsize=11,
            fontweight="bold",
            color="white",
            path_effects=ink.halo(),
        )
    axes.set_title("mean density of the first 10 mm behind the shell (HU)", fontsize=ink.FONT_PT, color=ink.INK)
    frame_of_shell(axes, plane, 112.0, 104.0)


def _rim(axes: Any, facts: BoneFacts) -> None:
    around = np.append(np.array(facts.map.around_deg), 360.0)
    values = np.array([np.nan if x is None else x for x in facts.map.rim_hu], dtype=float)
    axes.plot(around, np.append(values, values[0]), color=ink.CUP_ON_PAPER, linewidth=1.8)
    axes.set_xticks([0, 90, 180, 270, 360], ["superior", "anterior", "inferior", "posterior", "superior"])
    axes.set_ylabel("HU")
    axes.set_title("along the rim: the last 10 deg of bone", fontsize=ink.FONT_PT, color=ink.INK, loc="left")
    axes.set(xlim=(0, 360), ylim=(min(0.0, float(np.nanmin(values, initial=0.0))), None))
    axes.grid(color=ink.RULE, linewidth=0.5)
    ink.plain_axes(axes)


def _wall(axes: Any, planned: PlannedCup) -> None:
    track = planned.track
    way = track.depth_mm - track.pole_mm
    axes.plot(way, track.density_hu, color=ink.INK, linewidth=1.5)
    if track.floor_mm is not None and track.inner_surface_mm is not None:
        axes.axvspan(track.floor_mm - track.pole_mm, track.inner_surface_mm - track.pole_mm, color="#e8eef4", zorder=0)
    axes.axvline(0.0, color=ink.REAMER, linewidth=1.4)
    axes.set_xlabel("mm beyond the pole of the cavity, along the axis; shaded: the wall")
    axes.set_ylabel("HU")
    axes.set_title("along the wall", fontsize=ink.FONT_PT, color=ink.INK, loc="left")
    axes.set_xlim(-5.0, way[-1])
    axes.grid(color=ink.RULE, linewidth=0.5)
    ink.plain_axes(axes)
