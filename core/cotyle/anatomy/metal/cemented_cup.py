"""A plastic cup in cement: its marker wire gives the mouth, the edge between plastic and cement the sphere.

The wire is a ring of thin metal near the mouth: a circle through it (consensus of random triples, Fischler and Bolles,
Commun ACM 1981;24:381-95, then least squares) gives the axis. How deep in the plastic the ring lies differs from cup to
cup, so the centre and size come from the outside of the plastic, where the dark plastic ends and bright cement begins.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cotyle.anatomy.metal.metal_edges import cast, first_crossing
from cotyle.errors import InputError
from cotyle.image.metal import Metal
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.space.directions import even_directions
from cotyle.space.fits import fit_circle, fit_sphere_robust
from cotyle.space.shapes import Circle, Sphere

_RING_RADIUS_MM = (14.0, 34.0)
_WIRE_HU = 2200.0
_TRIPLES = 3000
_INLIER_MM = 0.9
_LEAST_ROUND = 0.7
_SECTORS = 36
_RAYS = 3000
_LEAST_STEP_HU = 250.0
_CEMENT_AHEAD_MM = 1.6
# Of the thin metal about the ball this share must lie on the ring: the edge of a shell is a circle too.
_LEAST_OF_METAL = 0.35
# Streaks and voxels pull a whole ring the same way.
_FLOOR_DEG = 0.05
# Without an edge of plastic: how far the centre of the ring may lie from the cup's, and the cup's edge from the ring.
_RING_OFF_MM, _RING_SD_MM, _WIRE_DEPTH_MM = 1.0, 1.2, 1.2


@dataclass(frozen=True, eq=False)
class CementedCup:
    """Sphere of the outside of a plastic cup, unit axis out of its mouth, one deviation of each, and its ring."""

    outer: Sphere
    opening_axis: Array
    ring: Circle
    center_sd_mm: float
    axis_sd_deg: float
    diameter_sd_mm: float
    round_share: float
    edge_seen: bool


def find_cemented_cup(volume: Volume, metal: Metal, ball: Sphere, outward_lps: Array) -> CementedCup | None:
    """Return the plastic cup about a ball of metal, or None if there is no ring of wire.

    Parameters
    ----------
    outward_lps:
        Roughly out of the mouth: lateral and down; within 80 degrees.
    """
    found = _ring(volume, metal, ball)
    if found is None:
        return None
    ring, spread, count, round_share = found
    axis = ring.normal_lps if ring.normal_lps @ outward_lps > 0 else -ring.normal_lps
    slope = np.rad2deg(np.sqrt(2.0 / max(count / 8.0, 4.0)) * spread / ring.radius_mm)
    edge = _plastic_edge(volume, ball, ring, axis)
    if edge is None:
        center = ring.center_lps_mm + _RING_OFF_MM * axis
        sphere, center_sd, radius_sd = Sphere(center, ring.radius_mm + _WIRE_DEPTH_MM), _RING_SD_MM, 1.0
    else:
        sphere, misfit = edge
        center_sd, radius_sd = float(np.hypot(0.2, 0.4 * misfit)), float(np.hypot(0.25, 0.4 * misfit))
    return CementedCup(
        sphere,
        axis,
        ring,
        center_sd,
        float(np.hypot(_FLOOR_DEG, slope)),
        2.0 * radius_sd,
        round_share,
        edge is not None,
    )


def _ring(volume: Volume, metal: Metal, ball: Sphere) -> tuple[Circle, float, int, float] | None:
    """Circle of the wire, its spread (mm), the number of voxels on it and the share of the round they fill."""
    part = volume.around(ball.center_lps_mm[None], _RING_RADIUS_MM[1] + 6.0)
    k, j, i = np.nonzero(part.voxels > _WIRE_HU)
    points = part.to_lps(np.stack([i, j, k], axis=1).astype(float))
    away = np.linalg.norm(points - ball.center_lps_mm, axis=1)
    # the ball, its neck and the stem are one piece
    own = metal.piece_at(ball.center_lps_mm[None])[0]
    wire = (away > ball.radius_mm + 1.5) & (away < _RING_RADIUS_MM[1] + 4.0) & (metal.piece_at(points) != own)
    points, weights = points[wire], part.voxels[k, j, i][wire].astype(float)
    if len(points) < 60:
        return None
    circle = _consensus(points, ball)
    if circle is None:
        return None
    for _ in range(4):
        near = _off_circle(points, circle) < _INLIER_MM
        if near.sum() < 40:
            return None
        heavy = np.repeat(points[near], np.clip(weights[near] / 1500.0, 1, 4).astype(int), axis=0)
        try:
            circle = fit_circle(heavy)
        except InputError:
            return None
    near = _off_circle(points, circle) < _INLIER_MM
    offset = points[near] - circle.center_lps_mm
    u = np.cross(circle.normal_lps, np.eye(3)[np.argmin(np.abs(circle.normal_lps))])
    u /= np.linalg.norm(u)
    w = np.cross(circle.normal_lps, u)
    sector = np.floor((np.arctan2(offset @ w, offset @ u) / (2.0 * np.pi) + 0.5) * _SECTORS).astype(int) % _SECTORS
    share = len(np.unique(sector)) / _SECTORS
    spread = float(np.std(offset @ circle.normal_lps))
    sound = share >= _LEAST_ROUND and near.mean() >= _LEAST_OF_METAL
    return (circle, spread, int(near.sum()), share) if sound else None


def _consensus(points: Array, ball: Sphere) -> Circle | None:
    """Circle through most points, by random triples; centre near the ball's."""
    rng = np.random.default_rng(0)
    subset = points if len(points) <= 1500 else points[rng.choice(len(points), 1500, replace=False)]
    triples = subset[np.array([rng.choice(len(subset), 3, replace=False) for _ in range(_TRIPLES)])]
    a, b, c = triples[:, 0], triples[:, 1] - triples[:, 0], triples[:, 2] - triples[:, 0]
    normal = np.cross(b, c)
    squared = np.einsum("ij,ij->i", normal, normal)
    sound = squared > 1e4
    a, b, c, normal, squared = a[sound], b[sound], c[sound], normal[sound], squared[sound]
    # centre of the circle through three points, by the cross products of its edges
    to_center = (
        np.cross(normal, b) * np.einsum("ij,ij->i", c, c)[:, None]
        + np.cross(c, normal) * np.einsum("ij,ij->i", b, b)[:, None]
    ) / (2.0 * squared[:, None])
    center, radius = a + to_center, np.linalg.norm(to_center, axis=1)
    normal = normal / np.sqrt(squared)[:, None]
    likely = (radius > _RING_RADIUS_MM[0]) & (radius < _RING_RADIUS_MM[1])
    likely &= np.linalg.norm(center - ball.center_lps_mm, axis=1) < 10.0
    best, most = None, 0
    for middle, way, size in zip(center[likely], normal[likely], radius[likely], strict=True):
        circle = Circle(middle, way, float(size))
        count = int((_off_circle(subset, circle) < _INLIER_MM).sum())
        if count > most:
            best, most = circle, count
    return best


def _off_circle(points: Array, circle: Circle) -> Array:
    offset = points - circle.center_lps_mm
    height = offset @ circle.normal_lps
    across = np.linalg.norm(offset - height[:, None] * circle.normal_lps, axis=1)
    return np.hypot(height, across - circle.radius_mm)


def _plastic_edge(volume: Volume, ball: Sphere, ring: Circle, axis: Array) -> tuple[Sphere, float] | None:
    """Sphere of the outside of the plastic and the median distance of its points, or None where it isn't seen."""
    center = ring.center_lps_mm
    directions = even_directions(_RAYS)
    directions = directions[(directions @ -axis > 0.15)]
    sphere, misfit = None, 0.0
    for _ in range(3):
        moved = float(np.linalg.norm(center - ball.center_lps_mm))
        rays = cast(volume, center, directions, ball.radius_mm + 2.0 + moved, ring.radius_mm + 9.0)
        plastic = float(np.median(rays.hu[:, rays.radii_mm < max(ring.radius_mm - 1.5, rays.radii_mm[2])]))
        first = first_crossing(rays, plastic + _LEAST_STEP_HU, rising=True)
        if np.isfinite(first).mean() < 0.3:
            return None
        # the density of cement is read just behind its edge: farther out there may be cortex
        rows = np.flatnonzero(np.isfinite(first))
        behind = sample(volume, rays.points(rows, first[rows] + _CEMENT_AHEAD_MM))
        level = 0.5 * (plastic + float(np.median(behind)))
        edges = first_crossing(rays, level, rising=True)
        met = np.isfinite(edges) & (np.abs(edges - ring.radius_mm) < 5.0)
        if met.mean() < 0.3:
            return None
        sphere, misfit = fit_sphere_robust(rays.points(met, edges[met]), 0.4)
        if np.linalg.norm(sphere.center_lps_mm - ring.center_lps_mm) > 6.0:
            return None
        center = sphere.center_lps_mm
    return (sphere, misfit) if sphere is not None and misfit < 1.0 else None
