"""What a reamer, or the seated cup, should look like on the screen: its cues at the start, mid-way and at its stop.

To the cues of :mod:`cotyle.xray.cues` come those that change while a reamer goes in: its medial edge against the
ilio-ischial line, the lower end of its rim against the line of the teardrops, and the dark gap between it and the floor
that is already there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from cotyle.cup.cavity import ReamingStep, line_through_step_mm
from cotyle.space.arrays import Array, as_vector
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Circle
from cotyle.space.side import Side
from cotyle.xray.carm import CArm
from cotyle.xray.cues import Cues, cues
from cotyle.xray.ellipse import project_circle
from cotyle.xray.ilioischial import IlioischialLine, ilioischial_line
from cotyle.xray.outlines import hemisphere_outline
from cotyle.xray.screen import Screen


class Stage(StrEnum):
    """Where a reamer is on its way."""

    START = "start"
    MIDWAY = "midway"
    SEATED = "seated"

    @property
    def share(self) -> float:
        """Share of the way that lies behind it."""
        return {Stage.START: 0.0, Stage.MIDWAY: 0.5, Stage.SEATED: 1.0}[self]


@dataclass(frozen=True)
class ScreenReading:
    """What one picture of a hemisphere shows; None where a landmark is missing or the thing isn't there.

    Parameters
    ----------
    cues:
        As in :mod:`cotyle.xray.cues`.
    medial_edge_to_ilioischial_mm:
        From the ilio-ischial line to the edge of cup or reamer where they come nearest, across the picture at one
        height; positive while the edge lies lateral to the line.
    lower_rim_above_teardrops_mm:
        Height of the lower end of the rim's long axis above the line of the teardrops.
    gap_behind_mm:
        Dark gap on the screen between dome and the floor of the cavity behind it, in the direction of the axis; 0 where
        it bears on the floor, None where there is no cavity yet.
    """

    cues: Cues
    medial_edge_to_ilioischial_mm: float | None
    lower_rim_above_teardrops_mm: float | None
    gap_behind_mm: float | None


@dataclass(frozen=True, eq=False)
class Sight:
    """One view of one hip, with all that cues are read against.

    ``ilioischial_px`` are (column, row) pixels of the ilio-ischial line, lowest first; None where none is seen.
    """

    carm: CArm
    side: Side
    landmarks_lps_mm: Mapping[str, npt.ArrayLike]
    ilioischial_px: Array | None


def sight(
    carm: CArm, side: Side, landmarks_lps_mm: Mapping[str, npt.ArrayLike], hip_bone: TriangleMesh, rim: Circle
) -> Sight:
    """Return a view with its ilio-ischial line found once; ``rim`` is any near the socket, for the scale."""
    name = f"teardrop_{side}"
    if name not in landmarks_lps_mm:
        return Sight(carm, side, landmarks_lps_mm, None)
    screen = Screen(carm, rim, landmarks_lps_mm)
    lateral = side.lateral_sign * screen.left
    teardrop = as_vector(landmarks_lps_mm[name], name)
    line = ilioischial_line(carm, screen, hip_bone, teardrop, lateral)
    if line is None:
        return Sight(carm, side, landmarks_lps_mm, None)
    on_screen = screen.of(teardrop) + line.points_mm @ np.stack([lateral, screen.up])
    return Sight(carm, side, landmarks_lps_mm, on_screen / screen.mm_per_px)


def stage_rim(step: ReamingStep, stage: Stage) -> Circle:
    """Return the rim of a reamer at a stage of its step; the normal points out of its mouth."""
    way = step.end_center_lps_mm - step.start_center_lps_mm
    return Circle(np.asarray(step.start_center_lps_mm + stage.share * way), -step.direction_lps, step.radius_mm)


def read_screen(view: Sight, rim: Circle, floors: Sequence[ReamingStep] = ()) -> ScreenReading:
    """Return what a picture shows of a hemisphere given by its rim.

    Parameters
    ----------
    view:
        From :func:`sight`.
    rim:
        Rim of cup or reamer, its normal out of the mouth.
    floors:
        What was reamed before.

    Raises
    ------
    InputError
        ``behind-source`` if it is not in front of the source.
    """
    found = cues(view.carm, rim, view.side, view.landmarks_lps_mm)
    screen = Screen(view.carm, rim, view.landmarks_lps_mm)
    teardrop = screen.point(f"teardrop_{view.side}")
    clearance = lower = beside = None
    if teardrop is not None:
        axes = np.stack([view.side.lateral_sign * screen.left, screen.up])
        ends = project_circle(view.carm, rim).scaled(screen.mm_per_detector_mm).major_ends
        lower = float(((ends - teardrop) @ screen.up).min()) if np.isfinite(ends).all() else None
        if view.ilioischial_px is not None:
            line = IlioischialLine((view.ilioischial_px * screen.mm_per_px - teardrop) @ axes.T)
            silhouette = hemisphere_outline(view.carm, rim, 721).silhouette_px * screen.mm_per_px
            clearance = line.clearance_mm((silhouette - teardrop) @ axes.T)
            beside = line.lateral_to_teardrop_mm
    missing = tuple(name for name in found.missing if not name.endswith("_hip_bone"))
    return ScreenReading(
        cues=replace(found, teardrop_to_ilioischial_mm=beside, missing=missing),
        medial_edge_to_ilioischial_mm=clearance,
        lower_rim_above_teardrops_mm=lower,
        gap_behind_mm=_gap_behind_mm(view.carm, rim, floors),
    )


def axis_at_joint_px(view: Sight, rim: Circle) -> Array | None:
    """Return the lower end of the sacroiliac joint and where the axis passes above or below it, pixels, shape (2, 2).

    None where the axis doesn't get there or the joint isn't known.
    """
    name = f"si_joint_inferior_{view.side}"
    above = cues(view.carm, rim, view.side, view.landmarks_lps_mm).axis_above_si_joint_mm
    if above is None:
        return None
    screen = Screen(view.carm, rim, view.landmarks_lps_mm)
    joint = screen.of(as_vector(view.landmarks_lps_mm[name], name))
    return np.asarray(np.stack([joint, joint + above * screen.up]) / screen.mm_per_px)


def _gap_behind_mm(carm: CArm, rim: Circle, floors: Sequence[ReamingStep]) -> float | None:
    """Return the way from the dome's edge to the floor's, from the centre along the axis as the screen shows it."""
    if not floors:
        return None
    ray = rim.center_lps_mm - carm.source_lps_mm
    ray = ray / np.linalg.norm(ray)
    inward = -rim.normal_lps + (rim.normal_lps @ ray) * ray
    if np.linalg.norm(inward) < 1e-6:
        return None  # looked at straight along the axis: no floor is seen behind it
    stretches = [line_through_step_mm(each, rim.center_lps_mm, inward) for each in floors]
    reached = [stretch[1] for stretch in stretches if stretch is not None]
    return max(max(reached, default=0.0) - rim.radius_mm, 0.0)
