"""The metal shell of an artificial cup: the sphere of its outside, and the plane of its mouth.

Rays from the middle of the ball meet the inner and outer face of the shell. A sphere through the outer ones gives the
centre; rays that run on into a screw are left out by their length. Then the shell is walked along meridians from its
pole, half way through its thickness, until the metal ends: the plane through these ends is the mouth. Both ways are
ours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cotyle.anatomy.metal.metal_edges import (
    STEP_MM,
    Rays,
    cast,
    edges_beyond_level,
    first_crossing,
    half_height,
    is_clipped,
    sustained,
    tail_of,
)
from cotyle.errors import InputError
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, BoolArray, any_perpendicular, unit
from cotyle.space.directions import even_directions
from cotyle.space.fits import fit_plane, fit_sphere_robust
from cotyle.space.shapes import Sphere

RADIUS_RANGE_MM = (18.0, 40.0)
_RAYS = 4000
_METAL_HU = 2200.0
_THICKNESS_MM = (1.2, 9.0)
_LEAST_SHARE = 0.12
_INLIER_MM = 0.8
_LEAST_ROUND = 0.6
_ROUNDS, _CLEAR_OF_BALL_MM, _FARTHEST_MM = 4, 1.5, 15.0
_INDEPENDENT = 30.0
# How far from each face the blur of metal is read: behind the outer one bone may begin at once.
_TAIL_MM = (1.4, 1.0)
_MERIDIANS = 240
_MERIDIAN_DEG = np.arange(20.0, 150.0, 0.5)
_LEAST_RIM_SHARE = 0.5
# Blur, voxels and streaks pull every edge of one side the same way: no fit of many points is better than this.
_FLOOR_MM, _FLOOR_DEG = 0.065, 0.04


@dataclass(frozen=True, eq=False)
class Shell:
    """A hemispherical shell: spheres of its two faces, unit axis out of the mouth, and one deviation of each."""

    outer: Sphere
    inner_radius_mm: float
    opening_axis: Array
    center_sd_mm: float
    axis_sd_deg: float
    diameter_sd_mm: float
    rim_share: float
    plateau_hu: float


def find_shell(volume: Volume, middle_lps_mm: Array, ball_radius_mm: float) -> Shell | None:
    """Return the shell about a ball, or None if there is none.

    Parameters
    ----------
    volume:
        CT in HU, full resolution.
    middle_lps_mm, ball_radius_mm:
        Centre of the artificial head and its radius; without a head the middle of the hip and 0.
    """
    middle = np.asarray(middle_lps_mm, dtype=np.float64)
    faces = None
    center, start, level = middle, ball_radius_mm + _CLEAR_OF_BALL_MM, _METAL_HU
    for _ in range(_ROUNDS):
        faces = _faces(volume, center, start, level)
        if faces is None or float(np.linalg.norm(faces.outer.center_lps_mm - middle)) > _FARTHEST_MM:
            return None
        center, level = faces.outer.center_lps_mm, half_height(faces.plateau_hu)
        moved = float(np.linalg.norm(center - middle))
        start = ball_radius_mm + _CLEAR_OF_BALL_MM + min(moved, 0.5 * faces.outer.radius_mm)
    return None if faces is None else _shell_of(volume, faces, level)


@dataclass(frozen=True, eq=False)
class _Faces:
    """Outer and inner face where the chosen rays cross them, the spheres through them, and the density between."""

    rays: Rays
    near_mm: Array
    far_mm: Array
    outer: Sphere
    inner: Sphere
    plateau_hu: float


def _faces(volume: Volume, center: Array, start_mm: float, level: float) -> _Faces | None:
    rays = cast(volume, center, even_directions(_RAYS), start_mm, RADIUS_RANGE_MM[1] + 4.0)
    near = first_crossing(rays, level, rising=True)
    index = np.nan_to_num((near - rays.radii_mm[0]) / STEP_MM).astype(int) + 1
    far = first_crossing(rays, level, rising=False, from_index=index)
    thickness = far - near
    hit = np.isfinite(thickness) & (thickness > _THICKNESS_MM[0]) & (thickness < _THICKNESS_MM[1])
    hit &= far > RADIUS_RANGE_MM[0] - 3.0
    if hit.mean() < _LEAST_SHARE:
        return None
    try:
        outer, _ = fit_sphere_robust(rays.points(hit, far[hit]), 0.3)
        inner, _ = fit_sphere_robust(rays.points(hit, near[hit]), 0.3)
    except InputError:
        return None
    if not RADIUS_RANGE_MM[0] < outer.radius_mm < RADIUS_RANGE_MM[1]:
        return None
    plateau = float(np.median(sample(volume, rays.points(hit, 0.5 * (near[hit] + far[hit])))))
    return _Faces(rays.chosen(hit), near[hit], far[hit], outer, inner, plateau)


def _shell_of(volume: Volume, faces: _Faces, level: float) -> Shell | None:
    points = faces.rays.points(slice(None), faces.far_mm)
    residual = np.linalg.norm(points - faces.outer.center_lps_mm, axis=1) - faces.outer.radius_mm
    sound = np.abs(residual) < _INLIER_MM
    if sound.mean() < _LEAST_ROUND or sound.sum() < _LEAST_SHARE * _RAYS:
        return None
    clipped = is_clipped(faces.plateau_hu)
    shift = _clipped_shift(faces, sound) if clipped else 0.0
    pole = unit(np.median(points[sound] - faces.outer.center_lps_mm, axis=0))
    mouth = _mouth(volume, faces.outer, faces.inner.radius_mm, level, pole)
    if mouth is None:
        return None
    axis, axis_sd, rim_share = mouth
    spread = 1.4826 * float(np.median(np.abs(residual[sound])))
    return Shell(
        Sphere(faces.outer.center_lps_mm, faces.outer.radius_mm + shift),
        # moved like the outer face, so that both show the blur of the metal from the same distance
        faces.inner.radius_mm - shift,
        axis,
        # points share their errors with neighbours: a few dozen of them are independent
        float(np.hypot(_FLOOR_MM, 2.0 * spread / np.sqrt(_INDEPENDENT))),
        axis_sd,
        float(2.0 * np.hypot(0.35 if clipped else 0.15, spread / np.sqrt(_INDEPENDENT))),
        rim_share,
        faces.plateau_hu,
    )


def _clipped_shift(faces: _Faces, sound: BoolArray) -> float:
    """How far beyond its level the outer face lies, mm; the liner's side shows the metal's blur undisturbed."""
    rays = faces.rays.chosen(sound)
    outer = tail_of(rays, faces.far_mm[sound], 1.0, _TAIL_MM[1])
    inner = tail_of(rays, faces.near_mm[sound], -1.0, _TAIL_MM[0])
    if outer is None:
        return 0.0
    return float(edges_beyond_level([outer] if inner is None else [outer, inner])[0])


def _mouth(
    volume: Volume, outer: Sphere, inner_radius_mm: float, level: float, pole: Array
) -> tuple[Array, float, float] | None:
    """Axis out of the mouth, its deviation (deg), and the share of meridians that end in a rim."""
    thickness = outer.radius_mm - inner_radius_mm
    radii = inner_radius_mm + thickness * np.array([0.35, 0.5, 0.65])
    ends = np.empty((0, 3))
    for _ in range(3):
        u = any_perpendicular(pole)
        w = np.cross(pole, u)
        azimuth = 2.0 * np.pi * np.arange(_MERIDIANS) / _MERIDIANS
        across = np.cos(azimuth)[:, None] * u + np.sin(azimuth)[:, None] * w
        angle = np.deg2rad(_MERIDIAN_DEG)
        ways = np.cos(angle)[:, None] * pole + np.sin(angle)[:, None] * across[:, None, :]
        hu = sample(volume, outer.center_lps_mm + radii[:, None, None, None] * ways).mean(axis=0)
        metal = hu >= level
        # the last place before the first long stretch without metal; a hole in the shell is short
        gap = sustained(~metal, 16)
        at = np.argmax(gap, axis=1)
        ended = gap.any(axis=1) & (at > 0) & metal[:, :40].any(axis=1)
        if ended.mean() < _LEAST_RIM_SHARE:
            return None
        rows = np.flatnonzero(ended)
        at = at[rows]
        high, low = hu[rows, at - 1], hu[rows, at]
        share = np.clip((high - level) / np.maximum(high - low, 1.0), 0.0, 1.0)
        theta = np.deg2rad(_MERIDIAN_DEG[at - 1] + share * 0.5)
        middle = 0.5 * (outer.radius_mm + inner_radius_mm)
        ends = outer.center_lps_mm + middle * (np.cos(theta)[:, None] * pole + np.sin(theta)[:, None] * across[rows])
        plane, kept = _trimmed_plane(ends)
        axis = plane if plane @ pole < 0.0 else -plane
        pole = -axis
    off = (ends[kept] - ends[kept].mean(axis=0)) @ axis
    spread = 1.4826 * float(np.median(np.abs(off)))
    slope = np.sqrt(2.0 / (kept.sum() / 6.0)) * spread / outer.radius_mm
    return axis, float(np.hypot(_FLOOR_DEG, np.rad2deg(slope))), float(kept.sum() / _MERIDIANS)


def _trimmed_plane(points: Array) -> tuple[Array, Array]:
    """Normal of the plane of most points, and which they are."""
    kept = np.ones(len(points), dtype=bool)
    normal = np.zeros(3)
    for _ in range(8):
        plane = fit_plane(points[kept])
        normal = plane.normal_lps
        off = np.abs(plane.signed_distance_mm(points))
        kept = off < max(3.0 * 1.4826 * float(np.median(off)), 0.25)
    return normal, kept
