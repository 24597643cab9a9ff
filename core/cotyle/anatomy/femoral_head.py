"""The femoral head as a sphere, found from within: the first edge that a ray from its middle meets.

A ray that leaves the head crosses its cortex, the joint and the socket. Looking outward from the inside, the head's
own edge comes first, so that it is not taken for the socket's, which may be the stronger one.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from cotyle.anatomy.coarse_search import Pose
from cotyle.anatomy.surface_fit import Trust
from cotyle.errors import InputError
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, unit
from cotyle.space.fits import fit_sphere_robust
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

RADIUS_RANGE_MM = (16.0, 32.0)
_RAYS = 500
_STEP_MM, _SPAN_MM = 0.3, 1.2
_CEILING_HU = 1800.0
# An edge counts from this share of the median ray's strongest one.
_FIRST_EDGE_SHARE = 0.45
# Rays within this angle of the neck leave the head without meeting an edge.
_NECK_COSINE = 0.45
# A shaft at 130 degrees to the neck, hanging straight: the neck rises at 40 degrees from the level.
_NECK_LATERAL, _NECK_DOWN = 0.77, 0.64
_ROUNDS = 4
_INLIER_MM = 0.8
_LEAST_INLIERS = 0.6


def find_head(volume: Volume, start: Sphere, neck_lps: npt.ArrayLike, trust: Trust | None = None) -> Sphere | None:
    """Return the sphere of a femoral head, or None if no clear one is met.

    Parameters
    ----------
    volume:
        CT in HU, full resolution.
    start:
        A guess whose centre lies well inside the head.
    neck_lps:
        Direction from the head to the neck.
    trust:
        How far the scan is to be believed at a place (metal); everywhere if not given.
    """
    directions = _even_directions(_RAYS)
    directions = directions[directions @ unit(neck_lps, "direction of the neck") < _NECK_COSINE]
    sphere = start
    for _ in range(_ROUNDS):
        points = _first_edges(volume, sphere.center_lps_mm, directions, trust)
        if len(points) < _LEAST_INLIERS * len(directions):
            return None
        try:
            sphere, _ = fit_sphere_robust(points)
        except InputError:
            return None
    inliers = np.abs(np.linalg.norm(points - sphere.center_lps_mm, axis=1) - sphere.radius_mm) < _INLIER_MM
    low, high = RADIUS_RANGE_MM
    moved = float(np.linalg.norm(sphere.center_lps_mm - start.center_lps_mm))
    sound = inliers.mean() > _LEAST_INLIERS and low < sphere.radius_mm < high and moved < start.radius_mm
    return sphere if sound else None


def neck_direction(pelvis: Pose, side: Side) -> Array:
    """Return roughly where the neck lies from the head, LPS: lateral and down in the pelvis's own axes."""
    return unit(pelvis.rotation @ np.array([_NECK_LATERAL * side.lateral_sign, 0.0, -_NECK_DOWN]))


def _first_edges(volume: Volume, center: Array, directions: Array, trust: Trust | None) -> Array:
    low, high = RADIUS_RANGE_MM
    radii = np.arange(low - 4.0 - _SPAN_MM, high + 3.0 + _SPAN_MM, _STEP_MM)
    profile = sample(volume, center + radii[:, None] * directions[:, None, :])
    sums = np.concatenate(
        [np.zeros((len(directions), 1)), np.cumsum(np.clip(profile, -50.0, _CEILING_HU), axis=1, dtype=np.float64)],
        axis=1,
    )
    span = round(_SPAN_MM / _STEP_MM)
    middle = np.arange(span, len(radii) - span)
    drop = (2.0 * sums[:, middle] - sums[:, middle - span] - sums[:, middle + span]) / span
    threshold = _FIRST_EDGE_SHARE * float(np.median(drop.max(axis=1)))
    peak = (drop[:, 1:-1] > threshold) & (drop[:, 1:-1] >= drop[:, :-2]) & (drop[:, 1:-1] > drop[:, 2:])
    met = peak.any(axis=1)
    first = np.argmax(peak, axis=1) + 1
    # the sums run up to but not including a sample: the edge lies half a step before it
    at = radii[middle[first]] - 0.5 * _STEP_MM
    points = center + at[:, None] * directions
    if trust is not None:
        met &= trust(points) > 0.5
    return points[met]


def _even_directions(count: int) -> Array:
    """Unit vectors spread evenly over the sphere (Fibonacci lattice), shape (count, 3)."""
    height = 1.0 - 2.0 * (np.arange(count) + 0.5) / count
    angle = np.pi * (3.0 - np.sqrt(5.0)) * np.arange(count)
    ring = np.sqrt(1.0 - height**2)
    return np.stack([ring * np.cos(angle), ring * np.sin(angle), height], axis=1)
