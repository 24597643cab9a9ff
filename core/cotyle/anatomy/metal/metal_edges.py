"""Edges of metal along rays, below the voxel, also where the scanner's numbers end at 3071 HU."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares
from scipy.special import ndtr

from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, BoolArray

# Twelve bits end here; metal at this value says nothing of how dense it is.
CLIPPED_HU = 3071.0
STEP_MM = 0.25
_SOFT_HU = 50.0
_LEAST_RAYS = 20
# Blur of clinical kernels, mm, and density of metal on the extended scale with the factor that is one deviation of it;
# common practice, no source.
_BLUR_MM, _METAL_HU = (0.62, 0.1), (8000.0, 1.5)

Rows = npt.NDArray[np.integer] | BoolArray | slice


@dataclass(frozen=True, eq=False)
class Rays:
    """Density along rays from one point: hu (n, m) at radii_mm (m,) along unit directions (n, 3), read between voxels
    of about voxel_mm.
    """

    center_lps_mm: Array
    directions: Array
    radii_mm: Array
    hu: Array
    voxel_mm: float

    def points(self, rows: Rows, radii_mm: Array) -> Array:
        """Return LPS points (k, 3) at one radius for each of the chosen rays."""
        return np.asarray(self.center_lps_mm + radii_mm[:, None] * self.directions[rows])

    def chosen(self, rows: Rows) -> Rays:
        """Return some of the rays."""
        return Rays(self.center_lps_mm, self.directions[rows], self.radii_mm, self.hu[rows], self.voxel_mm)


def cast(volume: Volume, center_lps_mm: Array, directions: Array, start_mm: float, end_mm: float) -> Rays:
    """Read densities along rays."""
    radii = np.arange(start_mm, end_mm, STEP_MM)
    points = center_lps_mm + radii[:, None] * directions[:, None, :]
    hu = sample(volume, points).astype(np.float64)
    return Rays(center_lps_mm, directions, radii, hu, float(volume.spacing_mm.mean()))


def first_crossing(rays: Rays, level_hu: float, rising: bool, from_index: Array | int = 0) -> Array:
    """Return the radius (n,) at which each ray first passes a level upwards or downwards; NaN where it never does."""
    above = rays.hu >= level_hu
    passes = (~above[:, :-1] & above[:, 1:]) if rising else (above[:, :-1] & ~above[:, 1:])
    passes &= np.arange(passes.shape[1]) >= np.reshape(from_index, (-1, 1))
    rows = np.arange(len(passes))
    at = np.argmax(passes, axis=1)
    low, high = rays.hu[rows, at], rays.hu[rows, at + 1]
    share = (level_hu - low) / np.where(high == low, 1.0, high - low)
    return np.where(passes.any(axis=1), rays.radii_mm[at] + share * STEP_MM, np.nan)


def sustained(mask: BoolArray, count: int) -> BoolArray:
    """Return where a run of ``count`` true values begins along the second axis; beyond the end counts as true."""
    padded = np.concatenate([mask, np.ones((len(mask), count - 1), dtype=bool)], axis=1)
    sums = np.cumsum(np.concatenate([np.zeros((len(mask), 1), dtype=int), padded], axis=1), axis=1)
    return np.asarray(sums[:, count:] - sums[:, :-count] == count)


def half_height(plateau_hu: float) -> float:
    """Level halfway between soft tissue and a plateau of metal, as far as the numbers go."""
    return 0.5 * (plateau_hu + _SOFT_HU)


def is_clipped(plateau_hu: float) -> bool:
    """Whether a plateau of metal is where the numbers of twelve bits end."""
    return 0.98 * CLIPPED_HU <= plateau_hu <= CLIPPED_HU


@dataclass(frozen=True, eq=False)
class Tail:
    """Density (m,) of one face of clipped metal at ways (m,) from where it crosses a level, positive out of it."""

    ways_mm: Array
    hu: Array
    voxel_mm: float


def tail_of(rays: Rays, level_radii_mm: Array, outward: float, reach_mm: float) -> Tail | None:
    """Return the median tail over rays, None where too few reach so far.

    ``outward`` is 1 where the metal lies inside of the face, -1 where outside.
    """
    ways = np.arange(-2.0, reach_mm + 0.01, STEP_MM)
    index = (level_radii_mm[:, None] + outward * ways - rays.radii_mm[0]) / STEP_MM
    inside = (index >= 0).all(axis=1) & (index <= len(rays.radii_mm) - 1).all(axis=1)
    if inside.sum() < _LEAST_RAYS:
        return None
    low = np.clip(index[inside].astype(int), 0, len(rays.radii_mm) - 2)
    share = index[inside] - low
    rows = np.flatnonzero(inside)[:, None]
    hu = np.median(rays.hu[rows, low] * (1.0 - share) + rays.hu[rows, low + 1] * share, axis=0)
    seen = hu < 0.98 * CLIPPED_HU
    return Tail(ways[seen], hu[seen], rays.voxel_mm)


def edges_beyond_level(tails: Sequence[Tail]) -> Array:
    """How far beyond their crossings of a level the true faces of one clipped metal lie, mm (k,); negative within.

    A clipped step has no half-height. The parts of it below the ceiling are fitted with blurred steps of one height and
    one blur, each with a place and an outside of its own. Voxels were clipped before rays were read between them: over
    many rays that reading is the mean under a triangle as wide as two voxels.
    """
    count = len(tails)
    sizes = np.cumsum([0, *(len(tail.hu) for tail in tails)])
    ways, hu = np.concatenate([t.ways_mm for t in tails]), np.concatenate([t.hu for t in tails])
    shifts = tails[0].voxel_mm * np.linspace(-0.9, 0.9, 10)
    weights = 1.0 - np.abs(shifts) / tails[0].voxel_mm
    weights /= weights.sum()
    of = np.repeat(np.arange(count), np.diff(sizes))

    def misfit(p: Array) -> Array:
        places, outsides, height, blur = p[:count], p[count : 2 * count], np.exp(p[-2]), p[-1]
        places_from = (places[of] - ways)[:, None] - shifts
        model = outsides[of, None] + (height - outsides[of, None]) * ndtr(places_from / blur)
        # weak beliefs, without which height and blur can't be told apart
        beliefs = (blur - _BLUR_MM[0]) / _BLUR_MM[1], (p[-2] - np.log(_METAL_HU[0])) / np.log(_METAL_HU[1])
        return np.append((np.minimum(model, CLIPPED_HU) @ weights - hu) / 60.0, beliefs)

    outside = [float(np.clip(tail.hu[-1], -200.0, 1000.0)) for tail in tails]
    start = np.array([*[-0.3] * count, *outside, np.log(8000.0), _BLUR_MM[0]])
    low = [*[-1.8] * count, *[-600.0] * count, np.log(2500.0), 0.4]
    high = [*[1.0] * count, *[1300.0] * count, np.log(30000.0), 1.4]
    return np.asarray(least_squares(misfit, start, bounds=(low, high)).x[:count])
