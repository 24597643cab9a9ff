"""Edges of bone along a line, read from the scan below the size of a voxel.

A scanner blurs an edge but leaves its middle where it was: the surface lies where the density is half-way between
the cortex and what is outside. Where the wall is thinner than the scan resolves, the peak is too low and the half
height reads too thick; such walls are flagged by :mod:`cotyle.cup.wall`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, as_vector, unit

STEP_MM = 0.1
# The scan may move the surface by this much; a larger shift is another edge, not a better reading of this one.
LARGEST_SHIFT_MM = 2.0
# Peak and outside must differ by this much for an edge to be read.
LEAST_EDGE_HU = 150.0
_PEAK_SEARCH_MM = 3.0
_OUTSIDE_MM = (1.5, 4.0)
_PEAK_CEILING_HU = 2000.0


def half_height_mm(volume: Volume, crossing_lps_mm: npt.ArrayLike, outward_lps: npt.ArrayLike) -> float | None:
    """Return how far outwards of a surface crossing the scan puts the edge of the bone, in mm.

    Parameters
    ----------
    volume:
        CT in HU.
    crossing_lps_mm:
        Where the surface of the bone was crossed, shape (3,).
    outward_lps:
        Direction along the line out of the bone.

    Returns
    -------
    float or None
        None where there is no clear edge within 2 mm: no peak at least 150 HU above the outside, the line leaves the
        scan, or the half height is farther off.
    """
    crossing, outward = as_vector(crossing_lps_mm, "crossing"), unit(outward_lps)
    depth = np.arange(-LARGEST_SHIFT_MM - _PEAK_SEARCH_MM, LARGEST_SHIFT_MM + _OUTSIDE_MM[1] + STEP_MM, STEP_MM)
    values = sample(volume, crossing + depth[:, None] * outward, outside=np.nan).astype(float)
    if np.isnan(values).any():
        return None
    in_reach = np.flatnonzero((depth >= -_PEAK_SEARCH_MM) & (depth <= LARGEST_SHIFT_MM))
    peak = int(in_reach[np.argmax(values[in_reach])])
    peak_hu = min(float(values[peak]), _PEAK_CEILING_HU)
    # where the outside begins is known once the edge is: a first guess from the lowest value, then the middle one
    outside_hu, shift = float(values[peak:].min()), None
    for _ in range(2):
        if peak_hu - outside_hu < LEAST_EDGE_HU:
            return None
        shift = _first_fall(depth[peak:], values[peak:], (peak_hu + outside_hu) / 2)
        if shift is None:
            return None
        outside = (depth >= shift + _OUTSIDE_MM[0]) & (depth <= shift + _OUTSIDE_MM[1])
        outside_hu = float(np.median(values[outside])) if outside.any() else outside_hu
    if shift is None or abs(shift) > LARGEST_SHIFT_MM:
        return None
    return shift


def _first_fall(depth_mm: Array, values_hu: Array, level_hu: float) -> float | None:
    """Return the depth at which a profile first falls to a level, None if it never does or starts below."""
    below = np.flatnonzero(values_hu < level_hu)
    if not len(below) or below[0] == 0:
        return None
    last, first = int(below[0]) - 1, int(below[0])
    share = (values_hu[last] - level_hu) / (values_hu[last] - values_hu[first])
    return float(depth_mm[last] + share * (depth_mm[first] - depth_mm[last]))


def resolution_along_mm(volume: Volume, direction_lps: npt.ArrayLike) -> float:
    """Return the voxel's extent along a direction in mm, the square root of the weighted squares of the spacings.

    It stands for the width of the scan's blur, which the image file does not tell.
    """
    shares = volume.directions.T @ unit(direction_lps)
    return float(np.linalg.norm(shares * volume.spacing_mm))
