"""The plane that touches the pelvis in front: both ASIS and the pubic tubercles, found in the plane's own
frame.

The points most anterior on the CT table move with the way the patient lies. The plane that touches does not:
each point is the foremost one of its region *along the plane's own normal*, the plane is laid through the
four, and both steps repeat until the points stay. The plane's normal then depends on the bone alone.

Two ways to the regions, each without the other:

- :func:`touching_plane_from_seeds`: vertices within 15 mm of a point that a fitted shape carries; the window
  follows the point that is found, so that a wrong seed climbs to the right place;
- :func:`touching_plane_from_surfaces`: the upper half of each hip bone for the ASIS, the lower part 8 to 42
  mm from the middle of the symphysis for the tubercles.

A vertex that stands out of its neighbours like a spike (steeper than 0.45 on average) is a fault of the
surface and is passed over.

How far they disagree goes into the uncertainty. Ridges are flat: within 0.4 mm of the plane lie points up to
10 mm apart, so a place along the ridge is poorly defined although the plane is well defined.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from cotyle.anatomy.landmarks import APP_NAMES
from cotyle.anatomy.pelvis import app_frame
from cotyle.anatomy.sockets.socket_sphere import vertex_areas
from cotyle.errors import InputError
from cotyle.space.arrays import Array, BoolArray, unit
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh
from cotyle.space.side import Side

WINDOW_MM = 15.0
FLAT_WITHIN_MM = 0.4
TUBERCLE_NEAR_MM, TUBERCLE_FAR_MM = 8.0, 42.0
_SPIKE_SLOPE = 0.45
_PRESSED_MM = 0.3
_MAX_ROUNDS = 60
_CONTACT_ROUNDS = 6
# how far the plane may come back at a contact while it settles
_RETURN_MM = 0.6

PassedOver = Mapping[Side, BoolArray]
"""For the vertices of a hip bone: whether they can bear no point of the plane (a spur)."""


@dataclass(frozen=True, eq=False)
class TouchingPlane:
    """The four points (LPS mm), the frame they make, and how far along each ridge the plane nearly touches
    (mm, one SD).
    """

    points_lps_mm: Mapping[str, Array]
    frame: Frame
    ridge_mm: Mapping[str, float]


def touching_plane_from_surfaces(
    surfaces: Mapping[str, TriangleMesh],
    held_lps_mm: Mapping[str, Array] | None = None,
    passed_over: PassedOver | None = None,
) -> TouchingPlane:
    """Find the plane from the surfaces ``left_hip_bone`` and ``right_hip_bone`` alone.

    ``held_lps_mm`` names points that are known: they stay where they are. Vertices ``passed_over`` bear no point.

    Raises
    ------
    InputError
        ``bone-missing`` without both hip bones; ``landmark-not-found`` where a region holds no bone;
        ``landmark-degenerate`` if the result is no pelvis.
    """
    bones = {side: hip_bone(surfaces, side) for side in Side}
    axes = rough_axes(bones[Side.LEFT].vertices_lps_mm, bones[Side.RIGHT].vertices_lps_mm)
    return _settle(bones, axes, {}, held_lps_mm or {}, passed_over or {})


def touching_plane_from_seeds(
    surfaces: Mapping[str, TriangleMesh],
    seeds_lps_mm: Mapping[str, Array],
    held_lps_mm: Mapping[str, Array] | None = None,
    passed_over: PassedOver | None = None,
) -> TouchingPlane:
    """Find the plane near carried points of the four names; errors as for
    :func:`touching_plane_from_surfaces`.
    """
    bones = {side: hip_bone(surfaces, side) for side in Side}
    axes = app_frame(seeds_lps_mm).axes
    seeds = {name: np.asarray(seeds_lps_mm[name]) for name in APP_NAMES}
    return _settle(bones, axes, seeds, held_lps_mm or {}, passed_over or {})


def hip_bone(surfaces: Mapping[str, TriangleMesh], side: Side) -> TriangleMesh:
    """Return the surface of one hip bone or raise InputError ``bone-missing``."""
    name = f"{side}_hip_bone"
    if name not in surfaces or len(surfaces[name].vertices_lps_mm) < 100:
        raise InputError("bone-missing", f"there is no {name} in the scan", "The whole pelvis must be in the scan")
    return surfaces[name]


def side_of(name: str) -> Side:
    """Return the side that a paired landmark's name ends with."""
    return Side(name.rsplit("_", 1)[1])


def rough_axes(left_bone: Array, right_bone: Array) -> Array:
    """Return rough axes (3, 3), rows left, posterior, superior, from the vertices of both hip bones.

    Left joins the two middles; superior is the long axis of both bones together at right angles to it, on the
    side of the scanner's superior. It is within 30 deg of the anterior pelvic plane's.
    """
    left = unit(left_bone.mean(axis=0) - right_bone.mean(axis=0))
    local = np.concatenate([left_bone - left_bone.mean(axis=0), right_bone - right_bone.mean(axis=0)])
    flat = local - np.outer(local @ left, left)
    superior = np.linalg.eigh(flat.T @ flat)[1][:, 2]
    superior = superior if superior[2] > 0 else -superior
    return np.stack([left, np.cross(superior, left), superior])


def middle_of_symphysis(bones: Mapping[Side, Array], axes: Array) -> float:
    """Return the coordinate along the left axis midway between the two pubic bones where they come closest."""
    inner = []
    for side in Side:
        local = bones[side] @ axes.T
        low = local[:, 2] < np.quantile(local[:, 2], 0.45)
        inner.append(side.lateral_sign * float((side.lateral_sign * local[low, 0]).min()))
    return float(np.mean(inner))


def _surface_regions(bones: Mapping[Side, Array], axes: Array) -> dict[str, BoolArray]:
    """Region of each point on its hip bone, in the current axes."""
    middle = middle_of_symphysis(bones, axes)
    regions: dict[str, BoolArray] = {}
    for side in Side:
        local = bones[side] @ axes.T
        low, high = local[:, 2].min(), local[:, 2].max()
        height = (local[:, 2] - low) / (high - low)
        lateral = side.lateral_sign * (local[:, 0] - middle)
        regions[f"asis_{side}"] = height > 0.5
        regions[f"pubic_tubercle_{side}"] = (height < 0.5) & (lateral > TUBERCLE_NEAR_MM) & (lateral < TUBERCLE_FAR_MM)
    return regions


def _settle(
    bones: Mapping[Side, TriangleMesh],
    axes: Array,
    seeds: Mapping[str, Array],
    held: Mapping[str, Array],
    passed_over: PassedOver,
) -> TouchingPlane:
    """Repeat region, foremost point, plane until the four points stay; then take the middle of each contact."""
    vertices = {side: bone.vertices_lps_mm for side, bone in bones.items()}
    centers = dict(seeds)
    chosen: tuple[int, ...] = ()
    seen: set[tuple[int, ...]] = set()
    while chosen not in seen and len(seen) < _MAX_ROUNDS:
        seen.add(chosen)
        regions = _surface_regions(vertices, axes)
        for name in APP_NAMES:
            if side_of(name) in passed_over:
                regions[name] &= ~passed_over[side_of(name)]
        points: dict[str, Array] = {}
        rows = []
        for name in APP_NAMES:
            bone = bones[side_of(name)]
            row = _foremost(name, bone, axes[1], regions[name], centers.get(name))
            rows.append(row)
            points[name] = np.asarray(held[name]) if name in held else bone.vertices_lps_mm[row]
        frame = app_frame(points)
        axes, chosen = frame.axes, tuple(rows)
        if centers:
            centers = points
    foremost = dict(points)
    for _ in range(_CONTACT_ROUNDS):
        for name in APP_NAMES:
            if name not in held:
                bone = bones[side_of(name)]
                points[name] = _contact(bone, regions[name], foremost[name], frame.posterior)
        frame = app_frame(points)
    ridges = {name: _ridge(vertices[side_of(name)], regions[name], points[name], frame) for name in APP_NAMES}
    return TouchingPlane(points, frame, ridges)


def _contact(bone: TriangleMesh, region: BoolArray, foremost: Array, posterior: Array) -> Array:
    """Middle of the surface that a plane pressed in by 0.05 mm would rest on, at the depth of its foremost part.

    Vertices count by their area times exp(-depth / 0.05 mm): a sharp point stays where it is, and along a flat ridge
    two humps that differ by less than the surface's own error share the contact. Spikes, which stand before the
    foremost point, are left out; so is what the turning plane no longer touches.
    """
    depth = (bone.vertices_lps_mm - foremost) @ posterior
    near = region & (np.linalg.norm(bone.vertices_lps_mm - foremost, axis=1) < WINDOW_MM) & (depth > -_RETURN_MM)
    rows = np.flatnonzero(near)
    rows = np.array([row for row in rows if depth[row] > 8 * _PRESSED_MM or not _is_spike(bone, int(row), posterior)])
    least = depth[rows].min()
    weights = vertex_areas(bone)[rows] * np.exp(-(depth[rows] - least) / _PRESSED_MM)
    middle = weights @ bone.vertices_lps_mm[rows] / weights.sum()
    return np.asarray(middle + ((least - (middle - foremost) @ posterior) * posterior))


def _foremost(name: str, bone: TriangleMesh, posterior: Array, region: BoolArray, center: Array | None) -> int:
    """Row of the foremost vertex of a region, within the window about ``center`` where there is one."""
    points = bone.vertices_lps_mm
    inside = region
    if center is not None:
        near = region & (np.linalg.norm(points - center, axis=1) < WINDOW_MM)
        inside = near if near.any() else region
    rows = np.flatnonzero(inside)
    if len(rows) == 0:
        raise InputError(
            "landmark-not-found", f"no bone where {name} should be", "The whole pelvis must be in the scan"
        )
    in_order = rows[np.argsort(points[rows] @ posterior, kind="stable")]
    for row in in_order[:20]:
        if not _is_spike(bone, int(row), posterior):
            return int(row)
    return int(in_order[0])


def _is_spike(bone: TriangleMesh, row: int, posterior: Array) -> bool:
    around = bone.triangles[(bone.triangles == row).any(axis=1)]
    offset = bone.vertices_lps_mm[np.setdiff1d(around, row)] - bone.vertices_lps_mm[row]
    slope = (offset @ posterior) / np.maximum(np.linalg.norm(offset, axis=1), 1e-9)
    return bool(len(slope) and slope.mean() > _SPIKE_SLOPE)


def _ridge(bone: Array, region: BoolArray, point: Array, frame: Frame) -> float:
    """Root-mean-square distance from the point of the surface within 0.4 mm of the plane and one window of the
    point.
    """
    candidates = bone[region]
    depth = (candidates - point) @ frame.posterior
    distance = np.linalg.norm(candidates - point, axis=1)
    near = distance[(depth < FLAT_WITHIN_MM) & (distance < WINDOW_MM)]
    return float(np.sqrt(np.mean(near**2))) if len(near) else 0.0
