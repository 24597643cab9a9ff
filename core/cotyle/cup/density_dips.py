"""Falls of density along a line between two dense layers, and what is in them without the blur of the layers.

The rules are those of :mod:`cotyle.cup.wall_gaps`; many lines are read at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from cotyle.anatomy.shapes.cortex_model import Blur
from cotyle.image.sampling import value_at
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, for_compiled

STEP_MM = 0.2
# How far before the pole and beyond it dips are looked for: a floor lies no deeper beyond its plate.
BEFORE_MM, BEYOND_MM = 10.0, 16.0
_FLANK_MM = 4.0
_DENSE_SHARE, _LEAST_FALL_SHARE = 0.5, 0.25
# More of a density at the lowest place than this comes from the layers beside it: what is in the gap can't be told.
_MOST_BLEED, _LITTLE_BLEED = 0.6, 0.05


@dataclass(frozen=True)
class Dip:
    """A fall of density on a line: from and to (mm along it), and what it holds without the blur of its sides (HU)."""

    start_mm: float
    end_mm: float
    content_hu: float


def dips_on_line(volume: Volume, point_lps_mm: Array, direction_lps: Array, blur: Blur) -> list[Dip]:
    """Every fall of density between two dense layers along a line, and what it holds without their blur."""
    return dips_on_lines(volume, point_lps_mm[None], direction_lps[None], blur)[0]


def dips_on_lines(
    volume: Volume, points_lps_mm: npt.ArrayLike, directions_lps: npt.ArrayLike, blur: Blur
) -> list[list[Dip]]:
    """Return the dips of each line, in order along it; points and unit directions have the shape (n, 3)."""
    points = np.ascontiguousarray(points_lps_mm, dtype=np.float64)
    directions = np.ascontiguousarray(directions_lps, dtype=np.float64)
    depth = np.arange(-BEFORE_MM - _FLANK_MM, BEYOND_MM + _FLANK_MM, STEP_MM)
    found: list[list[Dip]] = [[] for _ in points]
    if not len(points):
        return found
    line, at, flank, sides, lowest, middle = _falls(
        volume.voxels,
        volume.lps_to_ijk,
        for_compiled(points),
        for_compiled(directions),
        depth,
        round(_FLANK_MM / STEP_MM),
        _DENSE_SHARE * blur.cortex_hu,
        _LEAST_FALL_SHARE * blur.cortex_hu,
    )
    sigma = blur.along_mm(directions)[line]
    bleed = 2.0 * ndtr(-0.5 * STEP_MM * (sides[:, 0] + sides[:, 1]) / sigma)
    # in a wide stretch the lowest place is the lowest of its noise and grain: there the median of its middle third
    lowest_hu = np.where(bleed > _LITTLE_BLEED, lowest, middle)
    told = bleed < _MOST_BLEED
    content = np.where(told, (lowest_hu - bleed * flank) / np.where(told, 1.0 - bleed, 1.0), np.inf)
    starts, ends = depth[at] - STEP_MM * sides[:, 0], depth[at] + STEP_MM * sides[:, 1]
    for row, start, end, hu in zip(line.tolist(), starts.tolist(), ends.tolist(), content.tolist(), strict=True):
        dips = found[row]
        if not dips or start >= dips[-1].end_mm:
            dips.append(Dip(start, end, hu))
        elif hu < dips[-1].content_hu:
            dips[-1] = Dip(start, end, hu)
    return found


@numba.njit(cache=True, nogil=True)
def _falls(voxels, lps_to_ijk, points, directions, depth, count, dense, least_fall):  # type: ignore[no-untyped-def]
    """Return line, sample, lower flank, samples to half height on both sides, lowest value and median of the middle
    third of each fall.
    """
    room = len(points) * 8 + 64
    line, at = np.empty(room, dtype=np.int64), np.empty(room, dtype=np.int64)
    flank, lowest, middle = np.empty(room), np.empty(room), np.empty(room)
    sides = np.empty((room, 2))
    profile = np.empty(len(depth))
    used = 0
    for n in range(len(points)):
        for d in range(len(depth)):
            x = points[n, 0] + depth[d] * directions[n, 0]
            y = points[n, 1] + depth[d] * directions[n, 1]
            z = points[n, 2] + depth[d] * directions[n, 2]
            profile[d] = value_at(voxels, lps_to_ijk, x, y, z, np.float32(np.nan))
        for d in range(count, len(depth) - 1):
            if depth[d] > BEYOND_MM or not (profile[d] <= profile[d - 1] and profile[d] < profile[d + 1]):
                continue
            before, after = _highest(profile, d - count, d), _highest(profile, d, min(d + count, len(depth) - 1))
            # what is not a number compares false: a line that leaves the scan has no gaps there
            if not (before > dense and after > dense):
                continue
            lower = min(before, after)
            if not lower - profile[d] > least_fall:
                continue
            if used == room:
                room *= 2
                line, at = _longer(line, room), _longer(at, room)
                flank, lowest, middle = _longer(flank, room), _longer(lowest, room), _longer(middle, room)
                sides = np.concatenate((sides, np.empty_like(sides)))
            start = _samples_to(profile, d, -1, 0.5 * (before + profile[d]))
            end = _samples_to(profile, d, 1, 0.5 * (after + profile[d]))
            first, last = int(np.rint(d - start / 3.0)), int(np.rint(d + end / 3.0)) + 1
            line[used], at[used], flank[used], lowest[used] = n, d, lower, profile[d]
            middle[used] = np.median(profile[first:last])
            sides[used, 0], sides[used, 1] = start, end
            used += 1
    return line[:used], at[:used], flank[:used], sides[:used], lowest[:used], middle[:used]


@numba.njit(cache=True)
def _longer(values, room):  # type: ignore[no-untyped-def]
    longer = np.empty(room, dtype=values.dtype)
    longer[: len(values)] = values
    return longer


@numba.njit(cache=True)
def _highest(profile, first, last):  # type: ignore[no-untyped-def]
    """Highest value from one sample to another, not a number if one of them is none."""
    most = profile[first]
    for d in range(first + 1, last + 1):
        if not profile[d] <= most:
            most = profile[d]
            if np.isnan(most):
                return most
    return most


@numba.njit(cache=True)
def _samples_to(profile, at, way, level):  # type: ignore[no-untyped-def]
    """Samples from a place up to where a level is first reached, one way or the other."""
    over = 1
    while not profile[at + way * over] >= level:
        over += 1
    below, above = profile[at + way * (over - 1)], profile[at + way * over]
    return over - 1 + (level - below) / max(above - below, 1e-6)
