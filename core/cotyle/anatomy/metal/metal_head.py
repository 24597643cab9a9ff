"""The ball of an artificial hip: the thickest piece of metal near the socket, if it is round."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cotyle.anatomy.metal.metal_edges import (
    cast,
    edges_beyond_level,
    first_crossing,
    half_height,
    is_clipped,
    tail_of,
)
from cotyle.errors import InputError
from cotyle.image.metal import Metal
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.space.directions import even_directions
from cotyle.space.fits import fit_sphere_robust
from cotyle.space.shapes import Sphere

# Heads of 22 to 40 mm are usual, resurfacing up to 60; common practice, no source.
RADIUS_RANGE_MM = (9.5, 31.0)
_NEAR_MM = 45.0
_INLIER_MM = 0.5
_LEAST_ROUND_SHARE = 0.5
_TAIL_MM = 2.5


@dataclass(frozen=True, eq=False)
class MetalHead:
    """A ball of metal: its sphere, the share of rays that meet that sphere, and the density inside (HU)."""

    sphere: Sphere
    round_share: float
    plateau_hu: float


def find_metal_head(volume: Volume, metal: Metal, near_lps_mm: Array) -> MetalHead | None:
    """Return the ball nearest in thickness and place to a hip, or None if there is none.

    Parameters
    ----------
    volume:
        CT in HU, full resolution.
    near_lps_mm:
        Rough centre of the hip, (3,); the ball's is looked for within 45 mm.
    """
    part = metal.distance.around(np.asarray(near_lps_mm)[None], _NEAR_MM)
    depth = -part.voxels
    if depth.max() < RADIUS_RANGE_MM[0] - 2.0:
        return None
    k, j, i = np.unravel_index(int(np.argmax(depth)), depth.shape)
    center = part.to_lps([i, j, k])
    radius = float(depth[k, j, i])
    plateau = float(np.median(sample(volume, center + 0.5 * radius * even_directions(200))))
    level = half_height(plateau)
    directions = even_directions(1200)
    for _ in range(3):
        rays = cast(volume, center, directions, 0.4 * radius, radius + 8.0)
        edges = first_crossing(rays, level, rising=False)
        met = np.isfinite(edges)
        if met.mean() < _LEAST_ROUND_SHARE:
            return None
        try:
            sphere, _ = fit_sphere_robust(rays.points(met, edges[met]), 0.3)
        except InputError:
            return None
        center, radius = sphere.center_lps_mm, sphere.radius_mm
    residual = np.abs(np.linalg.norm(rays.points(met, edges[met]) - center, axis=1) - radius)
    share = float((residual < _INLIER_MM).sum() / len(directions))
    if share < _LEAST_ROUND_SHARE or not RADIUS_RANGE_MM[0] <= radius <= RADIUS_RANGE_MM[1]:
        return None
    if is_clipped(plateau):
        near = met.copy()
        near[met] = residual < _INLIER_MM
        tail = tail_of(rays.chosen(near), edges[near], 1.0, _TAIL_MM)
        radius += 0.0 if tail is None else float(edges_beyond_level([tail])[0])
    return MetalHead(Sphere(center, radius), share, plateau)
