"""Pictures of screws: lengths and density over the shell, and each proposed screw in the CT with what it meets."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.figure import Figure

from cotyle.case.decision.screws import PROPOSED_IN, ScrewFact, ScrewFacts
from cotyle.case.stages import MEASURING_FRAME, Hip, PlannedCup
from cotyle.cup.screws.quadrants import Quadrant
from cotyle.image.volume import Volume
from cotyle.report import ink
from cotyle.report.cup_planes import CutPlane, cup_planes
from cotyle.report.decision.shell_paper import closed_grid, frame_of_shell, on_paper
from cotyle.report.slices import Segment, slice_figure
from cotyle.space.arrays import Array, unit
from cotyle.space.frames import Frame

SHORT = {
    Quadrant.POSTERIOR_SUPERIOR: "PS",
    Quadrant.POSTERIOR_INFERIOR: "PI",
    Quadrant.ANTERIOR_INFERIOR: "AI",
    Quadrant.ANTERIOR_SUPERIOR: "AS",
}
_LENGTHS = (0.0, 10.0, 20.0, 30.0, 40.0, 50.0)
_SHOWN_MM = 75.0
MOST_AIMED = 4
_STYLES: tuple[Any, ...] = ("-", (0, (5, 1.5)), (0, (5, 1.5, 1, 1.5)))
_COLORS = ("#f2f2f2", "#d7e6f1", "#a9cbe3", "#6da9cf", "#2f80b5", "#0b4f7d")


def screw_pictures(facts: ScrewFacts, planned: PlannedCup, hip: Hip) -> dict[str, bytes]:
    """Return the pictures of the part, PNG by short name."""
    made = {"map": ink.png(map_figure(facts, planned)), "profile": ink.png(profile_figure(facts))}
    if facts.screws:
        made["aim"] = ink.png(aim_figure(facts, planned))
    for screw in facts.screws:
        if screw.proposed:
            made[f"slice-{SHORT[screw.quadrant].lower()}"] = ink.png(_slice(screw, planned, hip.scan))
    return made


def map_figure(facts: ScrewFacts, planned: PlannedCup) -> Figure:
    """Draw safe length and density of straight screws over the shell, seen into the mouth, with the quadrants."""
    made = ink.figure(960, 390)
    plane = cup_planes(planned.cup, planned.pelvis.frames[MEASURING_FRAME])[2]
    lines = _lines(facts)
    places = (
        ("safe length of a screw (mm)", facts.map.safe_mm, "length"),
        ("mean density along it (HU)", facts.map.mean_hu, "density"),
    )
    for column, (title, values, kind) in enumerate(places):
        axes = made.add_axes((0.02 + 0.5 * column, 0.02, 0.38, 0.88))
        shown = _shell(axes, facts, plane, values, kind)
        bar = made.colorbar(shown, cax=made.add_axes((0.405 + 0.5 * column, 0.12, 0.013, 0.66)))
        bar.ax.tick_params(labelsize=ink.SMALL_PT)
        _draw_lines(axes, lines, plane)
        _draw_screws(axes, facts, lines, plane)
        axes.set_title(title, fontsize=ink.FONT_PT, color=ink.INK)
        frame_of_shell(axes, plane, 120.0, 112.0)
    return made


def _lines(facts: ScrewFacts) -> tuple[Array, Array]:
    return np.array(facts.towards_asis_lps), np.array(facts.posterior_lps)


def _shell(axes: Any, facts: ScrewFacts, plane: CutPlane, rows: tuple[tuple[float | None, ...], ...], kind: str) -> Any:
    x, y, values = closed_grid(_lines(facts), plane, facts.map.from_pole_deg, facts.map.around_deg, rows)
    if kind == "length":
        axes.contour(x, y, values, levels=[20.0], colors=[ink.INK], linewidths=0.9)
        return axes.contourf(x, y, values, levels=_LENGTHS, colors=_COLORS, extend="max")
    known = np.ma.masked_invalid(values)
    return axes.pcolormesh(x, y, known, cmap="gray", vmin=0.0, vmax=1000.0, shading="gouraud", rasterized=True)


def _draw_lines(axes: Any, lines: tuple[Array, Array], plane: CutPlane) -> None:
    for around in (0.0, 90.0):
        ends = on_paper(lines, plane, np.array([90.0, 90.0]), np.array([around, around + 180.0]))
        axes.plot(*ends.T, color=ink.WALL_ON_PAPER, linewidth=1.4, linestyle=(0, (5, 3)), zorder=4)
    turn = np.linspace(0.0, 360.0, 181)
    axes.plot(*on_paper(lines, plane, np.full(181, 90.0), turn).T, color=ink.SOFT_INK, linewidth=1.0, zorder=4)
    to_asis = on_paper(lines, plane, 101.0, 0.0)
    axes.text(*to_asis, "ASIS", ha="center", va="center", fontsize=ink.SMALL_PT, color=ink.WALL_ON_PAPER)
    for number, quadrant in enumerate(Quadrant):
        at = on_paper(lines, plane, 76.0, 90.0 * number + 45.0)
        avoid = quadrant not in PROPOSED_IN
        axes.text(
            *at,
            SHORT[quadrant] + ("\navoid" if avoid else ""),
            ha="center",
            va="center",
            fontsize=ink.FONT_PT,
            fontweight="bold",
            color=ink.WALL_ON_PAPER if avoid else ink.INK,
            path_effects=ink.halo("#ffffff", 3.0),
            zorder=6,
        )


def _draw_screws(axes: Any, facts: ScrewFacts, lines: tuple[Array, Array], plane: CutPlane) -> None:
    number = 0
    for screw in facts.screws:
        at = on_paper(lines, plane, screw.from_pole_deg, screw.around_deg)
        if screw.proposed:
            axes.plot(*at, "o", color=ink.REAMER, markeredgecolor="white", markersize=10, zorder=7)
            continue
        number += 1
        axes.plot(*at, "X", color=ink.NATIVE, markeredgecolor="white", markersize=10, zorder=7)
        axes.text(at[0] + 6, at[1], str(number), fontsize=ink.SMALL_PT, path_effects=ink.halo("#ffffff"), zorder=7)


def aim_figure(facts: ScrewFacts, planned: PlannedCup) -> Figure:
    """Draw, for the first screws, safe length over the directions from the same place, seen into the mouth."""
    shown = list(zip(facts.screws, screw_names(facts), strict=True))[:MOST_AIMED]
    wide = len(facts.screws) > 2
    made = ink.figure(960, 230) if wide else ink.figure(470, 230)
    size, bar_at = (0.232, 0.945) if wide else (0.44, 0.9)
    plane = cup_planes(planned.cup, planned.pelvis.frames[MEASURING_FRAME])[2]
    lines = _lines(facts)
    for column, (screw, name) in enumerate(shown):
        axes = made.add_axes((0.01 + size * column, 0.02, 0.93 * size, 0.84))
        x, y, values = closed_grid(lines, plane, screw.aim.tilt_deg, screw.aim.turn_deg, screw.aim.safe_mm)
        filled = axes.contourf(x, y, values, levels=_LENGTHS, colors=_COLORS, extend="max")
        for ring in screw.aim.tilt_deg[1:]:
            circle = on_paper(lines, plane, np.full(121, ring), np.linspace(0.0, 360.0, 121))
            axes.plot(*circle.T, color=ink.SOFT_INK, linewidth=0.5)
        own = on_paper(lines, plane, screw.aim.own_tilt_deg, screw.aim.own_turn_deg)
        axes.plot(*own, "o" if screw.proposed else "X", color=ink.REAMER, markeredgecolor="white", markersize=9)
        axes.set_title(name, fontsize=ink.FONT_PT, color=ink.INK)
        frame_of_shell(axes, plane, 1.25 * screw.aim.tilt_deg[-1], 1.12 * screw.aim.tilt_deg[-1], 9.0)
        if column == len(shown) - 1:
            bar = made.colorbar(filled, cax=made.add_axes((bar_at, 0.12, 0.012 if wide else 0.024, 0.6)))
            bar.ax.tick_params(labelsize=ink.SMALL_PT)
    return made


def profile_figure(facts: ScrewFacts) -> Figure:
    """Draw, for each screw, density and distance to the inner surface against the depth from the shell."""
    made = ink.figure(600, 310)
    upper, lower = made.add_axes((0.115, 0.56, 0.87, 0.33)), made.add_axes((0.115, 0.15, 0.87, 0.33))
    colors = (ink.CUP_ON_PAPER, ink.BONE_ON_PAPER, ink.NATIVE, ink.REAMER, ink.WALL_ON_PAPER)
    for number, (screw, name) in enumerate(zip(facts.screws, screw_names(facts), strict=True)):
        color = colors[number % len(colors)]
        depth = np.array(screw.profile.depth_mm)
        hu = np.array([np.nan if value is None else value for value in screw.profile.hu], dtype=float)
        style = _STYLES[number % len(_STYLES)]
        upper.plot(depth, hu, color=color, linewidth=1.5, linestyle=style, label=name)
        lower.plot(depth, screw.profile.to_inner_surface_mm, color=color, linewidth=1.5, linestyle=style)
        for axes in (upper, lower):
            axes.axvline(screw.exit_mm, color=color, linewidth=1.0, linestyle=(0, (2, 2)))
            axes.axvline(screw.allowed_mm, color=color, linewidth=1.6, alpha=0.6)
    upper.set_ylabel("density (HU)")
    lower.set_ylabel("to the inner\nsurface (mm)")
    lower.set_xlabel("depth from the shell along the screw (mm)")
    lower.axhline(0.0, color=ink.SOFT_INK, linewidth=0.8)
    for axes in (upper, lower):
        axes.grid(color=ink.RULE, linewidth=0.5)
        ink.plain_axes(axes)
    upper.tick_params(labelbottom=False)
    shown = max([_SHOWN_MM, *(screw.allowed_mm + 8.0 for screw in facts.screws)])
    upper.set_xlim(0.0, min(shown, max(upper.get_xlim()[1], 1.0)))
    lower.set_xlim(upper.get_xlim())
    made.legend(loc="upper left", bbox_to_anchor=(0.1, 1.0), ncols=5, fontsize=ink.SMALL_PT, frameon=False)
    return made


def screw_names(facts: ScrewFacts) -> list[str]:
    """Return what each screw is called: by its number where it was asked for, by its quadrant where it is proposed."""
    names, number = [], 0
    for screw in facts.screws:
        if screw.proposed:
            names.append(f"{SHORT[screw.quadrant]}, proposed")
        else:
            number += 1
            names.append(f"screw {number}, {SHORT[screw.quadrant]}")
    return names


def _slice(screw: ScrewFact, planned: PlannedCup, scan: Volume) -> Figure:
    """Draw the CT in the plane of the cup's axis and the screw, with its bone and its allowed length."""
    frame = planned.pelvis.frames[MEASURING_FRAME]
    start, direction = np.array(screw.start_lps_mm), np.array(screw.direction_lps)
    middle = 0.5 * (planned.cup.center_lps_mm + start + screw.allowed_mm * direction)
    plane = _plane(planned.cup.opening_axis_lps, direction, middle, frame)
    words = f"{screw.allowed_mm:.0f} of {screw.exit_mm:.0f} mm"
    segments = (Segment(start, start + screw.allowed_mm * direction, words),)
    return slice_figure(scan, plane, planned.anatomy.surfaces, planned.cup, (), segments)


def _plane(axis: Array, direction: Array, middle: Array, frame: Frame) -> CutPlane:
    normal = unit(np.cross(axis, direction))
    if normal @ (frame.anterior + 0.1 * frame.left) < 0:
        normal = -normal
    up = unit(frame.superior - (frame.superior @ normal) * normal)
    right = unit(np.cross(up, normal))
    letters = (_letter(frame, right), _letter(frame, -right), _letter(frame, up), _letter(frame, -up))
    return CutPlane("screw", "Along the cup's axis and the screw", middle, right, up, letters)


def _letter(frame: Frame, direction: Array) -> str:
    left, posterior, superior = frame.direction_to_frame(direction)
    largest = int(np.argmax(np.abs([left, posterior, superior])))
    return (("R", "L"), ("A", "P"), ("I", "S"))[largest][int((left, posterior, superior)[largest] > 0)]
