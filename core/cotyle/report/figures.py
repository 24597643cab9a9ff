"""All pictures of a report, drawn from one planned case."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from matplotlib.figure import Figure

from cotyle.case.cue_sheet import CueSheet
from cotyle.case.measurements import Measurements
from cotyle.case.simulated import SimulatedView
from cotyle.case.stages import PlannedCup, Progress
from cotyle.cup.orientation import Definition
from cotyle.image.labels import hip_bone
from cotyle.image.volume import Volume
from cotyle.report import ink
from cotyle.report.cavity_view import cavity_scenes, scene_figure
from cotyle.report.cup_planes import cup_planes
from cotyle.report.depth_track_figure import depth_track_figure
from cotyle.report.doubt_figure import Hip, doubt_figure, doubt_pictures, hips_of
from cotyle.report.field_content import Kind, plan_marks, single_mark, target_zone
from cotyle.report.orientation_field import orientation_field
from cotyle.report.scene import Job
from cotyle.report.scene_process import DrawnScenes, SceneProcess
from cotyle.report.screen_figures import mistakes_figure, reaming_figure, wall_figure
from cotyle.report.screen_page import MISTAKES_VIEW, figure_name
from cotyle.report.slices import Segment, slice_figure
from cotyle.report.xray_figure import drawn_over, xray_figure
from cotyle.space.side import Side

AP_PELVIS = "ap-pelvis"
_SCENES = ("cavity-into", "cavity-inside")
_MARGIN_PX = 30.0
_BELOW_HIP_MM = 75.0


@dataclass(frozen=True)
class DrawnFigures:
    """PNG by name, and why some are missing."""

    pictures: Mapping[str, bytes]
    failure: str = ""


def draw_figures(
    planned: PlannedCup,
    measured: Measurements,
    scan: Volume,
    view: SimulatedView,
    sheet: CueSheet,
    progress: Progress,
) -> DrawnFigures:
    """Draw every picture; the 3D ones in their own process meanwhile."""
    frame = planned.pelvis.supine
    scenes = cavity_scenes(planned.anatomy.surfaces, planned.cup, planned.cavity, planned.wall, frame)
    points = {side: hip.points for side, hip in measured.verdict.hips.items()}
    hips = hips_of(planned.anatomy.skeleton, planned.anatomy.sockets, points)
    of_hips = {side: doubt_pictures(hip) for side, hip in hips.items()}
    job = Job((*scenes.job.pictures, *(picture for pair in of_hips.values() for picture in pair)))
    with SceneProcess(job) as process:
        progress("drawing the figures")
        pictures = {
            "depth-track": ink.png(depth_track_figure(planned.track, planned.cup.outer_diameter_mm)),
            "orientation-field": ink.png(plan_field(planned)),
            AP_PELVIS: view_picture(planned, view),
        }
        for plane in cup_planes(planned.cup, frame):
            made = slice_figure(
                scan, plane, planned.anatomy.surfaces, planned.cup, planned.reamers, wall_segments(planned)
            )
            pictures[f"slice-{plane.name}"] = ink.png(made)
        pictures |= draw_sheet(sheet)
        drawn = process.result()
    for index, (name, picture) in enumerate(zip(_SCENES, scenes.job.pictures, strict=True)):
        if picture.file in drawn.pictures:
            pictures[name] = ink.png(scene_figure(drawn.pictures[picture.file], scenes, index))
    pictures |= draw_doubts(scan, hips, drawn)
    return DrawnFigures(pictures, drawn.failure)


def draw_sheet(sheet: CueSheet) -> dict[str, bytes]:
    """Return the pictures of the cue sheet, PNG by name."""
    made = {figure_name(name): ink.png(reaming_figure(view)) for name, view in sheet.views.items()}
    made["mistakes"] = ink.png(mistakes_figure(sheet.views[MISTAKES_VIEW]))
    if sheet.wall is not None:
        made["wall-view"] = ink.png(wall_figure(sheet.wall))
    return made


def draw_doubts(scan: Volume, hips: Mapping[Side, Hip], drawn: DrawnScenes) -> dict[str, bytes]:
    """Return the doubt figure of each hip, PNG by name; without 3D views where those could not be drawn."""
    made = {}
    for side, hip in hips.items():
        pair = [(each, drawn.pictures[each.file]) for each in doubt_pictures(hip) if each.file in drawn.pictures]
        made[f"doubt-{side}"] = ink.png(doubt_figure(scan, hip, pair))
    return made


def wall_segments(planned: PlannedCup) -> list[Segment]:
    """Return the lengths to point out on slices: the wall along the axis and the least wall."""
    wall = planned.wall
    segments = []
    if wall.exit_lps_mm is not None:
        axis = planned.reamers[-1].direction_lps
        begin = np.asarray(wall.exit_lps_mm - wall.along_axis_mm * axis)
        segments.append(Segment(begin, wall.exit_lps_mm, f"{wall.along_axis_mm:.1f} mm of bone\nalong the axis"))
    if not wall.breached:
        segments.append(
            Segment(wall.minimum_from_lps_mm, wall.minimum_at_lps_mm, f"{wall.minimum_mm:.1f} mm\nleast wall")
        )
    return segments


def plan_field(planned: PlannedCup) -> Figure:
    """Draw target, native socket and the plan in each frame, in the definition of the targets."""
    targets, side, pelvis = planned.plan.targets, planned.plan.side, planned.pelvis
    definition = Definition(targets.definition)
    marks = plan_marks(planned.cup.opening_axis_lps, pelvis, side, definition)
    axis = planned.socket.opening_axis_lps
    native = single_mark(Kind.NATIVE, "native socket", axis, pelvis, side, targets.frame, definition)
    return orientation_field([*marks, *([native] if native else [])], target_zone(targets), str(definition))


def view_picture(planned: PlannedCup, view: SimulatedView) -> bytes:
    """Draw a simulated view with all that is drawn over one, cut to the pelvis."""
    return ink.png(xray_figure(view, drawn_over(planned, view.view), rows_shown(planned, view), width_px=700))


def rows_shown(planned: PlannedCup, view: SimulatedView) -> tuple[float, float]:
    """Return between which rows of a view its picture is cut."""
    carm = view.view.carm
    rows = view.pixels.shape[0]
    bones = [planned.anatomy.surfaces[hip_bone(side)].vertices_lps_mm for side in Side]
    heights = np.concatenate([carm.project(points)[:, 1] for points in bones])
    below = planned.cup.center_lps_mm - _BELOW_HIP_MM * planned.pelvis.supine.superior
    bottom = max(float(heights.max()), float(carm.project(below)[1])) + _MARGIN_PX
    return max(float(heights.min()) - _MARGIN_PX, -0.5), min(bottom, rows - 0.5)


def view_caption(view: SimulatedView) -> str:
    """Return the line under a simulated view."""
    return f"Simulated from the CT, the planned cup drawn in: {view.view.description.replace('_', ' ')}."
