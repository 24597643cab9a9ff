"""The femur of a replaced hip: where its neck was cut.

Below the cut every vertex of the fitted femur wears a cortex; above it lie joint, metal and, farther up, the socket.
The plane that parts the two best is the cut: over tilts about the way from the shaft to the head and over heights, the
mean cortex just below it minus the mean just above. A plane that parts nothing clearly is none: then the head was kept
under a cap, or the neck can't be seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cotyle.anatomy.shapes.surface_fit import Trust
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, any_perpendicular, unit
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Plane, Sphere

# The cut takes the head away, so it lies below its middle; a shaft begins beyond the farthest.
_NEAREST_MM, _FARTHEST_MM = 8.0, 75.0
_SHAFT_MM = (80.0, 130.0)
_BELOW_NECK_MM = (30.0, 60.0)
_TILTS_DEG, _AROUND = np.arange(0.0, 41.0, 5.0), 12
_WINDOW_MM = 14.0
_LEAST_PER_SIDE = 15
_DEPTHS_MM = np.array([0.5, 0.8, 1.1])
_SOFT_HU, _CEILING_HU = 60.0, 1800.0
_LEAST_TRUST = 0.5
# Between planes that part alike the less tilted one is the likelier; share of cortex per square radian.
_TILT_PENALTY = 0.4
_LEAST_CONTRAST = 0.35


@dataclass(frozen=True, eq=False)
class Resection:
    """The cut through a neck: its plane, normal towards the head; contrast: share of cortex lost across it, 0 to 1."""

    plane: Plane
    contrast: float


def find_resection(volume: Volume, femur: TriangleMesh, ball: Sphere, trust: Trust | None = None) -> Resection | None:
    """Return the cut through the neck of a femur, or None if its neck is whole or can't be seen.

    Parameters
    ----------
    volume:
        CT in HU.
    femur:
        The whole femur as found, its missing head and neck guessed.
    ball:
        The artificial head.
    """
    vertices = femur.vertices_lps_mm
    away = np.linalg.norm(vertices - ball.center_lps_mm, axis=1)
    share, seen = _cortex_share(volume, femur, away, trust)
    near = seen & (away < _FARTHEST_MM)
    if near.sum() < 4 * _LEAST_PER_SIDE:
        return None
    below_neck = (away > _BELOW_NECK_MM[0]) & (away < _BELOW_NECK_MM[1])
    toward_head = unit(ball.center_lps_mm - vertices[below_neck].mean(axis=0))
    best, contrast = _best_plane(vertices[near], share[near], toward_head, ball)
    return None if best is None or contrast < _LEAST_CONTRAST else Resection(best, contrast)


def _cortex_share(volume: Volume, femur: TriangleMesh, away: Array, trust: Trust | None) -> tuple[Array, Array]:
    """How much of the shaft's cortex (n,) each vertex wears, 0 to 1, and where that can be told."""
    places = femur.vertices_lps_mm[:, None, :] - _DEPTHS_MM[:, None] * femur.vertex_normals[:, None, :]
    hu = sample(volume, places, outside=np.nan).astype(np.float64).mean(axis=1)
    seen = np.isfinite(hu)
    if trust is not None:
        seen &= trust(femur.vertices_lps_mm) >= _LEAST_TRUST
    shaft = seen & (away > _SHAFT_MM[0]) & (away < _SHAFT_MM[1])
    usual = float(np.median(hu[shaft])) if shaft.any() else _CEILING_HU
    share = np.clip((hu - _SOFT_HU) / max(usual - _SOFT_HU, 100.0), 0.0, 1.0)
    return np.nan_to_num(share), seen


def _best_plane(points: Array, share: Array, toward_head: Array, ball: Sphere) -> tuple[Plane | None, float]:
    u = any_perpendicular(toward_head)
    w = np.cross(toward_head, u)
    best, contrast, score = None, 0.0, 0.0
    for tilt in np.deg2rad(_TILTS_DEG):
        for turn in 2.0 * np.pi * np.arange(_AROUND if tilt > 0 else 1) / _AROUND:
            way = np.cos(tilt) * toward_head + np.sin(tilt) * (np.cos(turn) * u + np.sin(turn) * w)
            height = (points - ball.center_lps_mm) @ way
            place, lost = _best_height(height, share)
            if lost - _TILT_PENALTY * tilt**2 > score:
                best, contrast = Plane(ball.center_lps_mm + place * way, way), lost
                score = lost - _TILT_PENALTY * tilt**2
    return best, contrast


def _best_height(height: Array, share: Array) -> tuple[float, float]:
    """Height of the cut along one way and the cortex lost across it."""
    order = np.argsort(height)
    height, share = height[order], share[order]
    sums = np.append(0.0, np.cumsum(share))
    middle = np.arange(1, len(height))
    place = 0.5 * (height[middle - 1] + height[middle])
    low = np.searchsorted(height, place - _WINDOW_MM)
    high = np.searchsorted(height, place + _WINDOW_MM)
    below, above = middle - low, high - middle
    enough = (below >= _LEAST_PER_SIDE) & (above >= _LEAST_PER_SIDE) & (place < -_NEAREST_MM)
    lost = np.where(enough, (sums[middle] - sums[low]) / np.maximum(below, 1), 0.0)
    lost -= np.where(enough, (sums[high] - sums[middle]) / np.maximum(above, 1), 0.0)
    at = int(np.argmax(lost))
    return float(place[at]), float(lost[at])
