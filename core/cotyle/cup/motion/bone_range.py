"""How far the hip moves before bone meets bone, on the CT's own surfaces.

The cut femur is carried so that the middle of its head lies at the planned centre, and turned about that; the pelvis
stands still. Femur as points no farther apart than 1.5 mm, pelvis as exact triangles. An edge of the pelvis as sharp as
2 mm can slip between the points by 0.14 mm at most (the sagitta of half a step); touch counts from 0.02 mm. Flesh,
capsule, stem, cup and the plate of bone that reamers take are left out.

Deviation of a limit: that of both surfaces where they touch (at least 0.25 mm each) and of the head's middle (0.2 mm),
over the millimetres that a degree closes there; set on synthetic scans. Where the femur touches with the edge of its
cut, the cut counts as 2 mm off instead, as a hand may cut (our choice, no source).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy.spatial import cKDTree

from cotyle.anatomy.segmentation.edge_confidence import EdgeConfidence
from cotyle.cup.motion.contact import Moving, Obstacle, Touch, moving, turn_until
from cotyle.cup.motion.femur import CutFemur
from cotyle.cup.motion.hip_pose import HipPose, Move, turning_axis, way_to
from cotyle.cup.motion.motions import Motion
from cotyle.cup.motion.surface_points import open_vertices, surface_points
from cotyle.space.arrays import Array, BoolArray, as_vector
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh, merged

FARTHEST_DEG = 160.0
"""Motions are followed so far."""
POINTS_MM = 1.5
_FLAT_MM_PER_DEG = 0.1
_WITHIN_MM = 0.3
_LEAST_SD_MM, _HEAD_SD_MM, CUT_SD_MM = 0.25, 0.2, 2.0
_AT_CUT_MM, _CUT_REACH_MM = 2.5, 30.0


class Ending(StrEnum):
    """How a motion ended."""

    TOUCH = "bone meets bone"
    FREE = "no bone met"
    ON_THE_WAY = "bone meets bone on the way to where it begins"
    OVERLAP = "the femur overlaps the pelvis in neutral"


@dataclass(frozen=True, eq=False)
class BoneLimit:
    """How far one motion goes.

    limit_deg: infinite if no bone is met, NaN if it can't begin. sd_deg: one standard deviation from that of both
    surfaces; NaN where they pass each other so flatly that it isn't known, or where nothing is met.
    femur_mm, pelvis_mm: where they meet, hip-sided components (3,) of the posture's frame from the new hip centre; the
    former where the thigh stands then. at_cut: the femur touches with the edge of its cut, so that the limit hangs on
    how the neck is cut.
    """

    motion: Motion
    ending: Ending
    limit_deg: float
    sd_deg: float = np.nan
    femur_mm: Array | None = None
    pelvis_mm: Array | None = None
    at_cut: bool = False


@dataclass(frozen=True, eq=False)
class PlacedHip:
    """Femur and pelvis about the new hip centre in hip-sided components (x lateral, y anterior, z superior), mm.

    at_cut: points (n,) of the femur near the edge of its cut.
    """

    body: Moving
    obstacle: Obstacle
    femur_spread_mm: Array
    at_cut: BoolArray
    pelvis_spread_mm: Array
    overlap: bool


def place(
    femur: CutFemur,
    pelvis: Sequence[tuple[TriangleMesh, EdgeConfidence]],
    center_lps_mm: Array,
    frame: Frame,
    leg_longer_mm: float = 0.0,
    offset_more_mm: float = 0.0,
) -> PlacedHip:
    """Carry a femur to the planned centre.

    Parameters
    ----------
    pelvis:
        Closed surfaces in LPS mm and how sure they are.
    frame:
        The posture; the femur hangs in it as it lay in the supine frame.
    leg_longer_mm, offset_more_mm:
        What the stem adds to the native femur: the femur lies so much farther down and out.
    """
    side = femur.side
    axes = np.stack([frame.left * side.lateral_sign, frame.anterior, frame.superior])
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = axes, -axes @ as_vector(center_lps_mm)
    bones = merged(mesh for mesh, _ in pelvis).transformed(matrix)
    carried = femur.surface.with_vertices(femur.surface.vertices_lps_mm + [offset_more_mm, 0.0, -leg_longer_mm])
    points = surface_points(carried, POINTS_MM)
    reach = np.linalg.norm(bones.vertices_lps_mm, axis=1).max()
    points = points[np.linalg.norm(points, axis=1) < reach + 1.0]
    obstacle = Obstacle(bones, float(np.linalg.norm(points, axis=1).max()) + 1.0)
    body = moving(points, obstacle)
    return PlacedHip(
        body=body,
        obstacle=obstacle,
        femur_spread_mm=femur.spread_mm[carried.vertex_tree.query(points)[1]],
        at_cut=_near_cut(femur, points - [offset_more_mm, 0.0, -leg_longer_mm]),
        pelvis_spread_mm=np.concatenate([edges.spread_mm for _, edges in pelvis]),
        overlap=bool((obstacle.holds(points) & (body.clearance_mm > _WITHIN_MM)).any()),
    )


def _near_cut(femur: CutFemur, points: Array) -> BoolArray:
    """Mask (n,) of points near the edge of the cut; the other edge of the surface is where the scan ends."""
    rim = femur.surface.vertices_lps_mm[open_vertices(femur.surface)]
    rim = rim[(rim - femur.cut_point_mm) @ femur.shaft.down < _CUT_REACH_MM]
    return np.asarray(cKDTree(rim).query(points)[0] < _AT_CUT_MM)


def bone_limits(hip: PlacedHip, motions: Iterable[Motion]) -> tuple[BoneLimit, ...]:
    """Follow every motion until bone meets bone."""
    if hip.overlap:
        return tuple(BoneLimit(motion, Ending.OVERLAP, np.nan) for motion in motions)
    known: dict[HipPose, tuple[Moving, Touch | None]] = {}
    return tuple(_follow(hip, motion, known) for motion in motions)


def _follow(hip: PlacedHip, motion: Motion, known: dict[HipPose, tuple[Moving, Touch | None]]) -> BoneLimit:
    if motion.start not in known:
        known[motion.start] = _brought_to(hip, motion.start)
    body, touch = known[motion.start]
    if touch is not None:
        return _ended(hip, motion, Ending.ON_THE_WAY, np.nan, touch)
    _, touch = _turned(hip, body, motion.start, motion.move, FARTHEST_DEG)
    if touch is None:
        return BoneLimit(motion, Ending.FREE, np.inf)
    return _ended(hip, motion, Ending.TOUCH, touch.angle_deg, touch)


def _brought_to(hip: PlacedHip, pose: HipPose) -> tuple[Moving, Touch | None]:
    body: Moving = hip.body
    for start, move, by_deg in way_to(pose):
        body, touch = _turned(hip, body, start, move, by_deg)
        if touch is not None:
            return body, touch
    return body, None


def _turned(hip: PlacedHip, body: Moving, start: HipPose, move: Move, by_deg: float) -> tuple[Moving, Touch | None]:
    return turn_until(body, hip.obstacle, turning_axis(start, move), np.zeros(3), by_deg)


def _ended(hip: PlacedHip, motion: Motion, ending: Ending, limit_deg: float, touch: Touch) -> BoneLimit:
    spot, vertex = hip.obstacle.nearest(touch.point)
    at_cut = bool(hip.at_cut[touch.index])
    own = CUT_SD_MM if at_cut else max(hip.femur_spread_mm[touch.index], _LEAST_SD_MM)
    spread = float(np.sqrt(own**2 + max(hip.pelvis_spread_mm[vertex], _LEAST_SD_MM) ** 2 + _HEAD_SD_MM**2))
    sd_deg = np.nan if touch.mm_per_deg < _FLAT_MM_PER_DEG else spread / touch.mm_per_deg
    return BoneLimit(motion, ending, limit_deg, sd_deg, touch.point, spot, at_cut)
