"""Edges of metal along rays, below the voxel, also where the scanner's numbers end at 3071 HU."""

from __future__ import annotations

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

Rows = npt.NDArray[np.integer] | BoolArray | slice


@dataclass(frozen=True, eq=False)
class Rays:
    """Density along rays from one point: hu (n, m) at radii_mm (m,) along unit directions (n, 3)."""

    center_lps_mm: Array
    directions: Array
    radii_mm: Array
    hu: Array

    def points(self, rows: Rows, radii_mm: Array) -> Array:
        """Return LPS points (k, 3) at one radius for each of the chosen rays."""
        return np.asarray(self.center_lps_mm + radii_mm[:, None] * self.directions[rows])

    def chosen(self, rows: Rows) -> Rays:
        """Return some of the rays."""
        return Rays(self.center_lps_mm, self.directions[rows], self.radii_mm, self.hu[rows])


def cast(volume: Volume, center_lps_mm: Array, directions: Array, start_mm: float, end_mm: float) -> Rays:
    """Read densities along rays."""
    radii = np.arange(start_mm, end_mm, STEP_MM)
    points = center_lps_mm + radii[:, None] * directions[:, None, :]
    return Rays(center_lps_mm, directions, radii, sample(volume, points).astype(np.float64))


def even_directions(count: int) -> Array:
    """Return unit vectors spread evenly over the sphere (Fibonacci lattice), shape (count, 3)."""
    height = 1.0 - 2.0 * (np.arange(count) + 0.5) / count
    angle = np.pi * (3.0 - np.sqrt(5.0)) * np.arange(count)
    ring = np.sqrt(1.0 - height**2)
    return np.stack([ring * np.cos(angle), ring * np.sin(angle), height], axis=1)


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


def half_height(plateau_hu: float) -> float:
    """Level halfway between soft tissue and a plateau of metal, as far as the numbers go."""
    return 0.5 * (plateau_hu + _SOFT_HU)


def is_clipped(plateau_hu: float) -> bool:
    """Whether a plateau of metal is where the numbers of twelve bits end."""
    return 0.98 * CLIPPED_HU <= plateau_hu <= CLIPPED_HU


def edge_beyond_level(rays: Rays, level_radii_mm: Array, outward: float) -> float:
    """How far beyond its crossing of a level the true edge of a clipped metal lies, mm; median over rays.

    A clipped step has no half-height. The part of it below the ceiling is fitted with a blurred step of unknown height,
    place and blur: ``outward`` is 1 where the metal lies inside of the edge, -1 where outside.
    """
    offsets = np.arange(-2.0, 2.51, STEP_MM)
    radii = level_radii_mm[:, None] + outward * offsets
    index = (radii - rays.radii_mm[0]) / STEP_MM
    inside = (index >= 0).all(axis=1) & (index <= len(rays.radii_mm) - 1).all(axis=1)
    if inside.sum() < 20:
        return 0.0
    low = np.clip(index[inside].astype(int), 0, len(rays.radii_mm) - 2)
    share = index[inside] - low
    rows = np.flatnonzero(inside)[:, None]
    profile = np.median(rays.hu[rows, low] * (1.0 - share) + rays.hu[rows, low + 1] * share, axis=0)
    seen = profile < 0.98 * CLIPPED_HU

    def misfit(p: Array) -> Array:
        model = p[2] + (np.exp(p[3]) - p[2]) * ndtr((p[0] - offsets) / p[1])
        # the blur of a clinical kernel is a weak belief, without it height and blur can't be told apart
        return np.append((np.minimum(model, CLIPPED_HU) - profile)[seen] / 60.0, (p[1] - 0.75) / 0.08)

    start = np.array([0.0, 0.75, max(float(profile[-1]), -200.0), np.log(8000.0)])
    low_bound, high_bound = [-1.5, 0.4, -600.0, np.log(2500.0)], [1.0, 1.4, 900.0, np.log(30000.0)]
    best = least_squares(misfit, np.clip(start, low_bound, high_bound), bounds=(low_bound, high_bound))
    return float(best.x[0])
