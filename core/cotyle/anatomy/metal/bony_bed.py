"""The bone behind an artificial cup, seen along rays through the cup's sphere.

Past the metal a ray meets either bone at once (contact), or first a dark line and then the edge of bone. Where cement
lies between, the line is bright and the bone behind it is told by the shape of the bone found, not by density.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.spatial import cKDTree

from cotyle.anatomy.metal.metal_cup import BonyBed
from cotyle.anatomy.metal.metal_edges import STEP_MM, Rays, cast, sustained
from cotyle.anatomy.shapes.surface_fit import Guide
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, BoolArray
from cotyle.space.directions import even_directions
from cotyle.space.shapes import Sphere

_RAYS, _NEIGHBOURS = 3000, 9
_SHORT_OF_MOUTH = 0.15
_REACH_MM = 9.0
# Nearer to the metal than this its blur can't be taken off well enough.
_BLIND_MM = 0.7
# Cement: how thick a mantle may be, how far behind it is looked, thickness and density of the cortex behind (common
# practice, no source), and what must be left behind that for bone.
_MANTLE_MM, _CEMENT_REACH_MM = 6.0, 13.0
_CORTEX_MM, _CORTEX_SD_MM, _CORTEX_HU = 1.8, 0.4, 1100.0
_STAYS_LOW_MM = 2.0
_JUST_BEHIND_MM, _LEAST_FALL_HU, _LEAST_BONE_HU = (1.2, 3.0), 200.0, 120.0
# A surface is drawn to the bed from so near; it must face the cup (cosine), on a ray within so much (chord of a unit
# sphere) of one that was cast.
_DRAWN_FROM_MM, _LEAST_FACING, _BESIDE_DOME = 7.0, 0.4, 0.08
# A line narrower than this is not told from contact.
_BLIND_LINE_MM = 0.9
_SCREW_HU = 1900.0
_BONE_HU, _SOFT_HU = 230.0, 80.0
_PEAK_WITHIN_MM = 2.0
_DIP_HU, _DIP_WITHIN_MM = 200.0, 2.6
_LINE_FROM_MM = 1.0
_LEAST_RISE_HU = 50.0
# A cup with a line over less than this lies in a bed that was reamed to its own size.
_NO_LINE_SHARE, _TOUCHING_GUIDE_MM = 0.25, (0.35, 0.5)
_LEAST_SEEN, _LEAST_POINTS = 0.10, 60
_FLOOR_MM = 0.2
# Bone told along a ray belongs to the articular surface if the surface as found runs so near.
_OFF_LUNATE_MM = 5.0
# A sphere through part of a socket is held by the cup: its centre and radius, one SD, against points of 0.6 mm of which
# so many are independent.
_GUIDE_MM, _POINT_SD_MM, _LOSS_MM, _INDEPENDENT = (3.0, 1.5), 0.6, 0.6, 40.0


@dataclass(frozen=True, eq=False)
class BedPoints:
    """What each ray (n,) through the dome of a cup found: gap to the bone in mm, NaN where no bone was told.

    depth_sd_mm: one deviation that all gaps have in common.
    """

    center_lps_mm: Array
    radius_mm: float
    directions: Array
    gap_mm: Array
    depth_sd_mm: float = 0.0

    @property
    def seen(self) -> BoolArray:
        """Rays that found bone."""
        return np.isfinite(self.gap_mm)

    @property
    def points_lps_mm(self) -> Array:
        """Edge of bone on these rays, (k, 3)."""
        seen = self.seen
        return np.asarray(self.center_lps_mm + (self.radius_mm + self.gap_mm[seen])[:, None] * self.directions[seen])


def look_behind(volume: Volume, cup: Sphere, opening_axis: Array, inner_radius_mm: float) -> BedPoints:
    """Look for bone behind the dome of a metal shell.

    The blur of the metal is seen undisturbed on the inner face, against the liner; the same is taken off outside.
    """
    directions = _dome(opening_axis)
    rays = cast(volume, cup.center_lps_mm, directions, cup.radius_mm, cup.radius_mm + _REACH_MM)
    screw = (rays.hu[:, rays.radii_mm > cup.radius_mm + 2.2] > _SCREW_HU).any(axis=1)
    smooth = _smoothed(rays)
    beyond = rays.radii_mm - cup.radius_mm
    gap = _gaps(smooth - _tail(volume, cup, directions, inner_radius_mm, beyond), beyond)
    gap[~_rises_again(smooth, beyond, gap)] = 0.0
    gap[screw] = np.nan
    return BedPoints(cup.center_lps_mm, cup.radius_mm, directions, gap)


def look_behind_cement(volume: Volume, cup: Sphere, opening_axis: Array) -> BedPoints:
    """Look for bone behind the dome of a plastic cup in cement.

    Cement and the cortex behind it are about alike. What shows is where both together end, in the softer bone behind:
    the bed lies a cortex's thickness nearer. Where they end in something as dark as soft tissue nothing is told.
    """
    directions = _dome(opening_axis)
    rays = cast(volume, cup.center_lps_mm, directions, cup.radius_mm, cup.radius_mm + _CEMENT_REACH_MM)
    smooth = _smoothed(rays)
    beyond = rays.radii_mm - cup.radius_mm
    step = np.arange(smooth.shape[1])
    bright = smooth[:, : np.searchsorted(beyond, _MANTLE_MM)].max(axis=1)
    first = np.argmax(smooth >= bright[:, None] - 1.0, axis=1)
    behind = np.nanmedian(np.where(beyond > _MANTLE_MM + _CORTEX_MM, smooth, np.nan), axis=1)
    level = 0.5 * (np.minimum(bright, _CORTEX_HU) + behind)
    # a dip that bone follows at once is a line between cement and cortex
    falls = sustained((smooth < level[:, None]) & (step > first[:, None]), round(_STAYS_LOW_MM / STEP_MM))
    at = np.maximum(np.argmax(falls, axis=1), 1)
    rows = np.arange(len(smooth))
    before, after = smooth[rows, at - 1], smooth[rows, at]
    share = np.clip((before - level) / np.maximum(before - after, 1.0), 0.0, 1.0)
    end = beyond[at - 1] + share * STEP_MM
    past = beyond - end[:, None]
    just_behind = np.where((past > _JUST_BEHIND_MM[0]) & (past < _JUST_BEHIND_MM[1]), smooth, np.inf).min(axis=1)
    told = falls.any(axis=1) & (bright - behind > _LEAST_FALL_HU) & (just_behind > _LEAST_BONE_HU)
    gap = np.where(told, np.maximum(end - _CORTEX_MM, 0.0), np.nan)
    return BedPoints(cup.center_lps_mm, cup.radius_mm, directions, gap, _CORTEX_SD_MM)


def bed_guide(beds: Sequence[BedPoints]) -> Guide:
    """Return a guide that draws the surface of a hip bone to the beds of its artificial cups where they were seen."""
    trees = [cKDTree(bed.directions) for bed in beds]

    def guide(vertices: Array, normals: Array) -> tuple[Array, Array]:
        way, sure = np.zeros(len(vertices)), np.zeros(len(vertices))
        for bed, tree in zip(beds, trees, strict=True):
            offset = vertices - bed.center_lps_mm
            away = np.maximum(np.linalg.norm(offset, axis=1), 1e-9)
            facing = -np.einsum("ij,ij->i", offset, normals) / away
            near = np.flatnonzero((np.abs(away - bed.radius_mm - 1.0) < _DRAWN_FROM_MM) & (facing > _LEAST_FACING))
            apart, rays = tree.query(offset[near] / away[near, None], k=_NEIGHBOURS)
            gaps = bed.gap_mm[rays]
            told = (apart[:, 0] < _BESIDE_DOME) & (np.isfinite(gaps).mean(axis=1) > 0.5)
            near, gap = near[told], np.nanmedian(gaps[told], axis=1)
            way[near] = (away[near] - bed.radius_mm - gap) * facing[near]
            sure[near] = 1.0
        return way, sure

    return guide


def _dome(opening_axis: Array) -> Array:
    directions = even_directions(_RAYS)
    return np.asarray(directions[directions @ -opening_axis > _SHORT_OF_MOUTH])


def _smoothed(rays: Rays) -> Array:
    """Density along each ray, the median of it and its neighbours."""
    _, near = cKDTree(rays.directions).query(rays.directions, k=_NEIGHBOURS)
    return np.asarray(np.median(rays.hu[near], axis=1))


def _tail(volume: Volume, cup: Sphere, directions: Array, inner_radius_mm: float, beyond_mm: Array) -> Array:
    """What the blur of the shell adds at distances from its face, HU (m,); zero from 3 mm."""
    inward = np.append(beyond_mm[beyond_mm < 3.0], 3.0)
    points = cup.center_lps_mm + (inner_radius_mm - inward)[:, None] * directions[:, None, :]
    profile = np.median(sample(volume, points), axis=0)
    return np.interp(beyond_mm, inward, np.maximum(profile - profile[-4:].min(), 0.0), right=0.0)


def _rises_again(hu: Array, beyond_mm: Array, gap_mm: Array) -> BoolArray:
    """Whether density (n, m) as scanned rises behind the gap of each ray; true where there is none.

    Whatever is taken off for the blur of the metal may be too much; a dark line shows by itself.
    """
    gap = np.nan_to_num(gap_mm)[:, None]
    before = np.where((beyond_mm >= _BLIND_MM) & (beyond_mm <= gap + STEP_MM), hu, np.inf).min(axis=1)
    behind = np.where((beyond_mm > gap) & (beyond_mm < gap + _PEAK_WITHIN_MM), hu, -np.inf).max(axis=1)
    return np.asarray((behind - before > _LEAST_RISE_HU) | ~(gap_mm > 0.0))


def _gaps(hu: Array, beyond_mm: Array) -> Array:
    """Width of the dark line on each ray (n,), 0 for contact, NaN where no bone is met; distances (m,) from the cup."""
    first = int(np.searchsorted(beyond_mm, _BLIND_MM))
    ahead, away = hu[:, first:], beyond_mm[first:]
    # what is left of the metal's blur falls away at once, bone does not: past the first dip bone must rise again
    dark = (ahead < _DIP_HU) & (away < _DIP_WITHIN_MM)
    dip = np.where(dark.any(axis=1), np.argmax(dark, axis=1), 0)
    bone = (ahead >= _BONE_HU) & (np.arange(ahead.shape[1]) >= dip[:, None])
    met = bone.any(axis=1)
    start = np.argmax(bone, axis=1)
    within = np.arange(ahead.shape[1]) - start[:, None]
    peak = np.where((within >= 0) & (within * STEP_MM <= _PEAK_WITHIN_MM), ahead, -np.inf).max(axis=1)
    low = np.where(within < 0, ahead, np.inf).min(axis=1)
    low = np.clip(np.where(np.isfinite(low), low, _SOFT_HU), -150.0, _SOFT_HU)
    level = 0.5 * (low + peak)
    above = (ahead >= level[:, None]) & (within * STEP_MM <= _PEAK_WITHIN_MM)
    above &= np.arange(ahead.shape[1]) >= dip[:, None]
    at = np.argmax(above, axis=1)
    rows = np.arange(len(ahead))
    before = ahead[rows, np.maximum(at - 1, 0)]
    share = (level - before) / np.maximum(ahead[rows, at] - before, 1.0)
    gap = np.where(at == 0, 0.0, away[np.maximum(at - 1, 0)] + share * STEP_MM)
    return np.where(met & (peak > _BONE_HU), gap, np.nan)


def bed_of(found: BedPoints, lunate_lps_mm: Array, fossa_lps_mm: Array) -> BonyBed | None:
    """Sphere of the bone behind a cup, and the line between; None where too little bone was told.

    Parameters
    ----------
    lunate_lps_mm, fossa_lps_mm:
        Points (n, 3) of the articular surface and of the floor of the hip bone as found: only bone nearer to the
        former counts for the sphere, since the floor lies deeper.
    """
    seen = found.seen
    if seen.mean() < _LEAST_SEEN:
        return None
    points, gaps = found.points_lps_mm, found.gap_mm[seen]
    if len(lunate_lps_mm) and len(fossa_lps_mm):
        away, _ = cKDTree(lunate_lps_mm).query(points)
        articular = (away < _OFF_LUNATE_MM) & (cKDTree(fossa_lps_mm).query(points)[0] > away)
    else:
        articular = np.ones(len(points), dtype=bool)
    if articular.sum() < _LEAST_POINTS:
        return None
    line = float(np.median(gaps[articular]))
    guide = Sphere(found.center_lps_mm, found.radius_mm + line)
    wide = float((gaps[articular] >= _LINE_FROM_MM).mean())
    held = _GUIDE_MM if wide > _NO_LINE_SHARE else _TOUCHING_GUIDE_MM
    sphere, misfit, spread = _held_sphere(points[articular], gaps[articular] == 0.0, guide, held)
    share = float(seen.mean())
    return BonyBed(
        sphere,
        float(np.hypot(_FLOOR_MM, spread)),
        2.0 * float(np.hypot(np.hypot(_FLOOR_MM, misfit), found.depth_sd_mm)),
        line,
        wide,
        share,
    )


def _held_sphere(
    points: Array, touching: BoolArray, guide: Sphere, held_mm: tuple[float, float]
) -> tuple[Sphere, float, float]:
    """Robust sphere held weakly by a guide, the median distance of its points, and one deviation of its centre (mm).

    A ``touching`` point says only that bone begins somewhere between the metal and ``_BLIND_LINE_MM`` beyond.
    """
    weight = np.sqrt(_INDEPENDENT / len(points))
    slack = np.where(touching, _BLIND_LINE_MM, 0.0)

    def misfit(p: Array) -> Array:
        off = np.linalg.norm(points - guide.center_lps_mm - p[:3], axis=1) - guide.radius_mm - p[3]
        off = np.where(off > 0.0, off, np.minimum(off + slack, 0.0))
        soft = np.sqrt(np.log1p((off / _LOSS_MM) ** 2)) * np.sign(off) * _LOSS_MM
        return np.concatenate([weight * soft / _POINT_SD_MM, p[:3] / held_mm[0], [p[3] / held_mm[1]]])

    best = least_squares(misfit, np.zeros(4))
    center, radius = guide.center_lps_mm + best.x[:3], guide.radius_mm + float(best.x[3])
    residual = np.abs(np.linalg.norm(points - center, axis=1) - radius)
    residual = np.maximum(residual - 0.5 * slack, 0.0)
    covariance = np.linalg.inv(best.jac.T @ best.jac)
    return Sphere(center, radius), float(np.median(residual)), float(np.sqrt(np.trace(covariance[:3, :3]) / 3.0))
