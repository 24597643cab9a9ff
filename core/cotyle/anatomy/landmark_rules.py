"""Landmarks other than the four of the anterior pelvic plane: each by a rule on the surfaces, in the axes of
that plane.

- ``psis``: hindmost point of the hip bone above the hip centre.
- ``ischial_tuberosity``: lowest point of the hip bone.
- ``teardrop``: lowest point of the floor of the acetabular fossa (surface that faces the centre, more than 2
  mm deeper than the sphere, within 65 deg of its pole).
- ``superolateral_rim``: edge of the socket in the coronal plane through its centre.
- ``si_joint_inferior``: level of the lowest point of the hip bone within 4 mm of the sacrum; along that level
  the middle of the joint's lowest 3 mm.
- ``symphysis``: middle of the gap between the pubic bones, from the surfaces of both that lie within 9 mm of
  each other.
- ``sacrum_midline``: back edge of the S1 endplate: highest point of the sacrum within 3 mm of its middle
  plane, along an axis that leans 12 deg forward. The endplate rises backwards by some 40 deg and ends in a
  corner; straight up, the arch of the canal behind it can stand higher.
- ``coccyx_tip``: lowest point of the sacrum's surface, only where a coccyx hangs on it (its lowest 15 mm are
  less than 30 mm wide; a sacrum's own end is wider).

"Lowest" and "hindmost" are along the axes of the anterior pelvic plane, so that they do not depend on how the patient
lies. A rule's uncertainty joins the surface's own, half the length along which the surface is nearly as extreme
(within 0.4 mm), and half the distance to the carried point of a fitted shape where there is one.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from scipy.spatial import cKDTree

from cotyle.anatomy.anterior_plane import FLAT_WITHIN_MM, hip_bone
from cotyle.anatomy.landmarks import AnatomySeeds, Landmark, Origin
from cotyle.anatomy.morphology import hip_view, socket_edge
from cotyle.anatomy.sections import near_part, plane_section
from cotyle.anatomy.sockets.rim import RIM_REACH_MM
from cotyle.space.arrays import Array, BoolArray
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

JOINT_GAP_MM = 4.0
SYMPHYSIS_GAP_MM = 9.0
_MIDLINE_MM = 3.0
_JOINT_END_MM = 3.0
_LEAN = np.deg2rad(12.0)
_COCCYX_LENGTH_MM, _COCCYX_WIDTH_MM = 15.0, 30.0
# one SD of a surface made from a CT of about 1 mm voxels, at right angles to it; common practice, no source
SURFACE_UNCERTAINTY_MM = 0.5
_RIDGE_WINDOW_MM = 15.0


def side_landmarks(
    surfaces: Mapping[str, TriangleMesh],
    side: Side,
    app: Frame,
    sphere: Sphere,
    pole_lps: Array,
    seeds: AnatomySeeds,
) -> dict[str, Landmark]:
    """Find psis, ischial_tuberosity, teardrop, superolateral_rim and si_joint_inferior of one side.

    ``pole_lps`` is the direction from the sphere's centre to the floor (against the opening axis). What cannot
    be found is left out.
    """
    bone = hip_bone(surfaces, side)
    local = app.to_frame(bone.vertices_lps_mm)
    above = local[:, 2] > app.to_frame(sphere.center_lps_mm)[2]
    found = {
        f"psis_{side}": _extreme(local, above, local[:, 1]),
        f"ischial_tuberosity_{side}": _extreme(local, np.ones(len(local), dtype=bool), -local[:, 2]),
        f"teardrop_{side}": _extreme(local, fossa(bone, sphere, pole_lps), -local[:, 2]),
        f"superolateral_rim_{side}": _rim_point(bone, sphere, app, side),
    }
    if "sacrum" in surfaces:
        gap, _ = cKDTree(surfaces["sacrum"].vertices_lps_mm).query(
            bone.vertices_lps_mm, distance_upper_bound=JOINT_GAP_MM
        )
        found[f"si_joint_inferior_{side}"] = _lower_end(local[gap < JOINT_GAP_MM])
    return _as_landmarks(found, app, seeds)


def midline_landmarks(surfaces: Mapping[str, TriangleMesh], app: Frame, seeds: AnatomySeeds) -> dict[str, Landmark]:
    """Find symphysis, sacrum_midline and, where present, coccyx_tip."""
    left, right = (hip_bone(surfaces, side).vertices_lps_mm for side in (Side.LEFT, Side.RIGHT))
    found: dict[str, tuple[Array, float] | None] = {"symphysis": None}
    facing = [_facing(left, right), _facing(right, left)]
    if all(len(part) >= 3 for part in facing):
        middle = 0.5 * (facing[0].mean(axis=0) + facing[1].mean(axis=0))
        found["symphysis"] = app.to_frame(middle), 1.0
    if "sacrum" in surfaces:
        local = app.to_frame(surfaces["sacrum"].vertices_lps_mm)
        middle_mm = 0.5 * (local[:, 0].min() + local[:, 0].max())
        leaning = local @ np.array([0.0, -np.sin(_LEAN), np.cos(_LEAN)])
        midline = np.abs(local[:, 0] - middle_mm) < _MIDLINE_MM
        found["sacrum_midline"] = _extreme(local, midline, leaning)
        found["coccyx_tip"] = _coccyx_tip(local)
    return _as_landmarks(found, app, seeds)


def fossa(bone: TriangleMesh, sphere: Sphere, pole_lps: Array) -> BoolArray:
    """Mask (n,) of the vertices on the floor of the fossa; rule at the module's top."""
    offset = bone.vertices_lps_mm - sphere.center_lps_mm
    distance = np.maximum(np.linalg.norm(offset, axis=1), 1e-9)
    facing = -np.einsum("ij,ij->i", offset, bone.vertex_normals) / distance
    depth = distance - sphere.radius_mm
    from_pole = (offset @ pole_lps) / distance
    return np.asarray((facing > 0.5) & (depth > 2.0) & (depth < 15.0) & (from_pole > np.cos(np.deg2rad(65.0))))


def _extreme(local: Array, mask: BoolArray, score_mm: Array) -> tuple[Array, float] | None:
    """Point of the mask with the highest score, and the root-mean-square extent of what is within 0.4 mm of
    it.
    """
    rows = np.flatnonzero(mask)
    if len(rows) == 0:
        return None
    height = score_mm[rows]
    point = local[rows[np.argmax(height)]]
    distance = np.linalg.norm(local[rows] - point, axis=1)
    ridge = distance[(height.max() - height < FLAT_WITHIN_MM) & (distance < _RIDGE_WINDOW_MM)]
    return point, float(np.sqrt(np.mean(ridge**2)))


def _lower_end(joint: Array) -> tuple[Array, float] | None:
    if len(joint) < 5:
        return None
    lowest = float(joint[:, 2].min())
    end = joint[joint[:, 2] < lowest + _JOINT_END_MM]
    return np.array([end[:, 0].mean(), end[:, 1].mean(), lowest]), float(np.hypot(end[:, 0].std(), end[:, 1].std()))


def _rim_point(bone: TriangleMesh, sphere: Sphere, app: Frame, side: Side) -> tuple[Array, float] | None:
    view = hip_view(app, side)
    near = near_part(bone, sphere.center_lps_mm, sphere.radius_mm + 3 * RIM_REACH_MM)
    edge = socket_edge(plane_section(near, sphere.center_lps_mm, view.lateral, view.superior), sphere.radius_mm)
    if edge is None:
        return None
    return app.to_frame(sphere.center_lps_mm + edge[0] * view.lateral + edge[1] * view.superior), 1.0


def _facing(points: Array, others: Array) -> Array:
    distance, _ = cKDTree(others).query(points, distance_upper_bound=SYMPHYSIS_GAP_MM)
    return points[distance < SYMPHYSIS_GAP_MM]


def _coccyx_tip(local: Array) -> tuple[Array, float] | None:
    height = local[:, 2] - local[:, 2].min()
    tail = local[height < _COCCYX_LENGTH_MM]
    if np.ptp(tail[:, 0]) > _COCCYX_WIDTH_MM:
        return None
    return local[np.argmin(height)], 2.0


def _as_landmarks(
    found: Mapping[str, tuple[Array, float] | None], app: Frame, seeds: AnatomySeeds
) -> dict[str, Landmark]:
    landmarks = {}
    for name, answer in found.items():
        if answer is None:
            continue
        point = app.to_lps(answer[0])
        landmarks[name] = Landmark(name, point, Origin.DETECTED, uncertainty_mm(name, point, answer[1], seeds))
    return landmarks


def uncertainty_mm(name: str, point_lps_mm: Array, ridge_mm: float, seeds: AnatomySeeds) -> float:
    """Join surface, half the ridge and half the distance to the carried point (at most 10 mm) into one SD.

    The halves were set so that one SD covers two thirds of the errors of ASIS and tubercles on synthetic scans.
    """
    apart = 0.0
    if name in seeds.points_lps_mm:
        apart = min(float(np.linalg.norm(point_lps_mm - seeds.points_lps_mm[name])), 10.0)
    return float(np.sqrt(SURFACE_UNCERTAINTY_MM**2 + (0.5 * ridge_mm) ** 2 + (0.5 * apart) ** 2))
