"""The way along the reaming axis, in millimetres from the native rim to the inner surface of the pelvis.

Zero is where the axis crosses the plane of the native rim; depths grow into the body. A reamer of another direction is
drawn by how far its floor reaches along this axis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cotyle.cup.cavity import ReamingStep
from cotyle.cup.component import Cup
from cotyle.cup.wall import BRIDGED_GAP_MM, Wall
from cotyle.errors import InputError
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, read_only
from cotyle.space.lines import cross
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Plane

STEP_MM = 0.25
BEYOND_MM = 10.0
_FARTHEST_RIM_MM = 60.0


@dataclass(frozen=True)
class ReamingBar:
    """One reaming step on the track: its pole from where it first touches to where it stops, mm."""

    diameter_mm: float
    from_mm: float
    to_mm: float


@dataclass(frozen=True, eq=False)
class DepthTrack:
    """What lies along the reaming axis.

    Parameters
    ----------
    origin_lps_mm, direction_lps:
        Depth 0 (on the native rim's plane) and the way in, each (3,); a depth ``d`` lies at origin + d * direction.
    depth_mm, density_hu:
        Samples under the pole, each (n,); density is NaN outside the scan, or everywhere without one.
    bone_mm:
        Stretches of bone before reaming, shape (m, 2); gaps under 2 mm are bridged.
    center_mm, pole_mm, seat_mm:
        The last reamer's centre and pole, and the pole of the seated cup.
    floor_mm:
        Where bone begins at or beyond the pole; None where the floor is through.
    inner_surface_mm, inner_uncertainty_mm:
        Where the axis leaves the bone, None at a breach, and one standard deviation.
    bars:
        One for each reaming step.
    """

    origin_lps_mm: Array
    direction_lps: Array
    depth_mm: Array
    density_hu: Array
    bone_mm: Array
    center_mm: float
    pole_mm: float
    seat_mm: float
    floor_mm: float | None
    inner_surface_mm: float | None
    inner_uncertainty_mm: float
    bars: tuple[ReamingBar, ...]

    def at_lps_mm(self, depth_mm: float) -> Array:
        """Return the point (3,) of a depth."""
        return read_only(np.asarray(self.origin_lps_mm + depth_mm * self.direction_lps))


def depth_track(
    cup: Cup,
    steps: Sequence[ReamingStep],
    wall: Wall,
    hip_bone: TriangleMesh,
    native_rim: Plane,
    volume: Volume | None = None,
) -> DepthTrack:
    """Return the depth track of a plan along the axis of its last reaming step.

    Where the axis runs along the native rim's plane or crosses it more than 60 mm from the cup's centre, depth 0 is put
    at the cup's rim instead.

    Raises
    ------
    InputError
        ``cavity-empty`` without a step.
    """
    if not steps:
        raise InputError("cavity-empty", "a depth track needs at least one reaming step")
    last = steps[-1]
    direction, center = last.direction_lps, last.end_center_lps_mm
    slope = float(direction @ native_rim.normal_lps)
    to_rim = float((native_rim.point_lps_mm - center) @ native_rim.normal_lps)
    behind = to_rim / slope if abs(slope) > 0.2 else 0.0
    behind = behind if abs(behind) <= _FARTHEST_RIM_MM else 0.0
    origin = center + behind * direction

    def depth_of(step: ReamingStep, end: bool) -> float:
        point = step.end_center_lps_mm if end else step.start_center_lps_mm
        lean = float(step.direction_lps @ direction)
        reach = 1.0 if lean >= 0 else float(np.sqrt(1.0 - lean**2))
        return float((point - origin) @ direction) + step.radius_mm * reach

    pole = depth_of(last, True)
    leave = None if wall.breached_on_axis else pole + wall.advance_mm
    bars = tuple(ReamingBar(each.diameter_mm, depth_of(each, False), depth_of(each, True)) for each in steps)
    first = min(0.0, *(bar.from_mm for bar in bars))
    end = max(pole, leave or pole) + BEYOND_MM
    depth = np.arange(first, end + STEP_MM / 2, STEP_MM)
    points = origin + depth[:, None] * direction
    density = np.full(len(depth), np.nan)
    if volume is not None:
        density = sample(volume, points, outside=np.nan).astype(float)
    bone = cross(hip_bone, np.asarray(origin)[None], direction).intervals_mm(0, BRIDGED_GAP_MM)
    bone = np.clip(bone[(bone[:, 1] > first) & (bone[:, 0] < end)], first, end)
    return DepthTrack(
        origin_lps_mm=read_only(np.asarray(origin)),
        direction_lps=direction,
        depth_mm=read_only(depth),
        density_hu=read_only(density),
        bone_mm=read_only(bone),
        center_mm=-behind,
        pole_mm=pole,
        seat_mm=float((cup.pole_lps_mm - origin) @ direction),
        floor_mm=None if leave is None else leave - wall.along_axis_mm,
        inner_surface_mm=leave,
        inner_uncertainty_mm=wall.uncertainty_mm,
        bars=bars,
    )
