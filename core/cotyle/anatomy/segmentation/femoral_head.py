"""The femoral head as a sphere, found from within: the first edge that a ray from its middle meets.

A ray that leaves the head crosses its cortex, the joint and the socket. Looking outward from the inside, the head's
own edge comes first, so that it is not taken for the socket's, which may be the stronger one. In a worn joint that edge
is faint where bone lies on bone, and what is met first is the back of the socket's plate: so every edge of each ray is
kept, and shared out among the rays by how near it lies to the sphere, which narrows from round to round.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d

from cotyle.anatomy.shapes.coarse_search import Pose
from cotyle.anatomy.shapes.surface_fit import Trust
from cotyle.errors import InputError
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, IntArray, unit
from cotyle.space.directions import even_directions
from cotyle.space.fits import fit_sphere_robust
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

RADIUS_RANGE_MM = (16.0, 32.0)
# Usual space between head and socket.
_JOINT_MM = 3.0
_RAYS = 500
_STEP_MM, _SPAN_MM = 0.3, 0.9
_CEILING_HU = 1800.0
# An edge counts fully from the first of these shares of the median ray's strongest one, and not at all below the
# second: where bone lies on bone the density hardly dips.
_FULL_EDGE_SHARE, _FAINT_EDGE_SHARE = 0.45, 0.08
# Rays within this angle of the neck leave the head without meeting an edge.
NECK_COSINE = 0.45
# A shaft at 130 degrees to the neck, hanging straight: the neck rises at 40 degrees from the level.
_NECK_LATERAL, _NECK_DOWN = 0.77, 0.64
# How far from the sphere an edge may lie to be the head's (one SD), in turn.
_NARROWING_MM = (1.5, 1.0, 0.7, 0.7)
_FITS_EACH = 6
# Chance that none of a ray's edges is the head's, against one full edge on the sphere.
_NO_EDGE = 0.1
# An edge that follows another one within this distance is rather the back of the socket's plate.
_PLATE_MM, _PLATE_SHARE = 7.0, 0.3
_PLATE_THICKNESS_MM = 2.5
_LEAST_SHARE = 0.5
# An empty socket is soft tissue within (not fat, not marrow) and spongy bone beyond its plate.
_SOFT_TISSUE_HU, _SPONGY_MORE_HU = (40.0, 120.0), 50.0
# A dip between two dense bones: how far off they may lie, how dense they are against the median ray's densest place,
# the depth from which it counts and from which it counts fully, that beyond which the drop is clear enough (a share of
# that density too), and how wide the narrowest ones are.
_FLANK_MM, _DENSE_SHARE, _DEEP_SHARE = 3.0, 0.6, 0.3
_LEAST_DIP_HU, _FULL_DIP_HU = 15.0, 150.0
_SEAM_MM = 0.6


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
    directions = even_directions(_RAYS)
    directions = directions[directions @ unit(neck_lps, "direction of the neck") < NECK_COSINE]
    edges = _edges(volume, start.center_lps_mm, directions, trust)
    guesses = [*edges.first_spheres(), Sphere(start.center_lps_mm, start.radius_mm - _JOINT_MM)]
    # what was met first may be the back of the socket's plate
    guesses += [Sphere(guess.center_lps_mm, guess.radius_mm - _PLATE_THICKNESS_MM) for guess in guesses]
    found = [_narrowed(volume, guess, directions, trust) for guess in guesses if _is_sound(guess, start)]
    if not found:
        return None
    sphere, share = max(found, key=lambda each: each[1])
    sound = share > _LEAST_SHARE and _is_sound(sphere, start) and not _is_hollow(volume, sphere, directions)
    return sphere if sound else None


def _narrowed(volume: Volume, sphere: Sphere, directions: Array, trust: Trust | None) -> tuple[Sphere, float]:
    """The sphere that a guess settles on, and the share of the rays that bear it out."""
    for spread_mm in _NARROWING_MM:
        edges = _edges(volume, sphere.center_lps_mm, directions, trust)
        for _ in range(_FITS_EACH):
            sphere = edges.fitted(sphere, spread_mm)
    return sphere, edges.support(sphere, spread_mm)


def _is_sound(sphere: Sphere, start: Sphere) -> bool:
    low, high = RADIUS_RANGE_MM
    moved = float(np.linalg.norm(sphere.center_lps_mm - start.center_lps_mm))
    return low < sphere.radius_mm < high and moved < start.radius_mm


def _is_hollow(volume: Volume, sphere: Sphere, directions: Array) -> bool:
    """Whether the edges met are the back of a socket's plate: soft tissue within, spongy bone beyond."""
    shares, steps = np.linspace(0.3, 0.7, 5), np.arange(0.8, 3.1, 0.4)
    rays = directions[:, None]
    inside = sample(volume, sphere.center_lps_mm + sphere.radius_mm * shares[:, None] * rays)
    beyond = sample(volume, sphere.center_lps_mm + (sphere.radius_mm + steps)[:, None] * rays)
    within_hu, beyond_hu = float(np.median(inside)), float(np.median(beyond.min(axis=1)))
    low, high = _SOFT_TISSUE_HU
    return low < within_hu < high and beyond_hu - within_hu > _SPONGY_MORE_HU


def neck_direction(pelvis: Pose, side: Side) -> Array:
    """Return roughly where the neck lies from the head, LPS: lateral and down in the pelvis's own axes."""
    return unit(pelvis.rotation @ np.array([_NECK_LATERAL * side.lateral_sign, 0.0, -_NECK_DOWN]))


@dataclass(frozen=True, eq=False)
class _RayEdges:
    """Every edge (n,) that rays meet on their way out: point, ray, strength 0 to 1."""

    points: Array
    ray: IntArray
    strength: Array
    rays: int

    def first_spheres(self) -> list[Sphere]:
        """Spheres through the first edge of each ray, whatever its strength, and through the first of full strength."""
        spheres = []
        for least in (0.0, 1.0):
            chosen = np.flatnonzero(self.strength >= least)
            first = chosen[np.unique(self.ray[chosen], return_index=True)[1]]
            if len(first) > _LEAST_SHARE * self.rays:
                with suppress(InputError):
                    spheres.append(fit_sphere_robust(self.points[first])[0])
        return spheres

    def fitted(self, sphere: Sphere, spread_mm: float) -> Sphere:
        """The sphere of least squares, each ray's edges shared out by how near they lie to the sphere before."""
        offset = self.points - sphere.center_lps_mm
        distance = np.linalg.norm(offset, axis=1)
        residual = distance - sphere.radius_mm
        near = self.strength * np.exp(-0.5 * (residual / spread_mm) ** 2)
        share = near / (_NO_EDGE + np.bincount(self.ray, near, self.rays))[self.ray]
        slope = np.hstack([-offset / distance[:, None], -np.ones((len(offset), 1))])
        normal = slope.T @ (share[:, None] * slope) + 1e-6 * np.eye(4)
        step = np.linalg.solve(normal, -slope.T @ (share * residual))
        return Sphere(sphere.center_lps_mm + step[:3], max(float(sphere.radius_mm + step[3]), 1.0))

    def support(self, sphere: Sphere, spread_mm: float) -> float:
        """Share of the rays that have an edge near the sphere, each counted by its strength and nearness."""
        residual = np.linalg.norm(self.points - sphere.center_lps_mm, axis=1) - sphere.radius_mm
        best = np.zeros(self.rays)
        np.maximum.at(best, self.ray, np.sqrt(self.strength) * np.exp(-0.5 * (residual / spread_mm) ** 2))
        return float(best.mean())


def _edges(volume: Volume, center: Array, directions: Array, trust: Trust | None) -> _RayEdges:
    low, high = RADIUS_RANGE_MM
    radii = np.arange(low - 4.0 - _SPAN_MM, high + 3.0 + _SPAN_MM, _STEP_MM)
    profile = sample(volume, center + radii[:, None] * directions[:, None, :]).astype(np.float64)
    sums = np.concatenate(
        [np.zeros((len(directions), 1)), np.cumsum(np.clip(profile, -50.0, _CEILING_HU), axis=1, dtype=np.float64)],
        axis=1,
    )
    span = round(_SPAN_MM / _STEP_MM)
    middle = np.arange(span, len(radii) - span)
    drop = (2.0 * sums[:, middle] - sums[:, middle - span] - sums[:, middle + span]) / span
    strongest = float(np.median(drop.max(axis=1)))
    peak = (drop[:, 1:-1] >= drop[:, :-2]) & (drop[:, 1:-1] > drop[:, 2:])
    ray, at = np.nonzero(peak & (drop[:, 1:-1] > _FAINT_EDGE_SHARE * strongest))
    full = max((_FULL_EDGE_SHARE - _FAINT_EDGE_SHARE) * strongest, 1e-6)
    strength = np.clip((drop[ray, at + 1] - _FAINT_EDGE_SHARE * strongest) / full, 0.0, 1.0)
    # the sums run up to but not including a sample: the edge lies half a step before it
    reach = radii[middle[at + 1]] - 0.5 * _STEP_MM
    seam_ray, seam_reach, seam_strength = _seams(profile, radii)
    ray, reach = np.append(ray, seam_ray), np.append(reach, seam_reach)
    strength = np.append(strength, seam_strength)
    order = np.lexsort((reach, ray))
    ray, reach, strength = ray[order], reach[order], strength[order]
    follows = np.zeros(len(ray), dtype=bool)
    follows[1:] = (ray[1:] == ray[:-1]) & (np.diff(reach) > _SEAM_MM) & (np.diff(reach) < _PLATE_MM)
    strength = np.where(follows, _PLATE_SHARE * strength, strength)
    points = center + reach[:, None] * directions[ray]
    if trust is not None:
        believed = trust(points) > 0.5
        points, ray, strength = points[believed], ray[believed], strength[believed]
    return _RayEdges(points, ray.astype(np.int32), strength, len(directions))


def _seams(profile: Array, radii: Array) -> tuple[IntArray, Array, Array]:
    """Dips between dense bone on both sides, where a drop is too faint to be seen: ray, radius, strength."""
    count = round(_FLANK_MM / _STEP_MM)
    before = maximum_filter1d(profile, count + 1, axis=1, origin=count // 2)
    after = maximum_filter1d(profile, count + 1, axis=1, origin=-(count // 2))
    flank = np.minimum(before, after)
    usual = float(np.median(np.clip(profile, None, _CEILING_HU).max(axis=1)))
    dense = flank > _DENSE_SHARE * usual
    dip = flank - profile
    lowest = np.zeros(profile.shape, dtype=bool)
    lowest[:, 1:-1] = (profile[:, 1:-1] <= profile[:, :-2]) & (profile[:, 1:-1] < profile[:, 2:])
    ray, at = np.nonzero(lowest & dense & (dip > _LEAST_DIP_HU) & (dip < _DEEP_SHARE * usual))
    strength = np.clip(dip[ray, at] / _FULL_DIP_HU, 0.0, 1.0)
    return ray.astype(np.int32), radii[at] - 0.5 * _SEAM_MM, strength
